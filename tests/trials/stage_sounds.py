"""What is played on the trials' stage: recorded drum hits one after another or as a groove, and a plucked bass.

The hits: `tests/reference/data/drum_hits.md`. Strings after Karplus & Strong 1983, Computer Music Journal 7(2) (from
memory). No two strokes are alike: soft ones are duller, and every one is a little higher or lower.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

Samples = NDArray[np.float64]

RATE_HZ = 44_100
HOW = ("one by one", "together")
_HITS = Path(__file__).parent.parent / "reference" / "data" / "drum_hits.flac"
#: Which of the ten recorded hits are of which instrument, and how long each is.
_RECORDED, _HIT_FRAMES = {"kick": (0, 1, 2), "snare": (3, 4, 5), "tom": (6, 7), "hat": (8,), "cymbal": (9,)}, 13_230
#: One by one: how long each instrument has, s, and the most strokes it plays.
_TURNS = {"kick": (4.0, 9), "snare": (4.0, 9), "tom": (2.0, 4), "hat": (2.0, 5), "cymbal": (2.0, 3), "string": (3.5, 8)}
#: Together: length, s; on which eighths of two bars each may play, and how likely.
_TOGETHER_S = 11.0
_EIGHTHS = {
    "kick": ((0, 3, 5, 8, 10, 13), 0.8), "snare": ((2, 6, 10, 14), 0.95), "tom": ((15,), 0.5),
    "hat": (tuple(range(16)), 0.8), "cymbal": ((0,), 0.7), "string": ((0, 2, 3, 5, 8, 10, 11, 13), 0.8),
}  # fmt: skip
#: How exactly a player plays, s.
_LOOSE_S = 0.008
#: A stroke is tuned by up to so much of its frequency.
_DETUNED = 0.02


def played(how: str, rng: np.random.Generator) -> dict[str, Samples]:
    """Instrument -> what it plays, (sample,), peak 1; beater and wires follow drums, `bass` is an amplified string."""
    times_s, length_s = _one_by_one(rng) if how == HOW[0] else _groove(rng)
    sounds = {name: _take(name, times, length_s, rng) for name, times in times_s.items()}
    sounds["wires"] = _noise_along(sounds["snare"], 0.03, 2000.0, rng)
    sounds["beater"] = _noise_along(sounds["kick"], 0.002, 1500.0, rng)
    drive = rng.uniform(0.3, 3.0)
    bent = np.tanh(drive * sounds["string"] + 0.2 * drive)  # unlike for both halves of the wave
    sounds["bass"] = _normalised(bent - np.tanh(0.2 * drive))
    return sounds


def _one_by_one(rng: np.random.Generator) -> tuple[dict[str, Samples], float]:
    times_s, start_s = {}, 0.3
    for name, (turn_s, most) in _TURNS.items():
        n = int(rng.integers(most // 2, most + 1))
        times_s[name] = start_s + np.arange(n) * turn_s / n + rng.uniform(-_LOOSE_S, _LOOSE_S, n)
        start_s += turn_s
    return times_s, start_s + 0.5


def _groove(rng: np.random.Generator) -> tuple[dict[str, Samples], float]:
    eighth_s = 30.0 / rng.uniform(85.0, 130.0)
    n_bars = int(_TOGETHER_S / (16.0 * eighth_s)) + 1
    times_s = {}
    for name, (places, share) in _EIGHTHS.items():
        eighths = np.concatenate([16 * bar + np.array(places) for bar in range(n_bars)])
        times = 0.3 + eighth_s * eighths[rng.random(len(eighths)) < share]
        times = times[times < _TOGETHER_S - 0.6]
        times_s[name] = times + rng.uniform(-_LOOSE_S, _LOOSE_S, len(times))
    return times_s, _TOGETHER_S


def _take(name: str, times_s: Samples, length_s: float, rng: np.random.Generator) -> Samples:
    """One instrument's strokes, all of one recorded sound."""
    take = np.zeros(round(length_s * RATE_HZ))
    recorded = None if name == "string" else _hits()[int(rng.choice(_RECORDED[name]))]
    for at_s in times_s:
        force = rng.uniform(0.4, 1.0)
        sound = _string(rng) if recorded is None else _detuned(recorded, rng)
        sound = signal.lfilter(*signal.butter(1, 1500.0 + 14_000.0 * force, fs=RATE_HZ), sound)
        first = round(float(at_s) * RATE_HZ)
        take[first : first + len(sound)] += force * sound[: len(take) - first]
    return _normalised(take)


def _normalised(sound: Samples) -> Samples:
    return sound / max(float(np.abs(sound).max()), 1e-9)


@cache
def _hits() -> Samples:
    """(hit, sample), each with its end faded out."""
    samples, _ = soundfile.read(_HITS)
    fade = np.ones(_HIT_FRAMES)
    fade[-500:] = np.linspace(1.0, 0.0, 500)
    return samples.reshape(-1, _HIT_FRAMES) * fade


def _detuned(sound: Samples, rng: np.random.Generator) -> Samples:
    frames = np.arange(0.0, len(sound) - 1.0, rng.uniform(1.0 - _DETUNED, 1.0 + _DETUNED))
    return np.interp(frames, np.arange(len(sound)), sound)


def _string(rng: np.random.Generator) -> Samples:
    """A plucked string of a bass, 0.5 s: a burst of noise going round in a loop that loses its heights."""
    period = round(RATE_HZ / (41.2 * 2.0 ** (rng.integers(0, 13) / 12.0)))
    burst = np.zeros(round(0.5 * RATE_HZ))
    burst[:period] = signal.lfilter([0.5, 0.5], [1.0], rng.standard_normal(period))
    burst[:period] -= burst[:period].mean()
    loop = np.zeros(period + 2)
    loop[0], loop[period:] = 1.0, -0.498
    tone = signal.lfilter([1.0], loop, burst)
    tone[-500:] *= np.linspace(1.0, 0.0, 500)
    return _normalised(tone)


def _noise_along(sound: Samples, decay_s: float, low_hz: float, rng: np.random.Generator) -> Samples:
    """Noise above a frequency that follows the level of a sound and dies away behind it."""
    level = signal.lfilter([1.0], [1.0, -np.exp(-1.0 / (decay_s * RATE_HZ))], np.abs(sound))
    high = signal.butter(2, low_hz, "high", fs=RATE_HZ, output="sos")
    return _normalised(level * signal.sosfilt(high, rng.standard_normal(len(sound))))
