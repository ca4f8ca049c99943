"""Descriptions on the way: drafts with marks of guesses, captures that are still to come, files not yet there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.description import load_recorded, load_sound_check
from analyze.errors import DescriptionError

HEAD = """\
format = 1
[outputs.main]
kind = "main"  # guess: the name
# kind = "sub"  # guess: no line
[positions.mix]
zone = "audience"
"""


def capture(number: int) -> str:
    return f'[[captures]]\nfeeds = {{ main = "00{number}_main.wav:1" }}\nmics = {{ mix = "00{number}_main.wav:2" }}\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two captures described, the first recorded."""
    (tmp_path / "soundcheck.toml").write_text(HEAD + capture(1) + capture(2))
    soundfile.write(tmp_path / "001_main.wav", np.zeros((9, 2)), 8000)
    return tmp_path


def test_what_is_recorded_can_be_looked_at_before_the_rest_is(folder: Path) -> None:
    check = load_recorded(folder)
    assert [one.name for one in check.captures] == ["capture 1"]
    found = [one for one in check.findings if one.finding == "not recorded yet"]
    assert [one.capture for one in found] == ["capture 2"]
    with pytest.raises(DescriptionError, match=r"captures\[2\].*no such file"):
        load_sound_check(folder)


def test_a_file_under_nearly_the_name_of_one_to_come_is_told(folder: Path) -> None:
    """Not one that a track uses already, and not the one that another capture to come may mean."""
    text = (folder / "soundcheck.toml").read_text()
    more = (
        (capture(3) + capture(4)).replace("003_main.wav", "front_fill.flac").replace("004_main.wav", "front_fills.wav")
    )
    (folder / "soundcheck.toml").write_text(text + more)
    (folder / "front_fill.wav").write_bytes(b"")
    found = [one for one in load_recorded(folder).findings if one.finding == "not recorded yet"]
    assert [(one.severity, one.capture) for one in found] == [
        ("note", "capture 2"),
        ("note", "capture 3"),
        ("error", "capture 4"),
    ]
    assert found[2].detail.endswith("'front_fills.wav': did you mean 'front_fill.wav'?")
    (folder / "soundcheck.toml").write_text(text + more.replace("front_fills", "balcony"))
    found = [one for one in load_recorded(folder).findings if one.finding == "not recorded yet"]
    assert [one.detail.partition("over.")[2] for one in found] == [
        "",
        " 'front_fill.flac': did you mean 'front_fill.wav'?",
        "",
    ]


def test_where_nothing_is_recorded_every_file_is_named(folder: Path) -> None:
    (folder / "001_main.wav").unlink()
    with pytest.raises(DescriptionError, match=r"(?s)001_main.wav.*002_main.wav"):
        load_recorded(folder)


def test_a_capture_of_which_a_part_is_there_is_no_capture_to_come(folder: Path) -> None:
    text = (folder / "soundcheck.toml").read_text().replace('"002_main.wav:1"', '"001_main.wav:1"')
    (folder / "soundcheck.toml").write_text(text)
    with pytest.raises(DescriptionError, match=r"002_main\.wav"):
        load_recorded(folder)


def test_another_take_is_not_what_was_meant(folder: Path) -> None:
    with pytest.raises(DescriptionError) as refused:
        load_sound_check(folder)
    assert "Did you mean" not in str(refused.value)
    (folder / "002_mian.wav").write_bytes(b"")
    with pytest.raises(DescriptionError, match=r"Did you mean '002_mian.wav'\?"):
        load_sound_check(folder)


def test_the_file_of_another_take_is_not_what_was_meant(folder: Path) -> None:
    """Both tracks of the missing file are one line; a part of a file that others use too may be meant."""
    (folder / "001_main.wav").rename(folder / "alpha.wav")
    text = (folder / "soundcheck.toml").read_text().replace("001_main", "alpha").replace("002_main", "alphb")
    (folder / "soundcheck.toml").write_text(text)
    with pytest.raises(DescriptionError) as refused:
        load_sound_check(folder)
    assert "captures[2].feeds.main: no such file" in str(refused.value)
    assert ": 'alphb.wav', named by 2 tracks.\n" in str(refused.value)
    assert "captures[2].mics" not in str(refused.value)
    (folder / "soundcheck.toml").write_text(text + "start_s = 9\n")
    with pytest.raises(DescriptionError, match=r"by 2 tracks\. Did you mean 'alpha.wav'\?"):
        load_sound_check(folder)


def test_marks_of_guesses_are_counted_until_they_are_taken_away(folder: Path) -> None:
    check = load_recorded(folder)
    found = [one for one in check.findings if one.finding == "guesses in the description"]
    assert [(one.severity, one.value) for one in found] == [("warning", 1)]
    assert "the first is line 3" in found[0].detail
    path = folder / "soundcheck.toml"
    path.write_text(path.read_text().replace("  # guess: the name", ""))
    assert "guesses in the description" not in [one.finding for one in load_recorded(folder).findings]
