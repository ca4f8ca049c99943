"""What is sent to the outputs of the demo, and the noise of the hall: noise, sweeps and a synthetic groove.

Signals are (frame,) arrays re full scale. A feed is silent for a moment first and while the hall dies away at the end.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

FeedKind = Literal["noise", "sweep", "groove"]

#: Silence ahead of and behind what is played.
_LEAD_S, _TRAIL_S = 0.4, 0.9

#: RMS of noise and groove, peak of the sweep and highest peak of the groove, re full scale.
_RMS, _SWEEP_PEAK, _GROOVE_PEAK = 0.08, 0.2, 0.6

#: Exponential sweeps (ISO 18233:2006, Annex B, from memory) over this range, one after the other.
_SWEEP_LOW_HZ, _SWEEP_HIGH_HZ, _SWEEP_S, _SWEEP_GAP_S = 18.0, 18_000.0, 2.9, 0.25

#: Beats per second of the groove.
_BEATS_HZ = 2.0


def make_feed(kind: FeedKind, n_frames: int, sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """One feed (n_frames,) of the given kind."""
    lead = round(_LEAD_S * sample_rate_hz)
    n_sounding = n_frames - lead - round(_TRAIL_S * sample_rate_hz)
    if n_sounding < sample_rate_hz:
        raise ValueError(f"{n_frames} frames leave less than 1 s to play")
    makers = {"noise": _noise, "sweep": _sweeps, "groove": _groove}
    feed = np.zeros(n_frames)
    feed[lead : lead + n_sounding] = makers[kind](n_sounding, sample_rate_hz, rng)
    return feed


def pink_noise(
    n_frames: int, sample_rate_hz: int, low_hz: float, high_hz: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Gaussian noise (n_frames,) of unit RMS, -3 dB per octave between two frequencies, steep beyond."""
    frequency_hz = np.fft.rfftfreq(n_frames, 1.0 / sample_rate_hz)
    bottom = np.maximum(frequency_hz, 1.0)
    shape = bottom**-0.5 / np.sqrt((1.0 + (low_hz / bottom) ** 6) * (1.0 + (bottom / high_hz) ** 12))
    noise = np.fft.irfft(shape * np.fft.rfft(rng.standard_normal(n_frames)), n_frames)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)), dtype=np.float64)


def _noise(n_frames: int, sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    return _edges(_RMS * pink_noise(n_frames, sample_rate_hz, 20.0, 14_000.0, rng), sample_rate_hz)


def _sweeps(n_frames: int, sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Whole sweeps until the time is up, the first from a random phase."""
    n_sweep, n_step = round(_SWEEP_S * sample_rate_hz), round((_SWEEP_S + _SWEEP_GAP_S) * sample_rate_hz)
    time_s = np.arange(n_sweep) / sample_rate_hz
    rate = _SWEEP_S / np.log(_SWEEP_HIGH_HZ / _SWEEP_LOW_HZ)
    phase = 2.0 * np.pi * _SWEEP_LOW_HZ * rate * (np.exp(time_s / rate) - 1.0) + rng.uniform(0.0, 2.0 * np.pi)
    sweep = _edges(_SWEEP_PEAK * np.sin(phase), sample_rate_hz)
    sound = np.zeros(n_frames)
    for start in range(0, max(1, n_frames - n_sweep + 1), n_step):
        part = sweep[: n_frames - start]
        sound[start : start + len(part)] = part
    return sound


def _groove(n_frames: int, sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Kick, snare, hats and a bass line: programme with gaps, transients and an uneven spectrum."""
    sound = np.zeros(n_frames)
    n_eighths = int(np.ceil(n_frames / sample_rate_hz * 2.0 * _BEATS_HZ))
    bass_hz = rng.choice([36.7, 41.2, 49.0, 55.0, 61.7, 73.4, 82.4], size=n_eighths)
    for eighth in range(n_eighths):
        start = round(eighth * sample_rate_hz / (2.0 * _BEATS_HZ)) + int(rng.integers(0, sample_rate_hz // 200))
        hits = [_hat(sample_rate_hz, rng), 0.6 * _bass_note(sample_rate_hz, float(bass_hz[eighth]))]
        if eighth % 4 == 0 or rng.random() < 0.15:
            hits.append(_kick(sample_rate_hz, rng))
        if eighth % 4 == 2:
            hits.append(_snare(sample_rate_hz, rng))
        for hit in hits:
            part = hit[: max(0, n_frames - start)]
            sound[start : start + len(part)] += part
    sound += 0.05 * pink_noise(n_frames, sample_rate_hz, 25.0, 12_000.0, rng)  # keys and room of the band
    gain = min(_RMS / np.sqrt(np.mean(sound**2)), _GROOVE_PEAK / np.abs(sound).max())
    return _edges(gain * sound, sample_rate_hz)


def _kick(sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    time_s = np.arange(round(0.3 * sample_rate_hz)) / sample_rate_hz
    phase = 2.0 * np.pi * (rng.uniform(48.0, 56.0) * time_s + 3.0 * (1.0 - np.exp(-time_s / 0.02)))
    return np.asarray(np.sin(phase) * np.exp(-time_s / 0.08), dtype=np.float64)


def _snare(sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    time_s = np.arange(round(0.2 * sample_rate_hz)) / sample_rate_hz
    rattle = rng.standard_normal(len(time_s)) * np.exp(-time_s / 0.06)
    return np.asarray(0.35 * rattle + 0.5 * np.sin(2.0 * np.pi * 187.0 * time_s) * np.exp(-time_s / 0.05), np.float64)


def _hat(sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.float64]:
    time_s = np.arange(round(0.08 * sample_rate_hz)) / sample_rate_hz
    hiss = np.diff(rng.standard_normal(len(time_s) + 1))
    return np.asarray(0.12 * hiss * np.exp(-time_s / 0.02), dtype=np.float64)


def _bass_note(sample_rate_hz: int, pitch_hz: float) -> NDArray[np.float64]:
    """A plucked string: partials that fall with their number."""
    time_s = np.arange(round(0.24 * sample_rate_hz)) / sample_rate_hz
    partials = [np.sin(2.0 * np.pi * k * pitch_hz * time_s) / k for k in range(1, 13)]
    return np.asarray(np.sum(partials, axis=0) * np.exp(-time_s / 0.15), dtype=np.float64)


def _edges(sound: NDArray[np.float64], sample_rate_hz: int) -> NDArray[np.float64]:
    """The sound with 10 ms raised-cosine ends."""
    n_edge = min(round(0.01 * sample_rate_hz), len(sound) // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(n_edge) + 0.5) / n_edge)
    shaped = sound.copy()
    shaped[:n_edge] *= ramp
    shaped[len(sound) - n_edge :] *= ramp[::-1]
    return shaped
