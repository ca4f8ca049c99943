"""Flat tops under full scale: what was clipped ahead of the converter, in a preamplifier or a microphone.

Conventions: stretches are (track, frame) float32 and follow one another; frames count from the first one given.

A stage that clips stops at one level, on one side or on both, so samples, many of them in runs, pile up at the extreme
of the whole take and few lie just below it. With a rounded top it is the other way round: of a sine 2 % of all samples
lie within 1/2000 of the extremes and 7 % in the hundredth below; a crest of noise is met once.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from analyze.audio.damage_runs import Spans, new_windows

#: Samples this close to the extreme, re the extreme, are at it: more than the noise of a converter at 11 bits.
_AT_TOP = 5e-4
#: Those up to this far below it are just below.
_BELOW = 1e-2
#: An extreme under this, -20 dB of full scale, is not looked at: steps of 16 bits would be as wide as `_AT_TOP`.
_LEAST_LEVEL = 0.1
#: A top is flat if it has this many runs, and this many times more samples than there are just below it.
_FEWEST_RUNS = 10
_PILED_UP = 4.0
#: More than this share of all samples at the extremes is a signal that is square by itself.
_MOST_FLAT = 0.5


@dataclass(frozen=True)
class Found:
    """Flat tops of one track: samples at their level, frame of the first run (-1 for none), spans of runs in order."""

    count: int
    first: int
    spans: tuple[tuple[int, int], ...]


_NONE = Found(0, -1, ())


class FlatTops:
    """Counts samples and runs of at least `shortest` of them at the extreme of either side, across stretches.

    Where a stretch goes beyond the extreme so far, what was counted below it is no top and is forgotten.
    """

    def __init__(self, n_tracks: int, shortest: int, apart: int) -> None:
        self._shortest = shortest
        self._history = np.zeros((n_tracks, shortest), dtype=np.float32)
        self._tops = [(_Top(shortest, apart), _Top(shortest, apart)) for _ in range(n_tracks)]

    def take(
        self, held: NDArray[np.float32], highest: NDArray[np.float32], lowest: NDArray[np.float32], first_frame: int
    ) -> None:
        """Account for (track, frame) samples from frame `first_frame` on; `highest`, `lowest` are their extremes."""
        n = self._shortest
        for track, (upper, lower) in enumerate(self._tops):
            for top, is_upper, extreme in ((upper, True, highest[track]), (lower, False, -lowest[track])):
                if extreme >= max(_LEAST_LEVEL, (1.0 - _BELOW) * top.level):
                    samples = np.concatenate([self._history[track], held[track]])
                    top.take(samples if is_upper else -samples, float(extreme), first_frame - n)
        self._history = np.concatenate([self._history, held[:, -n:]], axis=1)[:, -n:]

    def found(self, track: int, n_frames: int, full_scale: float) -> Found:
        """The flat tops of a track of which `n_frames` have sound; none where the extreme is `full_scale`."""
        flat = [top for top in self._tops[track] if top.level < full_scale and top.is_flat]
        count = sum(top.count for top in flat)
        if not flat or count > _MOST_FLAT * n_frames:
            return _NONE
        spans = sorted(chain.from_iterable(top.spans.spans() for top in flat))
        return Found(count, spans[0][0], tuple(spans))


class _Top:
    """One side of one track: its extreme so far, samples and runs there, samples just below."""

    def __init__(self, shortest: int, apart: int) -> None:
        self._shortest, self._apart = shortest, apart
        self._begin(0.0)

    def _begin(self, level: float) -> None:
        """Forget what was counted."""
        self.level, self.count, self._n_runs, self._n_below = level, 0, 0, 0
        self.spans = Spans(self._apart)

    @property
    def is_flat(self) -> bool:
        """Whether samples pile up there; where none lies below, steps are too coarse to tell, or it is a square."""
        return self._n_runs >= _FEWEST_RUNS and 0 < _PILED_UP * self._n_below <= self.count

    def take(self, samples: NDArray[np.float32], extreme: float, first_frame: int) -> None:
        """Account for a row that begins with `shortest` samples of history; `extreme` is its largest without them."""
        if extreme > (1.0 + _AT_TOP) * self.level:
            self._begin(extreme)
        n = self._shortest
        is_at = samples >= (1.0 - _AT_TOP) * self.level
        n_at = int(np.count_nonzero(is_at[n:]))
        self.count += n_at
        self._n_below += int(np.count_nonzero(samples[n:] >= (1.0 - _BELOW) * self.level)) - n_at
        at = np.flatnonzero(is_at)
        windows, n_runs = new_windows(at[: 1 - n][at[n - 1 :] - at[: 1 - n] == n - 1])
        self._n_runs += n_runs
        if len(windows):
            self.spans.add(windows + first_frame, windows + first_frame + n)
