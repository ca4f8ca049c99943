"""One capture measured from its files: what is used of it, taps, declared microphones, impulse responses."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from response_making import Samples, delayed, solo, sound_check

from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track
from analyze.findings import Finding
from analyze.responses.capture import (
    Measured,
    UsableTracks,
    left_out_findings,
    measure,
    present_change,
    usable_tracks,
)

#: Up to 4 kHz: full range for the purpose, and quick.
RATE_HZ = 8000
SETTING = Setting(7.25, "inverted")
SEATS = {"near": 0.0123, "far": 0.0417}
GAINS = {"near": 0.8, "far": -0.3}


def output(tap: str = "before", setting: Setting = SETTING) -> Output:
    return Output("main", "main", setting=setting, feed_tap=tap)


def positions(**polarities: str) -> list[Position]:
    return [Position(name, "audience", polarity=polarities.get(name, "")) for name in SEATS]


def recorded(folder: Path, capture: Capture, tap: str, seed: int = 1, n: int = 6 * RATE_HZ + 1) -> None:
    """Write what the capture would hold: programme through the setting, flight and gain of each seat; far is inverted.

    The feed is tapped before or after the setting acts.
    """
    rng = np.random.default_rng(seed)
    programme = 0.05 * rng.standard_normal(n)
    setting = next(iter(capture.settings.values()))
    processed = setting.sign * delayed(programme, setting.delay_ms / 1000.0, RATE_HZ)
    tracks: list[Samples] = [programme if tap == "before" else processed]
    for seat in capture.mics:
        heard = GAINS[seat] * delayed(processed, SEATS[seat], RATE_HZ)
        tracks.append(heard + 0.002 * rng.standard_normal(n))
    file = folder / next(iter(capture.feeds.values())).file
    soundfile.write(file, np.stack(tracks, axis=1).astype(np.float32), RATE_HZ, subtype="FLOAT")


def taken(check: SoundCheck, capture: Capture) -> tuple[Measured, list[Finding]]:
    result, findings, read = measure(check, capture, np.random.default_rng(5))
    assert result is not None
    assert [f.shown for f in read.files] == ["take.wav"]
    return result, findings


# What is used


ALL = ("main", "sub", "wedge")


def several(**changes: object) -> Capture:
    """A capture of one output with three microphones, with some things different."""
    values: dict[str, object] = {
        "name": "take",
        "playing": ("main",),
        "feeds": {"main": Track("a.wav", 1)},
        "mics": {"near": Track("a.wav", 2), "far": Track("b.wav", 1), "side": Track("b.wav", 3)},
        "settings": {"main": Setting(), "sub": Setting()},
    }
    return Capture(**{**values, **changes})  # type: ignore[arg-type]


def test_a_solo_capture_is_used_whole() -> None:
    capture = several()
    assert usable_tracks(capture) == UsableTracks(("main",), (), "")
    assert left_out_findings(capture) == []


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"feeds": {}}, "has no feed and microphone together"),
        ({"mics": {}}, "has no feed and microphone together"),
        ({"playing": ("sub",)}, "holds no feed of what sounds in it (sub)"),
    ],
)
def test_what_cannot_be_used_says_why(changes: dict[str, object], why: str) -> None:
    assert usable_tracks(several(**changes)).why == why


def test_a_feed_without_microphones_is_mentioned() -> None:
    (found,) = left_out_findings(several(mics={}))
    assert (found.finding, found.severity, found.capture) == ("capture not analysed", "warning", "take")
    assert "it has no feed and microphone together." in found.detail


def test_what_sounds_without_a_feed_is_told_from_what_is_silent() -> None:
    feeds = {"main": Track("a.wav", 1), "sub": Track("a.wav", 6)}
    found = usable_tracks(several(playing=("main", "wedge"), feeds=feeds, settings=dict.fromkeys(ALL, Setting())))
    assert (found.feeds, found.unfed, found.why) == (("main",), ("wedge",), "")


# Settings and taps


@pytest.mark.parametrize("tap", ["before", "after"])
@pytest.mark.parametrize("setting", [SETTING, Setting(2.13, "normal"), Setting(0.0, "normal")])
def test_the_tap_makes_no_difference(tmp_path: Path, tap: str, setting: Setting) -> None:
    """Whether the feed is recorded before or after the setting acts, the response as captured holds it."""
    capture = solo("main", setting, list(SEATS))
    recorded(tmp_path, capture, tap)
    check = sound_check([output(tap)], positions(), [capture], folder=tmp_path)
    result, findings = taken(check, capture)
    assert findings == []
    for p, seat in enumerate(SEATS):
        later_s = SEATS[seat] + setting.delay_ms / 1000.0
        expected = GAINS[seat] * setting.sign * np.exp(-2j * np.pi * result.responses.frequency_hz * later_s)
        gain = (result.responses.h[0, p] / expected)[70:5000].mean()
        assert gain == pytest.approx(1.0, abs=2e-3)
        low = (result.responses.replicates[:, 0, p] / expected[:561])[:, 70:].mean()
        assert low == pytest.approx(1.0, abs=1e-2)
        sign = int(setting.sign * math.copysign(1.0, GAINS[seat]))
        assert result.evidence[p].arrival_for(sign)[0] == pytest.approx(later_s, abs=3e-5)
        assert result.evidence[p].evidence * sign > 5.0


@pytest.mark.parametrize("tap", ["before", "after"])
def test_impulse_responses_stand_at_present_settings(tmp_path: Path, tap: str) -> None:
    """Captured 3 ms earlier and upright: the impulses are those of the present setting, time zero the feed."""
    capture = solo("main", Setting(4.25, "normal"), list(SEATS))
    recorded(tmp_path, capture, tap)
    check = sound_check([output(tap)], positions(), [capture], folder=tmp_path)
    assert present_change(check, capture) == {"main": (-1.0, 3.0)}
    result, _ = taken(check, capture)
    for impulse, seat in zip(result.impulse_responses, SEATS, strict=True):
        assert (impulse.output, impulse.position, impulse.sample_rate_hz) == ("main", seat, RATE_HZ)
        at = (SEATS[seat] + 0.00725) * RATE_HZ
        peak = int(np.argmax(np.abs(impulse.samples)))
        assert abs(peak - at) <= 0.5
        assert np.sign(impulse.samples[peak]) == -np.sign(GAINS[seat])


def test_present_changes_are_signed() -> None:
    check = sound_check([output(), Output("sub", "sub", setting=Setting(10.0, "normal"))], positions())
    capture = several(settings={"main": Setting(9.5, "inverted"), "sub": Setting(4.0, "inverted")})
    assert present_change(check, capture) == {"main": (1.0, -2.25), "sub": (-1.0, 6.0)}


# Microphones


def test_declared_microphone_polarities_are_taken_out(tmp_path: Path) -> None:
    """The far seat is inverted: declared, every response and impulse there is upright; `normal` changes nothing."""
    capture = solo("main", SETTING, list(SEATS))
    recorded(tmp_path, capture, "before")
    plain, _ = taken(sound_check([output()], positions(), [capture], folder=tmp_path), capture)
    declared = positions(near="normal", far="inverted")
    mended, _ = taken(sound_check([output()], declared, [capture], folder=tmp_path), capture)
    assert np.array_equal(mended.responses.h[0, 0], plain.responses.h[0, 0])
    assert np.array_equal(mended.responses.h[0, 1], -plain.responses.h[0, 1])
    assert np.array_equal(mended.responses.replicates[:, 0, 1], -plain.responses.replicates[:, 0, 1])
    assert np.array_equal(mended.impulse_responses[1].samples, -plain.impulse_responses[1].samples)
    assert mended.evidence[1].evidence == pytest.approx(-plain.evidence[1].evidence)
    assert mended.evidence[0].evidence == plain.evidence[0].evidence


def test_the_draws_change_nothing_but_the_replicates(tmp_path: Path) -> None:
    capture = solo("main", SETTING, list(SEATS))
    recorded(tmp_path, capture, "before")
    check = sound_check([output()], positions(), [capture], folder=tmp_path)
    one, other = (measure(check, capture, np.random.default_rng(seed))[0] for seed in (1, 2))
    assert one is not None
    assert other is not None
    assert np.array_equal(one.responses.h, other.responses.h)
    assert not np.array_equal(one.responses.replicates, other.responses.replicates)


# Findings


def test_a_capture_in_which_nothing_is_heard_has_no_result(tmp_path: Path) -> None:
    capture = solo("main", SETTING, list(SEATS))
    rng = np.random.default_rng(9)
    soundfile.write(tmp_path / "take.wav", 0.05 * rng.standard_normal((6 * RATE_HZ, 3)), RATE_HZ, subtype="FLOAT")
    check = sound_check([output()], positions(), [capture], folder=tmp_path)
    result, findings, read = measure(check, capture, rng)
    assert result is None
    assert [f.finding for f in findings] == ["output not heard"] * 2
    assert [f.shown for f in read.files] == ["take.wav"]


def test_progress_is_told_of_the_capture(tmp_path: Path) -> None:
    capture = solo("main", SETTING, list(SEATS))
    recorded(tmp_path, capture, "before")
    check = sound_check([output()], positions(), [capture], folder=tmp_path)
    told: list[tuple[str, int]] = []
    done: list[int] = []

    def start(name: str, n_samples: int):  # the callback of the progress
        told.append((name, n_samples))
        return done.append

    measure(check, capture, np.random.default_rng(1), start)
    assert told == [("take", 6 * RATE_HZ + 1)]
    assert sum(done) == 6 * RATE_HZ + 1
