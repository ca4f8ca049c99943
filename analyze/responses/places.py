"""Where boxes and microphones stand, as far as arrivals tell: points in space whose distances are the ways of sound.

Nobody has to measure anything for it: so many boxes are heard at so many microphones that the ways fit together or do
not. Heights are known beforehand, more or less (microphones stand about alike, boxes within some metres), and what all
ways have in common is the latency of the rig. The first guess is the plane unfolding of squared distances (Schönemann
1970, Psychometrika 35(3), from memory), the rest least squares.

Conventions: metres; ways are (output, position), NaN where nothing is known; places are (.., 3), the third upwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

#: What a way may be off points in space: boxes are no points (judgement).
_POINT_M = 0.05
#: Standard deviation of heights: of microphones, and of boxes about a metre above these (judgement).
_MICROPHONE_HEIGHT_M, _BOX_HEIGHT_M, _BOX_ABOVE_M = 0.6, 2.0, 1.0
#: Of a delay that some outputs have besides what is described.
_LATER_M = 10.0
#: Guesses to begin with, and how far they lie from the first one.
_N_GUESSES, _GUESS_M = 3, (1.5, 4.0)
_MOST_STEPS, _BOX_STEPS, _LONGEST_STEP_M = 60, 8, 20.0


@dataclass(frozen=True)
class Ways:
    """Ways of sound, (output, position), with their standard deviations; latency_m : of the rig, and how sure."""

    way_m: NDArray[np.float64]
    std_m: NDArray[np.float64]
    latency_m: tuple[float, float]

    def without(self, outputs: list[int]) -> Ways:
        """The same without some outputs."""
        return replace(self, way_m=np.delete(self.way_m, outputs, axis=0), std_m=np.delete(self.std_m, outputs, axis=0))

    def exchanged(self, output: int, p: int, q: int) -> Ways:
        """The same with two positions in each other's place for one output."""
        way_m, std_m = self.way_m.copy(), self.std_m.copy()
        for array in (way_m, std_m):
            array[output, [p, q]] = array[output, [q, p]]
        return replace(self, way_m=way_m, std_m=std_m)


@dataclass(frozen=True)
class Places:
    """Points that fit: half the sum of squares of what is left over, boxes, microphones, latency.

    later_m, later_std_m : what the outputs that were asked for have besides, and its standard deviation
    left_m : (output, position) by how much a way is longer than the points lie apart
    """

    cost: float
    box_m: NDArray[np.float64]
    microphone_m: NDArray[np.float64]
    latency_m: float
    later_m: float
    later_std_m: float
    left_m: NDArray[np.float64]

    def with_box(self, output: int, way_m: NDArray[np.float64], std_m: NDArray[np.float64]) -> Places:
        """The same with one more box where these ways, (position,), put it while the microphones stay; and its cost."""
        known = np.isfinite(way_m)
        microphone_m, away_m = self.microphone_m[known], way_m[known] - self.latency_m
        weight = 1.0 / np.hypot(_POINT_M, std_m[known])
        box_m = _trilaterated(microphone_m, away_m)
        for _ in range(_BOX_STEPS):
            off, slopes = _box_terms(box_m, microphone_m, away_m, weight)
            step_m = np.linalg.lstsq(slopes, off, rcond=None)[0]
            box_m = box_m - np.clip(step_m, -_LONGEST_STEP_M, _LONGEST_STEP_M)  # in a row of microphones it may be any
        off, _ = _box_terms(box_m, microphone_m, away_m, weight)
        return replace(
            self, cost=self.cost + 0.5 * float(off @ off), box_m=np.insert(self.box_m, output, box_m, axis=0)
        )


