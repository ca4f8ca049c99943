"""The streaming pass: every sample of a capture read once, cross-spectra left behind.

Frames of 1.4 s, Hann, 75 % overlap; for each microphone every feed is read by its coarse delay earlier than the
microphone, so that no delay costs coherence. Frames that touch damaged samples are left out, and so are those in which
no feed sounds: counted as averages they would make an error that goes with the sound, reverberation longer than a
frame, look smaller than it is. Memory holds a batch of frames and the sums, whatever the length of the recording.
Batches break at fixed frame numbers, so the sums do not depend on how the recording is read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.cross_spectra import (
    FRAME_S,
    LOW_HZ,
    MAX_GROUPS,
    OVERLAP_HOPS,
    CrossSpectra,
)
from analyze.spectra.frame_levels import band_energies

#: Frames whose levels are logged at the most: three hours of them.
MOST_LOGGED = 1 << 15
#: Frames transformed at a time.
_BATCH = 8
#: Samples read at a time.
_BLOCK = 1 << 17
#: A feed is silent in a frame whose every octave lies 40 dB under the loudest yet, or 60 dB under the loudest of all
#: octaves: what so faint a frame would add to the sums is a ten-thousandth of what a loud one does.
_SILENT, _SILENT_AMONG_ALL = 1e-4, 1e-6
#: Lines that hold all octaves, up to 6 kHz.
_BAND_LINES = round(6000.0 * FRAME_S)

#: Stretches of one track, (first, stop) in samples.
Spans = Sequence[tuple[int, int]]
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


def plan_frames(n_samples: int, sample_rate_hz: float, furthest: int) -> FramePlan:
    """Frames that fit into `n_samples` when a track is read up to `furthest` samples behind a frame's start."""
    length = round(FRAME_S * sample_rate_hz)
    hop = length // OVERLAP_HOPS
    available = n_samples - max(0, furthest)
    return FramePlan(length, hop, max(0, (available - length) // hop + 1))


def furthest_read_s(shift_s: NDArray[np.float64]) -> float:
    """How far behind a frame's start a track is read at the most, for shifts (feed, position)."""
    latest = shift_s.max(axis=0)
    return float(max(0.0, latest.max(), (latest - shift_s).max()))


def accumulate(
    blocks: BlockSource,
    n_samples: int,
    sample_rate_hz: float,
    *,
    capture: str,
    feeds: Sequence[str],
    positions: Sequence[str],
    shift_s: NDArray[np.float64],
    left_out: Sequence[Spans] = (),
    log: list[NDArray[np.float32]] | None = None,
    progress: Callable[[int], None] | None = None,
    feeds_as_in: CrossSpectra | None = None,
) -> CrossSpectra:
    """Cross-spectral sums of one capture.

    Parameters
    ----------
    blocks : source of (frame, track) blocks, tracks in the order feeds, then positions
    n_samples : length of the recording per track
    shift_s : (feed, position) how much earlier than the microphone each feed is read; rounded to whole samples
    left_out : per track the samples that must not count; a frame that touches one is left out for the microphone
        concerned, a frame of a feed for all
    log : takes the energies (frame, track, band) of every batch of frames, the first `MOST_LOGGED` frames of them
    progress : called with the number of samples done since the last call
    feeds_as_in : sums of a pass over the same feeds, read and left out alike, whose `gxx` are taken over

    Raises
    ------
    ValueError : if not a single frame fits (check `plan_frames` first)
    SourceEndedError : if the source ends before its `n_samples`
    """
    plan, reading = _plan(n_samples, sample_rate_hz, shift_s, left_out)
    if plan.n_frames == 0:
        raise ValueError("the recording is shorter than one frame")
    sums = _Sums(plan, reading, log, feeds_as_in)
    latest, furthest = reading.microphone, round(furthest_read_s(shift_s) * sample_rate_hz)
    lead = max(0, -int(latest.min(initial=0)))
    frame = 0
    for start, samples in _batches(blocks, plan, furthest, lead, progress):
        n = min(_BATCH, plan.n_frames - frame)
        sums.add(frame, samples, start, n)
        frame += n
    sums.finish()
    return CrossSpectra(
        capture=capture,
        feeds=tuple(feeds),
        positions=tuple(positions),
        sample_rate_hz=sample_rate_hz,
        shift_s=(reading.microphone - reading.feed) / sample_rate_hz,
        n_frames=sums.n_frames,
        gxx=sums.gxx,
        gyy=sums.gyy,
        gxy=sums.gxy,
        low_gxx=sums.low_gxx,
        low_gxy=sums.low_gxy,
        n_planned=plan.n_frames,
    )


@dataclass(frozen=True)
class _Reading:
    """How the tracks are read, in samples behind a frame's own start.

    microphone : (position,) ; feed : (feed, position), for that microphone; usable : (frame, position)
    """

    microphone: NDArray[np.int64]
    feed: NDArray[np.int64]
    usable: NDArray[np.bool_]


def _plan(
    n_samples: int, sample_rate_hz: float, shift_s: NDArray[np.float64], left_out: Sequence[Spans]
) -> tuple[FramePlan, _Reading]:
    """The frames of a recording and how its tracks are read in them."""
    shift = np.round(shift_s * sample_rate_hz).astype(np.int64)
    latest = shift.max(axis=0)  # (position,) where each microphone is read
    plan = plan_frames(n_samples, sample_rate_hz, round(furthest_read_s(shift / sample_rate_hz) * sample_rate_hz))
    return plan, _Reading(latest, latest - shift, _usable(plan, latest, latest - shift, left_out))


def usable_frames(
    n_samples: int, sample_rate_hz: float, shift_s: NDArray[np.float64], left_out: Sequence[Spans]
) -> NDArray[np.bool_]:
    """Frames, (frame, position), that `accumulate` counts."""
    return _plan(n_samples, sample_rate_hz, shift_s, left_out)[1].usable


def middle_of(frame: int, sample_rate_hz: float, shift_s: NDArray[np.float64], position: int) -> tuple[int, int]:
    """Samples of a microphone in the middle of a frame: left out, they take it and all that overlap it with them."""
    length = round(FRAME_S * sample_rate_hz)
    hop = length // OVERLAP_HOPS
    at = round(float(shift_s[:, position].max()) * sample_rate_hz) + frame * hop + length // 2
    return max(0, at - hop // 2), at + hop // 2


def _usable(
    plan: FramePlan, microphone: NDArray[np.int64], feed: NDArray[np.int64], left_out: Sequence[Spans]
) -> NDArray[np.bool_]:
    """Frames, (frame, position), none of whose tracks touches what is left out."""
    n_feed, n_position = feed.shape
    usable = np.ones((plan.n_frames, n_position), dtype=np.bool_)
    for track, spans in enumerate(left_out):
        for first, stop in spans:
            for p in range(n_position):
                if track < n_feed:
                    at = int(feed[track, p])
                elif track - n_feed == p:
                    at = int(microphone[p])
                else:
                    continue
                # frame k covers at + k hop .. at + k hop + length
                low = (first - at - plan.length) // plan.hop + 1
                usable[max(0, low) : max(0, -((at - stop) // plan.hop)), p] = False
    return usable


def _batches(
    blocks: BlockSource,
    plan: FramePlan,
    furthest: int,
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
        needed = lead + (n - 1) * plan.hop + plan.length + furthest
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

    def __init__(
        self,
        plan: FramePlan,
        reading: _Reading,
        log: list[NDArray[np.float32]] | None,
        feeds_as_in: CrossSpectra | None,
    ) -> None:
        self.plan, self.reading, self.log = plan, reading, log
        n_feed, n_position = reading.feed.shape
        n_group, n_line, n_low = plan.n_groups, plan.length // 2 + 1, round(LOW_HZ * FRAME_S) + 1
        self.n_low = min(n_low, n_line)
        self.window = np.hanning(plan.length + 1)[:-1].astype(np.float32)
        self.n_frames = np.zeros((n_group, n_position), dtype=np.int64)
        self.loudest: dict[tuple[int, int], NDArray[np.float32]] = {}  # (feed, position): (band,)
        self.gyy = np.zeros((n_position, n_line))
        self.gxy = np.zeros((n_feed, n_position, n_line), dtype=np.complex128)
        self.low_gxy = np.zeros((n_group, n_feed, n_position, self.n_low), dtype=np.complex128)
        self.are_feeds_summed = feeds_as_in is not None
        if feeds_as_in is not None:
            self.gxx, self.low_gxx = feeds_as_in.gxx, feeds_as_in.low_gxx
        else:
            self.gxx = np.zeros((n_position, n_feed, n_feed, n_line), dtype=np.complex128)
            self.low_gxx = np.zeros((n_group, n_position, n_feed, n_feed, self.n_low), dtype=np.complex128)

    def add(self, first: int, samples: NDArray[np.float32], start: int, n: int) -> None:
        """Add `n` frames from frame number `first` on, which begins at `samples[start]`; group by group."""
        n_feed, n_position = self.reading.feed.shape
        group_of = np.array([self.plan.group_of(first + k) for k in range(n)])
        feeds = _FeedSpectra(self, samples, start, n)
        is_logged = self.log is not None and first < MOST_LOGGED
        logged = [feeds.bands(i, 0) for i in range(n_feed)] if is_logged else []
        for p in range(n_position):
            y = self.transform(samples[:, n_feed + p], start + int(self.reading.microphone[p]), n)
            if is_logged:
                logged.append(band_energies(y))
            usable = self.reading.usable[first : first + n, p] & self.sounding(feeds, p)
            for g in np.unique(group_of):
                rows = np.flatnonzero((group_of == g) & usable)
                self.n_frames[g, p] += len(rows)
                self.gyy[p] += _product(y[rows], y[rows]).real
                for i in range(n_feed):
                    lines = _product(feeds.of(i, p)[rows], y[rows])
                    self.gxy[i, p] += lines
                    self.low_gxy[g, i, p] += lines[: self.n_low]
                    for j in range(i, 0 if self.are_feeds_summed else n_feed):
                        lines = feeds.product(i, j, p, rows)
                        self.gxx[p, i, j] += lines
                        self.low_gxx[g, p, i, j] += lines[: self.n_low]
        if self.log is not None and logged:
            self.log.append(np.stack(logged, axis=1))

    def sounding(self, feeds: _FeedSpectra, p: int) -> NDArray[np.bool_]:
        """Frames of a batch, (frame,), in which any feed sounds, held against the loudest frames up to this batch."""
        sounds = np.zeros(feeds.n, dtype=np.bool_)
        for i in range(self.reading.feed.shape[0]):
            energy = feeds.bands(i, p)
            loudest = np.maximum(self.loudest.get((i, p), np.float32(0.0)), energy.max(axis=0))
            self.loudest[i, p] = loudest
            sounds |= (energy > np.maximum(_SILENT * loudest, _SILENT_AMONG_ALL * loudest.max())).any(axis=1)
        return sounds

    def transform(self, track: NDArray[np.float32], start: int, n: int) -> NDArray[np.complex64]:
        """Windowed spectra (frame, line) of n frames from sample `start` on."""
        from scipy import fft

        stop = start + (n - 1) * self.plan.hop + self.plan.length
        frames = np.lib.stride_tricks.sliding_window_view(track[start:stop], self.plan.length)[:: self.plan.hop]
        spectra: NDArray[np.complex64] = fft.rfft(frames * self.window, axis=-1)
        return spectra

    def finish(self) -> None:
        """Fill in the other half of the Hermitian matrices."""
        if self.are_feeds_summed:
            return
        for i, j in combinations(range(self.gxx.shape[1]), 2):
            self.gxx[:, j, i] = np.conj(self.gxx[:, i, j])
            self.low_gxx[:, :, j, i] = np.conj(self.low_gxx[:, :, i, j])


class _FeedSpectra:
    """Spectra of the feeds in one batch and their products, each computed once for all microphones that share it."""

    def __init__(self, sums: _Sums, samples: NDArray[np.float32], start: int, n: int) -> None:
        self._sums, self._samples, self._start, self.n = sums, samples, start, n
        self._spectra: dict[tuple[int, int], NDArray[np.complex64]] = {}
        self._bands: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._products: dict[tuple[int, int, int, int, bytes], NDArray[np.complex128]] = {}

    def of(self, i: int, p: int) -> NDArray[np.complex64]:
        """Spectra, (frame, line), of feed i as read for microphone p."""
        offset = int(self._sums.reading.feed[i, p])
        if (i, offset) not in self._spectra:
            self._spectra[i, offset] = self._sums.transform(self._samples[:, i], self._start + offset, self.n)
        return self._spectra[i, offset]

    def bands(self, i: int, p: int) -> NDArray[np.float32]:
        """Energies, (frame, band), of feed i as read for microphone p."""
        key = (i, int(self._sums.reading.feed[i, p]))
        if key not in self._bands:
            self._bands[key] = band_energies(self.of(i, p)[:, :_BAND_LINES])
        return self._bands[key]

    def product(self, i: int, j: int, p: int, rows: NDArray[np.int64]) -> NDArray[np.complex128]:
        """Sum over these frames of `conj(feed i) feed j` as read for microphone p; (line,)."""
        feed = self._sums.reading.feed
        key = (i, int(feed[i, p]), j, int(feed[j, p]), rows.tobytes())
        if key not in self._products:
            self._products[key] = _product(self.of(i, p)[rows], self.of(j, p)[rows])
        return self._products[key]


def _product(a: NDArray[np.complex64], b: NDArray[np.complex64]) -> NDArray[np.complex128]:
    """Sum over frames of `conj(a) b`; (line,)."""
    return np.asarray(np.einsum("kl,kl->l", np.conj(a), b, dtype=np.complex128))
