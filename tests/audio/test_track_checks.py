"""Tracks that the files do not hold: every one is named with its line, before anything is analysed."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.audio.track_checks import check_tracks
from analyze.description import load_sound_check
from analyze.errors import DescriptionError

TEXT = """format = 1
[outputs.mains]
kind = "main"
[positions.mix]
zone = "audience"
[[captures]]
name = "one"
{start}
feeds = {{ mains = "two.wav:{feed}" }}
mics = {{ mix = "{mic}" }}
{more}
"""


def checked(folder: Path, feed: int = 1, mic: str = "two.wav:2", start: str = "", more: str = "") -> None:
    """Write a description beside a file of two channels and one of 1.5 s, and check it."""
    rng = np.random.default_rng(4)
    soundfile.write(folder / "two.wav", rng.uniform(-0.5, 0.5, (8000, 2)), 8000)
    soundfile.write(folder / "long.wav", rng.uniform(-0.5, 0.5, 12000), 8000)
    path = folder / "soundcheck.toml"
    path.write_text(TEXT.format(feed=feed, mic=mic, start=start, more=more), encoding="utf-8")
    check_tracks(load_sound_check(path))


@pytest.mark.parametrize("start", ["", "start_s = 0.999"])
def test_tracks_that_exist_pass(tmp_path: Path, start: str) -> None:
    checked(tmp_path, start=start)


def test_every_mistake_is_named_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError) as caught:
        checked(tmp_path, feed=3, mic="long.wav:2", start="start_s = 1.0")
    lines = caught.value.message().splitlines()
    assert len(lines) == 4
    assert re.search(
        r"toml:8: captures\[1\]\.start_s: begins after the end of the file "
        r"\(found 1, expected less than 1\.00, the length of two\.wav\)",
        lines[0],
    )
    assert re.search(
        r"toml:9: .*feeds\.mains: no such channel \(found channel 3 of two\.wav, expected channel 1 to 2", lines[1]
    )
    assert re.search(
        r"toml:10: .*mics\.mix: no such channel \(found channel 2 of long\.wav, expected channel 1\)", lines[2]
    )
    assert caught.value.exit_code == 2


def test_a_recorder_of_its_own_has_its_own_start(tmp_path: Path) -> None:
    """`start_s` counts on the clock of the rest: a shorter file of another clock does not end it."""
    checked(tmp_path, feed=1, mic="two.wav:2", start="start_s = 0.9")
    soundfile.write(tmp_path / "short.wav", np.zeros(800), 8000)
    checked(tmp_path, mic="short.wav", start="start_s = 0.5", more='unsynced = ["short.wav"]')


def test_an_unreadable_file_is_left_to_the_capture(tmp_path: Path) -> None:
    (tmp_path / "broken.wav").write_bytes(b"no audio")
    checked(tmp_path, mic="broken.wav")
