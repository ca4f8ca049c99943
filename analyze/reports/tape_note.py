"""What a tape says of a fill or tower whose arrival could not be told: when it should come, by delay and way."""

from __future__ import annotations

import math
from statistics import mean
from typing import TYPE_CHECKING

from analyze.acoustics import speed_of_sound_simple
from analyze.reports.naming import shortened
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.sheet_notes import against
from analyze.reports.summaries import number
from analyze.reports.timed_arrivals import latencies_ms, timed_arrivals_ms

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

_NAME_LENGTH = 40


def tape_note(analysis: Analysis, row: Recommendation) -> str:
    """When an output that is not decided should arrive where it is for, if nothing but a distance by hand tells.

    The latency is its own where that is given, else the reference's, given or by a distance. Empty where an arrival
    tells, or none of this does.
    """
    check, arrival_ms = analysis.sound_check, timed_arrivals_ms(analysis)
    output = check.outputs[row.output]
    latency_ms, whose = _latency(analysis, row.output)
    if row.kind not in BY_ARRIVAL or row.decision != "undecided" or not math.isfinite(latency_ms):
        return ""
    parts = []
    for seat in output.align_at:
        distance_m = check.positions[seat].distance_m.get(row.output, math.nan)
        mains = {name: arrival_ms[name, seat] for name in check.group_of(check.reference) if (name, seat) in arrival_ms}
        if (row.output, seat) in arrival_ms or not math.isfinite(distance_m) or check.reference not in mains:
            continue
        flight_ms = 1000.0 * distance_m / speed_of_sound_simple(check.temperature_c)
        own_ms = row.setting_delay_ms + latency_ms + flight_ms
        first = min(mains, key=lambda name: mains[name])
        others = [first] if first == check.reference else [first, check.reference]
        when = " and ".join(against(own_ms - mains[name], shortened(name, _NAME_LENGTH)) for name in others)
        asked = against(output.later_ms, shortened(check.reference, _NAME_LENGTH))
        needed = " or ".join(
            f"{number(row.setting_delay_ms + mains[name] + output.later_ms - own_ms)} ms counted from "
            f"{shortened(name, _NAME_LENGTH)}"
            for name in reversed(others)
        )
        parts.append(
            f"By tape, {distance_m:g} m, and with {whose}, {number(latency_ms)} ms, it comes {when} at "
            f"{shortened(seat, _NAME_LENGTH)}; asked is {asked}, for which it would be set to {needed}. That is "
            "reckoned and not measured: check it with clicks before you type it."
        )
    return " ".join(parts)


def _latency(analysis: Analysis, name: str) -> tuple[float, str]:
    """A latency in ms and whose it is; NaN where none is known."""
    check = analysis.sound_check
    if math.isfinite(check.outputs[name].latency_ms):
        return check.outputs[name].latency_ms, "its latency"
    whose = f"the latency of {shortened(check.reference, _NAME_LENGTH)}"
    if math.isfinite(check.outputs[check.reference].latency_ms):
        return check.outputs[check.reference].latency_ms, whose
    taped = [ms for (output, _), ms in latencies_ms(analysis).items() if output == check.reference]
    return (mean(taped), whose) if taped else (math.nan, "")
