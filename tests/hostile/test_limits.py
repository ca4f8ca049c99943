"""What is large: hours, channels, captures. Seconds and memory are limits with room; measured figures stand beside."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from tests.hostile.broken_audio import RATE_HZ, noise, wav, written
from tests.hostile.calling import FINISHED, REFUSED, UNREADABLE, called, check_said, untouched
from tests.hostile.folders import HEAD, check_of

MB = 1 << 20
DAY_S = 24 * 3600


def write_day(path: Path, rate_hz: int, n_channels: int, at_s: float) -> None:
    """A day of silence in RF64 that takes no room on the disk, and a take from `at_s` on."""
    n_bytes = 4 * n_channels * rate_hz * DAY_S
    layout = struct.pack("<HHIIHH", 3, n_channels, rate_hz, 4 * n_channels * rate_hz, 4 * n_channels, 32)
    head = b"RF64\xff\xff\xff\xffWAVE" + struct.pack("<4sIQQQI", b"ds64", 28, n_bytes + 72, n_bytes, rate_hz * DAY_S, 0)
    head += struct.pack("<4sI", b"fmt ", 16) + layout + struct.pack("<4sI", b"data", 0xFFFFFFFF)
    with path.open("wb") as file:
        file.write(head)
        file.seek(len(head) + 4 * n_channels * round(rate_hz * at_s))
        file.write(noise(n_channels=n_channels).tobytes())
        file.truncate(len(head) + n_bytes)


def test_a_day_long(tmp_path: Path) -> None:
    """The last seconds of a file of 24 hours, 5.5 GB: read where they lie. Inspected in 0.1 s with 60 MB, measured."""
    uses = 'feeds = { main = "day.rf64:1" }\nmics = { mix = "day.rf64:2" }'
    folder = check_of(tmp_path / "check", f"{uses}\nstart_s = {DAY_S - 8}\nend_s = {DAY_S - 2}")
    write_day(folder / "day.rf64", RATE_HZ, 2, DAY_S - 7.5)
    with untouched(tmp_path):
        call = check_said(called("inspect", folder, more_bytes=300 * MB), FINISHED, most_s=10.0)
    assert "-20" in call.said
    (folder / "soundcheck.toml").unlink()
    check_said(called("draft", folder, more_bytes=300 * MB), FINISHED, most_s=10.0)


@pytest.mark.parametrize("rate_hz", [8000, 384_000])
def test_every_rate(tmp_path: Path, rate_hz: int) -> None:
    folder = check_of(tmp_path / "check", 'feeds = { main = "take.wav:1" }\nmics = { mix = "take.wav:2" }')
    (folder / "take.wav").write_bytes(written(noise(5 * rate_hz), rate_hz=rate_hz))
    check_said(called("inspect", folder, more_bytes=700 * MB), FINISHED, most_s=20.0)


@pytest.mark.parametrize("n_channels", [1, 1024])
def test_every_number_of_channels(tmp_path: Path, n_channels: int) -> None:
    """One of 1024 tracks, of 270 MB: no more is held than what is used. Inspected in 0.7 s, measured."""
    uses = f'feeds = {{ main = "good.wav:1" }}\nmics = {{ mix = "take.wav:{n_channels}" }}'
    folder = check_of(tmp_path / "check", uses)
    n_bytes = 2 * n_channels * 140_000
    with (folder / "take.wav").open("wb") as file:
        file.write(wav(b"", n_channels=n_channels, align=2 * n_channels, claimed=n_bytes))
        file.truncate(file.tell() + n_bytes)
    check_said(called("inspect", folder, more_bytes=300 * MB), FINISHED, most_s=20.0)


def test_more_positions_than_there_are(tmp_path: Path) -> None:
    """A thousand of them are refused before a sample is read."""
    mics = "".join(f'mics.m{n} = "take.wav:{n}"\n' for n in range(1, 1025))
    head = HEAD + "".join(f'[positions.m{n}]\nzone = "audience"\n' for n in range(1, 1025))
    folder = check_of(tmp_path / "check", f'feeds = {{ main = "good.wav:1" }}\n{mics}', head=head)
    (folder / "take.wav").write_bytes(wav(bytes(2 * 1024 * 100), n_channels=1024, align=2048))
    call = check_said(called("run", folder, "--out", tmp_path / "out", more_bytes=300 * MB), REFUSED)
    assert "too many positions (found 1025, expected at most 256)" in call.said


def test_memory_that_runs_out_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: object) -> None:
        raise MemoryError

    monkeypatch.setattr("analyze.description.load_sound_check", full)
    call = called("run", check_of(tmp_path / "check"), "--out", tmp_path / "out")
    assert call.code == UNREADABLE
    assert call.said.startswith("analyze: memory ran out; nothing was written.\n")
