"""The sums of the streaming pass: frames transformed, multiplied and added up, batch after batch.

Every batch is work for several threads that never write to the same place: transforms of single tracks, then products
of all of them over a stretch of lines. So the sums are the same to the last bit however many threads there are.
Products are formed as small matrices line by line; the frames of a batch are the axis summed over. Transforms and
products with microphones are of single precision, sums over batches double. So are products of feeds with feeds:
rounded, feeds that are nearly alike would make a matrix that no real feeds have.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.cross_spectra import FRAME_S, LOW_HZ, CrossSpectra
from analyze.spectra.frame_levels import band_energies
from analyze.spectra.frame_plan import FramePlan, Reading

#: Frames whose levels are logged at the most: three hours of them.
MOST_LOGGED = 1 << 15
#: A feed is silent in a frame whose every octave lies 40 dB under the loudest yet, or 60 dB under the loudest of all
#: octaves: what so faint a frame would add to the sums is a ten-thousandth of what a loud one does.
_SILENT, _SILENT_AMONG_ALL = 1e-4, 1e-6
#: Frames whose loudest is taken into account at a time.
_AHEAD = 8
#: Lines that hold all octaves, up to 6 kHz.
_BAND_LINES = round(6000.0 * FRAME_S)
#: Bytes of spectra multiplied at a time: they stay in the processor's cache.
_TILE_BYTES = 1 << 21

#: One way to read one feed: its number, and how many samples behind a frame's start.
FeedRead = tuple[int, int]
Task = Callable[[], None]


@dataclass(frozen=True)
class Batch:
    """`n` frames from number `first` on; the first begins at `samples[:, start]`, samples are (track, sample).

    feeds : conjugate spectra (frame, line) of the feeds as they are read; feed_bands : their energies (frame, band)
    microphones : spectra (frame, line) by position
    usable : per set of positions that read and leave out alike, frames that count, (frame,)
    """

    first: int
    n: int
    samples: NDArray[np.float32]
    start: int
    feeds: dict[FeedRead, NDArray[np.complex64]] = field(default_factory=dict)
    feed_bands: dict[FeedRead, NDArray[np.float32]] = field(default_factory=dict)
    microphones: dict[int, NDArray[np.complex64]] = field(default_factory=dict)
    usable: list[NDArray[np.bool_]] = field(default_factory=list)

    @property
    def is_usable_alike(self) -> bool:
        """Whether the same frames count for all positions."""
        return all(np.array_equal(usable, self.usable[0]) for usable in self.usable[1:])


@dataclass(frozen=True)
class _Sums:
    """Running sums of products: all of them, (line, product), and the low lines by group, (group, line, product)."""

    whole: NDArray[np.complex128]
    low: NDArray[np.complex128]

    def add(self, group: int, lines: slice, products: NDArray[np.complexfloating]) -> None:
        """Add products (line, product) of some lines."""
        n_low = self.low.shape[1] - lines.start
        if n_low > 0:
            self.low[group, lines] += products[:n_low]
        self.whole[lines] += products


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
        n_feed, n_position = reading.feed.shape
        self._window = np.hanning(plan.length + 1)[:-1].astype(np.float32)
        self._loudest: dict[FeedRead, NDArray[np.float32]] = {}
        self._reads: list[FeedRead] = list(dict.fromkeys((i, int(at)) for i in range(n_feed) for at in reading.feed[i]))
        number = {read: k for k, read in enumerate(self._reads)}
        self._sets = _alike(reading)
        self.n_frames = np.zeros((plan.n_groups, n_position), dtype=np.int64)
        # of every feed, as each microphone reads it, with the microphone
        self._rows = np.array([[number[i, int(at)] for at in reading.feed[i]] for i in range(n_feed)])
        self._gyy = np.zeros((plan.length // 2 + 1, n_position))
        self._gxy = self._no_sums(n_feed * n_position)
        # of feeds with feeds, upper triangles: per set for itself, and what all sets share as pairs of reads
        self._triangle = np.triu_indices(n_feed)
        pairs = np.stack([self._rows[side][:, [s[0] for s in self._sets]].T for side in self._triangle], axis=-1)
        self._pairs, self._pair = np.unique(pairs.reshape(-1, 2), axis=0, return_inverse=True)
        self._pair = self._pair.reshape(pairs.shape[:2])  # (set, product)
        is_summed = feeds_as_in is None
        self._shared_gxx = self._no_sums(len(self._pairs)) if is_summed else None
        self._own_gxx: list[_Sums | None] = [None] * len(self._sets)

    def _no_sums(self, n_product: int) -> _Sums:
        n_line = self._plan.length // 2 + 1
        n_low = min(round(LOW_HZ * FRAME_S) + 1, n_line)
        whole = np.zeros((n_line, n_product), dtype=np.complex128)
        return _Sums(whole, np.zeros((self._plan.n_groups, n_low, n_product), dtype=np.complex128))

    def feed_tasks(self, batch: Batch) -> list[Task]:
        """Work that transforms every feed of a batch as often as microphones read it differently."""
        return [partial(self._transform_feed, batch, read) for read in self._reads]

    def microphone_tasks(self, batch: Batch) -> list[Task]:
        """Work that transforms the microphones of a batch whose feeds are transformed."""
        sounds = {read: self._sounding(read, of_feed) for read, of_feed in batch.feed_bands.items()}
        bands = self._logged(batch)
        tasks: list[Task] = []
        for positions in self._sets:
            not_left_out = self._reading.usable[batch.first : batch.first + batch.n, positions[0]]
            reads = [self._reads[k] for k in self._rows[:, positions[0]]]
            batch.usable.append(not_left_out & np.any([sounds[read] for read in reads], axis=0))
            tasks += [partial(self._transform_microphone, batch, batch.usable[-1], p, bands) for p in positions]
        if self._shared_gxx and not batch.is_usable_alike:
            self._own_gxx = [own or self._no_sums(len(self._triangle[0])) for own in self._own_gxx]
        return tasks

    def line_tasks(self, batch: Batch) -> list[Task]:
        """Work that adds the products of a batch whose tracks are transformed."""
        n_line, runs = len(self._gyy), self._plan.runs(batch.first, batch.n)
        of_line = (len(self._reads) + len(batch.microphones)) * batch.n * np.dtype(np.complex64).itemsize
        n_tile = max(1, _TILE_BYTES // of_line)
        stretches = (slice(first, min(n_line, first + n_tile)) for first in range(0, n_line, n_tile))
        return [partial(self._add_lines, batch, runs, lines) for lines in stretches]

    def finish(self, capture: str, feeds: tuple[str, ...], positions: tuple[str, ...], rate_hz: float) -> CrossSpectra:
        """The sums as cross-spectra."""
        for sums in (self._gxy, self._shared_gxx, *self._own_gxx):
            if sums is not None:
                sums.whole[: sums.low.shape[1]] = sums.low.sum(axis=0)  # low lines are what the groups add up to
        of_microphones = (len(feeds), len(positions))
        gxx, low_gxx = self._feed_matrices()
        return CrossSpectra(
            capture=capture,
            feeds=feeds,
            positions=positions,
            sample_rate_hz=rate_hz,
            shift_s=(self._reading.microphone - self._reading.feed) / rate_hz,
            n_frames=self.n_frames,
            hops=np.full(self._plan.n_groups, self._plan.hops),
            gxx=gxx,
            gyy=self._gyy.T.copy(),
            gxy=_lines_last(self._gxy.whole, *of_microphones),
            low_gxx=low_gxx,
            low_gxy=_lines_last(self._gxy.low, *of_microphones),
            n_planned=self._plan.n_frames,
        )

    def _feed_matrices(self) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Of feeds with feeds: (position, feed, feed, line), and the low lines by group."""
        if self._feeds_as_in is not None:
            return self._feeds_as_in.gxx, self._feeds_as_in.low_gxx
        assert self._shared_gxx is not None
        n_feed, n_position = self._rows.shape
        (n_group, n_low, _), n_line = self._shared_gxx.low.shape, len(self._shared_gxx.whole)
        gxx = np.empty((n_position, n_feed, n_feed, n_line), dtype=np.complex128)
        low_gxx = np.empty((n_group, n_position, n_feed, n_feed, n_low), dtype=np.complex128)
        for positions, pair, own in zip(self._sets, self._pair, self._own_gxx, strict=True):
            for m, (i, j) in enumerate(zip(*self._triangle, strict=True)):
                whole, low = self._shared_gxx.whole[:, pair[m]], self._shared_gxx.low[:, :, pair[m]]
                if own is not None:
                    whole, low = whole + own.whole[:, m], low + own.low[:, :, m]
                gxx[positions, i, j], low_gxx[:, positions, i, j] = whole, low[:, None]
                gxx[positions, j, i], low_gxx[:, positions, j, i] = np.conj(whole), np.conj(low)[:, None]
        return gxx, low_gxx

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
        spectra: NDArray[np.complex64] = fft.rfft(frames * self._window, axis=-1, overwrite_x=True)
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
        n_feed, n_position = self._rows.shape
        feeds = _side_by_side([batch.feeds[read] for read in self._reads], lines)
        microphones = _side_by_side([batch.microphones[p] for p in range(n_position)], lines)
        parts = microphones.view(np.float32)  # real and imaginary, side by side
        self._gyy[lines] += np.einsum("ltk,ltk->lt", parts, parts)
        for group, frames in runs:
            products = feeds[..., frames] @ microphones[..., frames].swapaxes(1, 2)
            if len(self._reads) > n_feed:
                products = products[:, self._rows, np.arange(n_position)]
            self._gxy.add(group, lines, products.reshape(len(products), -1))
        if self._shared_gxx is not None:
            self._add_feeds(self._shared_gxx, feeds.astype(np.complex128), batch, runs, lines)

    def _add_feeds(
        self, shared: _Sums, feeds: NDArray[np.complex128], batch: Batch, runs: list[tuple[int, slice]], lines: slice
    ) -> None:
        """Add the products of feeds (line, read, frame) with feeds: once for all sets whose frames count alike."""
        others = np.conj(feeds)
        if batch.is_usable_alike:
            pairs = (self._pairs[:, 0], self._pairs[:, 1])
            _add_pairs(shared, feeds, others * batch.usable[0], pairs, runs, lines)
            return
        for positions, usable, own in zip(self._sets, batch.usable, self._own_gxx, strict=True):
            assert own is not None
            rows = self._rows[:, positions[0]]
            _add_pairs(own, feeds[:, rows], others[:, rows] * usable, self._triangle, runs, lines)


