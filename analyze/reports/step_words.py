"""That a setting for the best sum takes a sub or main further out of step with the main that comes first."""

from __future__ import annotations

import math
import statistics
from typing import TYPE_CHECKING

from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.summaries import number

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

#: So much further from the first main is worth a word, ms: half a cycle of 100 Hz.
_FURTHER_MS = 5.0


def out_of_step_words(analysis: Analysis, row: Recommendation) -> str:
    """How far from the first main it comes then and at present, in the middle of the seats; empty where no further."""
    if row.decision != "change" or not (late := _late_ms(analysis, row)):
        return ""
    present_ms, then_ms = late
    if abs(then_ms) - abs(present_ms) < _FURTHER_MS:
        return ""
    return (
        f"In the middle of the seats it comes {_off(then_ms)} the first main then, {_off(present_ms)} it at present: "
        f"listen whether kick and bass stay tight.{_in_step_words(analysis, row, then_ms)}"
    )


def out_of_step_then(analysis: Analysis, row: Recommendation, delay_ms: float) -> str:
    """How far from the first main an output comes at another delay, where that is further than as recommended."""
    late = _late_ms(analysis, row)
    then_ms = late[1] + delay_ms - row.recommended_delay_ms if late else math.nan
    if not late or abs(then_ms) - abs(late[1]) < _FURTHER_MS:
        return ""
    return f", {_off(then_ms)} the first main"


def _late_ms(analysis: Analysis, row: Recommendation) -> tuple[float, ...]:
    """How late a sub or main comes after the first main in the middle of the seats, at present and as recommended.

    Empty where that is not known, and for what is set otherwise.
    """
    from analyze.reports.lateness import late_after_first  # brings in all that decides

    seats = {name for name, position in analysis.sound_check.positions.items() if position.zone == "audience"}
    late = [one for (output, seat), one in late_after_first(analysis).items() if output == row.output and seat in seats]
    if row.kind in (*BY_ARRIVAL, "monitor") or not late:
        return ()
    return tuple(statistics.median(getattr(one, what) for one in late) for what in ("present_ms", "recommended_ms"))


def _in_step_words(analysis: Analysis, row: Recommendation, late_ms: float) -> str:
    """The best delay of the same polarity that is nearer to the first main by as much, and what it gives away."""
    import numpy as np  # these bring in all that decides

    from analyze.alignment.search import tops

    scan = next((one for one in analysis.delay_scans if row.output in one.outputs), None)
    if scan is None or scan.outputs[0] != row.output:
        return ""
    db = scan.normal_db if row.recommended_polarity == "normal" else scan.inverted_db
    step_ms = late_ms + scan.delay_ms - row.recommended_delay_ms
    near = np.flatnonzero(tops(db) & (np.abs(step_ms) <= abs(late_ms) - _FURTHER_MS))
    if not len(near):
        return ""
    best = near[int(np.argmax(db[near]))]
    less_db = float(np.interp(row.recommended_delay_ms, scan.delay_ms, db) - db[best])
    gives = f"adds {number(less_db)} dB less over all seats" if number(less_db) != number(0.0) else "adds as much"
    return f" Set to {number(float(scan.delay_ms[best]))} ms it comes {_off(float(step_ms[best]))} it and {gives}."


def _off(late_ms: float) -> str:
    """How far from the first main.

    >>> _off(-13.62), _off(1.61), _off(0.4)
    ('14 ms ahead of', '2 ms behind', 'within 1 ms of')
    """
    if abs(late_ms) < 1.0:
        return "within 1 ms of"
    return f"{number(abs(late_ms), 0)} ms {'ahead of' if late_ms < 0.0 else 'behind'}"
