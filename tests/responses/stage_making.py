"""Made-up hits and takes that the tests of stage inputs share."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from analyze.audio.recording import Recording, open_recording
from analyze.description import Capture, SoundCheck, Track

RATE_HZ = 48_000
Samples = NDArray[np.float64]


def hit(rng: np.random.Generator, tone_hz: float, rate_hz: int = RATE_HZ) -> Samples:
    """A drum hit of 0.3 s that stays below 0.7: a click of noise on a tone that dies away."""
    t = np.arange(round(0.3 * rate_hz)) / rate_hz
    click = np.exp(-t / 0.002) * rng.standard_normal(len(t))
    samples = 0.3 * click + np.exp(-t / 0.06) * np.sin(2.0 * np.pi * tone_hz * t)
    return np.asarray(0.7 * samples / np.abs(samples).max())


def take(hits: Mapping[float, Samples], duration_s: float, rate_hz: int = RATE_HZ) -> Samples:
    """Hits at times in seconds."""
    out = np.zeros(round(duration_s * rate_hz))
    for at_s, samples in hits.items():
        first = round(at_s * rate_hz)
        out[first : first + len(samples)] += samples[: len(out) - first]
    return out


def drum(seed: int, n_hits: int, tone_hz: float = 180.0, every_s: float = 0.5, rate_hz: int = RATE_HZ) -> Samples:
    """A take of one drum, a hit every half second from 0.3 s on, no two alike."""
    rng = np.random.default_rng(seed)
    hits = {0.3 + every_s * k: rng.uniform(0.5, 1.0) * hit(rng, tone_hz, rate_hz) for k in range(n_hits)}
    return take(hits, 0.3 + every_s * n_hits + 0.2, rate_hz)


def late(samples: Samples, delay_s: float, rate_hz: int = RATE_HZ) -> Samples:
    """A take later by any time; it begins and ends in silence."""
    n = 1 << (len(samples) + rate_hz).bit_length()
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n, 1.0 / rate_hz) * delay_s)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, n) * turn, n)[: len(samples)])


def noise(samples: Samples, seed: int, level: float = 1e-4) -> Samples:
    """Noise of the same length."""
    return np.asarray(level * np.random.default_rng(seed).standard_normal(len(samples)))


def written(folder: Path, tracks: Mapping[str, Samples], rate_hz: int = RATE_HZ) -> dict[str, Track]:
    """The tracks as one file each."""
    for name, samples in tracks.items():
        soundfile.write(folder / f"{name}.wav", samples, rate_hz, subtype="FLOAT")
    return {name: Track(f"{name}.wav", 1) for name in tracks}


def opened(folder: Path, tracks: Mapping[str, Samples], rate_hz: int = RATE_HZ) -> Recording:
    """The tracks, written and opened as stage inputs."""
    inputs = written(folder, tracks, rate_hz)
    return open_recording(folder, Capture("kit", ()), {("input", name): track for name, track in inputs.items()})


def check_in(folder: Path) -> SoundCheck:
    """A sound check of stage inputs alone."""
    return SoundCheck(folder / "soundcheck.toml", folder, "", "", 20.0, "", {}, {}, ())
