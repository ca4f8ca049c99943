"""Which few things explain all changes: the whole rig, groups, single outputs, single positions, odd rows.

Every (output, position) changed by `whole + air * share + group + output + position + error`. A box or a microphone
that stands elsewhere changes its rows by unequal amounts, between -d/c and +d/c for a move of d: what is at work
therefore has a spread too, which is estimated. Each thing costs a fixed price, and the cheapest explanation counts:

    cost = sum over rows (left^2 / v + ln(v / v0)) + prices + (share / its prior deviation)^2

with v0 the variance of a row by itself and v that with the spreads in force: minus twice the logarithm of a likelihood,
so that half the difference of two costs is the logarithm of their odds. Changes are newer minus older.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: A thing that may have changed: ("whole", 0), or "group", "output", "position" or "row" with its index.
Cause = tuple[str, int]

#: Prices in units of minus twice a log probability: a box that changed is rarer than a microphone put elsewhere, and
#: that rarer than another latency of a recorder (judgement; `python -m tests.trials.second_visits` shows the rates).
_PRICE = {"whole": 4.0, "group": 11.0, "output": 10.0, "position": 6.0, "row": 20.0}
#: What it costs beyond that to blame what all else is set against.
_ANCHORED = 1.5
_WHOLE: Cause = ("whole", 0)
#: Rounds of estimating spreads, and of adding and taking away.
_SPREAD_ROUNDS, _MOST_STEPS = 5, 80
#: Rows offered as odd at each step: those furthest off.
_ODD_OFFERED = 4
#: Up to so many causes one is exchanged for another too.
_MOST_EXCHANGED = 4
#: How many rows the usual scatter counts for.
_USUAL_ROWS = 4
#: Precision that a shift has beforehand: so weak that it only tells apart what rows do not.
_RIDGE = 1e-4


@dataclass(frozen=True)
class Rows:
    """What was observed, (row,) each.

    output, position : index of each; value, std : change and its standard error
    air : change per unit of the unknown share (flight time), share_std : its prior deviation
    clock : 0, or the number of a recorder whose offset is unknown
    n_outputs, n_positions : how many there are
    groups : outputs of one processor channel, by index, which may change together
    anchored : outputs that all else is set against, and that are the last to be blamed
    """

    output: NDArray[np.int64]
    position: NDArray[np.int64]
    value: NDArray[np.float64]
    std: NDArray[np.float64]
    air: NDArray[np.float64]
    share_std: float
    clock: NDArray[np.int64]
    n_outputs: int
    n_positions: int
    groups: tuple[tuple[int, ...], ...] = ()
    anchored: frozenset[int] = frozenset()

    def of(self, cause: Cause) -> NDArray[np.bool_]:
        """Rows that a cause concerns."""
        kind, index = cause
        if kind == "row":
            return np.asarray(np.arange(len(self.value)) == index)
        if kind == "whole":
            return np.ones(len(self.value), dtype=bool)
        if kind == "group":
            return np.isin(self.output, self.groups[index])
        return np.asarray((self.output if kind == "output" else self.position) == index)

    def price(self, cause: Cause) -> float:
        """What it costs that a cause has a part."""
        kind, index = cause
        outputs = self.groups[index] if kind == "group" else (index,) if kind == "output" else ()
        return _PRICE[kind] + (_ANCHORED if self.anchored.intersection(outputs) else 0.0)


@dataclass(frozen=True)
class Shift:
    """What one cause changes: mean, its standard error, and the spread between rows beyond their errors."""

    mean: float
    std: float
    spread: float


@dataclass(frozen=True)
class Explanation:
    """The causes found and what they change.

    shifts : per cause; share, share_std : of the air; cost
    left : (row,) what no cause explains; std : (row,) error of it, spreads included
    """

    causes: frozenset[Cause]
    shifts: dict[Cause, Shift]
    share: float
    share_std: float
    cost: float
    left: NDArray[np.float64]
    std: NDArray[np.float64]


def explain(rows: Rows) -> Explanation:
    """The cheapest explanation that adding and taking away finds, from nothing, from all outputs and all positions."""
    everything = ([("output", i) for i in range(rows.n_outputs)], [("position", i) for i in range(rows.n_positions)])
    starts: list[frozenset[Cause]] = [frozenset(), *(frozenset([_WHOLE, *one]) for one in everything)]
    return min((_searched(rows, start) for start in starts), key=lambda one: one.cost)


def without(rows: Rows, best: Explanation, cause: Cause) -> Explanation:
    """The cheapest explanation in which a cause has no part."""
    return _searched(rows, best.causes - {cause}, banned=cause)


def with_cause(rows: Rows, best: Explanation, cause: Cause) -> Explanation:
    """The best explanation with one cause more."""
    return _fitted(rows, best.causes | {cause})


def shift_of(rows: Rows, best: Explanation, cause: Cause) -> Shift:
    """What a cause changes, an output with its group; for one without a part, what its rows are off by all the same."""
    parts = [best.shifts[one] for one in (cause, *_groups_of(rows, cause)) if one in best.shifts]
    if cause not in best.shifts:
        own = rows.of(cause) & ~_odd(rows, best.causes)
        if not own.any():
            return Shift(math.nan, math.nan, 0.0)
        weight = best.std[own] ** -2.0
        off = float(np.average(best.left[own], weights=weight))
        parts.append(Shift(off, float(np.sum(weight) ** -0.5), 0.0))
    mean, spread = sum(one.mean for one in parts), max(one.spread for one in parts)
    return Shift(mean, max(one.std for one in parts), spread)


def part_of(rows: Rows, best: Explanation, output: int) -> Cause:
    """The cause by which an output changed: its group's if that has a part and it has none itself, else its own."""
    own: Cause = ("output", output)
    groups = [one for one in _groups_of(rows, own) if one in best.causes]
    return groups[0] if groups and own not in best.causes else own


