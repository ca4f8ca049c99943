"""Where only a delay that the device does not have would do better: what all others would have to do instead."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analyze.alignment.confidence import RIGHT_DB
from analyze.alignment.device import allowed, setting_after
from analyze.alignment.reach import AROUND_ALIGNED_MS
from analyze.alignment.search import STEP_MS
from analyze.alignment.sum_grounds import Judged
from analyze.description import Output

_ROUNDING_MS = 1e-9


def beyond_range_words(judged: Judged, members: Sequence[Output], others: Sequence[Output]) -> str:
    """How much more an end of the device's range keeps from the group; empty where neither end keeps back enough.

    It has to be more than counts as right, and sure. What the group cannot do all others can the other way.

    members : outputs of the group; others : all the rest, which would have to be moved
    """
    device, mover = allowed(members), judged.mover
    if mover.low_ms == mover.high_ms:
        return ""
    ends = ((device.low_ms, mover.low_ms, -1.0), (device.high_ms, mover.high_ms, 1.0))
    reached = [(end, way) for end, searched, way in ends if abs(end - searched) < _ROUNDING_MS]
    found = [_beyond(judged, members, others, end, way) for end, way in reached]
    return max(found, default=(0.0, ""))[1]


def _beyond(
    judged: Judged, members: Sequence[Output], others: Sequence[Output], end_ms: float, way: float
) -> tuple[float, str]:
    """What is to be had beyond one end of the range, -1 the lower, in dB and in words."""
    state, k = list(judged.state), judged.k
    grid = end_ms + way * np.arange(1, round(AROUND_ALIGNED_MS / STEP_MS), dtype=np.float64) * STEP_MS
    scores = judged.landscape.scan(state, k, grid, judged.mask)[: len(judged.mover.signs)]
    row, j = np.unravel_index(int(np.argmax(scores)), scores.shape)
    better = float(scores[row, j]) - judged.landscape.score(state, judged.mask)
    if better <= RIGHT_DB:
        return 0.0, ""
    apart = [float(r.score(state) - r.scan(state, k, grid[j : j + 1])[row, 0]) for r in judged.replicates]
    if apart and better <= float(np.std(apart)):
        return 0.0, ""
    moved_ms = abs(float(grid[j]) - end_ms)
    polarity, _ = setting_after(members[0], ((1.0, -1.0)[row], 0.0))
    low = way < 0.0
    words = (
        f"its delay cannot go {'lower' if low else 'higher'}: everything else {moved_ms:.2f} ms "
        f"{'later' if low else 'earlier'} and {members[0].name} {polarity} at its {'shortest' if low else 'longest'} "
        f"delay would give {better:.1f} dB more"
    )
    short = [o.name for o in others if not o.min_delay_ms <= o.setting.delay_ms - way * moved_ms <= o.max_delay_ms]
    return better, f"{words}, which the range of {short[0]} does not allow" if short else words
