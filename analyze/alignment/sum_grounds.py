"""Grounds of a setting that was judged by what it adds: its lead over other settings, in all and seat by seat.

All figures are of one group's own cells, everything else as in `state`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.cells import Cells
from analyze.alignment.confidence import MODEL_DB, RIGHT_DB, margin_limits
from analyze.alignment.grounds import Rival, SeatMargin, SumGrounds
from analyze.alignment.score import UNCHANGED, Change, mean_score
from analyze.alignment.search import Landscape, Mover


@dataclass(frozen=True)
class Judged:
    """A setting in question: group k of `state`, on a score and that of every replicate, over the cells of `mask`.

    mover : what the group may be set to; near_ms : how far off the best delay counts as right
    """

    landscape: Landscape
    replicates: Sequence[Landscape]
    state: tuple[Change, ...]
    k: int
    mover: Mover
    near_ms: float
    mask: NDArray[np.bool_]

    def changed(self, change: Change) -> list[Change]:
        """The state with the group set otherwise."""
        return [change if j == self.k else c for j, c in enumerate(self.state)]

    def cell_db(self, state: Sequence[Change]) -> NDArray[np.float64]:
        """Sum efficiency per cell, (cell,)."""
        return self.landscape.cell_db(self.landscape.energy(state))


def rival(judged: Judged, change: Change) -> Rival:
    """What the setting is ahead of another one."""
    here, there, mask = judged.state, judged.changed(change), judged.mask
    margins = [r.score(here, mask) - r.score(there, mask) for r in judged.replicates]
    margin = judged.landscape.score(here, mask) - judged.landscape.score(there, mask)
    return Rival(change, margin, float(np.std(margins)) if margins else math.nan)


def seat_margins(
    judged: Judged, positions: Sequence[str], polarity: Rival | None, runner_up: Rival | None
) -> dict[str, SeatMargin]:
    """What each position with cells of the group says of the setting."""
    cells = judged.landscape.cells
    here = judged.cell_db(judged.state)
    leads = [here - judged.cell_db(judged.changed(r.change)) if r else None for r in (polarity, runner_up)]
    grid = np.unique(np.concatenate([judged.mover.grid_ms(), [0.0, judged.state[judged.k][1]]]))
    scanned = [judged.landscape.cell_db(e) for e in judged.landscape.scan_energy(judged.state, judged.k, grid)]
    seats = {}
    for p in np.unique(cells.position[judged.mask]):
        inside, others = (judged.mask & (cells.position == p), judged.mask & (cells.position != p))
        ahead = [float(lead[inside].mean()) if lead is not None else math.nan for lead in leads]
        cost, holds = _left_out(judged, scanned, grid, cells, others)
        seats[positions[int(p)]] = SeatMargin(int(inside.sum()), ahead[0], ahead[1], cost, holds)
    return seats


def margin_grounds(
    judged: Judged, positions: Sequence[str], other: Change, margin_db: float, std_db: float, claim: str
) -> SumGrounds:
    """Grounds of a setting whose confidence is that of one margin, with the one other setting it is compared with."""
    ahead = rival(judged, other)
    is_moved = judged.state[judged.k] != UNCHANGED
    short_db = max(0.0, -ahead.margin_db)
    return SumGrounds(
        change=judged.state[judged.k],
        claim=claim,
        limits=margin_limits(margin_db, short_db, std_db),
        scatter_db=std_db,
        shortfall_db=short_db,
        model_db=MODEL_DB,
        heard_share=1.0,
        measured_share=1.0,
        other_polarity=ahead,
        runner_up=None,
        present=rival(judged, UNCHANGED) if is_moved else None,
        seats=seat_margins(judged, positions, ahead, None),
    )


def _left_out(
    judged: Judged,
    scanned: Sequence[NDArray[np.float64]],
    grid_ms: NDArray[np.float64],
    cells: Cells,
    mask: NDArray[np.bool_],
) -> tuple[float, bool | None]:
    """What the setting costs over the cells of `mask` against the best there, and whether it counts as right there.

    scanned : sum efficiency (cell, delay) of both signs, +1 first, on the grid, which holds the setting's delay.
    """
    if not mask.any():
        return math.nan, None
    sign, delay_ms = judged.state[judged.k]
    row = 0 if sign > 0 else 1
    scores = np.stack([mean_score(db, cells, mask) for db in scanned])  # (sign, delay)
    tops = scores.max(axis=1)
    may_turn = len(judged.mover.signs) > 1
    best = float(tops.max()) if may_turn else float(tops[row])
    cost = best - float(scores[row, int(np.searchsorted(grid_ms, delay_ms))])
    is_near = abs(float(grid_ms[int(np.argmax(scores[row]))]) - delay_ms) <= judged.near_ms
    is_best_polarity = not may_turn or tops[row] >= tops[1 - row]
    return cost, bool(cost <= RIGHT_DB or (is_near and is_best_polarity))
