"""The settings sheet: what a person types into the processor, in words and with nothing left to convert."""

from __future__ import annotations

import math
from dataclasses import dataclass
from hashlib import sha256
from itertools import count
from typing import TYPE_CHECKING

from analyze.acoustics import speed_of_sound_simple
from analyze.reports.alternatives import alternatives, polarity_alone
from analyze.reports.confidences import confidence_text
from analyze.reports.delay_words import MAX_DECIMALS, change_text, delay_texts, length_text
from analyze.reports.naming import shortened
from analyze.reports.page_findings import doubt_note
from analyze.reports.page_order import steps
from analyze.reports.proof_words import proof_words
from analyze.reports.sheet_notes import (
    aligned_note,
    echo_note,
    is_optional,
    send_note,
    small_note,
    unheard_note,
)
from analyze.reports.summaries import listed, percent, signed
from analyze.reports.tape_note import tape_note
from analyze.reports.wiring_notes import repair_note, sound_alike, stopgaps

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis
    from analyze.responses.rows import InputPair

#: Decisions in words, and what they mean where that is not plain.
DECISIONS = {
    "change": ("Change", ""),
    "keep": ("Keep", ""),
    "undecided": ("Not decided", "keep for now"),
    "reference": ("Reference", "never moves"),
}

# The same of a change that may be left out, and of one that makes up for a wrong wiring of an undecided output.
_OPTIONAL, _UNTIL_MENDED = ("Optional", "change"), ("For now", "until mended")

#: What to mind while typing.
CAUTION = (
    "Turn the level down before you change a polarity or a delay. Type a new value only where the processor shows the "
    "present one. Go down the sheet in its order, and listen to each group alone and then with the rest as the level "
    "comes back."
)

# Hexadecimal digits that tell sound checks of one venue and day apart.
_FINGERPRINT_LENGTH = 8

# A name in the middle of a sentence.
_NAME_LENGTH = 40


@dataclass(frozen=True)
class SheetRow:
    """One output on the settings sheet; everything is text, empty where there is nothing to say.

    proof : how to check it, what it is called and the words
    """

    number: int
    output: str
    kind: str
    group: str
    share: str
    where: str
    delay_from: str
    delay_to: str
    delay_length: str
    delay_change: str
    is_delay_changed: bool
    polarity_from: str
    polarity_to: str
    is_polarity_changed: bool
    is_until_mended: bool
    is_optional: bool
    decision: str
    decision_words: str
    decision_more: str
    confidence: str
    polarity_confidence: str
    gain: str
    worst: str
    reason: str
    together: str
    repair: str
    notes: tuple[str, ...]
    alternatives: tuple[tuple[str, str], ...]
    proof: tuple[str, str]


@dataclass(frozen=True)
class SheetStep:
    """What is typed at one time, with what to mind."""

    title: str
    hint: str
    rows: tuple[SheetRow, ...]


@dataclass(frozen=True)
class InputRow:
    """One stage input on the settings sheet."""

    input: str
    against: str
    capture: str
    delay: str
    delay_length: str
    polarity: str
    found: str
    decision: str
    decision_words: str
    decision_more: str
    confidence: str
    gain: str
    reason: str


def title(analysis: Analysis) -> str:
    """What the sheet is of."""
    return analysis.sound_check.title or "Sound check"


def identity(analysis: Analysis) -> str:
    """Which sound check the sheet is of: a short fingerprint of description and recordings, wherever they lie."""
    digest = sha256(analysis.sound_check.source)
    for one in sorted(analysis.input_files, key=lambda one: one.path):
        digest.update(f"{one.path}\0{one.sha256}\0".encode())
    return digest.hexdigest()[:_FINGERPRINT_LENGTH]


