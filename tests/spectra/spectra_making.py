"""Signals, block sources and recordings that the tests of this folder share."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from analyze.audio.recording import Recording, open_recording
from analyze.description import Capture, Track
from analyze.spectra.cross_spectra import CrossSpectra
from analyze.spectra.streaming import BlockSource, accumulate

#: Low enough to be quick; a frame of 1.4 s holds 11,200 samples, an even number.
RATE_HZ = 8000
#: A frame of 1.4 s holds 15,435 samples, an odd number.
ODD_RATE_HZ = 11025

Samples = NDArray[np.float64]


def delayed(signal: Samples, delay_s: float, rate_hz: int) -> Samples:
    """A signal (frame,) later by any time, not only whole samples; what leaves the stretch is lost."""
    n_fft = len(signal) + 4 * rate_hz
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n_fft, 1.0 / rate_hz) * delay_s)
    return np.asarray(np.fft.irfft(np.fft.rfft(signal, n_fft) * turn, n_fft)[: len(signal)])


def noise(n: int, seed: int) -> Samples:
    """White noise of unit variance, (frame,)."""
    return np.random.default_rng(seed).standard_normal(n)


def sweep(n: int, rate_hz: int, low_hz: float = 20.0) -> Samples:
    """Exponential sweep over n frames up to 0.45 of the sample rate, (frame,)."""
    time_s, ratio = np.arange(n) / rate_hz, math.log(0.45 * rate_hz / low_hz)
    last_s = n / rate_hz
    return np.sin(2.0 * np.pi * low_hz * last_s / ratio * np.expm1(time_s / last_s * ratio))


def source_of(samples: NDArray[np.float32], sizes: tuple[int, ...] = ()) -> BlockSource:
    """A source that gives blocks of these sizes in turn, of the size asked for if there are none."""

    def blocks(n: int) -> Iterator[NDArray[np.float32]]:
        start, k = 0, 0
        while start < len(samples):
            size = sizes[k % len(sizes)] if sizes else n
            yield samples[start : start + size]
            start, k = start + size, k + 1

    return blocks


def summed(
    samples: Samples, n_feeds: int, shift_s: NDArray[np.float64], *, rate_hz: int = RATE_HZ, sizes: tuple[int, ...] = ()
) -> CrossSpectra:
    """Sums over (frame, track) samples whose first tracks are the feeds."""
    return accumulate(
        source_of(samples.astype(np.float32), sizes),
        len(samples),
        rate_hz,
        capture="take",
        feeds=[f"feed {i}" for i in range(n_feeds)],
        positions=[f"seat {p}" for p in range(samples.shape[1] - n_feeds)],
        shift_s=shift_s,
    )


def coherence(cross: CrossSpectra, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Mean ordinary coherence over the lines of a band, (feed, position)."""
    line_hz = np.arange(cross.gxx.shape[-1]) / 1.4
    inside = (line_hz >= low_hz) & (line_hz <= high_hz)
    power = np.einsum("piil->ipl", cross.gxx).real * cross.gyy
    return np.asarray((np.abs(cross.gxy) ** 2 / power)[..., inside].mean(axis=-1))


def recorded(
    folder: Path, tracks: Mapping[tuple[str, str], Samples], *, rate_hz: int = RATE_HZ, form: str = "WAV"
) -> Recording:
    """The recording of (kind, name) -> samples, written into one file and opened; the caller closes it."""
    samples = np.stack(list(tracks.values()), axis=1)
    path = folder / f"take.{form.lower()}"
    subtype = "PCM_16" if form == "FLAC" else "FLOAT"
    soundfile.write(path, samples.astype(np.float32), rate_hz, format=form, subtype=subtype)
    return opened(folder, path.name, list(tracks))


def opened(folder: Path, file: str, labels: list[tuple[str, str]]) -> Recording:
    """A recording whose tracks are the channels of one file, in their order."""
    capture = Capture(name="take", playing=())
    return open_recording(folder, capture, {label: Track(file, i + 1) for i, label in enumerate(labels)})
