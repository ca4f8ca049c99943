"""The settings sheet: what a person types into the processor, in words and with nothing left to convert."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.acoustics import speed_of_sound_simple
from analyze.reports.summaries import number, signed

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis
    from analyze.responses.rows import InputPair

# International foot: 0.3048 m exactly (1959).
_METRES_PER_FOOT = 0.3048

#: Decisions in words, and what they mean where that is not plain.
DECISIONS = {
    "change": ("Change", ""),
    "keep": ("Keep", ""),
    "undecided": ("Not decided", "keep for now"),
    "reference": ("Reference", "never moves"),
}

#: Outputs beyond which the printed sheet sets its reasons smaller, to stay on one page.
DENSE_FROM = 9

_MIN_DELAY_DECIMALS, _MAX_DELAY_DECIMALS = 2, 4


@dataclass(frozen=True)
class SheetRow:
    """One output on the settings sheet; everything is text, empty where there is nothing to say."""

    number: int
    output: str
    kind: str
    group: str
    where: str
    delay_from: str
    delay_to: str
    delay_length: str
    is_delay_changed: bool
    polarity_from: str
    polarity_to: str
    is_polarity_changed: bool
    decision: str
    decision_words: str
    decision_more: str
    confidence: str
    gain: str
    worst: str
    alternative: str
    reason: str


@dataclass(frozen=True)
class InputRow:
    """One stage input on the settings sheet."""

    input: str
    against: str
    capture: str
    delay: str
    polarity: str
    found: str
    decision: str
    decision_words: str
    decision_more: str
    confidence: str
    gain: str
    reason: str


def sheet_rows(analysis: Analysis) -> list[SheetRow]:
    """The settings sheet, in the order of the recommendations."""
    speed_m_s = speed_of_sound_simple(analysis.sound_check.temperature_c)
    return [_row(analysis, index, row, speed_m_s) for index, row in enumerate(analysis.recommendations, 1)]


def _row(analysis: Analysis, index: int, row: Recommendation, speed_m_s: float) -> SheetRow:
    """One line of the sheet."""
    output = analysis.sound_check.outputs.get(row.output)
    notes = output.notes if output is not None else {}
    delay_from, delay_to = delay_texts(row.setting_delay_ms, row.recommended_delay_ms)
    worst = f"least at {row.worst_position}: {signed(row.worst_gain_db)} dB" if row.worst_position else ""
    return SheetRow(
        number=index,
        output=row.output,
        kind=row.kind,
        group=row.group,
        where=" · ".join(f"{key} {notes[key]}" for key in ("device", "channel", "preset") if notes.get(key)),
        delay_from=delay_from,
        delay_to=delay_to,
        delay_length=length_text(row.recommended_delay_ms, speed_m_s),
        is_delay_changed=delay_from != delay_to,
        polarity_from=row.setting_polarity,
        polarity_to=row.recommended_polarity,
        is_polarity_changed=row.setting_polarity != row.recommended_polarity,
        decision=row.decision,
        decision_words=decision_words(row.decision)[0],
        decision_more=decision_words(row.decision)[1],
        confidence=percent(row.confidence),
        gain=f"{signed(row.gain_db)} dB" if math.isfinite(row.gain_db) else "",
        worst=worst if math.isfinite(row.worst_gain_db) else "",
        alternative=row.alternative,
        reason=row.reason,
    )


def decision_words(decision: str) -> tuple[str, str]:
    """A decision in words, and what it means."""
    return DECISIONS.get(decision, (decision, ""))


def input_rows(analysis: Analysis) -> list[InputRow]:
    """The stage inputs that are compared."""
    return [_input_row(row) for row in analysis.inputs]


def _input_row(row: InputPair) -> InputRow:
    """One stage input."""
    if row.relative_delay_ms > 0:
        delayed = f" on {row.against}"
    else:
        delayed = f" on {row.input}" if row.relative_delay_ms < 0 else ""
    is_known = math.isfinite(row.recommended_delay_ms)
    delay = delay_texts(row.recommended_delay_ms)[0]
    return InputRow(
        input=row.input,
        against=row.against,
        capture=row.capture,
        delay=f"{delay} ms{delayed}"
        if is_known and row.recommended_delay_ms > 0
        else (f"{delay} ms" if is_known else ""),
        polarity=row.recommended_polarity,
        found=row.polarity,
        decision=row.decision,
        decision_words=decision_words(row.decision)[0],
        decision_more=decision_words(row.decision)[1],
        confidence=percent(row.polarity_confidence),
        gain=f"{signed(row.gain_db)} dB" if math.isfinite(row.gain_db) else "",
        reason=row.reason,
    )


def delay_texts(*delays_ms: float) -> list[str]:
    """Delays with equal decimals, two to four: as many as one of them needs.

    >>> delay_texts(0.0, 12.5), delay_texts(1.0, 2.0833)
    (['0.00', '12.50'], ['1.0000', '2.0833'])
    """
    known = [f"{d:.{_MAX_DELAY_DECIMALS}f}".rstrip("0").partition(".")[2] for d in delays_ms if math.isfinite(d)]
    decimals = max(_MIN_DELAY_DECIMALS, *(len(digits) for digits in known), 0)
    return [number(d, decimals) for d in delays_ms]


def length_text(delay_ms: float, speed_m_s: float) -> str:
    """A delay as a way of sound in metres and feet; empty where it is not known.

    >>> length_text(10.0, 343.2)
    '3.43 m, 11.26 ft'
    """
    if not math.isfinite(delay_ms):
        return ""
    metres = delay_ms / 1000.0 * speed_m_s
    return f"{number(metres, 2)} m, {number(metres / _METRES_PER_FOOT, 2)} ft"


def percent(probability: float) -> str:
    """A probability as a reader says it; never a bare 100 %.

    >>> percent(0.934), percent(0.9999), percent(float("nan"))
    ('93 %', 'over 99 %', '')
    """
    if not math.isfinite(probability):
        return ""
    return "over 99 %" if probability > 0.99 else f"{100.0 * probability:.0f} %"


def headline(analysis: Analysis) -> str:
    """What to do, in one sentence."""
    decisions = [row.decision for row in analysis.recommendations] + [row.decision for row in analysis.inputs]
    if not decisions:
        return "Nothing could be recommended."
    n_change, n_open = decisions.count("change"), decisions.count("undecided")
    kinds = [("output", len(analysis.recommendations)), ("stage input", len(analysis.inputs))]
    things = " and ".join(f"{n} {name}{'' if n == 1 else 's'}" for name, n in kinds if n)
    first = f"Change {n_change} of {things}." if n_change else f"Leave the settings of {things} as they are."
    if not n_open:
        return first
    return f"{first} {n_open} could not be decided and {'keeps its' if n_open == 1 else 'keep their'} setting for now."


def score_sentence(analysis: Analysis) -> str:
    """What the recommendation does to the audience as a whole; empty where no score is known."""
    present, recommended = analysis.score_present_db, analysis.score_recommended_db
    if not (math.isfinite(present) and math.isfinite(recommended)):
        return ""
    return (
        f"Over the audience, 25 to 315 Hz, the outputs add to {number(present)} dB at present and to "
        f"{number(recommended)} dB as recommended; at 0 dB nothing would be lost."
    )
