"""Where in a recording of any length does the sound of another one lie, to a few hundredths of a second?

Both are reduced to a sketch of 3 kHz. Chunks of the base, spread over all of it, are correlated with the whole foreign
recording, spectra flattened. A chunk is short enough that a clock 200 ppm off blurs it little (half a period at
900 Hz). The chunks' evidence is pooled with room for the drift between them and for paths of different length.

Conventions: a lag is foreign time less base time, positive when the foreign recorder was started earlier.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock_pairs import Pairs
from analyze.audio.clock_source import Resampled

#: Sample rate of the sketches, and the band of it that is compared.
SKETCH_HZ = 3000
BAND_HZ = (25.0, 1350.0)
#: Rates that are looked for.
LIMIT_PPM = 250.0

#: Frames of a chunk, and of the stretch of the foreign sketch that is transformed at a time.
_CHUNK, _STRETCH = 8192, 65536
_N_USED_LINES = round((BAND_HZ[1] - BAND_HZ[0]) * _STRETCH / SKETCH_HZ)
_MAX_CHUNKS = 16
#: Frames of lag per bin of evidence: 4 ms.
_BIN = 12
#: Lines over which spectra are flattened: 3 Hz.
_LINES_FLATTENED = 65
#: Paths of different outputs differ by up to twice this in length.
_SPREAD_S = 0.03
#: A chunk never counts for more than this, so that one click cannot decide.
_MOST = 64.0
#: Where a stretch falls silent, under this share of its mean, nothing stands out.
_QUIET = 0.03
#: Lags closer than this are one.
_APART_S = 0.08
_MAX_LAGS = 6
#: What falls below this share of the best is not followed up.
_LEAST_SHARE = 0.35
#: The base repeats itself where a chunk's correlation comes back to this share of what it has with itself.
_REPEATED = 0.3
#: A track sounds within this of its loudest chunk, -30 dB, and above this at all, -90 dB of full scale.
_SOUNDING, _SILENT = 0.03, 3e-5


@dataclass(frozen=True)
class Lag:
    """Foreign time less base time around `base_s`, as far as the sketch tells."""

    base_s: float
    lag_s: float


@dataclass(frozen=True)
class _Chunk:
    """A stretch of the base from frame `start` on: flattened conjugate spectra of the tracks that sound in it."""

    start: int
    spectra: dict[int, NDArray[np.complex64]]


def likely_lags(pairs: Pairs) -> list[Lag]:
    """Lags at which the two recordings seem to hold the same sound, the most likely first; empty where none sounds."""
    base = pairs.base_sound(SKETCH_HZ)
    n_base = math.floor(pairs.base.duration_s * SKETCH_HZ)
    chunks = _chunks(base, n_base)
    if not chunks:
        return []
    n_foreign = math.floor(pairs.foreign.duration_s * SKETCH_HZ)
    evidence = _scanned(chunks, pairs.foreign_sound(SKETCH_HZ), n_foreign, pairs.columns, n_base, _stands_out)
    middle = chunks[len(chunks) // 2]
    pooled = np.zeros(evidence.shape[1], dtype=np.float32)
    for chunk, row in zip(chunks, evidence, strict=True):
        pooled += _widest(np.minimum(row, _MOST), abs(chunk.start - middle.start))
    base_s = (middle.start + _CHUNK / 2) / SKETCH_HZ
    floor = float(np.median(pooled[pooled > 0])) if (pooled > 0).any() else 0.0
    return [Lag(base_s, (bin_ * _BIN - n_base) / SKETCH_HZ) for bin_, _ in _peaks(pooled, floor)]


def repeats_after_s(pairs: Pairs) -> list[float]:
    """Times after which, or before which if negative, the base comes again, the clearest first."""
    base = pairs.base_sound(SKETCH_HZ)
    n_base = math.floor(pairs.base.duration_s * SKETCH_HZ)
    chunks, n_tracks = _chunks(base, n_base), len(base.tracks)
    if not chunks:
        return []
    every = [(i, j) for i in range(n_tracks) for j in range(n_tracks)]
    share = np.sqrt(_scanned(chunks, base, n_base, every, n_base, _energy))  # (chunk, bin)
    at_once = n_base // _BIN
    own = share[:, at_once - 1 : at_once + 2].max(axis=1, keepdims=True)
    mean = np.zeros(share.shape[1], dtype=np.float32)
    for row, at_most in zip(share, own, strict=True):
        mean += np.minimum(row / max(float(at_most[0]), 1e-6), 1.0) / len(chunks)
    reach = math.ceil(_APART_S * SKETCH_HZ / _BIN)
    mean[at_once - reach : at_once + reach + 1] = 0.0
    return [(bin_ * _BIN - n_base) / SKETCH_HZ for bin_, height in _peaks(mean, 0.0) if height >= _REPEATED]


def smoothed(values: NDArray[Any], n: int) -> NDArray[Any]:
    """Running mean over n neighbours of the last axis."""
    from scipy import ndimage

    return np.asarray(ndimage.uniform_filter1d(values, n, mode="nearest"))


def _chunks(base: Resampled, n_frames: int) -> list[_Chunk]:
    """Up to `_MAX_CHUNKS` chunks in which something sounds, the first and the last of them included."""
    levels = np.array([_level(base.read(k * _CHUNK, _CHUNK)) for k in range(n_frames // _CHUNK)])  # (chunk, track)
    if len(levels) == 0:
        return []
    sounds = levels > np.maximum(_SOUNDING * levels.max(axis=0), _SILENT)
    sounding = np.flatnonzero(sounds.any(axis=1))
    if len(sounding) == 0:
        return []
    places = np.linspace(0, len(sounding) - 1, min(_MAX_CHUNKS, len(sounding)))
    return [_chunk(base, int(k) * _CHUNK, np.flatnonzero(sounds[k])) for k in sounding[np.round(places).astype(int)]]


def _level(samples: NDArray[np.float32]) -> NDArray[np.float64]:
    """Root mean square per track."""
    return np.asarray(np.sqrt(np.mean(samples.astype(np.float64) ** 2, axis=0)))


def _chunk(base: Resampled, start: int, tracks: NDArray[np.int64]) -> _Chunk:
    samples = base.read(start, _CHUNK)
    return _Chunk(start, {int(i): np.conj(_flattened(samples[:, i])) for i in tracks})


def _flattened(samples: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Spectrum over `_STRETCH` frames with its level taken out, 0 outside `BAND_HZ`."""
    from scipy import fft

    spectrum = fft.rfft(samples, _STRETCH)
    power = np.maximum(smoothed(np.abs(spectrum) ** 2, _LINES_FLATTENED), 0.0)  # a running sum may end below 0
    frequency_hz = np.arange(len(spectrum)) * SKETCH_HZ / _STRETCH
    inside = (frequency_hz >= BAND_HZ[0]) & (frequency_hz <= BAND_HZ[1])
    floor = 1e-6 * float(power.mean()) + float(np.finfo(np.float32).tiny)
    return np.asarray(spectrum * inside / np.sqrt(power + floor), dtype=np.complex64)


