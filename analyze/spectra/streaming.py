"""The streaming pass: every sample of a capture read once, cross-spectra left behind.

Frames of 1.4 s, Hann, 75 % overlap; for each microphone every feed is read by its coarse delay earlier than the
microphone, so that no delay costs coherence. Frames that touch damaged samples are left out, and so are those in which
no feed sounds: counted as averages they would make an error that goes with the sound, reverberation longer than a
frame, look smaller than it is. Memory holds a batch of frames and the sums, whatever the length of the recording.
Batches break at fixed frame numbers, so the sums do not depend on how the recording is read. While one batch is summed
the next is read, which is one more piece of work for the same threads: one more thread would take its time from theirs,
and be left alone with the rest of what it reads.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.cross_spectra import CrossSpectra
from analyze.spectra.frame_plan import FramePlan, Spans, furthest_read_s, plan_reading
from analyze.spectra.frame_sums import Batch, FrameSums
from analyze.spectra.threads import start, wait, worker_threads

#: Frames transformed at a time; with more than `_MANY` spectra of each, fewer.
_BATCH, _SMALL_BATCH, _MANY = 16, 8, 32
#: Samples read at a time, and turned from (frame, track) into (track, frame) at a time.
_BLOCK, _TILE = 1 << 15, 1 << 11

#: A source of blocks: given the block length in samples, successive (frame, track) arrays from the start.
BlockSource = Callable[[int], Iterator[NDArray[np.float32]]]


class SourceEndedError(Exception):
    """The source held fewer samples than it was said to: a file broke off while it was read."""


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
    """Cross-spectral sums of one capture, by as many threads as `scipy.fft.get_workers` tells.

    Parameters
    ----------
    blocks : source of (frame, track) blocks, tracks in the order feeds, then positions
    n_samples : length of the recording per track
    shift_s : (feed, position) how much earlier than the microphone each feed is read; rounded to whole samples
    left_out : per track the samples that must not count; a frame that touches one is left out for the microphone
        concerned, a frame of a feed for all
    log : takes the energies (frame, track, band) of every batch of frames, the first three hours of them
    progress : called with the number of samples done since the last call
    feeds_as_in : sums of a pass over the same feeds, read and left out alike, whose `gxx` are taken over

    Raises
    ------
    ValueError : if not a single frame fits (check `plan_frames` first)
    SourceEndedError : if the source ends before its `n_samples`
    """
    plan, reading = plan_reading(n_samples, sample_rate_hz, shift_s, left_out)
    if plan.n_frames == 0:
        raise ValueError("the recording is shorter than one frame")
    furthest = round(furthest_read_s(shift_s) * sample_rate_hz)
    lead = max(0, -int(reading.microphone.min(initial=0)))
    reader = _Reader(blocks, len(feeds) + len(positions), progress)
    sums = FrameSums(plan, reading, log, feeds_as_in)
    most = _BATCH if sums.n_spectra <= _MANY else _SMALL_BATCH
    batches = _Batches(reader, plan, furthest, lead, most)
    with worker_threads() as pool:
        coming = start(pool, [batches.read])
        adding: list[Future[None]] = []
        while True:
            wait(coming)
            batch = batches.last
            if batch is None:
                break
            transforming = start(pool, sums.feed_tasks(batch))
            wait([*adding, *transforming])
            wait(start(pool, sums.microphone_tasks(batch)))
            coming = start(pool, [batches.read])
            adding = start(pool, sums.line_tasks(batch))
        wait(adding)
    reader.drain()  # what no whole frame covers: the recording's own checks ride on it
    return sums.finish(capture, tuple(feeds), tuple(positions), sample_rate_hz)


class _Batches:
    """The batches of a recording, `most` frames in each, the `last` one read.

    `lead` samples of silence stand before it, for microphones read ahead of the feed. A batch is read into the place of
    the one before, whose samples have to be transformed by then.
    """

    def __init__(self, reader: _Reader, plan: FramePlan, furthest: int, lead: int, most: int) -> None:
        self.last: Batch | None = None
        self._reader, self._plan, self._lead, self._most = reader, plan, lead, most
        self._around = lead + plan.length - plan.hop + furthest  # samples of a batch beside a hop for each frame
        n_samples = self._around + min(most, plan.n_frames) * plan.hop
        self._samples = np.zeros((reader.n_tracks, n_samples), dtype=np.float32)

    def read(self) -> None:
        """Read the next; `last` is None after the end. Raises SourceEndedError."""
        first, n_kept, hop = 0, self._lead, self._plan.hop
        if self.last is not None:
            first, n_kept = self.last.first + self.last.n, self._around
            self._samples[:, :n_kept] = self._samples[:, self.last.n * hop :]
        n = min(self._most, self._plan.n_frames - first)
        if n == 0:
            self.last = None
            return
        self._samples = self._samples[:, : self._around + n * hop]
        self._reader.fill(self._samples[:, n_kept:])
        self.last = Batch(first, n, self._samples, self._lead)


class _Reader:
    """Hands out blocks (frame, track) as (track, frame) of any length."""

    def __init__(self, blocks: BlockSource, n_tracks: int, progress: Callable[[int], None] | None) -> None:
        self.n_tracks = n_tracks
        self._blocks, self._progress = blocks(_BLOCK), progress
        self._block = np.empty((0, n_tracks), dtype=np.float32)

    def fill(self, out: NDArray[np.float32]) -> None:
        """Fill `out`, (track, frame), with what comes next. Raises SourceEndedError if there is less."""
        done, n = 0, out.shape[1]
        while done < n:
            if len(self._block) == 0:
                block = self._next()
                if block is None:
                    raise SourceEndedError
                self._block = block
            tile = self._block[: min(_TILE, n - done)]  # all at once would miss the processor's cache
            out[:, done : done + len(tile)] = tile.T
            self._block = self._block[len(tile) :]
            done += len(tile)

    def drain(self) -> None:
        """Read what is left."""
        while self._next() is not None:
            pass

    def _next(self) -> NDArray[np.float32] | None:
        block = next(self._blocks, None)
        if block is not None and self._progress is not None:
            self._progress(len(block))
        return block
