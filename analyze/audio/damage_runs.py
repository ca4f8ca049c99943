"""Runs of damaged samples found stretch by stretch: clipping, gaps of exact zeros, and where they lie.

Conventions: stretches are (track, frame) float32 and follow one another; frames count from the first one given. What
is found does not depend on where a run falls among the stretches.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

#: Zeros between samples no larger than one step of 16 bits are soft sound rounded off, not lost samples.
_ROUNDED_OFF = 1.5 * 2.0**-15
#: Spans of one track kept apart at the most; with more, those closest to one another are joined.
MOST_SPANS = 2000


class Spans:
    """Spans of frames, (first, stop), neighbours less than `apart` frames from one another joined.

    Where there are more than `MOST_SPANS` that distance doubles, so memory has a bound.
    """

    def __init__(self, apart: int) -> None:
        self._apart = apart
        self._spans: list[tuple[int, int]] = []

    def add(self, first: NDArray[np.int64], stop: NDArray[np.int64]) -> None:
        """Add spans, (span,), in their order and after those added before; the first may touch the last of them."""
        if self._spans:
            last = self._spans.pop()
            first, stop = np.concatenate([[last[0]], first]), np.concatenate([[last[1]], stop])
        self._join(first, stop)
        while len(self._spans) > MOST_SPANS:
            self._apart *= 2
            every = np.array(self._spans)
            self._spans = []
            self._join(every[:, 0], every[:, 1])

    def _join(self, first: NDArray[np.int64], stop: NDArray[np.int64]) -> None:
        """Append spans, joining those that are close."""
        is_apart = first[1:] - stop[:-1] >= self._apart
        begins, ends = first[np.concatenate([[True], is_apart])], stop[np.concatenate([is_apart, [True]])]
        self._spans += zip(begins.tolist(), ends.tolist(), strict=True)

    def spans(self) -> tuple[tuple[int, int], ...]:
        """What has been added so far."""
        return tuple(self._spans)


def new_windows(windows: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Of the windows found in a row that begins with its history those not counted before, and how many runs begin."""
    n_runs = np.count_nonzero((np.diff(windows, prepend=-2) > 1) & (windows > 0))
    return windows[windows > 0], int(n_runs)


class ClippedRuns:
    """Counts samples in runs of at least `shortest` equal ones at `full_scale` or beyond, across stretches.

    A run of length n holds n - shortest + 1 windows of that length. So a run adds its windows, and shortest - 1 more
    samples where a window is not preceded by another: `shortest` samples of history are all that has to be carried.
    """

    def __init__(self, n_tracks: int, full_scale: float, shortest: int, apart: int) -> None:
        self._full_scale, self._shortest = full_scale, shortest
        self._history = np.zeros((n_tracks, shortest), dtype=np.float32)
        self.count = np.zeros(n_tracks, dtype=np.int64)
        self.first = np.full(n_tracks, -1, dtype=np.int64)
        self.spans = [Spans(apart) for _ in range(n_tracks)]

    def take(self, held: NDArray[np.float32], peak: NDArray[np.float32], first_frame: int) -> None:
        """Account for (track, frame) samples whose first one is frame `first_frame`; `peak` is their largest size."""
        n = self._shortest
        for track in np.flatnonzero(peak >= self._full_scale):
            self._count(int(track), np.concatenate([self._history[track], held[track]]), first_frame - n)
        self._history = np.concatenate([self._history, held[:, -n:]], axis=1)[:, -n:]

    def _count(self, track: int, samples: NDArray[np.float32], first_frame: int) -> None:
        """Count in one row that begins with the history; windows that lie in it alone were counted before."""
        n = self._shortest
        loud = np.flatnonzero(np.abs(samples) >= self._full_scale)
        windows = loud[: 1 - n][loud[n - 1 :] - loud[: 1 - n] == n - 1]
        for k in range(1, n):
            windows = windows[samples[windows] == samples[windows + k]]
        windows, n_runs = new_windows(windows)
        self.count[track] += len(windows) + (n - 1) * n_runs
        if len(windows) == 0:
            return
        if self.first[track] < 0:
            self.first[track] = first_frame + windows[0]
        self.spans[track].add(windows + first_frame, windows + first_frame + n)


class Gaps:
    """Finds gaps of at least `shortest` exact zeros between sound, across stretches, and zeros at either end.

    Any such gap meets a grid of that spacing, so a row without a zero on the grid, at its ends or open from before
    needs no closer look.

    without_data : per track the spans, in order, that no file covers: a gap that meets one is no loss of the file's
    """

    def __init__(
        self, n_tracks: int, shortest: int, apart: int, without_data: Sequence[Sequence[tuple[int, int]]]
    ) -> None:
        self.shortest, self._without_data = shortest, without_data
        self._last_sound = np.full(n_tracks, -1, dtype=np.int64)  # frame of the last sample that is not zero
        self._last_size = np.zeros(n_tracks, dtype=np.float32)  # its magnitude, 0 before the first sound
        self.count = np.zeros(n_tracks, dtype=np.int64)
        self.total = np.zeros(n_tracks, dtype=np.int64)
        self.longest = np.zeros(n_tracks, dtype=np.int64)
        self.first = np.full(n_tracks, -1, dtype=np.int64)
        self.before = np.zeros(n_tracks, dtype=np.int64)
        self.spans = [Spans(apart) for _ in range(n_tracks)]

    def take(self, held: NDArray[np.float32], first_frame: int) -> None:
        """Account for (track, frame) samples whose first one is frame `first_frame`."""
        is_sounding = (held[:, :: self.shortest] != 0).all(axis=1)
        is_sounding &= (held[:, -1] != 0) & (self._last_sound == first_frame - 1)
        for track in np.flatnonzero(~is_sounding):
            self._look(int(track), held[track], first_frame)
        self._last_sound[is_sounding] = first_frame + held.shape[1] - 1
        self._last_size[is_sounding] = np.abs(held[is_sounding, -1])

    def after(self, n_frames: int) -> NDArray[np.int64]:
        """Zeros that follow the last sound in `n_frames`, (track,); 0 where that is soft sound rounded off."""
        is_cut_off = self._last_size > _ROUNDED_OFF
        return np.where(is_cut_off, n_frames - 1 - self._last_sound, 0)

    def _look(self, track: int, samples: NDArray[np.float32], first_frame: int) -> None:
        """Account for one row in full."""
        sound = np.flatnonzero(samples)
        if len(sound) == 0:
            return
        if self._last_sound[track] < 0 and abs(samples[sound[0]]) > _ROUNDED_OFF:
            self.before[track] = first_frame + sound[0]
        frame = np.concatenate([self._last_sound[track : track + 1], sound + first_frame])
        size = np.concatenate([self._last_size[track : track + 1], np.abs(samples[sound])])
        self._last_sound[track], self._last_size[track] = frame[-1], size[-1]
        gap = np.diff(frame) - 1
        is_lost = (gap >= self.shortest) & (size[:-1] > 0) & (np.maximum(size[:-1], size[1:]) > _ROUNDED_OFF)
        for first, stop in self._without_data[track]:
            is_lost &= (frame[1:] <= first) | (frame[:-1] + 1 >= stop)
        if not is_lost.any():
            return
        self.count[track] += np.count_nonzero(is_lost)
        self.total[track] += gap[is_lost].sum()
        self.longest[track] = max(self.longest[track], gap[is_lost].max())
        if self.first[track] < 0:
            self.first[track] = frame[:-1][is_lost][0] + 1
        self.spans[track].add(frame[:-1][is_lost] + 1, frame[1:][is_lost])
