"""The sums of the streaming pass: frames transformed, multiplied and added up, batch after batch.

Every batch is work for several threads that never write to the same place: transforms of single tracks, then products
of all of them over a stretch of lines. So the sums are the same to the last bit however many threads there are.
Transforms are of single precision. Products are double, formed as small matrices line by line (the frames of a batch
are the axis summed over): rounded, feeds that are nearly alike would make a matrix that no real feeds have.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.cross_spectra import FRAME_S, LOW_HZ, CrossSpectra, n_lines
from analyze.spectra.frame_levels import band_energies
from analyze.spectra.frame_plan import FramePlan, Reading
from analyze.spectra.threads import Task

#: Frames whose levels are logged at the most: three hours of them.
MOST_LOGGED = 1 << 15
#: A feed is silent in a frame whose every octave lies 40 dB under the loudest yet, or 60 dB under the loudest of all
#: octaves: what so faint a frame would add to the sums is a ten-thousandth of what a loud one does.
_SILENT, _SILENT_AMONG_ALL = 1e-4, 1e-6
#: Frames whose loudest is taken into account at a time.
_AHEAD = 8
#: Lines that hold all octaves, up to 6 kHz.
_BAND_LINES = round(6000.0 * FRAME_S)
#: Frames of a track transformed at a time, as many as the transform does side by side: they stay in the processor's
#: cache.
_AT_ONCE = 4
#: Lines multiplied at a time: those of all tracks stay in the processor's cache.
_TILE = 512

#: One way to read one feed: its number, and how many samples behind a frame's start.
FeedRead = tuple[int, int]


@dataclass(frozen=True)
class Batch:
    """`n` frames from number `first` on; the first begins at `samples[:, start]`, samples are (track, sample).

    feeds : conjugate spectra (frame, line) of the feeds as they are read; feed_bands : their energies (frame, band)
    microphones : spectra (frame, line) by position; usable : per set of positions, frames that count, (frame,)
    """

    first: int
    n: int
    samples: NDArray[np.float32]
    start: int
    feeds: dict[FeedRead, NDArray[np.complex64]] = field(default_factory=dict)
    feed_bands: dict[FeedRead, NDArray[np.float32]] = field(default_factory=dict)
    microphones: dict[int, NDArray[np.complex64]] = field(default_factory=dict)
    usable: list[NDArray[np.bool_]] = field(default_factory=list)


@dataclass(frozen=True)
class _Alike:
    """Positions that read all feeds alike, `reads`, and in the same frames: they share the products of the feeds."""

    positions: list[int]
    reads: list[FeedRead]


class FrameSums:
    """The running sums of one pass.

    For every batch come `feed_tasks`, then `microphone_tasks`, then `line_tasks`; the tasks of one list may run side by
    side, and the feed tasks of the next batch beside the line tasks of this one.

    feeds_as_in : sums of a pass over the same feeds, read and left out alike, whose `gxx` are taken over
    log : takes the energies (frame, track, band) of every batch, the first `MOST_LOGGED` frames of them
    """

    def __init__(
        self,
        plan: FramePlan,
        reading: Reading,
        log: list[NDArray[np.float32]] | None,
        feeds_as_in: CrossSpectra | None,
    ) -> None:
        self._plan, self._reading, self._log, self._feeds_as_in = plan, reading, log, feeds_as_in
        self._sets = _alike(reading)
        self._reads = {read for s in self._sets for read in s.reads}
        n_feed, n_position = reading.feed.shape
        n_group, n_line = plan.n_groups, n_lines(plan.length)
        n_low = min(round(LOW_HZ * FRAME_S) + 1, n_line)
        self._window = np.hanning(plan.length + 1)[:-1].astype(np.float32)
        self._loudest: dict[FeedRead, NDArray[np.float32]] = {}
        self.n_frames = np.zeros((n_group, n_position), dtype=np.int64)
        # per set: of every feed with its microphones, and with the feeds; lines first, as they are multiplied
        n_feeds_summed = 0 if feeds_as_in is not None else n_feed
        shapes = [(n_feed, len(s.positions) + n_feeds_summed) for s in self._sets]
        self._gyy = [np.zeros((n_line, len(s.positions))) for s in self._sets]
        self._products = [np.zeros((n_line, *shape), dtype=np.complex128) for shape in shapes]
        self._low_products = [np.zeros((n_group, n_low, *shape), dtype=np.complex128) for shape in shapes]

    @property
    def n_spectra(self) -> int:
        """Spectra of every frame: of the microphones, and of every feed as often as they read it differently."""
        return len(self._reading.microphone) + len(self._reads)

    def feed_tasks(self, batch: Batch) -> list[Task]:
        """Work that transforms every feed of a batch as often as microphones read it differently."""
        return [partial(self._transform_feed, batch, read) for read in self._reads]

    def microphone_tasks(self, batch: Batch) -> list[Task]:
        """Work that transforms the microphones of a batch whose feeds are transformed."""
        sounds = {read: self._sounding(read, of_feed) for read, of_feed in batch.feed_bands.items()}
        bands = self._logged(batch)
        tasks: list[Task] = []
        for s in self._sets:
            not_left_out = self._reading.usable[batch.first : batch.first + batch.n, s.positions[0]]
            batch.usable.append(not_left_out & np.any([sounds[read] for read in s.reads], axis=0))
            tasks += [partial(self._transform_microphone, batch, batch.usable[-1], p, bands) for p in s.positions]
        return tasks

    def line_tasks(self, batch: Batch) -> list[Task]:
        """Work that adds the products of a batch whose tracks are transformed."""
        n_line, runs = len(self._gyy[0]), self._plan.runs(batch.first, batch.n)
        stretches = (slice(first, min(n_line, first + _TILE)) for first in range(0, n_line, _TILE))
        return [partial(self._add_lines, batch, runs, lines) for lines in stretches]

    def finish(self, capture: str, feeds: tuple[str, ...], positions: tuple[str, ...], rate_hz: float) -> CrossSpectra:
        """The sums as cross-spectra."""
        n_feed, n_position = self._reading.feed.shape
        (n_group, n_low), n_line = self._low_products[0].shape[:2], len(self._products[0])
        gxy = np.empty((n_feed, n_position, n_line), dtype=np.complex128)
        low_gxy = np.empty((n_group, n_feed, n_position, n_low), dtype=np.complex128)
        gyy = np.empty((n_position, n_line))
        if self._feeds_as_in is not None:
            gxx, low_gxx = self._feeds_as_in.gxx, self._feeds_as_in.low_gxx
        else:
            gxx = np.empty((n_position, n_feed, n_feed, n_line), dtype=np.complex128)
            low_gxx = np.empty((n_group, n_position, n_feed, n_feed, n_low), dtype=np.complex128)
        for s, own, whole, low in zip(self._sets, self._gyy, self._products, self._low_products, strict=True):
            gyy[s.positions] = own.T
            whole[:n_low] = low.sum(axis=0)  # low lines are what the groups add up to
            n = len(s.positions)
            gxy[:, s.positions] = np.moveaxis(whole[..., :n], 0, -1)
            low_gxy[:, :, s.positions] = np.moveaxis(low[..., :n], 1, -1)
            if self._feeds_as_in is None:
                gxx[s.positions] = _hermitian(np.moveaxis(whole[..., n:], 0, -1))
                low_gxx[:, s.positions] = _hermitian(np.moveaxis(low[..., n:], 1, -1))[:, None]
        return CrossSpectra(
            capture=capture,
            feeds=feeds,
            positions=positions,
            sample_rate_hz=rate_hz,
            shift_s=(self._reading.microphone - self._reading.feed) / rate_hz,
            n_frames=self.n_frames,
            hops=np.full(self._plan.n_groups, self._plan.hops),
            gxx=gxx,
            gyy=gyy,
            gxy=gxy,
            low_gxx=low_gxx,
            low_gxy=low_gxy,
            n_planned=self._plan.n_frames,
        )

    def _transform_feed(self, batch: Batch, read: FeedRead) -> None:
        spectra = self._transform(batch, *read)
        batch.feed_bands[read] = band_energies(spectra[:, :_BAND_LINES])
        batch.feeds[read] = np.conjugate(spectra, out=spectra)

    def _transform_microphone(
        self, batch: Batch, usable: NDArray[np.bool_], p: int, bands: NDArray[np.float32] | None
    ) -> None:
        """Spectra of one microphone, 0 in frames that do not count."""
        n_feed = self._reading.feed.shape[0]
        spectra = self._transform(batch, n_feed + p, int(self._reading.microphone[p]))
        if bands is not None:
            bands[:, n_feed + p] = band_energies(spectra[:, :_BAND_LINES])
        spectra[~usable] = 0.0
        batch.microphones[p] = spectra
        for group, frames in self._plan.runs(batch.first, batch.n):
            self.n_frames[group, p] += usable[frames].sum()

    def _transform(self, batch: Batch, track: int, behind: int) -> NDArray[np.complex64]:
        """Windowed spectra, (frame, line), of one track read so many samples behind the start of each frame."""
        from scipy import fft

        start, length, hop = batch.start + behind, self._plan.length, self._plan.hop
        stop = start + (batch.n - 1) * hop + length
        frames = np.lib.stride_tricks.sliding_window_view(batch.samples[track, start:stop], length)[::hop]
        spectra = np.empty((batch.n, n_lines(length)), dtype=np.complex64)
        for first in range(0, batch.n, _AT_ONCE):
            some = slice(first, first + _AT_ONCE)
            whole = fft.rfft(frames[some] * self._window, axis=-1, overwrite_x=True)
            spectra[some] = whole[:, : spectra.shape[1]]
        return spectra

    def _sounding(self, read: FeedRead, bands: NDArray[np.float32]) -> NDArray[np.bool_]:
        """Frames in which a feed of these energies (frame, band) sounds, held against the loudest up to then."""
        sounds = []
        for first in range(0, len(bands), _AHEAD):
            near = bands[first : first + _AHEAD]
            loudest = self._loudest[read] = np.maximum(self._loudest.get(read, near[0]), near.max(axis=0))
            least = np.maximum(_SILENT * loudest, _SILENT_AMONG_ALL * loudest.max())
            sounds.append((near > least).any(axis=1))
        return np.concatenate(sounds)

    def _logged(self, batch: Batch) -> NDArray[np.float32] | None:
        """Energies (frame, track, band) of a batch to be logged: those of the feeds, place for the microphones."""
        if self._log is None or batch.first >= MOST_LOGGED:
            return None
        n_feed, n_position = self._reading.feed.shape
        of_feeds = [batch.feed_bands[i, int(self._reading.feed[i, 0])] for i in range(n_feed)]
        self._log.append(np.stack([*of_feeds, *[np.zeros_like(of_feeds[0])] * n_position], axis=1))
        return self._log[-1]

    def _add_lines(self, batch: Batch, runs: list[tuple[int, slice]], lines: slice) -> None:
        """Add the products of all tracks over some lines."""
        for k, (alike, usable) in enumerate(zip(self._sets, batch.usable, strict=True)):
            total, low = self._products[k], self._low_products[k]
            feeds = _side_by_side([batch.feeds[read] for read in alike.reads], lines)
            others = _side_by_side([batch.microphones[p] for p in alike.positions], lines, total.shape[-1])
            if total.shape[-1] > len(alike.positions):
                np.conjugate(feeds, out=others[:, len(alike.positions) :])
                others[:, len(alike.positions) :, ~usable] = 0.0
            parts = others[:, : len(alike.positions)].view(np.float64)  # real and imaginary, side by side
            self._gyy[k][lines] += np.einsum("ltk,ltk->lt", parts, parts)
            n_low = low.shape[1] - lines.start
            for group, frames in runs:
                added = feeds[..., frames] @ others[..., frames].swapaxes(1, 2)
                total[lines] += added
                if n_low > 0:
                    low[group, lines] += added[:n_low]


def _side_by_side(spectra: list[NDArray[np.complex64]], lines: slice, n_tracks: int = 0) -> NDArray[np.complex128]:
    """Some lines of spectra (frame, line) as (line, track, frame), with place for `n_tracks`."""
    n_tracks = max(n_tracks, len(spectra))
    out = np.empty((lines.stop - lines.start, n_tracks, len(spectra[0])), dtype=np.complex128)
    for k, of_track in enumerate(spectra):
        out[:, k] = of_track[:, lines].T
    return out


def _hermitian(matrices: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Matrices (..., feed, feed, line) made exactly Hermitian, which rounding leaves them only nearly."""
    out: NDArray[np.complex128] = (matrices + np.conj(matrices.swapaxes(-3, -2))) / 2.0
    return out


def _alike(reading: Reading) -> list[_Alike]:
    """The positions in sets that read alike."""
    sets: dict[tuple[bytes, bytes], list[int]] = {}
    for p in range(reading.feed.shape[1]):
        sets.setdefault((reading.feed[:, p].tobytes(), reading.usable[:, p].tobytes()), []).append(p)
    return [
        _Alike(positions, [(i, int(at)) for i, at in enumerate(reading.feed[:, positions[0]])])
        for positions in sets.values()
    ]
