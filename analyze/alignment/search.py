"""The joint search: polarity and delay of all movable groups at once, globally over the delays allowed.

The energy of a cell is `E_rest + E_m + 2 s_m R_m(d_m)`, with R the real cross-correlation of a part with the sum of the
rest, so one table of it per cell answers for all delays and signs of one group; two take one more for the pair. One is
scanned whole, two are scanned as a plane; more are settled two at a time, from several starts, until nothing moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.alignment.cells import Cells
from analyze.alignment.score import cell_energy, mean_score

#: Grid of the global search; the highest cell ends at 355 Hz, a period of 2.8 ms.
STEP_MS = 0.2
#: Grid of the last refinement.
_FINE_MS = 0.01
_ROUNDS = 12


@dataclass(frozen=True)
class Mover:
    """A group that may move: signs it may take relative to now, and the range of its change in ms."""

    signs: tuple[float, ...]
    low_ms: float
    high_ms: float

    def grid_ms(self) -> NDArray[np.float64]:
        """Changes to look at, (delay,), among them 0 if it is allowed."""
        first, last = np.ceil(self.low_ms / STEP_MS), np.floor(self.high_ms / STEP_MS)
        inner = np.arange(first, last + 1) * STEP_MS
        return np.unique(np.concatenate([[self.low_ms], inner, [self.high_ms]]).round(9))


class Landscape:
    """Score as a function of the changes of the movers.

    Parameters
    ----------
    fixed : (position, line) sum of everything that stays
    moving : (mover, position, line) sum of each mover's outputs at present settings
    possible : (cell,) energy of the sum of all magnitudes
    cells, frequency_hz : the cells and the (line,) frequencies
    """

    def __init__(
        self,
        fixed: NDArray[np.complex128],
        moving: NDArray[np.complex128],
        possible: NDArray[np.float64],
        cells: Cells,
        frequency_hz: NDArray[np.float64],
    ) -> None:
        self.parts = np.concatenate([fixed[None], moving])  # (part, position, line), part 0 stays
        self.cells, self.possible = cells, possible
        self.frequency_hz = frequency_hz[: self.parts.shape[-1]]
        self.own_energy = cell_energy(np.abs(self.parts) ** 2, cells)  # (part, cell)
        lines = list(zip(cells.first.tolist(), cells.stop.tolist(), strict=True))
        #: Cells of the same lines, at one position each.
        self._rows = {run: np.array([k for k, one in enumerate(lines) if one == run]) for run in dict.fromkeys(lines)}

    def correlation(
        self, one: NDArray[np.complex128], other: NDArray[np.complex128], delay_ms: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """`Re sum conj(one) other exp(-j 2 pi f d)` per cell, of sums (position, line); (delay,) -> (cell, delay)."""
        cross = np.conj(one) * other
        turn = _turns(self.frequency_hz.tobytes(), delay_ms.tobytes())
        out = np.empty((len(self.cells), delay_ms.size))
        for (first, stop), rows in self._rows.items():
            out[rows] = (cross[self.cells.position[rows], first:stop] @ turn[first:stop]).real
        return out

    def scores(self, energy: NDArray[np.float64], mask: NDArray[np.bool_] | None = None) -> NDArray[np.float64]:
        """Score of cell energies (cell, ...) over the cells of `mask` (all if None)."""
        return mean_score(self.cell_db(energy), self.cells, mask)

    def cell_db(self, energy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum efficiency in dB of cell energies (cell, ...), the same shape."""
        shape = (-1, *([1] * (energy.ndim - 1)))
        ratio = np.maximum(energy / np.maximum(self.possible, 1e-300).reshape(shape), 1e-12)
        return np.asarray(energy_db(ratio))

    def rest(self, state: Sequence[tuple[float, float]], without: Sequence[int] = ()) -> NDArray[np.complex128]:
        """Sum of what stays and of all movers but those of `without`, as they are in `state`; (position, line)."""
        total: NDArray[np.complex128] = self.parts[0].copy()
        for m, (sign, delay_ms) in enumerate(state):
            if m not in without:
                turn = np.exp(-2j * np.pi * self.frequency_hz * (delay_ms / 1000.0)) if delay_ms else 1.0
                total += sign * self.parts[m + 1] * turn
        return total

    def energy(self, state: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
        """Cell energy of one state, (cell,)."""
        return cell_energy(np.abs(self.rest(state)) ** 2, self.cells)

    def scan(
        self,
        state: Sequence[tuple[float, float]],
        mover: int,
        delay_ms: NDArray[np.float64],
        mask: NDArray[np.bool_] | None = None,
    ) -> NDArray[np.float64]:
        """Score over one mover's delay for both signs, the others as in `state`; (sign +1 then -1, delay)."""
        return np.stack([self.scores(energy, mask) for energy in self.scan_energy(state, mover, delay_ms)])

    def scan_energy(
        self, state: Sequence[tuple[float, float]], mover: int, delay_ms: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Energy over one mover's delay for both signs, the others as in `state`; (sign +1 then -1, cell, delay)."""
        rest = self.rest(state, [mover])
        base = (cell_energy(np.abs(rest) ** 2, self.cells) + self.own_energy[mover + 1])[:, None]
        pair = 2.0 * self.correlation(rest, self.parts[mover + 1], delay_ms)
        return np.stack([base + pair, base - pair])

    def score(self, state: Sequence[tuple[float, float]], mask: NDArray[np.bool_] | None = None) -> float:
        """Score of one state: (sign, change in ms) per mover."""
        return float(self.scores(self.energy(state)[:, None], mask)[0])


def tops(scores: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a score lies no lower than those beside it, along the last axis; the ends have one neighbour."""
    beside = np.pad(scores, [(0, 0)] * (scores.ndim - 1) + [(1, 1)], constant_values=-np.inf)
    return np.asarray((scores >= beside[..., :-2]) & (scores >= beside[..., 2:]))


@lru_cache(maxsize=4)
def _turns(frequency_hz: bytes, delay_ms: bytes) -> NDArray[np.complex128]:
    """`exp(-j 2 pi f d)`, (line, delay), of both as float64; a grid is gone over again for every resample and start."""
    cycles = np.outer(np.frombuffer(frequency_hz), np.frombuffer(delay_ms) / 1000.0)
    turn = np.asarray(np.exp(-2j * np.pi * cycles), dtype=np.complex128)
    turn.flags.writeable = False  # it is handed out again
    return turn


@dataclass(frozen=True)
class Optimum:
    """A state (sign, change in ms per mover) and its score."""

    state: tuple[tuple[float, float], ...]
    score_db: float


def search(landscape: Landscape, movers: Sequence[Mover]) -> Optimum:
    """The best state over all movers jointly; a mover that may not move has one sign and a range of 0 width."""
    if not movers:
        return Optimum((), landscape.score(()))
    if len(movers) == 1:
        best = _best_single(landscape, [(1.0, 0.0)], 0, movers[0])
    else:
        best = max((_descend(landscape, movers, start) for start in _starts(movers)), key=lambda o: o.score_db)
    return _refined(landscape, movers, best)


def _starts(movers: Sequence[Mover]) -> list[list[tuple[float, float]]]:
    """Starting states: with two movers the plane is searched whole and one start serves.

    With more, every set of signs (the first eight) at three places of the ranges.
    """
    places = (0.5,) if len(movers) == 2 else (0.25, 0.5, 0.75)
    signs = [tuple(1.0 for _ in movers)] if len(movers) == 2 else list(product(*(m.signs for m in movers)))[:8]
    delays = [[m.low_ms + share * (m.high_ms - m.low_ms) for m in movers] for share in places]
    return [list(zip(s, d, strict=True)) for s in signs for d in delays]


def _descend(landscape: Landscape, movers: Sequence[Mover], start: list[tuple[float, float]]) -> Optimum:
    """Best plane of two movers after another until a whole round brings nothing."""
    best = Optimum(tuple(start), -np.inf)
    for _ in range(_ROUNDS):
        before = best.score_db
        for a, b in combinations(range(len(movers)), 2):
            found = _best_plane(landscape, list(best.state), a, b, movers)
            if found.score_db > best.score_db:
                best = found
        if best.score_db <= before + 1e-9 or len(movers) == 2:
            break
    return best


def _best_single(landscape: Landscape, state: list[tuple[float, float]], mover: int, allowed: Mover) -> Optimum:
    """Best sign and delay of one mover, the others as they are."""
    grid = allowed.grid_ms()
    scores = landscape.scan(state, mover, grid)
    best = Optimum(tuple(state), -np.inf)
    for row, sign in enumerate((1.0, -1.0)):
        if sign in allowed.signs:
            k = int(np.argmax(scores[row]))
            if scores[row, k] > best.score_db:
                new = [*state]
                new[mover] = (sign, float(grid[k]))
                best = Optimum(tuple(new), float(scores[row, k]))
    return best


def _best_plane(
    landscape: Landscape, state: list[tuple[float, float]], a: int, b: int, movers: Sequence[Mover]
) -> Optimum:
    """Best signs and delays of two movers together, the others as they are; a plane at twice the step."""
    da, db = movers[a].grid_ms()[::2], movers[b].grid_ms()[::2]
    part_a, part_b = landscape.parts[a + 1], landscape.parts[b + 1]
    rest = landscape.rest(state, [a, b])
    base = cell_energy(np.abs(rest) ** 2, landscape.cells) + landscape.own_energy[a + 1] + landscape.own_energy[b + 1]
    base = base[:, None]
    ta, tb = landscape.correlation(rest, part_a, da), landscape.correlation(rest, part_b, db)
    difference = (db[None, :] - da[:, None]).round(6)
    unique, index = np.unique(difference, return_inverse=True)
    between = landscape.correlation(part_a, part_b, unique)
    index = index.reshape(difference.shape)
    best = Optimum(tuple(state), -np.inf)
    for sa, sb in product(movers[a].signs, movers[b].signs):
        for k in range(len(da)):  # row by row, so that memory stays at cells x delays
            energy = base + 2.0 * (sa * ta[:, k, None] + sb * tb + sa * sb * between[:, index[k]])
            scores = landscape.scores(energy)
            j = int(np.argmax(scores))
            if scores[j] > best.score_db:
                new = [*state]
                new[a], new[b] = (sa, float(da[k])), (sb, float(db[j]))
                best = Optimum(tuple(new), float(scores[j]))
    return best


def _refined(landscape: Landscape, movers: Sequence[Mover], best: Optimum) -> Optimum:
    """The optimum followed on a fine grid, one mover after the other."""
    for reach in (STEP_MS * 2.5, STEP_MS, STEP_MS / 2):
        for m, mover in enumerate(movers):
            sign, delay = best.state[m]
            n = round(reach / _FINE_MS)
            grid = np.clip(delay + np.arange(-n, n + 1) * _FINE_MS, mover.low_ms, mover.high_ms)
            row = landscape.scan(best.state, m, grid)[0 if sign > 0 else 1]
            k = int(np.argmax(row))
            if row[k] > best.score_db:
                new = [*best.state]
                new[m] = (sign, float(grid[k]))
                best = Optimum(tuple(new), float(row[k]))
    return best
