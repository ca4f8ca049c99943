"""Arrivals that were recorded on the clock of their feed, and the latency that a distance by hand leaves of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.acoustics import speed_of_sound_simple
from analyze.reports.selections import own_clocks

if TYPE_CHECKING:
    from analyze.pipeline import Analysis


def timed_arrivals_ms(analysis: Analysis) -> dict[tuple[str, str], float]:
    """Arrivals per (output, position) at present settings, where they were recorded on the clock of their feed."""
    own = own_clocks(analysis)
    timed = {(row.output, row.position) for row in analysis.arrivals if (row.capture, row.position) not in own}
    found = analysis.arrival_present_ms.items()
    return {key: arrival_ms for key, arrival_ms in found if math.isfinite(arrival_ms) and key in timed}


def latencies_ms(analysis: Analysis) -> dict[tuple[str, str], float]:
    """What setting and flight leave of an arrival, per (output, position) whose distance was taken by hand."""
    check = analysis.sound_check
    speed_m_ms = speed_of_sound_simple(check.temperature_c) / 1000.0
    return {
        (output, position): ms - check.outputs[output].setting.delay_ms - distance_m / speed_m_ms
        for (output, position), ms in timed_arrivals_ms(analysis).items()
        if math.isfinite(distance_m := check.positions[position].distance_m.get(output, math.nan))
    }
