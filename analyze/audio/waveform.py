"""Waveforms for the eye: the lowest and highest sample of every column, gathered on the pass that reads the samples.

The length of a recording need not be known beforehand, and memory does not grow with it: when the columns run out,
neighbours are put together and every column stands for twice the time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

#: Frames of the finest column; columns held at most, and half as many at least once the finest no longer do.
PIECE, MOST_COLUMNS = 1 << 10, 1 << 10
#: A column sounds within 40 dB of the loudest; rests between hits and phrases are part of the sound.
_SOUND, _REST_S = 0.01, 2.0


@dataclass(frozen=True)
class Waveform:
    """One track of a capture as it was read; times in seconds from the beginning of its file.

    low, high : (column,) lowest and highest sample, full scale 1.0; column_s : length of a column
    left_out : (from, to) of what did not count
    """

    capture: str
    kind: str
    name: str
    from_s: float
    column_s: float
    low: NDArray[np.float32]
    high: NDArray[np.float32]
    left_out: tuple[tuple[float, float], ...] = ()

    @property
    def to_s(self) -> float:
        """Where it ends, to within a column."""
        return self.from_s + self.column_s * len(self.low)

    @property
    def sounds_s(self) -> float:
        """For how long it sounds, see `sounding_s`."""
        return sounding_s(self.low, self.high, self.column_s)

    def coarser(self, most_columns: int) -> Waveform:
        """The same in at most so many columns."""
        n = -(-len(self.low) // most_columns)
        if n <= 1:
            return self
        starts = np.arange(0, len(self.low), n)
        low, high = np.minimum.reduceat(self.low, starts), np.maximum.reduceat(self.high, starts)
        return replace(self, low=low, high=high, column_s=n * self.column_s)

    def without(self, spans: Sequence[tuple[int, int]], rate_hz: float) -> Waveform:
        """The same with these frames of the capture, (first, one after the last), marked as left out."""
        seconds = tuple((self.from_s + first / rate_hz, self.from_s + stop / rate_hz) for first, stop in spans)
        return replace(self, left_out=seconds)


def sounding_s(low: NDArray[np.float32], high: NDArray[np.float32], column_s: float) -> float:
    """For how long a track of these columns, (column,) each, sounds, rests under 2 s included; all of it if silent."""
    peak = np.maximum(high, -low)
    loud = np.flatnonzero(peak >= _SOUND * peak.max(initial=0.0))
    if not len(loud):
        return 0.0
    ends = np.flatnonzero(np.diff(loud) * column_s > _REST_S)
    first, last = loud[np.r_[0, ends + 1]], loud[np.r_[ends, -1]]
    return float((last - first + 1).sum() * column_s)


@dataclass(frozen=True)
class Overview:
    """Lowest and highest sample of every column, (track, column); n_frames : how many a column stands for."""

    low: NDArray[np.float32]
    high: NDArray[np.float32]
    n_frames: int


class Columns:
    """Gathers the columns of `n_tracks` tracks from successive stretches, (track, frame) each.

    All stretches but the last are whole numbers of `PIECE` frames long.
    """

    def __init__(self, n_tracks: int) -> None:
        self._low = np.zeros((n_tracks, MOST_COLUMNS), dtype=np.float32)
        self._high = np.zeros((n_tracks, MOST_COLUMNS), dtype=np.float32)
        self._n_pieces, self._per_column = 0, 1

    def take(self, held: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Account for a stretch; its lowest and highest sample, (track,) each."""
        starts = np.arange(0, held.shape[1], PIECE)
        low, high = np.minimum.reduceat(held, starts, axis=1), np.maximum.reduceat(held, starts, axis=1)
        done = 0
        while done < len(starts):
            if self._n_pieces == MOST_COLUMNS * self._per_column:
                self._join()
            column, before = divmod(self._n_pieces, self._per_column)
            n = min(self._per_column - before, len(starts) - done)
            self._put(column, before > 0, low[:, done : done + n].min(axis=1), high[:, done : done + n].max(axis=1))
            self._n_pieces += n
            done += n
        return low.min(axis=1), high.max(axis=1)

    def overview(self) -> Overview:
        """What has been gathered so far."""
        n = -(-self._n_pieces // self._per_column)
        return Overview(self._low[:, :n].copy(), self._high[:, :n].copy(), self._per_column * PIECE)

    def _put(self, column: int, is_begun: bool, low: NDArray[np.float32], high: NDArray[np.float32]) -> None:
        self._low[:, column] = np.minimum(self._low[:, column], low) if is_begun else low
        self._high[:, column] = np.maximum(self._high[:, column], high) if is_begun else high

    def _join(self) -> None:
        """Put neighbours together."""
        half = MOST_COLUMNS // 2
        self._low[:, :half] = np.minimum(self._low[:, 0::2], self._low[:, 1::2])
        self._high[:, :half] = np.maximum(self._high[:, 0::2], self._high[:, 1::2])
        self._per_column *= 2
