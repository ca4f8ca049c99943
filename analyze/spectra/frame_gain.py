"""What the gain of a chain did during a take: moved to another level, fell as it got louder, wandered.

Conventions: gains are in dB, one value per frame, NaN where nothing is told; levels are in dB. Frames overlap, so only
about every third counts as a value of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Share of pairs of frames before and after a move that must agree on its direction.
_LEAST_AGREEING = 0.9
#: Fewest values on either side of a move: two seconds.
_FEWEST = 6
#: Fewest frames of a gain that is said to wander: under a sweep fewer hold several bands of a sub.
_FEWEST_WANDERING = 20
#: More values than this are put together before a move is looked for.
_MOST_VALUES = 240
#: A level range, one standard deviation in dB, without which a slope says nothing; frames this far down do not count.
_LEAST_RANGE_DB, _LOUD_DB = 0.6, 10.0
#: Overlapping frames per value of its own.
_FRAMES_PER_VALUE = 2.5


@dataclass(frozen=True)
class Move:
    """A gain that went to another level: by `size_db`, at `frame`; `is_gradual` where it drifts."""

    size_db: float
    frame: int
    is_gradual: bool


@dataclass(frozen=True)
class Slope:
    """How a gain goes with a level: dB per dB, and by how many standard errors it differs from 0."""

    per_db: float
    sigmas: float


def move(gain_db: NDArray[np.float64]) -> Move | None:
    """The move of a gain (frame,): two levels or a straight line, where nearly all pairs of frames agree on it.

    The share of pairs is the Mann-Whitney statistic (1947, Ann. Math. Stat. 18): single frames that are far off have no
    weight, and what comes back with every repetition of the programme is no move.
    """
    frame, value = _thinned(np.flatnonzero(np.isfinite(gain_db)), gain_db[np.isfinite(gain_db)])
    best: tuple[float, int, float] | None = None
    for split in np.flatnonzero(np.abs(_agreeing(value)) >= 2.0 * _LEAST_AGREEING - 1.0):
        if not _FEWEST <= split <= len(value) - _FEWEST:
            continue
        before, after = float(np.median(value[:split])), float(np.median(value[split:]))
        left = float(np.abs(value[:split] - before).sum() + np.abs(value[split:] - after).sum())
        if best is None or left < best[0]:
            best = left, int(split), after - before
    if best is None:
        return None
    left, at, size_db = best
    line = np.polynomial.Polynomial.fit(frame, value, 1)
    if float(np.abs(value - line(frame)).sum()) < left:
        return Move(float(line(frame[-1]) - line(frame[0])), int(frame[at]), True)
    return Move(size_db, int(frame[at]), False)


def _thinned(frame: NDArray[np.int64], value: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """At most so many values: medians of as many neighbours as it takes."""
    n = -(-len(value) // _MOST_VALUES)
    if n <= 1:
        return frame, value
    whole = len(value) // n * n
    return frame[:whole:n], np.median(value[:whole].reshape(-1, n), axis=1)


def _agreeing(value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Per split, (value,): share of pairs that rise from before it to after less the share that fall."""
    signs = np.sign(value[None, :] - value[:, None])  # (earlier, later)
    before = signs.cumsum(axis=0)
    both = before[:, ::-1].cumsum(axis=1)[:, ::-1]
    n, split = len(value), np.arange(1, len(value))
    return np.concatenate([[0.0], both[split - 1, split] / (split * (n - split))])


def slope(gain_db: NDArray[np.float64], level_db: NDArray[np.float64]) -> Slope:
    """Slope of a gain (frame,) over a level (frame,), of the loud frames; 0 where the level hardly changes."""
    told = np.isfinite(gain_db) & (level_db > level_db.max() - _LOUD_DB)
    if np.count_nonzero(told) < 2 * _FEWEST or np.std(level_db[told]) < _LEAST_RANGE_DB:
        return Slope(0.0, 0.0)
    x = level_db[told] - level_db[told].mean()
    y = gain_db[told] - gain_db[told].mean()
    per_db = float(x @ y / (x @ x))
    variance = float(np.sum((y - per_db * x) ** 2)) / (len(x) - 2) * _FRAMES_PER_VALUE / float(x @ x)
    return Slope(per_db, per_db / max(variance, 1e-12) ** 0.5)


def wander_db(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Standard deviation of what two gains (frame,) of one chain, from bands of their own, do together.

    What the programme and the room do differs from band to band and drops out. Negative where they go against one
    another, which is chance: as large as what may go together by chance.
    """
    told = np.isfinite(one) & np.isfinite(other)
    if np.count_nonzero(told) < _FEWEST_WANDERING:
        return 0.0
    together = float(np.mean((one[told] - one[told].mean()) * (other[told] - other[told].mean())))
    return math.copysign(math.sqrt(abs(together)), together)