def half_judged_words(analysis: Analysis) -> str:
    """Of which outputs the description lets only the polarity, or only the delay, be judged; empty where of none."""
    sentences = []
    for half, other in (("polarity", "delay"), ("delay", "polarity")):
        names = [
            shortened(row.output, _NAME_LENGTH)
            for row in analysis.recommendations
            if row.decision != "reference" and analysis.sound_check.outputs[row.output].adjust == half
        ]
        if names:
            whose = "its" if len(names) == 1 else "their"
            allowed = f"Only the {half} of {listed(names)} is judged (adjust, of monitors by default)"
            sentences.append(f"{allowed}; {whose} {other} stays.")
    return " ".join(sentences)


def sheet_steps(analysis: Analysis) -> list[SheetStep]:
    """The settings sheet in the order of typing; its rows are numbered throughout."""
    speed_m_s = speed_of_sound_simple(analysis.sound_check.temperature_c)
    rows, numbers = {row.output: row for row in analysis.recommendations}, count(1)
    return [
        SheetStep(step.title, step.hint, tuple(_row(analysis, next(numbers), rows[o], speed_m_s) for o in step.outputs))
        for step in steps(analysis)
    ]


def sheet_rows(analysis: Analysis) -> list[SheetRow]:
    """The rows of the settings sheet, in the order of typing."""
    return [row for step in sheet_steps(analysis) for row in step.rows]


def _row(analysis: Analysis, index: int, row: Recommendation, speed_m_s: float) -> SheetRow:
    """One line of the sheet."""
    notes = analysis.sound_check.outputs[row.output].notes
    delay_from, delay_to = delay_texts(row.setting_delay_ms, row.recommended_delay_ms)
    until_mended = stopgaps(analysis)
    polarity_to = until_mended.get(row.output, row.recommended_polarity)
    has_gain = is_changed(row) and math.isfinite(row.gain_db)
    decided = _OPTIONAL if is_optional(row) else decision_words(row.decision)
    decided = _UNTIL_MENDED if row.output in until_mended else decided
    of_seats = "seats " if row.kind == "monitor" else ""  # which it is not set for
    has_worst = has_gain and row.worst_position and math.isfinite(row.worst_gain_db)
    worst = "worst" if row.worst_gain_db < 0.0 else "least"
    return SheetRow(
        number=index,
        output=row.output,
        kind=row.kind,
        group=row.group,
        share=share(analysis, row),
        where=" · ".join(f"{key} {notes[key]}" for key in ("device", "channel", "preset") if notes.get(key)),
        delay_from=delay_from,
        delay_to=delay_to,
        delay_length=length_text(row.recommended_delay_ms, speed_m_s),
        delay_change=change_text(row.delay_change_ms, speed_m_s),
        is_delay_changed=delay_from != delay_to,
        polarity_from=row.setting_polarity,
        polarity_to=polarity_to,
        is_polarity_changed=row.setting_polarity != polarity_to,
        is_until_mended=row.output in until_mended,
        is_optional=is_optional(row),
        decision=row.decision,
        decision_words=decided[0],
        decision_more=decided[1],
        confidence=confidence_text(analysis, row),
        polarity_confidence=polarity_alone(row),
        gain=f"{of_seats}{signed(row.gain_db)} dB" if has_gain else "",
        worst=f"{worst} at {row.worst_position}: {signed(row.worst_gain_db)} dB" if has_worst else "",
        reason=" ".join(filter(None, (doubt_note(analysis, row.output), _reason(analysis, row)))),
        together=together(analysis, row),
        repair=repair_note(analysis, row),
        notes=beside(analysis, row),
        alternatives=alternatives(analysis, row),
        proof=proof_words(analysis, row),
    )


def _reason(analysis: Analysis, row: Recommendation) -> str:
    """Why, said once for a group: of the others where to find it."""
    leader = analysis.sound_check.group_of(row.output)[0]
    first = next((one for one in analysis.recommendations if one.output == leader), row)
    if row is first or row.reason != first.reason or row.decision == "reference":
        return row.reason
    if row.output in stopgaps(analysis):
        return f"It cancels {shortened(leader, _NAME_LENGTH)}."
    return f"As {shortened(leader, _NAME_LENGTH)}, with which it moves as one."


