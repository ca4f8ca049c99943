"""What a person must know beside a setting: an echo at other seats, another main, a gain too small to be heard."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.alignment.optional import may_be_left_out
from analyze.reports.naming import shortened
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.summaries import frequency, listed, number

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy as np
    from numpy.typing import NDArray

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis
    from analyze.reports.lateness import Late

#: Behind a first sound of about its level a second one is heard as an echo from here on: common practice, no source.
ECHO_MS, ABOUT_AS_LOUD_DB = 20.0, 6.0
#: Another main that comes first by so little is the same sound.
ANOTHER_FIRST_MS = 1.0
#: What a seat, and one band at a seat, may lose by a change that adds little: common practice, no source.
_SEAT_LOSES_DB, _BAND_LOSES_DB = 1.0, 6.0
#: Scores this near are the same: a tenth is the last digit that is printed.
SAME_DB = 0.1
_NAME_LENGTH = 40


def is_optional(row: Recommendation) -> bool:
    """Whether a change can be left out: what is set at present is as good as right."""
    return may_be_left_out(row.decision, row.kind, row.gain_db)


def small_note(analysis: Analysis, row: Recommendation) -> str:
    """That a change, or its delay beside the other polarity, can be left out; empty where it can be heard."""
    if not is_optional(row):
        return _polarity_alone(analysis, row)
    if row.worst_gain_db < -_SEAT_LOSES_DB:
        where = shortened(row.worst_position, _NAME_LENGTH)
        unless = "" if _matters_more(analysis, row.worst_position) else " unless that seat matters less"
        return (
            f"It adds {number(row.gain_db)} dB on average over the seats and costs {number(-row.worst_gain_db)} dB at "
            f"{where}: leave it out{unless}."
        )
    costs = _dearest(analysis, row)
    if costs:
        return f"On average over the seats that is little, and it costs {costs}: leave it out."
    return "On average over the seats that is little: leave it out if time is short."


def _matters_more(analysis: Analysis, position: str) -> bool:
    """Whether a seat was given more weight than others."""
    weights = {p.name: p.weight for p in analysis.sound_check.positions.values() if p.zone == "audience"}
    return weights.get(position, 0.0) > min(weights.values(), default=0.0)


def _dearest(analysis: Analysis, row: Recommendation) -> str:
    """The band at a seat that a change costs most, where that is plain; else empty."""
    from analyze.reports.effects import losses_of  # brings in all that decides

    lost = [one for one in losses_of(analysis, row.output) if one[0] < -_BAND_LOSES_DB]
    if not lost:
        return ""
    db, seat, hz = min(lost)
    return f"{number(-db)} dB in {frequency(hz)} at {shortened(seat, _NAME_LENGTH)}"


def _polarity_alone(analysis: Analysis, row: Recommendation) -> str:
    """That the polarity does it, said of the first of a group whose delay adds nothing to that; else empty."""
    scan = next((one for one in analysis.delay_scans if one.outputs[0] == row.output), None)
    if scan is None or row.decision != "change" or row.polarity_change != "yes" or not row.delay_change_ms:
        return ""
    db = scan.normal_db if row.recommended_polarity == "normal" else scan.inverted_db
    left, moved = (_at(scan.delay_ms, db, ms) for ms in (row.setting_delay_ms, row.recommended_delay_ms))
    if not abs(moved - left) < SAME_DB:
        return ""
    delay = f"the delay left at {number(row.setting_delay_ms, 2)} ms" if len(scan.outputs) == 1 else "all delays left"
    return f"The polarity does it: with {delay} the sum is the same within {SAME_DB:g} dB."


def _at(delay_ms: NDArray[np.float64], db: NDArray[np.float64], at_ms: float) -> float:
    """A score at one delay, between those that were looked at; NaN beyond them."""
    import numpy as np

    return float(np.interp(at_ms, delay_ms, db, left=math.nan, right=math.nan))


def unheard_note(analysis: Analysis, row: Recommendation) -> str:
    """That a present setting was not heard; empty where it was, or stays."""
    output = analysis.sound_check.outputs.get(row.output)
    if row.decision != "change" or output is None or output.feed_tap != "after":
        return ""
    return (
        "Its feed was recorded behind the processor, so what was set there, crossover and equaliser too, was not "
        f"heard: see first that it shows {number(row.setting_delay_ms, 2)} ms, {row.setting_polarity}, as described."
    )


def echo_note(analysis: Analysis, row: Recommendation) -> str:
    """At which seats a fill or tower is about as loud as the mains and comes well behind them; empty where at none."""
    if row.kind not in BY_ARRIVAL:
        return ""
    late = {seat: one for seat, one in _as_loud_as_mains(analysis, row.output).items() if one.recommended_ms > ECHO_MS}
    if not late:
        return ""
    seats = listed([shortened(seat, _NAME_LENGTH) for seat in late])
    there = "that seat" if len(late) == 1 else "those seats"
    first = " or ".join(dict.fromkeys(shortened(one.against, _NAME_LENGTH) for one in late.values()))
    present_ms = [one.present_ms for one in late.values()]
    present = f" (at present {_behind_words(present_ms)})" if row.delay_change_ms else ""
    return (
        f"At {seats} it is less than {ABOUT_AS_LOUD_DB:g} dB under the mains and comes "
        f"{_span([one.recommended_ms for one in late.values()])} ms behind the first of them, {first}{present}: "
        f"listen there for a thicker sound or an echo. Unless it is meant for {there}, aim it away or turn it down."
    )


def _behind_words(late_ms: list[float]) -> str:
    """By how much something comes behind, or ahead."""
    if max(late_ms) < 0.0:
        return f"{_span([-one for one in late_ms])} ms ahead of it"
    return f"{_span(late_ms)} ms"


def off_at_present_ms(analysis: Analysis, output: str) -> dict[str, float]:
    """Per seat that a fill or tower is for how much later than asked it arrives there at present."""
    from analyze.reports.lateness import late_after_first  # brings in all that decides

    late = late_after_first(analysis)
    return {
        seat: late[output, seat].off_ms - _moved_ms(analysis, output)
        for seat in analysis.sound_check.positions
        if (output, seat) in late and late[output, seat].is_aligned
    }


def _moved_ms(analysis: Analysis, output: str) -> float:
    """What is recommended to change of its delay."""
    return analysis.recommended_change.get(output, (1.0, 0.0))[1]


def asked_words(analysis: Analysis, row: Recommendation) -> str:
    """When a fill or tower was asked to arrive."""
    later_ms = analysis.sound_check.outputs[row.output].later_ms
    return against(later_ms, shortened(analysis.sound_check.reference, _NAME_LENGTH))


def aligned_note(analysis: Analysis, row: Recommendation) -> str:
    """How a fill or tower stands to what was asked at every seat it is for, and where another main comes first.

    Empty where neither is to be said: that of all seats together stands in the reason of a decided one, and is not said
    again where this seat is as the mean of them.
    """
    from analyze.reports.lateness import late_after_first  # brings in all that decides

    late, reference = late_after_first(analysis), analysis.sound_check.reference
    parts = []
    for seat in analysis.sound_check.positions:
        one, other = late.get((row.output, seat)), late.get((reference, seat))
        if one is None or not one.is_aligned:
            continue
        where, main = shortened(seat, _NAME_LENGTH), shortened(reference, _NAME_LENGTH)
        then_ms = one.asked_ms + one.off_ms  # against the reference, which does not move
        present_ms = then_ms - _moved_ms(analysis, row.output)
        if row.decision == "undecided":
            present, asked = against(present_ms, main), against(one.asked_ms, "it")
            parts.append(f"At {where} it arrives {present} at present; it is to arrive {asked}.")
        elif not one.is_in_time:
            present, then = against(present_ms, main), against(then_ms, "it")
            parts.append(f"At {where} it arrives {present} at present and {then} as recommended.")
        if other is not None and _comes_first(other):
            first = shortened(one.against, _NAME_LENGTH)
            parts.append(
                f"At {where} {first} comes {number(other.recommended_ms)} ms before {main}: this output arrives "
                f"{against(one.recommended_ms, first)}. It is set by {main}, not by {first}."
            )
    return " ".join(parts)


def other_main_settings(analysis: Analysis, row: Recommendation) -> tuple[tuple[str, str], ...]:
    """What to set for an output to line up with another main than the reference, which comes first at a seat.

    What it is for and the setting, seat by seat; nothing of an output that is undecided.
    """
    from analyze.reports.lateness import late_after_first  # brings in all that decides

    late, reference = late_after_first(analysis), analysis.sound_check.reference
    found = []
    for seat in analysis.sound_check.positions:
        one, other = late.get((row.output, seat)), late.get((reference, seat))
        if row.decision == "undecided" or one is None or not one.is_aligned or not _comes_first(other):
            continue
        setting_ms = row.recommended_delay_ms - (one.recommended_ms - one.asked_ms)
        if setting_ms >= 0.0:
            where, asked = shortened(seat, _NAME_LENGTH), against(one.asked_ms, shortened(one.against, _NAME_LENGTH))
            instead = (
                f"{number(setting_ms, 2)} ms, not {number(row.recommended_delay_ms, 2)}. What that does to the sums is "
                "not judged here: set it under Try other settings first"
            )
            found.append((f"If it is to arrive {asked} at {where} instead", instead))
    return tuple(found)


def _comes_first(reference: Late | None) -> bool:
    """Whether another main comes clearly before the reference, given how late that is at a seat."""
    return reference is not None and reference.recommended_ms > ANOTHER_FIRST_MS


def send_note(analysis: Analysis, row: Recommendation) -> str:
    """That a change of subs holds for one programme through all; said of the first, where no recording shows that."""
    changed = [one for one in analysis.recommendations if one.kind == "sub" and one.decision == "change"]
    if analysis.feed_relations or not changed or row is not changed[0]:
        return ""
    return "Holds if subs and mains are sent the same mix. Subs on a send of their own: record both feeds in one take."


def against(later_ms: float, other: str) -> str:
    """When something arrives against another.

    >>> against(-3.21, "main left"), against(0.01, "it")
    ('3.2 ms before main left', 'with it')
    """
    figure = number(abs(later_ms))
    return f"{figure} ms {'after' if later_ms > 0.0 else 'before'} {other}" if float(figure) else f"with {other}"


def _span(values: Collection[float]) -> str:
    """From the smallest to the largest, once where they are alike."""
    return " to ".join(dict.fromkeys(number(end, 0) for end in (min(values), max(values))))


def _as_loud_as_mains(analysis: Analysis, output: str) -> dict[str, Late]:
    """Per audience seat where an output is about as loud as the loudest main: how late it is there."""
    from analyze.reports.lateness import late_after_first, seat_levels_db  # brings in all that decides

    check, levels = analysis.sound_check, seat_levels_db(analysis)
    mains = [name for name, one in check.outputs.items() if one.kind == "main" and name != output]
    found = {}
    for (name, seat), one in late_after_first(analysis).items():
        loudest = max((levels.get((main, seat), -math.inf) for main in mains), default=-math.inf)
        is_loud = math.isfinite(loudest) and levels.get((output, seat), -math.inf) >= loudest - ABOUT_AS_LOUD_DB
        if name == output and is_loud and check.positions[seat].zone == "audience":
            found[seat] = one
    return {seat: found[seat] for seat in check.positions if seat in found}