def scatter(rows: Rows, found: Explanation, usual: float) -> float:
    """Standard deviation of what no sum of an output's and a position's shift explains.

    It shows how well microphones were put back, whatever changed. Rows of causes that spread do not count, and what is
    usual counts as so many rows as are in `_USUAL_ROWS`: of few rows no small scatter is believed.
    """
    kept = ~_odd(rows, found.causes)
    for cause, shift in found.shifts.items():
        kept &= ~rows.of(cause) if shift.spread > 0.0 else True
    if not kept.any():
        return usual
    outputs, positions = (np.unique(which[kept]) for which in (rows.output, rows.position))
    free = int(np.count_nonzero(kept)) - len(outputs) - len(positions) + 1
    if free <= 0:
        return usual
    design = np.column_stack(
        [*(rows.output[kept] == o for o in outputs), *(rows.position[kept] == p for p in positions)]
    ).astype(float)
    value = rows.value[kept] - found.share * rows.air[kept]
    left = value - design @ np.linalg.lstsq(design, value, rcond=None)[0]
    return math.sqrt((_USUAL_ROWS * usual**2 + float(left @ left)) / (_USUAL_ROWS + free))


def _groups_of(rows: Rows, cause: Cause) -> list[Cause]:
    kind, index = cause
    return [("group", g) for g, members in enumerate(rows.groups) if kind == "output" and index in members]


def _searched(rows: Rows, start: frozenset[Cause], banned: Cause | None = None) -> Explanation:
    """Add, take away or exchange one cause at a time as long as that makes the explanation cheaper."""
    best = _fitted(rows, start)
    for _ in range(_MOST_STEPS):
        added, exchanged = _steps(rows, best, banned)
        cheaper = _cheaper(rows, best, added) or _cheaper(rows, best, exchanged)
        if cheaper is None:
            break
        best = cheaper
    return best


def _cheaper(rows: Rows, now: Explanation, sets: Iterable[frozenset[Cause]]) -> Explanation | None:
    """The cheapest explanation by one of these sets of causes, None if none is cheaper than now."""
    cheapest = min((_fitted(rows, causes) for causes in sets), key=lambda one: one.cost, default=now)
    return cheapest if cheapest.cost < now.cost - 1e-6 else None


