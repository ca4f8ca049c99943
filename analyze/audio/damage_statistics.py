"""Figures of the tracks of a recording from one pass over its blocks.

Conventions: blocks are (frame, track) float32, full scale 1.0, without NaN; levels in dB re a full-scale square wave
(dBFS, root mean square); frames count from the first one given.

Samples are regrouped into stretches of fixed length before anything is computed, so that the figures are the same to
the last bit whatever the block size, and a stretch stays in the processor's cache.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.audio.damage_flat import FlatTops
from analyze.audio.damage_runs import ClippedRuns, Gaps
from analyze.audio.waveform import Columns, Overview

#: First frame and the one after the last.
Span = tuple[int, int]

#: At or above this a sample is at full scale: 16-bit converters end at 1 - 2^-15.
FULL_SCALE = 0.9999
#: So many equal samples at full scale in succession are clipped; common practice, no source.
CLIPPED_RUN = 3
#: Exact zeros for longer than this in a microphone are lost samples; common practice, no source.
DROPOUT_S = 0.005

#: Damaged spans closer than this are one.
SPANS_APART_S = 0.5
_STRETCH = 1 << 14
#: Odd multiplier that moves the fingerprint on from stretch to stretch (Knuth, TAOCP 3.3.4, table 1, line 26).
_NEXT = np.uint64(6364136223846793005)


@dataclass(frozen=True)
class TrackSummary:
    """Figures of one pass; every array has the axis track.

    n_data : frames with data, all but for a recorder on its own clock; data_first, data_stop : where they begin and end
    peak : largest magnitude; mean : of the samples; level_dbfs : root mean square, -inf for silence
    n_clipped, first_clipped : samples in runs at full scale, frame of the first (-1 for none)
    n_flat, first_flat : samples at flat tops under full scale, see `FlatTops`, frame of the first (-1 for none)
    n_dropouts, first_dropout : gaps of exact zeros between sound, first frame of the first (-1 for none)
    dropout_frames, longest_dropout : their length in all, and of the longest
    zeros_before, zeros_after : exact zeros ahead of the first sound and behind the last, 0 where that is soft
    clipped_spans, flat_spans, dropout_spans : per track where they lie, in order; what is closer than 0.5 s is one span
    fingerprint : equal for two tracks if and, but for one chance in 2^33, only if all samples are equal
    overview : the waveforms, for the eye
    """

    n_frames: int
    sample_rate_hz: float
    n_data: NDArray[np.int64]
    data_first: NDArray[np.int64]
    data_stop: NDArray[np.int64]
    peak: NDArray[np.float64]
    mean: NDArray[np.float64]
    level_dbfs: NDArray[np.float64]
    n_clipped: NDArray[np.int64]
    first_clipped: NDArray[np.int64]
    n_flat: NDArray[np.int64]
    first_flat: NDArray[np.int64]
    n_dropouts: NDArray[np.int64]
    first_dropout: NDArray[np.int64]
    dropout_frames: NDArray[np.int64]
    longest_dropout: NDArray[np.int64]
    zeros_before: NDArray[np.int64]
    zeros_after: NDArray[np.int64]
    clipped_spans: tuple[tuple[Span, ...], ...]
    flat_spans: tuple[tuple[Span, ...], ...]
    dropout_spans: tuple[tuple[Span, ...], ...]
    fingerprint: NDArray[np.uint64]
    overview: Overview

    def __post_init__(self) -> None:
        """Check that all arrays have one length and close them."""
        for name, array in vars(self).items():
            if isinstance(array, np.ndarray):
                if array.shape != self.peak.shape:
                    raise ValueError(f"{name} has shape {array.shape}, expected {self.peak.shape}")
                array.flags.writeable = False


class TrackStatistics:
    """Accumulates the figures of `n_tracks` tracks: `update` with successive blocks, then `finish` once.

    without_data : per track the spans, in order, that no file covers, see `Recording.gaps`; what is 0 there is no
        silence of the recording
    """

    def __init__(self, n_tracks: int, sample_rate_hz: float, without_data: Sequence[Sequence[Span]] = ()) -> None:
        self.n_tracks, self.sample_rate_hz = n_tracks, sample_rate_hz
        self._without_data = tuple(map(tuple, without_data)) or ((),) * n_tracks
        self.n_frames = 0
        self._is_finished = False
        self._held = np.zeros((n_tracks, _STRETCH), dtype=np.float32)
        self._n_held = 0
        self._peak = np.zeros(n_tracks)
        self._sum = np.zeros(n_tracks)
        self._sum_squares = np.zeros(n_tracks)
        self._fingerprint = np.zeros(n_tracks, dtype=np.uint64)
        # 64 bits for 32-bit words: with fewer, all signs flipped would leave the sum as it is. Any fixed seed will do.
        self._multipliers = np.random.default_rng(20).integers(0, 1 << 64, _STRETCH, dtype=np.uint64)
        apart = round(SPANS_APART_S * sample_rate_hz)
        self._clipping = ClippedRuns(n_tracks, FULL_SCALE, CLIPPED_RUN, apart)
        self._flat = FlatTops(n_tracks, CLIPPED_RUN, apart)
        self._columns = Columns(n_tracks)
        self._gaps = Gaps(n_tracks, math.floor(DROPOUT_S * sample_rate_hz) + 1, apart, self._without_data)

    def update(self, block: NDArray[np.float32]) -> None:
        """Take the next block, (frame, track), of any length. Raises ValueError for another number of tracks."""
        if block.ndim != 2 or block.shape[1] != self.n_tracks:
            raise ValueError(f"block has shape {block.shape}, expected (frame, {self.n_tracks})")
        if self._is_finished:
            raise ValueError("the statistics are finished")
        done = 0
        while done < len(block):
            n = min(_STRETCH - self._n_held, len(block) - done)
            samples = block[done : done + n].T
            done += n
            if n == _STRETCH and samples.strides[1] == samples.itemsize:  # track by track already: need not be copied
                self._take_stretch(samples)
                continue
            self._held[:, self._n_held : self._n_held + n] = samples
            self._n_held += n
            if self._n_held == _STRETCH:
                self._take_held()

    def finish(self) -> TrackSummary:
        """The figures of everything given; nothing can be added afterwards. Raises ValueError without a frame."""
        if self._n_held:
            self._take_held()
        self._is_finished = True  # the arrays are the summary's now
        if self.n_frames == 0:
            raise ValueError("no frames were given")
        n_data, data_first, data_stop = self._with_data()
        with np.errstate(divide="ignore"):
            level_dbfs = 10.0 * np.log10(self._sum_squares / np.maximum(n_data, 1))
        flat = [self._flat.found(track, int(n_data[track]), FULL_SCALE) for track in range(self.n_tracks)]
        return TrackSummary(
            n_frames=self.n_frames,
            sample_rate_hz=self.sample_rate_hz,
            n_data=n_data,
            data_first=data_first,
            data_stop=data_stop,
            peak=self._peak,
            mean=self._sum / np.maximum(n_data, 1),
            level_dbfs=level_dbfs,
            n_clipped=self._clipping.count,
            first_clipped=self._clipping.first,
            n_flat=np.array([tops.count for tops in flat], dtype=np.int64),
            first_flat=np.array([tops.first for tops in flat], dtype=np.int64),
            n_dropouts=self._gaps.count,
            first_dropout=self._gaps.first,
            dropout_frames=self._gaps.total,
            longest_dropout=self._gaps.longest,
            zeros_before=self._gaps.before,
            zeros_after=self._gaps.after(self.n_frames),
            clipped_spans=tuple(track.spans() for track in self._clipping.spans),
            flat_spans=tuple(tops.spans for tops in flat),
            dropout_spans=tuple(track.spans() for track in self._gaps.spans),
            fingerprint=self._fingerprint,
            overview=self._columns.overview(),
        )

    def _with_data(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Frames with data, the first of them and the one after the last, each (track,)."""
        n = self.n_frames
        counts, firsts, stops = [], [], []
        for spans in self._without_data:
            cut = [(min(first, n), min(stop, n)) for first, stop in spans]
            counts.append(n - sum(stop - first for first, stop in cut))
            firsts.append(cut[0][1] if cut and cut[0][0] == 0 else 0)
            stops.append(cut[-1][0] if cut and cut[-1][1] == n else n)
        return np.array(counts), np.array(firsts), np.array(stops)

    def _take_held(self) -> None:
        """Account for the held samples."""
        self._take_stretch(self._held[:, : self._n_held])
        self._n_held = 0

    def _take_stretch(self, samples: NDArray[np.float32]) -> None:
        """Account for (track, frame) samples that follow those before."""
        n = samples.shape[1]
        lowest, highest = self._columns.take(samples)
        peak = np.maximum(highest, -lowest)
        self._peak = np.maximum(self._peak, peak)
        sums, squares = _sums(samples)
        self._sum += sums
        self._sum_squares += squares
        words = np.einsum("ij,j->i", samples.view(np.uint32), self._multipliers[:n])
        self._fingerprint = self._fingerprint * _NEXT + words
        self._clipping.take(samples, peak, self.n_frames)
        self._flat.take(samples, highest, lowest, self.n_frames)
        self._gaps.take(samples, self.n_frames)
        self.n_frames += n


def _sums(held: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sums of samples and of squares, per row.

    In single precision, which is good to 1e-5 dB here, unless numbers far beyond full scale run over.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        ones = np.ones(held.shape[1], dtype=np.float32)  # row by row, so that no row depends on its neighbours
        sums, squares = np.array([(row @ ones, row @ row) for row in held], dtype=np.float64).T
    if not np.isfinite(sums + squares).all():
        sums, squares = held.sum(axis=1, dtype=np.float64), np.einsum("ij,ij->i", held, held, dtype=np.float64)
    return sums, squares
