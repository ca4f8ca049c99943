"""Flat tops under full scale: found with their share where a stage clips, and nowhere else.

Expected shares are counted in the signal as it was made.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from audio_helpers import RATE_HZ, STEP_16, only
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.signal import butter, chirp, sosfilt

from analyze.audio.damage import Kind, TrackPlace, TrackStatistics, TrackSummary, damage_findings, damaged_spans
from analyze.simulate_feeds import make_feed, pink_noise

Signal = NDArray[np.float64]

SECONDS = 10
N = SECONDS * RATE_HZ
TIME_S = np.arange(N) / RATE_HZ


@pytest.fixture(scope="module")
def pink() -> Signal:
    """Pink noise of unit root mean square."""
    sound = pink_noise(N, RATE_HZ, 20.0, 16_000.0, np.random.default_rng(1))
    return sound / np.std(sound)


def summary_of(sound: Signal, size: int = 30_000) -> TrackSummary:
    statistics = TrackStatistics(1, RATE_HZ)
    for first in range(0, len(sound), size):
        statistics.update(sound[first : first + size, np.newaxis].astype(np.float32))
    return statistics.finish()


def place(kind: Kind = "mic") -> list[TrackPlace]:
    return [TrackPlace(kind, "mix", "take", "a.wav", 1)]


def rounded(sound: Signal, step: float = STEP_16) -> Signal:
    return np.round(sound / step) * step


@pytest.mark.parametrize("limit", [1.0, 2.0, 3.0])
@pytest.mark.parametrize("level", [0.7, 0.15])
def test_a_stage_that_clips(pink: Signal, limit: float, level: float) -> None:
    """From a third of all samples down to a few in a thousand, rounded to 16 bits."""
    sound = rounded(np.clip(pink, -limit, limit) / limit * level)
    found = only(damage_findings(summary_of(sound), place()))
    assert (found.finding, found.severity, found.track, found.unit) == ("clipping", "warning", "mix", "%")
    assert "under full scale" in found.detail
    assert found.value == pytest.approx(100.0 * np.mean(np.abs(pink) >= limit), rel=0.01)
    first_run = np.flatnonzero(np.convolve(np.abs(pink) >= limit, np.ones(3), "valid") == 3)[0]
    assert found.at_s == pytest.approx(first_run / RATE_HZ, abs=0.01)


def test_a_stage_that_clips_on_one_side(pink: Signal) -> None:
    """The other side reaches further."""
    sound = np.maximum(pink, -2.0) * 0.15
    found = only(damage_findings(summary_of(sound), place()))
    assert found.value == pytest.approx(100.0 * np.mean(pink <= -2.0), rel=0.01)


def test_tops_with_the_noise_of_a_converter_on_them(pink: Signal) -> None:
    """86 dB under full scale."""
    sound = np.clip(pink, -2.5, 2.5) / 2.5 * 0.7 + 5e-5 * np.random.default_rng(2).standard_normal(N)
    found = only(damage_findings(summary_of(sound), place()))
    assert found.value == pytest.approx(100.0 * np.mean(np.abs(pink) >= 2.5), rel=0.02)


def test_where_they_lie_is_left_out(pink: Signal) -> None:
    """Two seconds in the middle, to the last sample in a run, whatever the blocks."""
    part = slice(4 * RATE_HZ, 6 * RATE_HZ)
    sound = 0.1 * pink
    sound[part] = np.clip(0.4 * pink[part], -0.7, 0.7)
    assert np.abs(sound[: part.start]).max() < 0.7
    spans = [damaged_spans(summary_of(sound, size), place())[0] for size in (777, 30_000, N)]
    assert spans[0] == spans[1] == spans[2]
    ((first, stop),) = spans[0]
    runs = np.flatnonzero(np.convolve(np.abs(sound) >= 0.7, np.ones(3), "valid") == 3)
    assert (first, stop) == (runs[0], runs[-1] + 3)


def test_a_feed_is_as_it_was_made(pink: Signal) -> None:
    """Only a microphone's own stage is at fault; programme and electric instruments are clipped on purpose."""
    summary = summary_of(np.clip(pink, -2.0, 2.0) * 0.3)
    assert damage_findings(summary, place("feed")) == damage_findings(summary, place("input")) == []
    assert damaged_spans(summary, place("feed")) == damaged_spans(summary, place("input")) == ((),)


def low(sound: Signal) -> Signal:
    out: Signal = sosfilt(butter(4, 100.0, fs=RATE_HZ, output="sos"), sound)
    return out


def limited(sound: Signal, most: float, look_ahead_ms: float) -> Signal:
    """Programme through a limiter: peaks touch one level."""
    envelope = maximum_filter1d(np.abs(sound), int(look_ahead_ms * RATE_HZ / 1000.0))
    return sound * np.minimum(1.0, most / envelope)


def square(frequency_hz: float) -> Signal:
    return np.sign(np.sin(2.0 * np.pi * frequency_hz * TIME_S))


SOUND: dict[str, Callable[[Signal], Signal]] = {
    "noise": lambda pink: 0.2 * pink,
    "sweep": lambda _: 0.9 * chirp(TIME_S, 20.0, SECONDS, 16_000.0, "logarithmic"),
    "square": lambda _: 0.5 * square(50.0),
    "square, through a low-pass": lambda _: sosfilt(butter(2, 2000.0, fs=RATE_HZ, output="sos"), 0.5 * square(50.0)),
    "random telegraph": lambda pink: 0.5 * np.sign(pink),
    "constant": lambda pink: 0.3 + 1e-4 * pink,
} | {
    f"sine of {f} Hz, {bits} bit, {level}": lambda _, f=f, bits=bits, level=level: rounded(
        level * np.sin(2.0 * np.pi * f * TIME_S), 2.0 ** (1 - bits)
    )
    for f in (3.0, 20.0, 41.3, 440.0)
    for bits in (8, 16, 24)
    for level in (0.9, 0.11, 0.003)
}
SOUND |= {f"saturated, {g}": lambda pink, g=g: 0.8 * np.tanh(g * pink) for g in (0.3, 1.0, 1.7, 2.0, 3.0, 10.0)}
SOUND |= {f"saturated bass, {g}": lambda pink, g=g: 0.8 * np.tanh(g * low(pink)) for g in (1.0, 3.0, 6.0, 10.0)}
SOUND |= {f"limited, {ms} ms": lambda pink, ms=ms: 0.5 * limited(pink, 1.2, ms) for ms in (0.5, 5.0, 100.0)}
SOUND |= {f"limited bass, {ms} ms": lambda pink, ms=ms: limited(3.0 * low(pink), 0.5, ms) for ms in (1.0, 20.0)}
SOUND |= {
    f"quiet, {steps} steps": lambda pink, steps=steps: rounded(pink * steps * STEP_16 / 4.0) for steps in (1, 4, 30)
}
SOUND |= {
    kind: lambda _, kind=kind: 0.8 * make_feed(kind, N, RATE_HZ, np.random.default_rng(4))
    for kind in ("noise", "sweep", "groove")
}


@pytest.mark.parametrize("name", SOUND)
def test_whole_sound_has_none(pink: Signal, name: str) -> None:
    """Square and saturated programme too: what it holds was played, and no stage of the microphone's stops there."""
    summary = summary_of(SOUND[name](pink))
    assert (summary.n_flat[0], summary.first_flat[0], summary.flat_spans[0]) == (0, -1, ())