def _steps(rows: Rows, now: Explanation, banned: Cause | None) -> tuple[list[frozenset[Cause]], list[frozenset[Cause]]]:
    """Sets of causes one step from the present one: with one more or less, and, where they are few, with another."""
    offered: list[Cause] = [_WHOLE]
    offered += [("group", i) for i in range(len(rows.groups))]
    offered += [("output", i) for i in range(rows.n_outputs)]
    offered += [("position", i) for i in range(rows.n_positions)]
    furthest = np.argsort(-np.abs(now.left / now.std), kind="stable")[:_ODD_OFFERED]
    offered += [("row", int(i)) for i in furthest]
    new = [cause for cause in offered if cause not in now.causes and cause != banned]
    old = sorted(now.causes)
    added = [now.causes | {cause} for cause in new] + [now.causes - {cause} for cause in old]
    few = old if len(old) <= _MOST_EXCHANGED else []
    return added, [(now.causes - {one}) | {other} for one in few for other in new]


def _odd(rows: Rows, causes: frozenset[Cause]) -> NDArray[np.bool_]:
    odd = np.zeros(len(rows.value), dtype=bool)
    odd[[index for kind, index in causes if kind == "row"]] = True
    return odd


def _fitted(rows: Rows, causes: frozenset[Cause]) -> Explanation:
    """Shifts and spreads for a set of causes."""
    means = [cause for cause in sorted(causes) if cause[0] != "row"]
    spread_of = [cause for cause in means if cause[0] in ("output", "position")]
    kept = ~_odd(rows, causes)
    design = np.column_stack([rows.air, *(rows.of(cause).astype(float) for cause in means), *_clocks(rows)])
    prior = np.full(design.shape[1], _RIDGE)
    prior[0] = rows.share_std**-2.0 if rows.share_std > 0.0 else 1e12
    spreads = dict.fromkeys(spread_of, 0.0)
    for _ in range(_SPREAD_ROUNDS):
        variance = rows.std**2 + _spread_variance(rows, spreads)
        values, covariance = _least_squares(design[kept], rows.value[kept], variance[kept], prior)
        left = rows.value - design @ values
        if not spreads:
            break
        spreads = {c: _spread(rows.of(c) & kept, left, variance, spreads[c]) for c in spread_of}
    variance = rows.std**2 + _spread_variance(rows, spreads)
    cost = float(np.sum(left[kept] ** 2 / variance[kept] + np.log(variance[kept] / rows.std[kept] ** 2)))
    cost += sum(map(rows.price, causes)) + prior[0] * values[0] ** 2
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    shifts = {
        cause: Shift(float(values[k]), float(errors[k]), spreads.get(cause, 0.0)) for k, cause in enumerate(means, 1)
    }
    return Explanation(causes, shifts, float(values[0]), float(errors[0]), cost, left, np.sqrt(variance))


def _clocks(rows: Rows) -> list[NDArray[np.float64]]:
    """A column per recorder of unknown offset."""
    return [(rows.clock == number).astype(float) for number in np.unique(rows.clock[rows.clock > 0])]


def _spread_variance(rows: Rows, spreads: dict[Cause, float]) -> NDArray[np.float64]:
    total = np.zeros(len(rows.value))
    for cause, spread in spreads.items():
        total += np.where(rows.of(cause), spread**2, 0.0)
    return total


def _spread(own: NDArray[np.bool_], left: NDArray[np.float64], variance: NDArray[np.float64], before: float) -> float:
    """Spread of a cause from its rows: what their squares hold beyond what the other variances explain.

    Rows count by how well their squares are known, `1 / v^2`. One row less than there are counts, for the mean took
    one; with a single row there is no telling.
    """
    n = int(np.count_nonzero(own))
    if n < 2:
        return 0.0
    weight = variance[own] ** -2.0
    excess = left[own] ** 2 * n / (n - 1) - (variance[own] - before**2)
    return math.sqrt(max(float(weight @ excess) / float(weight.sum()), 0.0))


def _least_squares(
    design: NDArray[np.float64], value: NDArray[np.float64], variance: NDArray[np.float64], prior: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted least squares with a prior precision per column; returns values and their covariance."""
    weighted = design / variance[:, None]
    covariance = np.asarray(np.linalg.inv(design.T @ weighted + np.diag(prior)), dtype=np.float64)
    return covariance @ (weighted.T @ value), covariance
