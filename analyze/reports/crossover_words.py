"""At which frequency subs hand over to mains at the seats, in a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analyze.alignment.crossover import crossover_hz

if TYPE_CHECKING:
    from analyze.pipeline import Analysis

# Fewer of the seats than this share tell nothing of a hall.
_ENOUGH = 0.5


def crossover_words(analysis: Analysis) -> str:
    """Where mains and subs are equally loud, from seat to seat; empty where that shows at less than half of them."""
    check, responses = analysis.sound_check, analysis.responses
    if not responses.h.size:
        return ""
    mains, subs = (
        [k for k, name in enumerate(responses.outputs) if check.outputs[name].kind == kind] for kind in ("main", "sub")
    )
    seats = [k for k, name in enumerate(responses.positions) if check.positions[name].zone == "audience"]
    found = crossover_hz(responses, mains, subs)[seats]
    told = found[np.isfinite(found)]
    if not len(told) or len(told) < _ENOUGH * len(seats):
        return ""
    low_hz, middle_hz, high_hz = (f"{round(float(hz))}" for hz in (told.min(), np.median(told), told.max()))
    where = "seat" if len(told) == 1 else f"{len(told)} seats"
    spread = f" in the middle of {where} ({low_hz} to {high_hz} Hz)" if low_hz != high_hz else f" at {where}"
    return (
        f"All subs together are as loud as all mains together at {middle_hz} Hz{spread}, at the levels of the "
        "recordings. Crossover filters may be set elsewhere: faders, boxes and the room move it."
    )
