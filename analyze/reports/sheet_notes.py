"""What a person must know beside a setting: a wiring to mend, an echo at other seats, a gain too small to be heard."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.reports.naming import shortened
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.summaries import listed, number

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

#: Behind a first sound of about its level a second one is heard as an echo from here on: common practice, no source.
ECHO_MS, ABOUT_AS_LOUD_DB = 25.0, 6.0
#: A gain below this is not heard by itself: common practice, no source.
UNHEARD_DB = 0.3
#: What that means for the sheet.
UNTIL_MENDED = (
    "The settings below allow for it: type them as they stand, and change the polarity only once the wiring is mended."
)
_NAME_LENGTH = 40


def wired_inverted(analysis: Analysis) -> list[str]:
    """Outputs whose wiring is inverted."""
    return [row.output for row in analysis.wiring if row.polarity == "inverted"]


def hand_sentence(analysis: Analysis) -> str:
    """Which outputs want mending, so that nobody types on without knowing; empty where none does."""
    names = [shortened(name, _NAME_LENGTH) for name in wired_inverted(analysis)]
    if not names:
        return ""
    return f"{listed(names)} {'is' if len(names) == 1 else 'are'} wired inverted."


def repair_note(analysis: Analysis, row: Recommendation) -> str:
    """What to set once a wrong wiring is mended; empty where it is not wrong."""
    if row.output not in wired_inverted(analysis):
        return ""
    other = {"normal": "inverted", "inverted": "normal"}[row.recommended_polarity]
    return f"Wired inverted: once that is mended, set {other}, same delay."


def small_note(row: Recommendation, *, is_changed: bool) -> str:
    """That a change can be left out; empty where it can be heard."""
    if not is_changed or row.decision != "change" or not abs(row.gain_db) < UNHEARD_DB or row.kind in BY_ARRIVAL:
        return ""
    return "So little is not heard by itself: leave it out if time is short."


def echo_note(analysis: Analysis, row: Recommendation) -> str:
    """At which seats a fill or tower is about as loud as the mains and comes well behind them; empty where at none."""
    if row.kind not in BY_ARRIVAL:
        return ""
    behind_ms = _behind_mains_ms(analysis, row.output)
    late = {seat: ms for seat, ms in behind_ms.items() if ms > ECHO_MS}
    before = {seat: ms - row.delay_change_ms for seat, ms in late.items()}
    if not late:
        return ""
    seats = listed([shortened(seat, _NAME_LENGTH) for seat in late])
    now = f" (now {_span(before.values())})" if row.delay_change_ms else ""
    return (
        f"At {seats} it is about as loud as the mains and comes {_span(late.values())} ms behind the first of "
        f"them{now}, which can be heard as an echo: decide for whom it plays."
    )


def _span(values: Collection[float]) -> str:
    """From the smallest to the largest, once where they are alike."""
    return " to ".join(dict.fromkeys(number(end, 0) for end in (min(values), max(values))))


def _behind_mains_ms(analysis: Analysis, output: str) -> dict[str, float]:
    """Per audience seat where an output is about as loud as the loudest main: how long it comes after the first."""
    from analyze.reports.lateness import late_as_recommended  # brings in all that decides

    check = analysis.sound_check
    late = late_as_recommended(analysis)
    levels = {(row.output, row.position): row.level_db for row in analysis.arrivals}
    mains = [name for name, one in check.outputs.items() if one.kind == "main" and name != output]
    found = {}
    for seat, position in check.positions.items():
        own, loudest = levels.get((output, seat), math.nan), _loudest([levels.get((m, seat), math.nan) for m in mains])
        is_loud = own >= loudest - ABOUT_AS_LOUD_DB
        if position.zone != "audience" or not is_loud or (output, seat) not in late:
            continue
        heard = [m for m in mains if m == check.reference or (m, seat) in late]
        known = [0.0 if m == check.reference else late[m, seat].late_ms for m in heard]
        first_ms = min(known, default=math.nan)
        found[seat] = late[output, seat].late_ms + check.outputs[output].later_ms - first_ms
    return found


def _loudest(levels_db: Sequence[float]) -> float:
    """The largest level that is known, NaN where none is."""
    return max((level for level in levels_db if math.isfinite(level)), default=math.nan)
