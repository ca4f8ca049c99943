"""Seat by seat: tables of the page whose cells are coloured by their value, which is always printed.

How long after the first main every output arrives as recommended, which polarity every position reads, and what
changes in every band. Colours are steps: blue for later or more, orange for earlier or less, told apart by readers with
any colour vision.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.reports.effects import third_changes
from analyze.reports.lateness import late_after_first
from analyze.reports.naming import labels, shortened
from analyze.reports.page_evidence import DASH, ZONE_WORDS, in_columns
from analyze.reports.selections import BY_ARRIVAL, by_zone, seats, seats_first
from analyze.reports.summaries import as_known, is_beyond_doubt, percent, signed
from analyze.responses.wiring import DECIDED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.alignment.output_grounds import PositionGrounds
    from analyze.pipeline import Analysis
    from analyze.reports.lateness import Late
    from analyze.responses.rows import Wiring

# Where a lateness in ms and a change in dB take the next colour: steps of three to five, and of about two
# (common practice, no source).
_LATE_STEPS_MS = (1.0, 5.0, 20.0)
_CHANGE_STEPS_DB = (0.5, 1.5, 3.0, 6.0)

# A name below that of a row.
_UNDER_LENGTH = 24

_TONES = {"normal": "upright", "inverted": "flipped"}


@dataclass(frozen=True)
class HeatCell:
    """One value with its colour: `tone` names a class of the style sheet, `more` stands smaller behind the text."""

    text: str
    tone: str = ""
    more: str = ""
    is_marked: bool = False


@dataclass(frozen=True)
class HeatRow:
    """A row: its name, what stands below it, and its cells."""

    name: str
    under: str
    cells: tuple[HeatCell, ...]


@dataclass(frozen=True)
class HeatTable:
    """A table of coloured cells; `mark` says what a boxed cell is, `under`, if any, stands below the columns."""

    caption: str
    corner: str
    columns: tuple[str, ...]
    rows: tuple[HeatRow, ...]
    mark: str = ""
    under: tuple[str, ...] = ()


def late_tables(analysis: Analysis) -> list[HeatTable]:
    """How long after the first main every output arrives at every position as recommended."""
    late = late_after_first(analysis)
    outputs = [name for name in analysis.sound_check.outputs if any(name == output for output, _ in late)]
    first = {position: one.against for (_, position), one in late.items()}
    zones = by_zone(analysis, [name for name in analysis.sound_check.positions if name in first])
    mains = labels(dict.fromkeys(first.values()))
    return [
        HeatTable(
            f"How long after the first main each output arrives{ZONE_WORDS[zone] * (len(zones) > 1)}, as recommended "
            "(ms); minus is before it",
            "output",
            tuple(labels(chunk).values()),
            tuple(
                _late_row(
                    analysis, output, [_late_cell(analysis, late.get((output, p)), first[p] == output) for p in chunk]
                )
                for output in outputs
            ),
            "lined up here",
            tuple(f"after {mains[first[position]]}" for position in chunk),
        )
        for zone, there in zones.items()
        for chunk in in_columns(there)
    ]


def _late_row(analysis: Analysis, output: str, cells: Sequence[HeatCell]) -> HeatRow:
    """One output at some positions."""
    asked_ms = analysis.sound_check.outputs[output].later_ms
    is_lined_up = analysis.sound_check.outputs[output].kind in BY_ARRIVAL
    reference = shortened(analysis.sound_check.reference, _UNDER_LENGTH)
    asked = f"{abs(asked_ms):g} ms {'after' if asked_ms > 0 else 'before'}" if asked_ms else "with"
    return HeatRow(output, f"asked: {asked} {reference}" if is_lined_up else "", tuple(cells))


def _late_cell(analysis: Analysis, one: Late | None, is_first: bool) -> HeatCell:
    """One lateness; without a colour where it is in time as far as can be told."""
    if one is None:
        return HeatCell("first" if is_first else DASH)
    tone = "" if one.is_in_time else _tone(one.recommended_ms, _LATE_STEPS_MS, first=1)
    more = [f"±\u00a0{as_known(one.std_ms, one.std_ms)}"] if one.is_vague else []
    if one.is_aligned:
        more.append(_asked_words(analysis, one))
    return HeatCell(as_known(one.recommended_ms, one.std_ms, signed), tone, ", ".join(more), one.is_aligned)


def _asked_words(analysis: Analysis, one: Late) -> str:
    """How an arrival stands to what was asked: that counts from the reference, the column from its first main."""
    if not one.is_in_time:
        return f"{as_known(one.off_ms, one.std_ms, signed)} off"
    if one.against == analysis.sound_check.reference:
        return "as asked"
    then_ms, reference = one.asked_ms + one.off_ms, shortened(analysis.sound_check.reference, _UNDER_LENGTH)
    return f"which is {as_known(then_ms, one.std_ms, signed)} after {reference}, as asked"


def polarity_tables(analysis: Analysis) -> list[HeatTable]:
    """Which way up every position by itself reads every output, and what all of them together say."""
    wiring = {row.output: row for row in analysis.wiring}
    read = {(one.output, at.position): at for one in analysis.grounds for at in one.positions}
    outputs = [one.output for one in analysis.grounds if one.positions and one.output in wiring]
    positions = [name for name in seats_first(analysis) if any(name == position for _, position in read)]
    inverted = {at.position for at in read.values() if at.is_microphone_inverted}
    caption = "Wiring as every position reads it by itself, without the setting, and as all of them read it together"
    caption += ". An inverted microphone is allowed for" if inverted else ""
    return [
        HeatTable(
            caption,
            "output",
            (
                *(f"{text}, microphone inverted" * (name in inverted) or text for name, text in labels(chunk).items()),
                "all",
            ),
            tuple(
                HeatRow(
                    output,
                    "",
                    (
                        *(_read_cell(read.get((output, name)), wiring[output]) for name in chunk),
                        _wiring_cell(wiring[output]),
                    ),
                )
                for output in outputs
            ),
            "against the rest",
        )
        for chunk in in_columns(positions)
    ]


def _read_cell(at: PositionGrounds | None, wiring: Wiring) -> HeatCell:
    """What one position reads; boxed where it is sure of the other polarity than all of them together."""
    if at is None:
        return HeatCell(DASH)
    sure = max(at.normal_probability, 1.0 - at.normal_probability)
    if not sure > 0.5:
        return HeatCell("not told", "unclear")
    word = "normal" if at.normal_probability > 0.5 else "inverted"
    if sure < DECIDED:
        return HeatCell(f"{word}?", "unclear", percent(sure))
    return HeatCell(word, _TONES[word], _doubt(sure), wiring.polarity in _TONES and wiring.polarity != word)


def _wiring_cell(wiring: Wiring) -> HeatCell:
    if not wiring.positions:
        return HeatCell("cannot be told", "unclear")
    word = wiring.polarity if wiring.polarity in _TONES else "not decided"
    return HeatCell(word, _TONES.get(word, "unclear"), _doubt(wiring.confidence))


def _doubt(sure: float) -> str:
    """A confidence where it leaves a doubt: most cells leave none, and are read at once without a figure."""
    return "" if is_beyond_doubt(sure) else percent(sure)


def band_table(analysis: Analysis) -> HeatTable:
    """What changes at every position in every third octave in which sums are scored."""
    found = {seat.position: _changes(analysis, seat.position) for seat in seats(analysis)}
    bands = sorted({band_hz for changes in found.values() for band_hz in changes})
    rows = tuple(
        HeatRow(
            seat.position,
            seat.zone,
            (_change_cell(seat.change_db), *(found[seat.position].get(hz, HeatCell(DASH)) for hz in bands)),
        )
        for seat in seats(analysis)
    )
    columns = ("mean", *(f"{hz:g}" for hz in bands))
    return HeatTable("Change of the sum (dB) by band (Hz), recommended less present", "position", columns, rows)


def _changes(analysis: Analysis, position: str) -> dict[float, HeatCell]:
    """Change per third octave; pale where nothing counts."""
    return {
        hz: _change_cell(one.change_db) if one.counts else _pale_cell(one.change_db)
        for hz, one in third_changes(analysis, position).items()
    }


def _pale_cell(change_db: float) -> HeatCell:
    return HeatCell(signed(change_db), "pale") if math.isfinite(change_db) else HeatCell(DASH)


def _change_cell(change_db: float) -> HeatCell:
    if not math.isfinite(change_db):
        return HeatCell(DASH)
    return HeatCell(signed(change_db), _tone(change_db, _CHANGE_STEPS_DB))


def _tone(value: float, steps: Sequence[float], first: int = 0) -> str:
    """The class of a signed value: how many steps it has passed, from `first` up; none where that is nought."""
    level = first + bisect_left(steps, abs(value))
    return f"{'up' if value > 0 else 'down'}{level}" if level else ""
