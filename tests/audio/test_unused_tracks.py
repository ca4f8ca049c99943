"""Tracks that no capture uses are named once, files that lack the same together."""

from __future__ import annotations

from pathlib import Path

from analyze.audio.unused_tracks import unused_tracks
from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track


def check(*captures: Capture) -> SoundCheck:
    outputs, positions = {"main": Output("main", "main")}, {"mix": Position("mix", "audience")}
    return SoundCheck(Path("a"), Path(), "", "", 20.0, "main", outputs, positions, captures)


def take(name: str, feed: Track, mic: Track, **inputs: Track) -> Capture:
    settings = {"main": Setting()}
    return Capture(name, ("main",), settings=settings, feeds={"main": feed}, mics={"mix": mic}, inputs=inputs)


def test_tracks_that_no_capture_uses_are_named() -> None:
    one = take("one", Track("a.wav", 1), Track("a.wav", 3), kick=Track("b.wav", 2))
    (a, b) = unused_tracks(check(one), {"a.wav": 6, "b.wav": 2, "other.wav": 4})
    assert (a.finding, a.severity, a.file, a.channel, a.value) == ("track not used", "note", "a.wav", 2, 4.0)
    assert a.detail.startswith("a.wav has 6 tracks, and no capture uses 2 and 4 to 6. If a microphone")
    assert (b.file, b.channel) == ("b.wav", 1)


def test_what_all_captures_use_together_counts() -> None:
    takes = [take("one", Track("a.wav", 1), Track("a.wav", 3)), take("two", Track("a.wav", 2), Track("a.wav", 4))]
    assert unused_tracks(check(*takes), {"a.wav": 4}) == []


def test_files_that_lack_the_same_are_named_together() -> None:
    takes = [take(f"{k}", Track(f"{k}.wav", 1), Track(f"{k}.wav", 2)) for k in range(3)]
    (found,) = unused_tracks(check(*takes), {f"{k}.wav": 3 for k in range(3)})
    assert found.detail.startswith("0.wav and 2 more files like it have 3 tracks, and no capture uses 3.")