def _add_pairs(
    sums: _Sums,
    feeds: NDArray[np.complex128],
    others: NDArray[np.complex128],
    pairs: tuple[NDArray[np.intp], NDArray[np.intp]],
    runs: list[tuple[int, slice]],
    lines: slice,
) -> None:
    """Add the products over frames of feeds and others, both (line, read, frame), for pairs of reads."""
    for group, frames in runs:
        products = feeds[..., frames] @ others[..., frames].swapaxes(1, 2)
        sums.add(group, lines, products[:, pairs[0], pairs[1]])


def _side_by_side(spectra: list[NDArray[np.complex64]], lines: slice) -> NDArray[np.complex64]:
    """Some lines of spectra (frame, line) as (line, track, frame)."""
    out = np.empty((lines.stop - lines.start, len(spectra), len(spectra[0])), dtype=np.complex64)
    for k, of_track in enumerate(spectra):
        out[:, k] = of_track[:, lines].T
    return out


def _lines_last(sums: NDArray[np.complex128], n_feed: int, n_position: int) -> NDArray[np.complex128]:
    """Sums (..., line, product) as (..., feed, position, line)."""
    return np.ascontiguousarray(np.moveaxis(sums.reshape(*sums.shape[:-1], n_feed, n_position), -3, -1))


def _alike(reading: Reading) -> list[list[int]]:
    """The positions in sets that read all feeds alike and leave out the same frames."""
    sets: dict[tuple[bytes, bytes], list[int]] = {}
    for p in range(reading.feed.shape[1]):
        sets.setdefault((reading.feed[:, p].tobytes(), reading.usable[:, p].tobytes()), []).append(p)
    return list(sets.values())
