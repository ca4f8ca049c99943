"""The streaming pass: every sample of a capture read once, cross-spectra left behind.

Frames of 1.4 s, Hann, 75 % overlap; each microphone is read by its coarse delay later than the feed, so that a delay
costs no coherence. Memory holds a batch of frames and the sums, whatever the length of the recording. Batches break
at fixed frame numbers, so the sums do not depend on how the recording is read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.cross_spectra import (
    FRAME_S,
    LOW_HZ,
    MAX_GROUPS,
    OVERLAP_HOPS,
    CrossSpectra,
)

#: Frames transformed at a time.
_BATCH = 8
#: Samples read at a time.
_BLOCK = 1 << 17

#: A source of blocks: given the block length in samples, successive (frame, track) arrays from the start.
BlockSource = Callable[[int], Iterator[NDArray[np.float32]]]


class SourceEndedError(Exception):
    """The source held fewer samples than it was said to: a file broke off while it was read."""


@dataclass(frozen=True)
class FramePlan:
    """Where the frames lie: `n_frames` frames of `length` samples, `hop` apart, in `n_groups` runs."""

    length: int
    hop: int
    n_frames: int

    @property
    def n_groups(self) -> int:
        """Groups of successive frames; a group never holds less than one hop's worth of independent frames."""
        return max(1, min(MAX_GROUPS, self.n_frames // OVERLAP_HOPS))

    def group_of(self, frame: int) -> int:
        """Group of a frame."""
        return frame * self.n_groups // self.n_frames


def plan_frames(n_samples: int, sample_rate_hz: float, largest_shift: int) -> FramePlan:
    """Frames that fit into `n_samples` when the latest microphone is read `largest_shift` samples later."""
    length = round(FRAME_S * sample_rate_hz)
    hop = length // OVERLAP_HOPS
    available = n_samples - max(0, largest_shift)
    return FramePlan(length, hop, max(0, (available - length) // hop + 1))


def accumulate(
    blocks: BlockSource,
    n_samples: int,
    sample_rate_hz: float,
    *,
    capture: str,
    feeds: Sequence[str],
    positions: Sequence[str],
    shift_s: NDArray[np.float64],
    progress: Callable[[int], None] | None = None,
) -> CrossSpectra:
    """Cross-spectral sums of one capture.

    Parameters
    ----------
    blocks : source of (frame, track) blocks, tracks in the order feeds, then positions
    n_samples : length of the recording per track
    shift_s : (feed, position) how much later than the feed each microphone is read; rounded to whole samples
    progress : called with the number of samples done since the last call

    Raises
    ------
    ValueError : if not a single frame fits (check `plan_frames` first)
    SourceEndedError : if the source ends before its `n_samples`
    """
    shift = np.round(shift_s * sample_rate_hz).astype(np.int64)
    plan = plan_frames(n_samples, sample_rate_hz, int(shift.max(initial=0)))
    if plan.n_frames == 0:
        raise ValueError("the recording is shorter than one frame")
    sums = _Sums(plan, len(feeds), len(positions))
    lead = max(0, -int(shift.min(initial=0)))
    frame = 0
    for start, samples in _batches(blocks, plan, int(shift.max(initial=0)), lead, progress):
        n = min(_BATCH, plan.n_frames - frame)
        sums.add(frame, samples, start, shift, n)
        frame += n
    return CrossSpectra(
        capture=capture,
        feeds=tuple(feeds),
        positions=tuple(positions),
        sample_rate_hz=sample_rate_hz,
        shift_s=shift / sample_rate_hz,
        n_frames=sums.n_frames,
        gxx=sums.gxx,
        gyy=sums.gyy,
        gxy=sums.gxy,
        low_gxx=sums.low_gxx,
        low_gxy=sums.low_gxy,
    )


def _batches(
    blocks: BlockSource,
    plan: FramePlan,
    largest_shift: int,
    lead: int,
    progress: Callable[[int], None] | None,
) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Stretches that hold the frames of one batch each, with the place of the batch's first sample in them.

    `lead` samples before the first frame are kept as silence, for microphones read earlier than the feed.
    """
    source = blocks(_BLOCK)
    held: NDArray[np.float32] | None = None
    for first in range(0, plan.n_frames, _BATCH):
        n = min(_BATCH, plan.n_frames - first)
        needed = lead + (n - 1) * plan.hop + plan.length + max(0, largest_shift)
        while held is None or len(held) < needed:
            block = next(source, None)
            if block is None:
                raise SourceEndedError
            if held is None:
                held = np.zeros((lead, block.shape[1]), dtype=np.float32)
            held = np.concatenate([held, block])
            if progress is not None:
                progress(len(block))
        yield lead, held[:needed]
        held = held[n * plan.hop :]
    for block in source:  # what no whole frame covers is still read: the recording's own checks ride on it
        if progress is not None:
            progress(len(block))


class _Sums:
    """The running sums of one pass, in double precision."""

    def __init__(self, plan: FramePlan, n_feed: int, n_position: int) -> None:
        self.plan = plan
        n_group, n_line, n_low = plan.n_groups, plan.length // 2 + 1, round(LOW_HZ * FRAME_S) + 1
        self.n_low = min(n_low, n_line)
        self.window = np.hanning(plan.length + 1)[:-1].astype(np.float32)
        self.n_frames = np.zeros(n_group, dtype=np.int64)
        self.gxx = np.zeros((n_feed, n_feed, n_line), dtype=np.complex128)
        self.gyy = np.zeros((n_feed, n_position, n_line))
        self.gxy = np.zeros((n_feed, n_position, n_line), dtype=np.complex128)
        self.low_gxx = np.zeros((n_group, n_feed, n_feed, self.n_low), dtype=np.complex128)
        self.low_gxy = np.zeros((n_group, n_feed, n_position, self.n_low), dtype=np.complex128)

    def add(self, first: int, samples: NDArray[np.float32], start: int, shift: NDArray[np.int64], n: int) -> None:
        """Add `n` frames from frame number `first` on, which begins at `samples[start]`; group by group."""
        n_feed, n_position = shift.shape
        x = [self._transform(samples[:, feed], start, n) for feed in range(n_feed)]  # each (frame, line)
        group_of = np.array([self.plan.group_of(first + k) for k in range(n)])
        runs = [(int(g), np.flatnonzero(group_of == g)) for g in np.unique(group_of)]
        for g, rows in runs:
            self.n_frames[g] += len(rows)
        for i in range(n_feed):
            for j in range(n_feed):
                for g, rows in runs:
                    lines = _product(x[i][rows], x[j][rows])
                    self.gxx[i, j] += lines
                    self.low_gxx[g, i, j] += lines[: self.n_low]
        for p in range(n_position):
            spectra = {int(s): self._transform(samples[:, n_feed + p], start + int(s), n) for s in set(shift[:, p])}
            for i in range(n_feed):
                y = spectra[int(shift[i, p])]
                for g, rows in runs:
                    lines = _product(x[i][rows], y[rows])
                    self.gxy[i, p] += lines
                    self.low_gxy[g, i, p] += lines[: self.n_low]
                    self.gyy[i, p] += _product(y[rows], y[rows]).real

    def _transform(self, track: NDArray[np.float32], start: int, n: int) -> NDArray[np.complex64]:
        """Windowed spectra (frame, line) of n frames from sample `start` on."""
        from scipy import fft

        stop = start + (n - 1) * self.plan.hop + self.plan.length
        frames = np.lib.stride_tricks.sliding_window_view(track[start:stop], self.plan.length)[:: self.plan.hop]
        spectra: NDArray[np.complex64] = fft.rfft(frames * self.window, axis=-1)
        return spectra


def _product(a: NDArray[np.complex64], b: NDArray[np.complex64]) -> NDArray[np.complex128]:
    """Sum over frames of `conj(a) b`; (line,)."""
    return np.asarray(np.einsum("kl,kl->l", np.conj(a), b, dtype=np.complex128))
