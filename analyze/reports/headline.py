"""What a report says first: what to change, and what that does to the audience as a whole."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from analyze.reports.delay_words import delay_texts
from analyze.reports.effects import better_words, worse_by_change, worse_words
from analyze.reports.naming import clean, shortened
from analyze.reports.page_sheet import input_rows, is_changed
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.sheet_notes import is_optional, off_at_present_ms, wired_inverted
from analyze.reports.summaries import listed, number, percent, plural, signed, unrelated_sum_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis
    from analyze.reports.page_sheet import InputRow
    from analyze.responses.rows import InputPair

_Row = TypeVar("_Row", "Recommendation", "InputPair")

# So many changes are said in lines of their own, names of so many outputs that keep what they have, with names so long.
_FEW_LINES, _FEW_NAMES, _NAME_LENGTH = 4, 4, 40
# From so many milliseconds on tenths do not matter in a headline.
_ROUGH_MS = 10.0
# A channel that is named longer than this is left to the sheet.
_CHANNEL_LENGTH = 20


@dataclass(frozen=True)
class ChangeLine:
    """One change in a line: of an output, of outputs of a group that share it, or of a stage input.

    who : with channels; what : from what to what; why, worse : empty where there is nothing to say
    """

    who: str
    what: str
    why: str
    sure: str
    worse: str
    is_optional: bool

    @property
    def words(self) -> str:
        """The line as text."""
        first = ": ".join(filter(None, (self.who, ", ".join(filter(None, (self.what, self.sure))))))
        optional = "Optional." if self.is_optional else ""
        return " ".join(filter(None, (f"{first}.", optional, self.why, self.worse)))


def lead(analysis: Analysis) -> str:
    """How much is to change, in a sentence or two."""
    outputs, inputs = analysis.recommendations, analysis.inputs
    if not outputs and not inputs:
        return "Nothing could be recommended."
    if outputs and all(row.decision == "reference" for row in outputs):
        return " ".join([_alone(outputs), *([_to_do((), inputs)] if inputs else [])])
    return " ".join([_to_do(outputs, inputs), *_every_sure(analysis)])


def change_lines(analysis: Analysis) -> list[ChangeLine]:
    """What changes and why, what is needed first; empty where that is more than a person takes in at once."""
    alike: dict[tuple[object, ...], list[Recommendation]] = defaultdict(list)
    for row in _changed(analysis.recommendations):
        alike[row.group or row.output, _values(row), _why(analysis, row)].append(row)
    worse = worse_by_change(analysis)
    lines = [_line(analysis, rows, worse) for rows in alike.values()]
    inputs = zip(analysis.inputs, input_rows(analysis), strict=True)
    lines += [_input_line(row, shown) for row, shown in inputs if row.decision == "change"]
    return sorted(lines, key=lambda line: line.is_optional) if len(lines) <= _FEW_LINES else []


def headline(analysis: Analysis) -> list[str]:
    """What to do, as text: how much is to change, then change by change where they are few."""
    return [lead(analysis), *(f"- {line.words}" for line in change_lines(analysis))]


def effect_words(analysis: Analysis) -> list[str]:
    """What gets worse, unless it is said change by change, and what gets better; empty where nothing changes."""
    is_told = any(line.worse for line in change_lines(analysis))
    return [words for words in ("" if is_told else worse_words(analysis), better_words(analysis)) if words]


def _changed(rows: Sequence[_Row]) -> list[_Row]:
    return [row for row in rows if row.decision == "change"]


def _line(analysis: Analysis, rows: Sequence[Recommendation], worse: Mapping[tuple[str, ...], str]) -> ChangeLine:
    """Outputs that share a change."""
    first, described = rows[0], analysis.sound_check.outputs
    names = listed([shortened(row.output, _NAME_LENGTH) for row in rows])
    notes = [described[row.output].notes if row.output in described else {} for row in rows]
    channels = [shortened(one.get("channel", ""), _CHANNEL_LENGTH + 1) for one in notes]
    where = f" ({listed(channels)})" if all(0 < len(one) <= _CHANNEL_LENGTH for one in channels) else ""
    return ChangeLine(
        f"{names}{where}",
        _values(first),
        " ".join(filter(None, (_why(analysis, first), _either_words(first)))),
        f"{percent(first.confidence)} sure",
        next((words for outputs, words in worse.items() if first.output in outputs), ""),
        is_optional(first),
    )


def _input_line(row: InputPair, shown: InputRow) -> ChangeLine:
    """A stage input: its polarity is what matters, its delay may be left out."""
    is_delayed = math.isfinite(row.recommended_delay_ms) and row.recommended_delay_ms > 0.0
    return ChangeLine(
        shortened(row.input, _NAME_LENGTH),
        ", ".join([shown.polarity, *([clean(shown.delay)] if is_delayed else [])]),
        f"{shown.gain} with {shortened(row.against, _NAME_LENGTH)}." if shown.gain else "",
        f"{shown.confidence} sure" if shown.confidence else "",
        "",
        _is_optional_input(row),
    )


def _is_optional_input(row: InputPair) -> bool:
    return row.recommended_polarity == "normal"


def _values(row: Recommendation) -> str:
    """From what to what, of what changes; which polarity stays where only the delay does."""
    now, then = delay_texts(row.setting_delay_ms, row.recommended_delay_ms)
    delay = f"{now} → {then} ms" if now != then else ""
    turned = f"{row.setting_polarity} → {row.recommended_polarity}" if row.polarity_change == "yes" else ""
    return ", ".join(filter(None, (delay, turned or f"polarity stays {row.recommended_polarity}")))


def _either_words(row: Recommendation) -> str:
    """That the other polarity would do too; empty where it is sure which of both."""
    from analyze.alignment.decision import DECIDED  # brings in numpy

    is_open = row.polarity_confidence < DECIDED
    return "The other polarity, at a delay of its own, may do as well." if is_open else ""


def _why(analysis: Analysis, row: Recommendation) -> str:
    """Why an output changes: of a fill or tower when it arrives and which way up, of all others what that adds."""
    if row.kind in BY_ARRIVAL:
        parts = _off_words(analysis, row) + ([_turned_words(analysis, row)] if row.polarity_change == "yes" else [])
    else:
        where = "in the overlap with others" if row.kind in ("main", "sub") else "of low end on stage"
        parts = [f"{signed(row.gain_db)} dB {where}"] if math.isfinite(row.gain_db) and is_changed(row) else []
        if row.polarity_change == "yes" and row.output in wired_inverted(analysis):
            parts.append("it is wired inverted")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _off_words(analysis: Analysis, row: Recommendation) -> list[str]:
    """At which seats a fill or tower arrives when it should not."""
    from analyze.alignment.arrivals import RIGHT_MS  # brings in numpy

    return [
        f"at {shortened(seat, _NAME_LENGTH)} it arrives {number(abs(off_ms), _late_decimals(off_ms))} ms too "
        f"{'late' if off_ms > 0.0 else 'early'}"
        for seat, off_ms in off_at_present_ms(analysis, row.output).items()
        if abs(off_ms) > RIGHT_MS
    ]


def _turned_words(analysis: Analysis, row: Recommendation) -> str:
    """Which way up a fill or tower is that is turned over."""
    main = shortened(analysis.sound_check.reference, _NAME_LENGTH)
    why = "it is wired inverted, so that" if row.output in wired_inverted(analysis) else "where it takes over"
    return f"{why} it works against {main}"


def _late_decimals(late_ms: float) -> int:
    """Decimals that matter of a time in a headline."""
    return 0 if abs(late_ms) >= _ROUGH_MS else 1


def _alone(rows: Sequence[Recommendation]) -> str:
    """What to say where nothing but the reference was described."""
    if len(rows) == 1:
        return f"Nothing to line up: {clean(rows[0].output)} is the only output."
    whole = "both outputs are" if len(rows) == 2 else f"all {len(rows)} outputs are"
    return f"Nothing to line up: {whole} the reference's group, which never moves."


def _to_do(outputs: Sequence[Recommendation], inputs: Sequence[InputPair]) -> str:
    """How many settings to change, which changes are optional, and what could not be decided."""
    optional = [is_optional(row) for row in _changed(outputs)] + [_is_optional_input(row) for row in _changed(inputs)]
    n_needed, n_optional = optional.count(False), optional.count(True)
    kinds = [("output", len(outputs)), ("stage input", len(inputs))]
    things = " and ".join(plural(n, name) for name, n in kinds if n)
    parts = [f"Change {n_needed} of {things}." if n_needed else f"Keep the present settings of {things}."]
    if n_optional:
        more = plural(n_optional, "more change" if n_needed else "change")
        parts.append(f"{more} {'is' if n_optional == 1 else 'are'} optional.")
    undecided = [row.output for row in outputs if row.decision == "undecided"]
    undecided += [row.input for row in inputs if row.decision == "undecided"]
    if undecided:
        names = listed([shortened(name, _NAME_LENGTH) for name in undecided])
        who = names if len(undecided) <= _FEW_NAMES else str(len(undecided))
        keeps = "which keeps its setting" if len(undecided) == 1 else "which keep their settings"
        parts.append(f"Not decided: {who}, {keeps} for now.")
    return " ".join(parts)


def _every_sure(analysis: Analysis) -> list[str]:
    """How sure changes are that are too many for lines of their own."""
    changed = _changed(analysis.recommendations)
    if not changed or change_lines(analysis):
        return []
    return [f"Every change is {percent(min(row.confidence for row in changed))} sure or more."]


def score_sentence(analysis: Analysis) -> str:
    """What the recommendation does to the audience as a whole; empty where no score is known."""
    present, recommended = analysis.score_present_db, analysis.score_recommended_db
    if not (math.isfinite(present) and math.isfinite(recommended)):
        return ""
    change = f" at present and to {number(recommended)} dB as recommended" if changes_anything(analysis) else ""
    return (
        f"Over the audience, all bands that count from 25 to 315 Hz, the outputs add to {number(present)} dB{change}; "
        f"at 0 dB nothing would be lost, and four outputs that have nothing to do with one another add to "
        f"{number(unrelated_sum_db(4))} dB.{_beside_arrival(analysis)}"
    )


def _beside_arrival(analysis: Analysis) -> str:
    """That this figure is no reason for what changes, where all of it is lined up by arrival."""
    changed = [row for row in analysis.recommendations if is_changed(row)]
    if not changed or any(row.kind not in BY_ARRIVAL for row in changed):
        return ""
    return " What changes is set for its arrival, not for this figure."


def changes_anything(analysis: Analysis) -> bool:
    """Whether any output is given another setting."""
    return any(is_changed(row) for row in analysis.recommendations)
