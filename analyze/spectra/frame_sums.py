"""The sums of the streaming pass: frames transformed, multiplied and added up, batch after batch.

Every batch is work for several threads that never write to the same place: transforms of a feed, products of the feeds
as one set of microphones reads them, and all that concerns one microphone. So the sums are the same to the last bit
however many threads there are. Products are formed in single precision, a stretch of lines at a time that stays in the
processor's cache; the sums over batches are double, so that hours of frames lose nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement

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
#: Lines that hold all octaves, up to 6 kHz.
_BAND_LINES = round(6000.0 * FRAME_S)
#: Lines multiplied at a time.
_TILE = 4096

#: One way to read one feed: its number, and how many samples behind a frame's start.
FeedRead = tuple[int, int]
Task = Callable[[], None]


@dataclass(frozen=True)
class Batch:
    """`n` frames from number `first` on; the first begins at `samples[:, start]`, samples are (track, sample)."""

    first: int
    n: int
    samples: NDArray[np.float32]
    start: int


@dataclass
class _FeedFrames:
    """One feed of a batch as it is read: conjugate spectra (frame, line) and energies (frame, band)."""

    conjugate: NDArray[np.complex64]
    bands: NDArray[np.float32]


class FrameSums:
    """The running sums of one pass.

    For every batch `feed_tasks` come first, then `sum_tasks`; the tasks of one list may run side by side.

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
        n_group, n_line = plan.n_groups, plan.length // 2 + 1
        n_low = min(round(LOW_HZ * FRAME_S) + 1, n_line)
        self._window = np.hanning(plan.length + 1)[:-1].astype(np.float32)
        self._alike, self._set_of = _alike(reading)
        self._pairs = list(combinations_with_replacement(range(n_feed), 2)) if feeds_as_in is None else []
        self._loudest: dict[FeedRead, NDArray[np.float32]] = {}
        self._feeds: dict[FeedRead, _FeedFrames] = {}
        self.n_frames = np.zeros((n_group, n_position), dtype=np.int64)
        self._gyy = np.zeros((n_position, n_line))
        self._gxy = np.zeros((n_position, n_feed, n_line), dtype=np.complex128)
        self._low_gxy = np.zeros((n_position, n_group, n_feed, n_low), dtype=np.complex128)
        self._gxx = np.zeros((len(self._alike), len(self._pairs), n_line), dtype=np.complex128)
        self._low_gxx = np.zeros((len(self._alike), n_group, len(self._pairs), n_low), dtype=np.complex128)

    def feed_tasks(self, batch: Batch) -> list[Task]:
        """Work that transforms every feed of a batch as often as microphones read it differently."""
        n_feed = self._reading.feed.shape[0]
        reads = sorted({(i, int(at)) for i in range(n_feed) for at in self._reading.feed[i]})
        self._feeds = {}
        return [lambda read=read: self._transform_feed(batch, read) for read in reads]  # type: ignore[misc]

    def sum_tasks(self, batch: Batch) -> list[Task]:
        """Work that adds the products of a batch whose feeds are transformed."""
        feeds, self._feeds = self._feeds, {}
        self._note_loudest(feeds)
        usable = [self._usable(batch, feeds, p) for p in range(self._reading.feed.shape[1])]
        tasks: list[Task] = []
        if self._pairs:
            for s, positions in enumerate(self._alike):
                tasks.append(lambda s=s, p=positions[0]: self._add_feeds(batch, feeds, usable[p], s))  # type: ignore[misc]
        bands = self._logged(batch, feeds)
        for p, mask in enumerate(usable):
            tasks.append(lambda p=p, mask=mask: self._add_microphone(batch, feeds, mask, p, bands))  # type: ignore[misc]
        return tasks

    def finish(self, capture: str, feeds: tuple[str, ...], positions: tuple[str, ...], rate_hz: float) -> CrossSpectra:
        """The sums as cross-spectra."""
        n_low = self._low_gxy.shape[-1]
        self._gxy[..., :n_low] = self._low_gxy.sum(axis=1)
        self._gxx[..., :n_low] = self._low_gxx.sum(axis=1)
        if self._feeds_as_in is not None:
            gxx, low_gxx = self._feeds_as_in.gxx, self._feeds_as_in.low_gxx
        else:
            gxx, low_gxx = self._whole(self._gxx), self._whole(self._low_gxx).swapaxes(0, 1)
        return CrossSpectra(
            capture=capture,
            feeds=feeds,
            positions=positions,
            sample_rate_hz=rate_hz,
            shift_s=(self._reading.microphone - self._reading.feed) / rate_hz,
            n_frames=self.n_frames,
            gxx=gxx,
            gyy=self._gyy,
            gxy=self._gxy.swapaxes(0, 1),
            low_gxx=low_gxx,
            low_gxy=self._low_gxy.transpose(1, 2, 0, 3),
            n_planned=self._plan.n_frames,
        )

    def _whole(self, halves: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Hermitian matrices, (position, ..., feed, feed, line), from (set, ..., pair, line)."""
        n_feed = self._reading.feed.shape[0]
        out = np.empty((*halves.shape[:-2], n_feed, n_feed, halves.shape[-1]), dtype=np.complex128)
        for k, (i, j) in enumerate(self._pairs):
            out[..., j, i, :] = np.conj(halves[..., k, :])
            out[..., i, j, :] = halves[..., k, :] if i < j else halves[..., k, :].real
        return out[self._set_of]

    def _transform_feed(self, batch: Batch, read: FeedRead) -> None:
        feed, behind = read
        spectra = self._transform(batch, feed, behind)
        bands = band_energies(spectra[:, :_BAND_LINES])
        self._feeds[read] = _FeedFrames(np.conjugate(spectra, out=spectra), bands)

    def _transform(self, batch: Batch, track: int, behind: int) -> NDArray[np.complex64]:
        """Windowed spectra, (frame, line), of one track read so many samples behind the start of each frame."""
        from scipy import fft

        start, length, hop = batch.start + behind, self._plan.length, self._plan.hop
        stop = start + (batch.n - 1) * hop + length
        frames = np.lib.stride_tricks.sliding_window_view(batch.samples[track, start:stop], length)[::hop]
        spectra: NDArray[np.complex64] = fft.rfft(frames * self._window, axis=-1, overwrite_x=True)
        return spectra

    def _reads(self, p: int) -> list[FeedRead]:
        """How microphone p reads the feeds, in their order."""
        return [(i, int(at)) for i, at in enumerate(self._reading.feed[:, p])]

    def _note_loudest(self, feeds: dict[FeedRead, _FeedFrames]) -> None:
        for read, frames in feeds.items():
            loudest = frames.bands.max(axis=0)
            self._loudest[read] = np.maximum(self._loudest.get(read, loudest), loudest)

    def _usable(self, batch: Batch, feeds: dict[FeedRead, _FeedFrames], p: int) -> NDArray[np.bool_]:
        """Frames, (frame,), that count: nothing left out, and a feed sounds, held against the loudest up to now."""
        sounds = np.zeros(batch.n, dtype=np.bool_)
        for read in self._reads(p):
            loudest = self._loudest[read]
            least = np.maximum(_SILENT * loudest, _SILENT_AMONG_ALL * loudest.max())
            sounds |= (feeds[read].bands > least).any(axis=1)
        return sounds & self._reading.usable[batch.first : batch.first + batch.n, p]

    def _logged(self, batch: Batch, feeds: dict[FeedRead, _FeedFrames]) -> NDArray[np.float32] | None:
        """Energies (frame, track, band) of a batch to be logged: those of the feeds, place for the microphones."""
        if self._log is None or batch.first >= MOST_LOGGED:
            return None
        of_feeds = np.stack([feeds[read].bands for read in self._reads(0)], axis=1)
        n_position = self._reading.feed.shape[1]
        self._log.append(np.concatenate([of_feeds, np.zeros_like(of_feeds[:, :1]).repeat(n_position, axis=1)], axis=1))
        return self._log[-1]

    def _add_feeds(self, batch: Batch, feeds: dict[FeedRead, _FeedFrames], usable: NDArray[np.bool_], s: int) -> None:
        """Add the products of the feeds with each other as the microphones of one set read them."""
        conjugates = [feeds[read].conjugate for read in self._reads(self._alike[s][0])]
        runs = self._plan.runs(batch.first, batch.n)
        for lines in _tiles(conjugates[0].shape[-1]):
            of = [np.conjugate(c[:, lines]) for c in conjugates]
            for x in of:
                x[~usable] = 0.0
            for k, (i, j) in enumerate(self._pairs):
                _add(conjugates[i][:, lines] * of[j], runs, lines, self._gxx[s, k], self._low_gxx[s, :, k])

    def _add_microphone(
        self,
        batch: Batch,
        feeds: dict[FeedRead, _FeedFrames],
        usable: NDArray[np.bool_],
        p: int,
        bands: NDArray[np.float32] | None,
    ) -> None:
        """Add all that concerns one microphone."""
        n_feed = self._reading.feed.shape[0]
        y = self._transform(batch, n_feed + p, int(self._reading.microphone[p]))
        if bands is not None:
            bands[:, n_feed + p] = band_energies(y[:, :_BAND_LINES])
        y[~usable] = 0.0
        runs = self._plan.runs(batch.first, batch.n)
        for group, rows in runs:
            self.n_frames[group, p] += usable[rows].sum()
        parts = y.view(np.float32)
        self._gyy[p] += np.einsum("kl,kl->l", parts, parts).reshape(-1, 2).sum(axis=1)
        conjugates = [feeds[read].conjugate for read in self._reads(p)]
        for lines in _tiles(y.shape[-1]):
            for i, conjugate in enumerate(conjugates):
                _add(conjugate[:, lines] * y[:, lines], runs, lines, self._gxy[p, i], self._low_gxy[p, :, i])


def _tiles(n_line: int) -> Iterator[slice]:
    return (slice(first, min(n_line, first + _TILE)) for first in range(0, n_line, _TILE))


def _add(
    products: NDArray[np.complex64],
    runs: list[tuple[int, slice]],
    lines: slice,
    total: NDArray[np.complex128],
    low: NDArray[np.complex128],
) -> None:
    """Add products (frame, line) of some lines to `total` (line,) and, those that are low, to `low` (group, line)."""
    n_low = low.shape[-1] - lines.start
    for group, rows in runs:
        added = products[rows].sum(axis=0)
        total[lines] += added
        if n_low > 0:
            low[group, lines.start : lines.stop] += added[:n_low]


def _alike(reading: Reading) -> tuple[list[list[int]], NDArray[np.int64]]:
    """Sets of positions that read all feeds alike and in the same frames, and the set of every position."""
    sets: dict[tuple[bytes, bytes], list[int]] = {}
    for p in range(reading.feed.shape[1]):
        sets.setdefault((reading.feed[:, p].tobytes(), reading.usable[:, p].tobytes()), []).append(p)
    set_of = np.empty(reading.feed.shape[1], dtype=np.int64)
    for s, positions in enumerate(sets.values()):
        set_of[positions] = s
    return list(sets.values()), set_of
