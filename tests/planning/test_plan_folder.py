"""The folder of a plan, and the command that writes it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from analyze.cli import commands
from analyze.errors import DescriptionError

SAMPLE = Path(__file__).parents[2] / "sample_audio"
REPORT = Path(__file__).parents[2] / "reports" / "sample_audio"


def call(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(commands, ["plan", *map(str, arguments)], standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done.return_value, done.stderr


def test_the_list_says_what_the_terminal_says(tmp_path: Path) -> None:
    code, said = call(SAMPLE, "--out", tmp_path / "plan", "--microphones", 3)
    assert code == 0
    page = (tmp_path / "plan" / "checklist.html").read_text(encoding="utf-8")
    for text in ("016_side-fill.wav", "Microphones by track: 2 mix, 3 front, 4 left"):
        assert text in page
        assert text in said
    assert "24 takes" not in said
    assert "16 takes of 20 s on 4 tracks, in 2 rounds" in " ".join(said.split())
    assert "85 dBA" in page
    assert "licensed people" in page
    assert "<script" not in page
    assert sorted(path.name for path in (tmp_path / "plan").iterdir()) == [
        "checklist.html",
        "datapackage.json",
        "soundcheck.toml",
    ]


def test_a_plan_replaces_a_plan_and_nothing_else(tmp_path: Path) -> None:
    assert call(SAMPLE, "--out", tmp_path / "plan")[0] == 0
    before = (tmp_path / "plan" / "checklist.html").read_bytes()
    assert call(SAMPLE, "--out", tmp_path / "plan")[0] == 0
    assert (tmp_path / "plan" / "checklist.html").read_bytes() == before
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("x")
    with pytest.raises(DescriptionError, match="is not a plan"):
        call(SAMPLE, "--out", tmp_path / "mine")
    with pytest.raises(DescriptionError, match="holds the description"):
        call(SAMPLE, "--out", SAMPLE, "--force")


def test_a_report_that_leaves_nothing_open_says_so() -> None:
    with pytest.raises(DescriptionError, match="nothing has to be recorded again"):
        call(REPORT)


def test_of_a_report_in_doubt_that_no_recording_would_help_the_doubt_is_said(tmp_path: Path) -> None:
    doubted = tmp_path / "doubted"
    shutil.copytree(REPORT, doubted)
    results = json.loads((doubted / "results.json").read_text(encoding="utf-8"))
    row = {**dict.fromkeys(("capture", "track", "file", "unit"), ""), "channel": None, "value": None, "at_s": None}
    results["quality"].append({**row, "finding": "microphones exchanged", "severity": "error", "detail": "Look."})
    (doubted / "results.json").write_text(json.dumps(results), encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"its description is in doubt \(microphones exchanged\), and"):
        call(doubted)


def test_a_description_that_was_filled_in_is_not_lost(tmp_path: Path) -> None:
    assert call(SAMPLE, "--out", tmp_path / "plan")[0] == 0
    description = tmp_path / "plan" / "soundcheck.toml"
    filled_in = description.read_text(encoding="utf-8").replace("delay_ms = 4.05", "delay_ms = 4.2")
    description.write_text(filled_in, encoding="utf-8")
    with pytest.raises(DescriptionError, match="was filled in since it was planned"):
        call(SAMPLE, "--out", tmp_path / "plan")
    assert description.read_text(encoding="utf-8") == filled_in
    assert call(SAMPLE, "--out", tmp_path / "plan", "--force")[0] == 0
    assert description.read_text(encoding="utf-8") != filled_in
