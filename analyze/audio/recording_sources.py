"""Where the samples of a recording come from: files on the common clock, recorders on clocks of their own.

Conventions: blocks are (frame, track) float32, full scale 1.0.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock_source import Resampled
from analyze.audio.decoder import Decoder
from analyze.audio.files import AudioFile

if TYPE_CHECKING:
    from analyze.audio.recording import Recording


class Source:
    """One file of a recording: `channels` (from 0) go to the places `columns` on the track axis."""

    def __init__(
        self, file: AudioFile, columns: Sequence[int], channels: Sequence[int], decoder: Decoder | None = None
    ) -> None:
        self.file, self.columns, self.channels = file, tuple(columns), tuple(channels)
        self.decoder = Decoder(file) if decoder is None else decoder
        self._to, self._from = _index(columns), _index(channels)
        self._scratch = np.empty((0, file.n_channels), dtype=np.float32)

    def read(self, start: int, n: int) -> int:
        """Decode `n` frames from `start` on and keep them for `put`; how many there are."""
        if len(self._scratch) < n:
            self._scratch = np.empty((n, self.file.n_channels), dtype=np.float32)
        return self.decoder.read(start, self._scratch[:n])

    def put(self, block: NDArray[np.float32], first: int) -> None:
        """Copy decoded frames from `first` on into `block`, (frame, track)."""
        block[:, self._to] = self._scratch[first : first + len(block), self._from]

    def moved(self, place_of: Mapping[int, int]) -> Source:
        """The same file, its decoder included, at other places on the track axis; tracks without one are left out."""
        pairs = zip(self.columns, self.channels, strict=True)
        kept = {place_of[column]: channel for column, channel in pairs if column in place_of}
        return Source(self.file, tuple(kept), tuple(kept.values()), self.decoder)


class OwnClock:
    """Tracks of a recorder on its own clock: those of `recording` go to the places `columns` on the track axis.

    number : of the clock, from 1, in the order of the capture's `unsynced`
    samples : the tracks on the base clock
    """

    def __init__(self, number: int, recording: Recording, samples: Resampled, columns: Sequence[int]) -> None:
        self.number, self.recording, self.samples, self.columns = number, recording, samples, tuple(columns)

    def put(self, start: int, block: NDArray[np.float32]) -> None:
        """Copy the frames from `start` on, counted on the base clock, into `block`, (frame, track)."""
        block[:, list(self.columns)] = self.samples.read(start, len(block))

    def moved(self, place_of: Mapping[int, int]) -> OwnClock | None:
        """The same at other places on the track axis, without the tracks that have none; None if that is all."""
        pairs = zip(self.columns, self.samples.tracks, strict=True)
        kept = {place_of[column]: track for column, track in pairs if column in place_of}
        if not kept:
            return None
        samples = Resampled(self.recording, self.samples.pieces, self.samples.rate_hz, tuple(kept.values()))
        return OwnClock(self.number, self.recording, samples, tuple(kept))


class Spans:
    """A set of frames, as sorted spans (first, stop) that do not touch."""

    def __init__(self) -> None:
        self._spans: list[tuple[int, int]] = []

    def add(self, first: int, stop: int) -> list[tuple[int, int]]:
        """Add the frames first .. stop - 1; the spans among them that were not there before."""
        new, at, low, high = [], first, first, stop
        apart: list[tuple[int, int]] = []
        for span in self._spans:
            if span[1] < first or span[0] > stop:
                apart.append(span)
                continue
            if at < span[0]:
                new.append((at, span[0]))
            at, low, high = max(at, span[1]), min(low, span[0]), max(high, span[1])
        if at < stop:
            new.append((at, stop))
        self._spans = sorted([*apart, (low, high)])
        return new


def _index(numbers: Sequence[int]) -> slice | list[int]:
    """An index for these places of an axis: a slice where they follow one another, which copies faster."""
    first, n = next(iter(numbers), 0), len(numbers)
    return slice(first, first + n) if list(numbers) == list(range(first, first + n)) else list(numbers)