def _trilaterated(microphone_m: NDArray[np.float64], away_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """About where a box stands that is so far away: in the plane what is left of squares is linear."""
    level_m = microphone_m[:, :2]
    terms = np.column_stack([-2.0 * level_m, np.ones(len(level_m))])
    found = np.linalg.lstsq(terms, away_m**2 - (level_m**2).sum(axis=1), rcond=None)[0]
    return np.array([found[0], found[1], _BOX_ABOVE_M])


def _box_terms(
    box_m: NDArray[np.float64],
    microphone_m: NDArray[np.float64],
    away_m: NDArray[np.float64],
    weight: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What is left over of one box, in standard deviations, and its derivatives (residual, axis)."""
    apart = box_m - microphone_m
    length_m = np.maximum(np.linalg.norm(apart, axis=1), 1e-6)
    height = [0.0, 0.0, 1.0 / _BOX_HEIGHT_M]
    off = np.append((length_m - away_m) * weight, (box_m[2] - _BOX_ABOVE_M) / _BOX_HEIGHT_M)
    return off, np.vstack([apart / length_m[:, None] * weight[:, None], height])


def fitted(ways: Ways, guess: Places | None = None, later: list[int] | None = None) -> Places:
    """The points that fit best.

    Parameters
    ----------
    guess : where to begin; from the ways alone if None
    later : outputs that may have one delay more than is described
    """
    guesses = [_packed(guess)] if guess is not None else _guesses(ways)
    problem = _Problem(ways, later or [])
    return min((problem.solved(one) for one in guesses), key=lambda places: places.cost)


def _packed(places: Places) -> NDArray[np.float64]:
    """Boxes, microphones and latency as one row of unknowns."""
    return np.concatenate([places.box_m.ravel(), places.microphone_m.ravel(), [places.latency_m]])


def _guesses(ways: Ways) -> list[NDArray[np.float64]]:
    """The plane unfolding of the ways, and others about it, always the same."""
    known = np.isfinite(ways.way_m)
    way_m = np.where(known, ways.way_m, np.nanmean(ways.way_m))
    box, microphone = _unfolded(np.maximum(way_m - ways.latency_m[0], 0.1))
    first = np.concatenate([_at_height(box, _BOX_ABOVE_M), _at_height(microphone, 0.0), [ways.latency_m[0]]])
    rng = np.random.default_rng(1)
    spreads = [0.0, *(_GUESS_M[k % len(_GUESS_M)] for k in range(_N_GUESSES - 1))]
    return [first + spread * rng.standard_normal(len(first)) for spread in spreads]


def _at_height(level_m: NDArray[np.float64], height_m: float) -> NDArray[np.float64]:
    return np.column_stack([level_m, np.full(len(level_m), height_m)]).ravel()


def _unfolded(way_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Two sets of points in a plane, (output, 2) and (position, 2), with about these distances between them.

    Centred on both axes, squared distances are -2 x.y, of rank 2; how x and y are stretched follows from what centring
    took away, which is linear in the stretch.
    """
    squared = way_m**2
    product = -0.5 * (squared - squared.mean(axis=1, keepdims=True) - squared.mean(axis=0) + squared.mean())
    u, s, v = np.linalg.svd(product, full_matrices=False)
    x, y = u[:, :2] * np.sqrt(s[:2]), v[:2].T * np.sqrt(s[:2])
    i, p = (index.ravel() for index in np.indices(way_m.shape))
    terms = np.column_stack([_quadratic(x[i]), _quadratic(y[p]), x[i], y[p], np.ones(len(i))])
    found = np.linalg.lstsq(terms, (squared + 2.0 * x @ y.T).ravel(), rcond=None)[0]
    lengths, axes = np.linalg.eigh(np.array([[found[0], found[1]], [found[1], found[2]]]))
    stretch = axes @ np.diag(np.sqrt(np.maximum(np.abs(lengths), 0.05))) @ axes.T
    return x @ stretch, y @ np.linalg.inv(stretch)


def _quadratic(points: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.column_stack([points[:, 0] ** 2, 2.0 * points[:, 0] * points[:, 1], points[:, 1] ** 2])


class _Problem:
    """Least squares over places of boxes and microphones, the latency, and a delay more of some outputs."""

    def __init__(self, ways: Ways, later: list[int]) -> None:
        self._ways = ways
        self._n, self._m = ways.way_m.shape
        self._output, self._position = np.nonzero(np.isfinite(ways.way_m))
        self._way_m = ways.way_m[self._output, self._position]
        self._weight = 1.0 / np.hypot(_POINT_M, ways.std_m[self._output, self._position])
        self._is_later = np.isin(self._output, later).astype(np.float64)

    def solved(self, guess: NDArray[np.float64]) -> Places:
        """The places that a guess leads to."""
        from scipy.optimize import least_squares

        start = np.append(guess, 0.0)
        found = least_squares(self._left, start, jac=self._slopes, method="lm", max_nfev=_MOST_STEPS)
        box_m, microphone_m = self._places(found.x)
        left_m = np.full((self._n, self._m), np.nan)
        left_m[self._output, self._position] = -self._off_m(found.x)
        slopes = self._slopes(found.x)
        variance = np.linalg.pinv(slopes.T @ slopes)[-1, -1]
        latency_m, later_m = found.x[-2:]
        return Places(
            float(found.cost), box_m, microphone_m, float(latency_m), float(later_m), float(np.sqrt(variance)), left_m
        )

    def _places(self, x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        n = 3 * self._n
        return x[:n].reshape(-1, 3), x[n:-2].reshape(-1, 3)

    def _off_m(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """By how much the points lie further apart than the ways are long."""
        box_m, microphone_m = self._places(x)
        apart_m = np.linalg.norm(box_m[self._output] - microphone_m[self._position], axis=1)
        return np.asarray(apart_m + x[-2] + self._is_later * x[-1] - self._way_m)

    def _left(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """What is left over, in standard deviations: of every way, and of what is known beforehand."""
        box_m, microphone_m = self._places(x)
        latency_m, std_m = self._ways.latency_m
        return np.concatenate(
            [
                self._off_m(x) * self._weight,
                (box_m[:, 2] - _BOX_ABOVE_M) / _BOX_HEIGHT_M,
                microphone_m[:, 2] / _MICROPHONE_HEIGHT_M,
                [(x[-2] - latency_m) / std_m, x[-1] / _LATER_M],
            ]
        )

    def _slopes(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Derivatives of what is left over, (residual, unknown)."""
        box_m, microphone_m = self._places(x)
        n, m, n_ways = self._n, self._m, len(self._way_m)
        apart = box_m[self._output] - microphone_m[self._position]
        unit = apart / np.maximum(np.linalg.norm(apart, axis=1, keepdims=True), 1e-6) * self._weight[:, None]
        slopes = np.zeros((n_ways + n + m + 2, len(x)))
        rows = np.arange(n_ways)
        for axis in range(3):
            slopes[rows, 3 * self._output + axis] = unit[:, axis]
            slopes[rows, 3 * (n + self._position) + axis] = -unit[:, axis]
        slopes[rows, -2], slopes[rows, -1] = self._weight, self._weight * self._is_later
        slopes[n_ways + np.arange(n), 3 * np.arange(n) + 2] = 1.0 / _BOX_HEIGHT_M
        slopes[n_ways + n + np.arange(m), 3 * (n + np.arange(m)) + 2] = 1.0 / _MICROPHONE_HEIGHT_M
        slopes[-2, -2], slopes[-1, -1] = 1.0 / self._ways.latency_m[1], 1.0 / _LATER_M
        return slopes
