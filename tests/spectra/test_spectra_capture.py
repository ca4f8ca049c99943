"""A recording's cross-spectra: what is refused, what is only said, and a coarse delay that was off."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from spectra_making import RATE_HZ, Samples, coherence, delayed, noise, opened, recorded, sweep

from analyze.audio.recording import Recording
from analyze.findings import Finding
from analyze.spectra import capture as module
from analyze.spectra.capture import cross_spectra_of
from analyze.spectra.coarse_delay import coarse_delays_s
from analyze.spectra.cross_spectra import CrossSpectra

#: 8 frames a quarter of 1.4 s apart: the shortest recording that gives a spread.
SHORTEST = 11_200 + 7 * 2800


def solo(n: int, delays_s: tuple[float, ...] = (0.0121, 0.0467), seed: int = 21) -> dict[tuple[str, str], Samples]:
    """One feed and microphones that hear it at these delays, the second ones inverted, with noise of their own."""
    feed = noise(n, seed) * 0.1
    tracks = {("feed", "main"): feed}
    for p, delay_s in enumerate(delays_s):
        heard = delayed(feed, delay_s, RATE_HZ) * (0.8 - 0.3 * p) * (-1.0) ** p
        tracks["mic", f"seat {p}"] = heard + 0.002 * noise(n, seed + 1 + p)
    return tracks


def taken(recording: Recording) -> tuple[CrossSpectra | None, list[Finding]]:
    """What comes of a recording, with its feeds and microphones told by their labels."""
    feeds = [name for kind, name in recording.labels if kind == "feed"]
    seats = [name for kind, name in recording.labels if kind == "mic"]
    cross, findings, _ = cross_spectra_of(recording, feeds, seats)
    return cross, findings


def cross_of(folder: Path, tracks: dict[tuple[str, str], Samples]) -> tuple[CrossSpectra | None, list[Finding]]:
    with recorded(folder, tracks) as recording:
        return taken(recording)


# Too short


def test_a_recording_of_eight_frames_is_enough_and_no_less(tmp_path: Path) -> None:
    cross, findings = cross_of(tmp_path, solo(SHORTEST, (0.0, 0.0)))
    assert cross is not None
    assert not findings
    assert cross.n_frames.sum(axis=0).tolist() == [8, 8]
    cross, findings = cross_of(tmp_path, solo(SHORTEST - 1, (0.0, 0.0)))
    assert cross is None
    (found,) = findings
    assert (found.finding, found.severity, found.capture) == ("capture too short", "error", "take")
    assert found.value == pytest.approx((SHORTEST - 1) / RATE_HZ)
    assert found.unit == "s"


def test_what_is_late_needs_a_longer_recording(tmp_path: Path) -> None:
    """A microphone 0.3 s late leaves 0.3 s less."""
    late = solo(SHORTEST + 2000, (0.0, 0.3))
    cross, findings = cross_of(tmp_path, late)
    assert cross is None
    assert [f.finding for f in findings] == ["capture too short"]
    cross, findings = cross_of(tmp_path, solo(SHORTEST + 2400, (0.0, 0.3)))
    assert cross is not None
    assert not findings


def test_a_recording_of_next_to_nothing_is_too_short_too(tmp_path: Path) -> None:
    cross, findings = cross_of(tmp_path, solo(100, (0.0,)))
    assert cross is None
    assert [f.finding for f in findings] == ["capture too short"]


@pytest.mark.parametrize(("late_s", "least"), [(0.0, "3.9 s"), (0.3, "4.2 s"), (0.14, "4.0 s")])
def test_what_is_needed_is_said_and_is_enough(tmp_path: Path, late_s: float, least: str) -> None:
    """3.85 s and what is late, never rounded down: a recording as long as the finding asks for must do."""
    _, findings = cross_of(tmp_path, solo(SHORTEST - 200 + round(late_s * RATE_HZ), (0.0, late_s)))
    assert f"At least {least} are needed" in findings[0].detail
    cross, findings = cross_of(tmp_path, solo(round(float(least[:3]) * RATE_HZ), (0.0, late_s)))
    assert cross is not None
    assert not findings


# Not heard


def test_a_microphone_that_hears_nothing_is_named_and_the_rest_is_used(tmp_path: Path) -> None:
    tracks = solo(6 * RATE_HZ, (0.0121, 0.0467, 0.02))
    tracks["mic", "seat 1"] = 0.1 * noise(6 * RATE_HZ, 33)
    cross, findings = cross_of(tmp_path, tracks)
    assert cross is not None
    (found,) = findings
    assert (found.finding, found.severity, found.track) == ("output not heard", "note", "seat 1")
    assert found.capture == "take"
    assert "main is not heard at seat 1" in found.detail
    assert 1.0 < found.value < 5.0
    assert cross.shift_s[0].tolist() == pytest.approx([0.0121, 0.0, 0.02], abs=1 / RATE_HZ)
    heard = coherence(cross, 100.0, 3000.0)[0]
    assert heard[[0, 2]].min() > 0.98
    assert heard[1] < 0.3


def test_a_recording_in_which_nothing_is_heard_is_left_out(tmp_path: Path) -> None:
    tracks = solo(6 * RATE_HZ + 1)
    for seat in ("seat 0", "seat 1"):
        tracks["mic", seat] = 0.1 * noise(6 * RATE_HZ + 1, 34 + len(seat) + int(seat[-1]))
    cross, findings = cross_of(tmp_path, tracks)
    assert cross is None
    found = [(f.finding, f.severity, f.track) for f in findings]
    assert found == [("output not heard", "warning", "seat 0"), ("output not heard", "warning", "seat 1")]


@pytest.mark.parametrize(("late_s", "words"), [(2.5, "2.55 s after"), (-1.25, "1.20 s before")])
def test_what_begins_elsewhere_is_told_with_its_delay(tmp_path: Path, late_s: float, words: str) -> None:
    """A microphone's file that was exported from another point than the feed's."""
    tracks = solo(12 * RATE_HZ)
    tracks["mic", "seat 1"] = np.roll(tracks["mic", "seat 1"], round(late_s * RATE_HZ))
    cross, findings = cross_of(tmp_path, tracks)
    assert cross is not None
    (found,) = findings
    assert (found.finding, found.severity, found.track) == ("delay out of reach", "warning", "seat 1")
    assert found.value == pytest.approx(1000.0 * late_s + 46.7, abs=0.5)
    assert f"heard at seat 1 {words} it is sent" in found.detail


def test_silence_is_not_heard(tmp_path: Path) -> None:
    tracks = solo(6 * RATE_HZ)
    tracks["feed", "main"] = np.zeros(6 * RATE_HZ)
    cross, findings = cross_of(tmp_path, tracks)
    assert cross is None
    assert [(f.finding, f.track) for f in findings] == [
        *(("output not heard", seat) for seat in ("seat 0", "seat 1")),
        ("silent track", "main"),  # which is why
    ]


# Where the sound begins


@pytest.mark.parametrize("hum", [0.0, 3e-5, 2e-4])
def test_sound_that_begins_late_is_waited_for(tmp_path: Path, hum: float) -> None:
    """35 s of nothing, or of hiss on the feed 70 or 54 dB under the sound, before it."""
    n, begins = 43 * RATE_HZ, 35 * RATE_HZ
    feed = hum * noise(n, 41)
    feed[begins:] += 0.1 * noise(n - begins, 42)
    tracks = {("feed", "main"): feed, ("mic", "seat 0"): 0.002 * noise(n, 43)}
    sound = feed.copy()
    sound[:begins] = 0.0
    tracks["mic", "seat 0"] += 0.5 * delayed(sound, 0.11, RATE_HZ)
    cross, findings = cross_of(tmp_path, tracks)
    assert not findings
    assert cross is not None
    assert cross.shift_s[0, 0] == pytest.approx(0.11, abs=1 / RATE_HZ)


def test_several_feeds_have_their_own_delays(tmp_path: Path) -> None:
    n = 8 * RATE_HZ
    tracks = {("feed", "main"): 0.1 * noise(n, 51), ("feed", "fill"): 0.05 * noise(n, 52)}
    main, fill = tracks.values()
    tracks["mic", "seat 0"] = 0.5 * delayed(main, 0.03, RATE_HZ) - 0.8 * delayed(fill, 0.21, RATE_HZ)
    tracks["mic", "seat 1"] = -0.5 * delayed(main, 0.15, RATE_HZ) + 0.9 * delayed(fill, 0.0052, RATE_HZ)
    cross, findings = cross_of(tmp_path, tracks)
    assert not findings
    assert cross is not None
    assert cross.feeds == ("main", "fill")
    assert cross.shift_s == pytest.approx(np.array([[0.03, 0.15], [0.21, 0.0052]]), abs=1 / RATE_HZ)


# A coarse delay that was off


@pytest.mark.parametrize(("off_s", "n_passes"), [(0.0, 1), (0.02, 1), (0.05, 2), (-0.06, 2), (0.25, 2), (-0.25, 2)])
@pytest.mark.parametrize("kind", ["noise", "sweep"])
def test_the_pass_is_repeated_where_a_delay_was_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, off_s: float, n_passes: int, kind: str
) -> None:
    """Second microphone 0.3 s late, inverted; its coarse delay is made wrong on purpose."""
    n = 10 * RATE_HZ + 1
    tracks = solo(n, (0.012, 0.3))
    if kind == "sweep":
        feed = np.concatenate([0.3 * sweep(n - 8000, RATE_HZ), np.zeros(8000)])
        tracks = {("feed", "main"): feed}
        tracks["mic", "seat 0"] = delayed(feed, 0.012, RATE_HZ) + 0.003 * noise(n, 61)
        tracks["mic", "seat 1"] = -0.6 * delayed(feed, 0.3, RATE_HZ) + 0.003 * noise(n, 62)
    passes: list[bool] = []

    def off(feed: NDArray[np.float32], mics: NDArray[np.float32], rate: float, **how: bool) -> tuple[NDArray, NDArray]:
        delay_s, prominence = coarse_delays_s(feed, mics, rate, **how)
        return delay_s + np.array([0.0, off_s]), prominence

    run = module._pass

    def counted(recording: Recording, feeds, positions, shift_s, left_out, statistics=None, *more) -> CrossSpectra:
        passes.append(statistics is not None)
        return run(recording, feeds, positions, shift_s, left_out, statistics, *more)

    monkeypatch.setattr(module, "coarse_delays_s", off)
    monkeypatch.setattr(module, "_pass", counted)
    with recorded(tmp_path, tracks) as recording:
        cross, findings = taken(recording)
    assert not findings
    assert cross is not None
    assert passes == [True, False][:n_passes]  # what is damaged is looked for once
    assert cross.shift_s[0, 0] == pytest.approx(0.012, abs=0.006)
    remaining_s = 0.006 if n_passes == 2 else 0.0201
    assert abs(cross.shift_s[0, 1] - 0.3) <= remaining_s
    assert coherence(cross, 100.0, 3000.0).min() > 0.98


# Damage


def test_a_file_that_breaks_off_is_used_as_far_as_it_goes(tmp_path: Path) -> None:
    """A FLAC file cut at 60 % raises in the middle of the pass; what comes before counts."""
    tracks = solo(60 * RATE_HZ)
    with recorded(tmp_path, tracks, form="FLAC") as whole:
        labels = list(whole.labels)
    path = tmp_path / "take.flac"
    content = path.read_bytes()
    path.write_bytes(content[: int(0.6 * len(content))])
    with opened(tmp_path, "take.flac", labels) as recording:
        cross, _ = taken(recording)
        late = [f.finding for f in recording.late_findings()]
        n = recording.n_frames
    assert late
    assert 0.5 < n / (60 * RATE_HZ) < 0.7
    assert cross is not None
    assert coherence(cross, 100.0, 3000.0).min() > 0.98
    assert cross.n_frames.sum(axis=0)[0] == (n - 11_200 - round(cross.shift_s.max() * RATE_HZ)) // 2800 + 1


@pytest.mark.parametrize("off_s", [0.0, 0.25])
def test_damage_is_found_once_in_the_whole_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, off_s: float
) -> None:
    """A run at full scale in the last samples, which no whole frame covers, whether the pass is repeated or not."""
    n = 6 * RATE_HZ + 1234
    tracks = solo(n)
    tracks["mic", "seat 1"][-30:-10] = 1.0

    def off(feed: NDArray[np.float32], mics: NDArray[np.float32], rate: float, **how: bool) -> tuple[NDArray, NDArray]:
        delay_s, prominence = coarse_delays_s(feed, mics, rate, **how)
        return delay_s + np.array([0.0, off_s]), prominence

    monkeypatch.setattr(module, "coarse_delays_s", off)
    cross, findings = cross_of(tmp_path, tracks)
    assert cross is not None
    (found,) = findings
    assert "clip" in found.finding
    assert found.track == "seat 1"
    assert found.value == pytest.approx(100.0 * 20 / n)
    assert found.at_s == pytest.approx((n - 30) / RATE_HZ)


def test_one_channel_of_a_file_that_breaks_off_early_is_too_short(tmp_path: Path) -> None:
    """What is left of a FLAC file cut after 3 s is no capture, and says so."""
    with recorded(tmp_path, solo(60 * RATE_HZ), form="FLAC") as whole:
        labels = list(whole.labels)
    path = tmp_path / "take.flac"
    content = path.read_bytes()
    path.write_bytes(content[: int(0.05 * len(content))])
    with opened(tmp_path, "take.flac", labels) as recording:
        cross, findings = taken(recording)
    assert cross is None
    assert "capture too short" in [f.finding for f in findings]
