"""How far a group of mains or subs is searched: near its present setting, near aligned arrivals, within its device."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analyze.alignment.context import Context
from analyze.alignment.device import allowed
from analyze.alignment.search import Mover

#: Search range around the present setting and around aligned arrivals.
_AROUND_PRESENT_MS, AROUND_ALIGNED_MS = 40.0, 20.0


def reach(context: Context, group: Sequence[str]) -> Mover:
    """The range searched: what the device allows, near the present setting and near aligned arrivals."""
    device = allowed(context.members(group))
    aligned = aligned_change_ms(context, group)
    low, high = -_AROUND_PRESENT_MS, _AROUND_PRESENT_MS
    if math.isfinite(aligned):
        low, high = max(low, aligned - AROUND_ALIGNED_MS), min(high, aligned + AROUND_ALIGNED_MS)
        if low > high:  # arrivals lie further off than the present setting's surroundings reach
            low, high = aligned - AROUND_ALIGNED_MS, aligned + AROUND_ALIGNED_MS
    if low > device.high_ms:  # the device does not get there: as far as it goes, and back from there
        low, high = device.high_ms - AROUND_ALIGNED_MS, device.high_ms
    elif high < device.low_ms:
        low, high = device.low_ms, device.low_ms + AROUND_ALIGNED_MS
    return Mover(device.signs, max(low, device.low_ms), min(high, device.high_ms))


def aligned_change_ms(context: Context, group: Sequence[str]) -> float:
    """Change that lines up the group's arrivals with the reference's, mean over the audience; NaN if unknown."""
    reference = context.sound_check.group_of(context.sound_check.reference)
    total = weight = 0.0
    for name, position in context.sound_check.positions.items():
        if position.zone != "audience":
            continue
        own = [context.arrivals[o, name][0] for o in group if (o, name) in context.arrivals]
        other = [context.arrivals[o, name][0] for o in reference if (o, name) in context.arrivals]
        difference = np.mean(other) - np.mean(own) if own and other else math.nan
        if math.isfinite(difference):
            total += position.weight * float(difference)
            weight += position.weight
    return total / weight if weight > 0 else math.nan
