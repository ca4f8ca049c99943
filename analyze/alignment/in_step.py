"""Of settings that sound the same the one that leaves an output most in step with the reference.

A score over delay has humps, a cycle apart, and several of them may be as high: a tenth of a decibel over the seats
measured is told, and means nothing for those beside them. A sub many milliseconds ahead of the mains does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analyze.alignment.context import Context
from analyze.alignment.reach import aligned_change_ms
from analyze.alignment.score import Change
from analyze.alignment.search import Landscape, Mover, tops

#: Tops of humps no further apart than this, over all cells and over the output's own, sound the same.
_EQUAL_DB, _EQUAL_OWN_DB = 0.1, 0.25
#: More in step by less than half a cycle of 100 Hz is no reason.
_BY_MS = 5.0
#: Around a top of the grid, and the steps in which it is looked for there.
_AROUND_MS, _FINE_MS = 0.2, 0.01


def in_step(
    context: Context, group: Sequence[str], mover: Mover, landscape: Landscape, state: Sequence[Change], k: int
) -> Change:
    """The change of `group`, mover k of `state`, or the top of another hump, as good and plainly more in step.

    In step is what lines up arrivals or, where those are not known, what changes little. No polarity is turned for it.
    """
    (sign, delay_ms), own = state[k], context.audience.own(context.heard(group))
    if not own.any():
        return sign, delay_ms
    aligned_ms = aligned_change_ms(context, group)
    wanted_ms = aligned_ms if math.isfinite(aligned_ms) else 0.0
    grid = mover.grid_ms()
    short_db, short_own_db = (landscape.score(state, m) - landscape.scan(state, k, grid, m) for m in (None, own))
    is_equal = tops(-short_db) & (short_db <= _EQUAL_DB) & (short_own_db <= _EQUAL_OWN_DB)
    signs = [(row, one) for row, one in enumerate((1.0, -1.0)) if one in mover.signs and one >= sign]
    found = [
        (abs(float(grid[j]) - wanted_ms), row, one, j) for row, one in signs for j in np.flatnonzero(is_equal[row])
    ]
    if not found or min(found)[0] > abs(delay_ms - wanted_ms) - _BY_MS:
        return sign, delay_ms
    _, row, one, j = min(found)
    n = round(_AROUND_MS / _FINE_MS)
    fine = np.clip(grid[j] + np.arange(-n, n + 1) * _FINE_MS, mover.low_ms, mover.high_ms)
    return one, float(fine[int(np.argmax(landscape.scan(state, k, fine)[row]))])
