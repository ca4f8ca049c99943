"""Every file of the corpus in every use: refused in one clear line or analysed with a finding, the rest goes on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analyze.description import load_sound_check
from analyze.responses.without_feed import without_feed
from tests.hostile.broken_audio import Broken, corpus, noise, written
from tests.hostile.calling import FINISHED, UNDECIDED, UNREADABLE, called, check_said, untouched
from tests.hostile.folders import GOOD_TAKE, check_of, uses_of

CORPUS = corpus()


def put(folder: Path, one: Broken) -> str:
    """The file in its folder."""
    name = f"take.{one.ending}"
    (folder / name).write_bytes(one.content)
    return name


@pytest.mark.parametrize("one", CORPUS, ids=lambda one: one.name)
def test_inspected_by_itself(tmp_path: Path, one: Broken) -> None:
    folder = check_of(tmp_path / "check", f'playing = ["main"]\nmics = {{ mix = "take.{one.ending}" }}')
    put(folder, one)
    with untouched(tmp_path):
        call = check_said(called("inspect", folder, "--json"), *one.codes)
    if call.code == UNREADABLE:
        assert call.problem.startswith(f"take.{one.ending}"), call.said
    else:
        assert json.loads(call.out)["tracks"]


def test_cut_off_and_said(tmp_path: Path) -> None:
    """A file that lacks nearly half of itself is never taken for a whole one without a word."""
    for one in (one for one in CORPUS if one.name.endswith("cut at 60 %")):
        folder = check_of(tmp_path / one.ending, f'playing = ["main"]\nmics = {{ mix = "take.{one.ending}" }}')
        put(folder, one)
        found = {row["finding"] for row in json.loads(called("inspect", folder, "--json").out)["findings"]}
        assert found & {"truncated file", "damaged file", "completeness unknown"}, one.name


def test_analysed_one_beside_the_other(tmp_path: Path) -> None:
    """Every file in one of five uses in turn: what cannot be used is named, and the rest of the sound check goes on.

    `python -m tests.hostile.fuzz --corpus` analyses each in every use, by itself.
    """
    uses = []
    folder = check_of(tmp_path / "check")
    for number, one in enumerate(CORPUS):
        name = f"{number}.{one.ending}"
        (folder / name).write_bytes(one.content)
        uses.append(uses_of(name, f"{number}")[number % 5])
    check_of(folder, *uses, GOOD_TAKE)
    with untouched(tmp_path, "out"):
        call = check_said(called("run", folder, "--out", tmp_path / "out", "--json"), UNDECIDED, most_s=60.0)
    found = json.loads(call.out)["quality"]
    refused = {row["file"] for row in found if row["finding"] == "capture unreadable"}
    for number, one in enumerate(CORPUS):
        assert f"{number}.{one.ending}" in refused or 0 in one.codes, one.name
    assert any(row["capture"] == "good" for row in json.loads(call.out)["arrivals"])


@pytest.mark.parametrize("ending", ["wav", "rf64", "bw64", "w64", "aiff", "caf", "flac", "ogg", "mp3", "au"])
def test_drafted(tmp_path: Path, ending: str) -> None:
    """Every file of an ending in one folder: in the draft or in a comment, whatever it holds."""
    made = [one for one in CORPUS if one.ending == ending]
    for number, one in enumerate(made):
        (tmp_path / f"mic {number}.{ending}").write_bytes(one.content)
    (tmp_path / "main feed.wav").write_bytes(written(noise()))
    with untouched(tmp_path, "soundcheck.toml"):
        check_said(called("draft", tmp_path), FINISHED)
    text = (tmp_path / "soundcheck.toml").read_text(encoding="utf-8")
    assert all(f"mic {number}.{ending}" in text for number in range(len(made)))


def test_a_capture_without_feeds_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    """Its only file breaks off, which comes up in the middle of the pass over it."""
    folder = check_of(tmp_path / "check", 'playing = ["main"]\nmics = { mix = "take.flac" }')
    (folder / "take.flac").write_bytes(next(one.content for one in CORPUS if one.name == "FLAC cut at 60 %"))
    check = load_sound_check(folder)
    unfed, findings, _ = without_feed(check, check.captures[0])
    assert unfed is not None
    assert {found.finding for found in findings} >= {"damaged file", "no feed recorded"}