def is_changed(row: Recommendation) -> bool:
    """Whether an output is given another setting; what stays has no gain."""
    return row.polarity_change == "yes" or row.delay_change_ms != 0.0


def share(analysis: Analysis, row: Recommendation) -> str:
    """Which of its group an output is, `1 of 2`, so that none is forgotten; empty for one alone."""
    group = analysis.sound_check.group_of(row.output)
    return f"{group.index(row.output) + 1} of {len(group)}" if len(group) > 1 else ""


def together(analysis: Analysis, row: Recommendation) -> str:
    """With whom an output moves, said of the first of a group that may move."""
    first, *others = analysis.sound_check.group_of(row.output)
    cancelled = stopgaps(analysis)
    if row.output != first or not others or row.decision == "reference" or cancelled.keys() & {first, *others}:
        return ""
    return f"Moves as one with {listed([shortened(name, _NAME_LENGTH) for name in others])}."


def beside(analysis: Analysis, row: Recommendation) -> tuple[str, ...]:
    """What else to know of a setting, what must not be missed first."""
    every = (
        unheard_note(analysis, row),
        echo_note(analysis, row),
        aligned_note(analysis, row),
        tape_note(analysis, row),
        send_note(analysis, row),
        small_note(analysis, row),
        group_note(analysis, row),
    )
    return tuple(note for note in every if note)


def group_note(analysis: Analysis, row: Recommendation) -> str:
    """Why an output is set otherwise than another like it: by design within its group, or as a sub without a group."""
    leader = analysis.sound_check.group_of(row.output)[0]
    first = next((one for one in analysis.recommendations if one.output == leader), row)
    later_ms = row.setting_delay_ms - first.setting_delay_ms
    parts = []
    if math.isfinite(later_ms) and round(later_ms, MAX_DECIMALS):
        parts.append(f"{delay_texts(abs(later_ms))[0]} ms {'later' if later_ms > 0 else 'earlier'}")
    if row.setting_polarity != first.setting_polarity and not sound_alike(analysis, row.output, leader):
        parts.append("of the other polarity")
    if not parts:
        return _lone_sub_note(analysis, row)
    name = shortened(leader, _NAME_LENGTH)
    mistake = (
        " If it is none, set them alike and record again." if row.setting_polarity != first.setting_polarity else ""
    )
    design = "differences inside a group are taken as design"
    return f"It is {' and '.join(parts)} than {name}, and stays so: {design}.{mistake}"


def _lone_sub_note(analysis: Analysis, row: Recommendation) -> str:
    """That subs which are in no group are set one by one; said of the first, where their settings differ."""
    lone = [one for one in analysis.recommendations if one.kind == "sub" and not one.group]
    settings = {(one.recommended_delay_ms, one.recommended_polarity) for one in lone}
    if len(settings) < 2 or row is not lone[0]:
        return ""
    names = listed([shortened(one.output, _NAME_LENGTH) for one in lone])
    return f"{names} are in no group, so each is set for itself. To move them as one, give them a group."


def decision_words(decision: str) -> tuple[str, str]:
    """A decision in words, and what it means."""
    return DECISIONS.get(decision, (decision, ""))


def input_rows(analysis: Analysis) -> list[InputRow]:
    """The stage inputs that are compared."""
    speed_m_s = speed_of_sound_simple(analysis.sound_check.temperature_c)
    return [_input_row(row, speed_m_s) for row in analysis.inputs]


def _input_row(row: InputPair, speed_m_s: float) -> InputRow:
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
        delay_length=length_text(row.recommended_delay_ms, speed_m_s) if row.recommended_delay_ms > 0 else "",
        polarity=row.recommended_polarity,
        found=row.polarity,
        decision=row.decision,
        decision_words=decision_words(row.decision)[0],
        decision_more=decision_words(row.decision)[1],
        confidence=percent(row.polarity_confidence),
        gain=f"{signed(row.gain_db)} dB" if math.isfinite(row.gain_db) else "",
        reason=row.reason,
    )