def _scanned(
    chunks: Sequence[_Chunk],
    other: Resampled,
    n_other: int,
    columns: Sequence[tuple[int, int]],
    n_base: int,
    measure: Callable[[NDArray[np.float32]], NDArray[np.float32]],
) -> NDArray[np.float16]:
    """A measure of each chunk's correlation with all of another sketch, (chunk, bin): the best of the pairs `columns`.

    `measure` makes one figure per lag of the correlation's energy. Bin b is the lag `b _BIN - n_base`.
    """
    scanned = np.zeros((len(chunks), (n_base + n_other) // _BIN + 2), dtype=np.float16)
    hop = (_STRETCH - _CHUNK) // _BIN * _BIN
    for start in range(-_CHUNK // _BIN * _BIN, n_other, hop):
        samples = other.read(start, _STRETCH)
        spectra = {j: _flattened(samples[:, j]) for j in sorted({j for _, j in columns}) if samples[:, j].any()}
        for row, chunk in zip(scanned, chunks, strict=True):
            first = (start - chunk.start + n_base) // _BIN
            for i, j in columns:
                if i in chunk.spectra and j in spectra:
                    found = measure(_correlated(chunk.spectra[i] * spectra[j], hop)).reshape(-1, _BIN).mean(axis=1)
                    low, high = max(0, first), min(len(row), first + len(found))
                    row[low:high] = np.maximum(row[low:high], found[low - first : high - first])
    return scanned


def _correlated(cross: NDArray[np.complex64], n: int) -> NDArray[np.float32]:
    """Energy of the first n lags of a correlation; 1 for a chunk with itself, about."""
    from scipy import fft

    return np.asarray((fft.irfft(cross, _STRETCH)[:n] * (_STRETCH / _N_USED_LINES / 2.0)) ** 2, dtype=np.float32)


def _stands_out(energy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Energy of a correlation re its mean over a chunk's length."""
    around = smoothed(energy, _CHUNK) + _QUIET * energy.mean() + np.finfo(np.float32).tiny
    return np.asarray(energy / around, dtype=np.float32)


def _energy(energy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Energy of a correlation as it is."""
    return energy


def _widest(row: NDArray[np.float16], distance: int) -> NDArray[np.float32]:
    """The strongest evidence within what drift over `distance` frames and paths of different length may shift."""
    from scipy import ndimage

    reach = math.ceil((_SPREAD_S * SKETCH_HZ + LIMIT_PPM * 1e-6 * distance) / _BIN)
    return np.asarray(ndimage.maximum_filter1d(row.astype(np.float32), 2 * reach + 1, mode="constant"))


def _peaks(values: NDArray[np.float32], floor: float) -> list[tuple[int, float]]:
    """Bins of the highest peaks, the middle of their plateaus, and their height over `floor`."""
    left, reach = values.copy(), math.ceil(_APART_S * SKETCH_HZ / _BIN)
    peaks: list[tuple[int, float]] = []
    least = floor + _LEAST_SHARE * (float(left.max()) - floor)
    while len(peaks) < _MAX_LAGS and (height := float(left.max())) > max(least, floor):
        first = int(np.argmax(left))
        stop = first + 1
        while stop < len(left) and left[stop] == height:
            stop += 1
        peaks.append(((first + stop - 1) // 2, height - floor))
        left[max(0, first - reach) : stop + reach] = 0.0
    return peaks
