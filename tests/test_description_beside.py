"""Recordings that no take uses, and one box of a pair without the other."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

import pytest

from analyze.description import Output, load_sound_check
from analyze.description_beside import lone_sides, unused_files
from analyze.findings import Finding

SAMPLE = Path(__file__).parent.parent / "sample_audio"


def told(findings: Sequence[Finding], name: str) -> list[Finding]:
    return [one for one in findings if one.finding == name]


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """The sample's folder; its recordings are used by its own description, all of them."""
    folder = tmp_path / "night"
    shutil.copytree(SAMPLE, folder)
    assert load_sound_check(folder).unused == ()
    return folder


def test_a_recording_that_reads_like_an_output_is_a_warning_and_another_a_note(night: Path) -> None:
    first = next(night.rglob("*.flac"))
    (night / "old").mkdir()
    for name in ("Sub_Right take.flac", "old/pink noise.flac", ".hidden.flac", "notes.txt"):
        shutil.copy(first, night / name)
    check = load_sound_check(night)
    assert check.unused == ("Sub_Right take.flac", "old/pink noise.flac")
    shutil.copy(first, night / os.fsdecode(b"z\xff.flac"))
    assert "z?.flac" in load_sound_check(night).unused
    warned, noted = told(check.findings, "recording not used")
    assert (warned.severity, warned.file) == ("warning", "Sub_Right take.flac")
    assert "No take uses 'Sub_Right take.flac', and by the name that is a recording of an output." in warned.detail
    assert (noted.severity, noted.file) == ("note", "old/pink noise.flac")


@pytest.mark.parametrize("mark", ["soundcheck.toml", "datapackage.json", "bagit.txt"])
def test_what_is_a_sound_check_a_report_or_a_record_of_its_own_is_passed_by(night: Path, mark: str) -> None:
    inside = night / "sub" / "responses"
    inside.mkdir(parents=True)
    (night / "sub" / mark).touch()
    (inside / "001.wav").touch()
    used = {path.relative_to(night).as_posix() for path in night.rglob("*.flac")}
    assert unused_files(night, used) == ()
    (night / "sub" / mark).unlink()
    assert unused_files(night, used) == ("sub/responses/001.wav",)


def outputs(**kinds: str) -> dict[str, Output]:
    return {name.replace("_", " "): Output(name.replace("_", " "), kind) for name, kind in kinds.items()}


@pytest.mark.parametrize(
    ("described", "lone"),
    [
        ({"main_left": "main", "main_right": "main", "sub_left": "sub"}, ["sub left"]),
        ({"main_left": "main", "main_right": "main", "Sub_R": "sub"}, ["Sub R"]),
        ({"main_left": "main", "sub_left": "sub", "sub_right": "sub"}, []),
        ({"main_left": "main", "main_right": "main", "fill_left": "fill", "sub": "sub"}, []),
        ({"main_left": "main", "sub": "sub"}, []),  # one side of the house was measured
    ],
)
def test_one_box_of_a_pair_is_told_where_others_stand_in_pairs(described: dict[str, str], lone: list[str]) -> None:
    found = lone_sides(SimpleNamespace(outputs=outputs(**described)))  # type: ignore[arg-type]
    assert [one.track for one in found] == lone
    assert all(one.severity == "warning" and one.finding == "other side missing" for one in found)
