"""What settings taken blindly would give: what the score of a recommendation is to be held against."""

from __future__ import annotations

import math

import numpy as np

from analyze.alignment.context import Context

#: Settings that are drawn, and how far from the present ones, in ms: two periods of 100 Hz, where mains and subs meet.
_DRAWN, _REACH_MS = 256, 20.0
_SEED = 20260514


def chance_score_db(context: Context) -> float:
    """Mean score over settings drawn blindly; NaN where nothing may be moved or nothing counts.

    Every group of mains and subs but the reference's gets a delay within 20 ms of its own, evenly, and either polarity;
    inside a group all stays as it is.
    """
    check = context.sound_check
    groups = [
        group
        for group in check.groups
        if check.reference not in group and check.outputs[group[0]].kind in ("main", "sub") and context.heard(group)
    ]
    if not groups or not len(context.audience):
        return math.nan
    landscape = context.landscape(groups, {}, context.audience)
    rng = np.random.default_rng(_SEED)
    signs = rng.choice([-1.0, 1.0], (_DRAWN, len(groups)))
    delays_ms = rng.uniform(-_REACH_MS, _REACH_MS, (_DRAWN, len(groups)))
    states = ([*zip(sign, delay_ms, strict=True)] for sign, delay_ms in zip(signs, delays_ms, strict=True))
    return float(np.mean([landscape.score(state) for state in states]))
