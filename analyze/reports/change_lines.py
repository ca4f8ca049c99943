"""What to change, a line for each: from what to what, how sure, why, and what gets better and worse for it."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.reports.alternatives import is_polarity_doubtful
from analyze.reports.confidences import confidence_text
from analyze.reports.delay_words import change_texts
from analyze.reports.effects import effects_by_change
from analyze.reports.naming import clean, shortened
from analyze.reports.page_sheet import input_rows, is_changed
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.sheet_notes import (
    asked_words,
    echo_note,
    is_optional,
    off_at_present_ms,
    other_main_settings,
    small_note,
    unheard_note,
)
from analyze.reports.step_words import out_of_step_words
from analyze.reports.summaries import listed, number, percent, signed
from analyze.reports.wiring_notes import stopgaps, wired_inverted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis
    from analyze.reports.page_sheet import InputRow
    from analyze.reports.runner_up import RunnerUp
    from analyze.responses.rows import InputPair

# So many changes are said in lines of their own, with names so long.
_FEW_LINES, _NAME_LENGTH = 4, 40
# From so many milliseconds on tenths do not matter here.
_ROUGH_MS = 10.0
# What a change for the arrival takes from the sum is said from so many dB on.
_COST_DB = 1.0
# A channel that is named longer than this is left to the sheet.
_CHANNEL_LENGTH = 20


@dataclass(frozen=True)
class ChangeLine:
    """One change in a line: of an output, of outputs of a group that share it, or of a stage input.

    who : with channels; what : from what to what; sure : of what and how much; about : why, and what to mind;
    effects : what gets better and worse for it. Empty where there is nothing to say.
    """

    who: str
    what: str
    sure: str
    about: str = ""
    effects: tuple[str, ...] = ()
    is_optional: bool = False

    @property
    def words(self) -> str:
        """The line as text."""
        sure = f" {self.sure}" if self.sure.startswith("(") else f", {self.sure}" if self.sure else ""
        values = f"{self.what}{sure}"
        return _joined(f"{'Optional: ' if self.is_optional else ''}{self.who}: {values}.", self.about, *self.effects)


def change_lines(analysis: Analysis) -> list[ChangeLine]:
    """What changes and why, what may be left out last; empty where that is more than a person takes in at once."""
    alike: dict[tuple[object, ...], list[Recommendation]] = defaultdict(list)
    for row in analysis.recommendations:
        if row.decision == "change":
            alike[row.group or row.output, _changes(row), _about(analysis, row)].append(row)
    if len(alike) > _FEW_LINES:
        return []
    effects = effects_by_change(analysis)
    lines = [_line(analysis, rows, effects) for rows in alike.values()]
    lines += [_until_mended(analysis, row) for row in analysis.recommendations if row.output in stopgaps(analysis)]
    inputs = zip(analysis.inputs, input_rows(analysis), strict=True)
    lines += [_input_line(row, shown) for row, shown in inputs if row.decision == "change"]
    return sorted(lines, key=lambda line: line.is_optional) if len(lines) <= _FEW_LINES else []


def is_optional_input(row: InputPair) -> bool:
    """Whether a change of a stage input may be left out: that of its delay alone."""
    return row.recommended_polarity == "normal"


def _line(analysis: Analysis, rows: Sequence[Recommendation], effects: dict[tuple[str, ...], list[str]]) -> ChangeLine:
    """Outputs that share a change."""
    first = rows[0]
    return ChangeLine(
        _who(analysis, [row.output for row in rows]),
        _values(rows),
        confidence_text(analysis, first, _sure_of(analysis, first)),
        _about(analysis, first),
        tuple(next((words for outputs, words in effects.items() if first.output in outputs), ())),
        is_optional(first),
    )


def _until_mended(analysis: Analysis, row: Recommendation) -> ChangeLine:
    """An output that is wired against others of its group, which it cancels until it is mended."""
    wiring = next(one for one in analysis.wiring if one.output == row.output)
    group = analysis.sound_check.group_of(row.output)
    others = [shortened(name, _NAME_LENGTH) for name in group if name != row.output]
    return ChangeLine(
        _who(analysis, [row.output]),
        f"{row.setting_polarity} → {stopgaps(analysis)[row.output]} until its wiring is mended",
        f"{percent(wiring.confidence)} sure of the wiring",
        f"It is wired inverted and works against {listed(others)}. Once it is mended, turn the polarity back and "
        f"record {listed([shortened(row.output, _NAME_LENGTH), *others])} again.",
    )


def _input_line(row: InputPair, shown: InputRow) -> ChangeLine:
    """A stage input: its polarity is what matters, its delay may be left out."""
    is_delayed = math.isfinite(row.recommended_delay_ms) and row.recommended_delay_ms > 0.0
    return ChangeLine(
        shortened(row.input, _NAME_LENGTH),
        ", ".join([shown.polarity, *([clean(shown.delay)] if is_delayed else [])]),
        f"{shown.confidence} sure" if shown.confidence else "",
        f"{shown.gain} with {shortened(row.against, _NAME_LENGTH)}." if shown.gain else "",
        is_optional=is_optional_input(row),
    )


def _who(analysis: Analysis, names: Sequence[str]) -> str:
    """Outputs with their channels, as far as those are known and short."""
    described = analysis.sound_check.outputs
    notes = [described[name].notes if name in described else {} for name in names]
    channels = [shortened(one.get("channel", ""), _CHANNEL_LENGTH + 1) for one in notes]
    where = f" ({listed(channels)})" if all(0 < len(one) <= _CHANNEL_LENGTH for one in channels) else ""
    return f"{listed([shortened(name, _NAME_LENGTH) for name in names])}{where}"


def _changes(row: Recommendation) -> tuple[str, ...]:
    """From what to what, of what changes."""
    delays_ms = row.setting_delay_ms, row.recommended_delay_ms
    return tuple(change_texts(delays_ms, (row.setting_polarity, row.recommended_polarity)))


def _values(rows: Sequence[Recommendation]) -> str:
    """What changes of outputs that share it; which polarity stays where only the delay does."""
    stay = list(dict.fromkeys(row.recommended_polarity for row in rows if row.polarity_change == "no"))
    words = f"polarity stays {stay[0]}" if len(stay) == 1 else "polarities stay as they are" if stay else ""
    return ", ".join(filter(None, (*_changes(rows[0]), words)))


def _sure_of(analysis: Analysis, row: Recommendation) -> str:
    """What the confidence is of."""
    return f" sure{_of_what(analysis, row)}{_of_polarity(row)}"


def _of_what(analysis: Analysis, row: Recommendation) -> str:
    """What is sure: not that a fill should be asked for, or which of two settings that are as good."""
    from analyze.alignment.confidence import RIGHT_DB  # brings in numpy

    if _of_polarity(row) or _as_good(analysis, row) is not None:
        return f" that no other setting adds over {RIGHT_DB:g} dB more"
    return " to arrive as asked" if row.kind in BY_ARRIVAL and row.delay_change_ms else ""


def _of_polarity(row: Recommendation) -> str:
    """How sure the polarity alone is, where that is clearly less and not said otherwise."""
    from analyze.alignment.decision import DECIDED  # brings in numpy

    is_said = is_polarity_doubtful(row) and row.polarity_confidence >= DECIDED
    return f", {percent(row.polarity_confidence)} that this polarity is the better" if is_said else ""


def _about(analysis: Analysis, row: Recommendation) -> str:
    """Why, and what to mind."""
    if row.kind not in BY_ARRIVAL:
        return _joined(
            _sum_words(analysis, row),
            out_of_step_words(analysis, row),
            small_note(analysis, row) if is_optional(row) else "",
            _either_words(analysis, row),
            unheard_note(analysis, row),
        )
    others = (f"{what}: {instead}." for what, instead in other_main_settings(analysis, row))
    unheard = unheard_note(analysis, row)
    return _joined(_timing_words(analysis, row), _cost_words(row), unheard, echo_note(analysis, row), *others)


def _sum_words(analysis: Analysis, row: Recommendation) -> str:
    """What the change of a main, sub or monitor adds, and a wiring that it makes up for.

    A monitor is set for the stage, and its reason begins with what that gains; `gain_db` is of the seats always.
    """
    is_monitor = row.kind == "monitor"
    where = "at the seats" if is_monitor else "in the overlap with others"
    parts = [row.reason.partition(". ")[0].rstrip(".")] if is_monitor and is_changed(row) else []
    parts += [f"{signed(row.gain_db)} dB {where}"] if math.isfinite(row.gain_db) and is_changed(row) else []
    if row.polarity_change == "yes" and row.output in wired_inverted(analysis):
        reference = analysis.sound_check.group_of(analysis.sound_check.reference)
        beside = [shortened(name, _NAME_LENGTH) for name in reference if name != row.output]
        against = f" and works against {listed(beside)}" if row.output in reference else ""
        parts.append(f"it is wired inverted{against}")
    return _sentence("; ".join(parts))


def _as_good(analysis: Analysis, row: Recommendation) -> RunnerUp | None:
    """The runner-up where it is another delay in the same polarity and counts as right, too; else None."""
    from analyze.reports.runner_up import runner_up  # brings in numpy

    rival = runner_up(analysis, row.output)
    is_so = rival is not None and rival.is_as_good and rival.polarity == row.recommended_polarity
    return rival if is_so else None


def _either_words(analysis: Analysis, row: Recommendation) -> str:
    """That another setting would do too: the other polarity, or another delay; empty where it is sure which."""
    from analyze.alignment.decision import DECIDED  # these bring in numpy
    from analyze.reports.runner_up import runner_up

    if not row.polarity_confidence < DECIDED:
        near = _as_good(analysis, row)
        return f"{number(near.delay_ms, 2)} ms will do too{near.where}." if near is not None else ""
    rival = runner_up(analysis, row.output)
    is_known = rival is not None and rival.polarity != row.recommended_polarity
    other = f"{rival.polarity} at {number(rival.delay_ms, 2)} ms" if rival and is_known else "at a delay of its own"
    sure = f"that this one can add more, each at its best delay, is {percent(row.polarity_confidence)} sure"
    where = rival.where if rival and is_known else ""
    return f"The other polarity will do too, {other}{where}; {sure}."


def _timing_words(analysis: Analysis, row: Recommendation) -> str:
    """When a fill or tower arrives at present where it should not, and whether it is to be turned over."""
    from analyze.alignment.arrivals import RIGHT_MS  # brings in numpy

    asked = asked_words(analysis, row)
    parts = [
        f"at {shortened(seat, _NAME_LENGTH)} it arrives {number(abs(off_ms), 0 if abs(off_ms) >= _ROUGH_MS else 1)} ms "
        f"too {'late' if off_ms > 0.0 else 'early'} (asked: {asked})"
        for seat, off_ms in off_at_present_ms(analysis, row.output).items()
        if abs(off_ms) > RIGHT_MS
    ]
    if row.polarity_change == "yes":
        main = shortened(analysis.sound_check.reference, _NAME_LENGTH)
        why = "it is wired inverted, so that" if row.output in wired_inverted(analysis) else "where it takes over"
        parts.append(f"{why} it works against {main}")
    return _sentence("; ".join(parts))


def _cost_words(row: Recommendation) -> str:
    """That lining up by arrival takes from the sum where the output meets others."""
    if not (is_changed(row) and row.gain_db <= -_COST_DB):
        return ""
    return f"That is for its arrival: where it meets others in the low bands the sum loses {number(-row.gain_db)} dB."


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _joined(*sentences: str) -> str:
    return " ".join(filter(None, sentences))
