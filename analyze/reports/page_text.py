"""The settings sheet as plain text: aligned columns for a mail, a note or a terminal.

Columns are counted in places of a terminal, of which East Asian letters take two and combining marks none. Names that
run from right to left are isolated, so that they do not turn a line around.
"""

from __future__ import annotations

import textwrap
import unicodedata
from typing import TYPE_CHECKING

from analyze.reports.confidences import confidence_words
from analyze.reports.granted import granted_words
from analyze.reports.headline import effect_words, headline
from analyze.reports.naming import clean, shortened
from analyze.reports.page_findings import is_description_doubtful, notice
from analyze.reports.page_sheet import (
    CAUTION,
    half_judged_words,
    identity,
    input_rows,
    sheet_steps,
    title,
)
from analyze.reports.proof_words import HOW
from analyze.reports.summaries import air
from analyze.reports.wiring_notes import hand_words, not_as_described

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.pipeline import Analysis
    from analyze.reports.page_sheet import SheetRow

_WIDTH, _INDENT = 78, "     "
_NAME_LENGTH = 24

# What stands in the text for characters that not every mail and terminal shows.
_PLAIN = str.maketrans({"−": "-", "–": "-", "→": "->"})

# Bidirectional classes of letters and digits that run from right to left, and what keeps them to themselves (UAX 9).
_FROM_RIGHT = ("R", "AL", "AN")
_ISOLATE, _END_OF_ISOLATE = "\u2068", "\u2069"

_HEADINGS = ("no.", "output", "delay (ms)", "polarity", "decision", "confidence")
_INPUT_HEADINGS = ("   ", "input", "delay", "polarity", "decision", "confidence")


def sheet_text(analysis: Analysis) -> str:
    """The whole sheet: what it is of, every output in the order of typing, the stage inputs."""
    parts = [_head(analysis), _outputs(analysis), _inputs(analysis)]
    parts.append(_wrapped(HOW) if analysis.proofs else [])
    parts.append([f"Delays are positive when later. Made by analyze {analysis.version}."])
    return "\n\n".join("\n".join(lines) for lines in parts if lines) + "\n"


def first_lines(analysis: Analysis) -> list[str]:
    """What to do and what to mind, in the order of the page: doubts about the description first."""
    said, to_mend, doubts = headline(analysis), hand_words(analysis), notice(analysis)
    said = [to_mend, *said] if not_as_described(analysis) else [*said, to_mend]
    ordered = [doubts, *said] if is_description_doubtful(analysis) else [*said, doubts]
    return [line for line in (*ordered, effect_words(analysis)) if line]


def _head(analysis: Analysis) -> list[str]:
    """Title, day and air, what to do and what to mind."""
    check = analysis.sound_check
    known = [check.notes[key] for key in ("venue", "engineer") if check.notes.get(key)]
    facts = [
        f"Date: {check.date or 'not given'}",
        f"fingerprint {identity(analysis)}",
        f"air {air(check.temperature_c, check.is_temperature_assumed)}",
        *known,
    ]
    return [
        *_wrapped(title(analysis)),
        *_wrapped(", ".join(facts)),
        "",
        *(line for part in first_lines(analysis) for line in _wrapped(part)),
        *_wrapped(CAUTION),
        *_wrapped(confidence_words(analysis) if analysis.recommendations else ""),
        *_wrapped(half_judged_words(analysis)),
        *_wrapped(granted_words(analysis)),
    ]


def _outputs(analysis: Analysis) -> list[str]:
    """A line per output, where to type it and why below it, step by step."""
    steps = sheet_steps(analysis)
    rows = [row for step in steps for row in step.rows]
    delays = _delays(rows)
    heading, *lines = _aligned([_HEADINGS, *(_cells(row, delays[row.output]) for row in rows)])
    found = [heading] if rows else []
    for step in steps:
        found += ["", *_wrapped(f"{step.title}: {step.hint}.")]
        for row in step.rows:
            what = ", ".join(filter(None, (row.kind, f"group {row.group}" if row.group else "", row.share)))
            found.append(lines[row.number - 1])
            found += _wrapped(" · ".join(filter(None, (what, row.where, row.delay_length))), _INDENT)
            found += _wrapped(" ".join(filter(None, (row.reason, row.together))), _INDENT)
            for note in _notes(row):
                found += _wrapped(note, _INDENT)
    return found


def _notes(row: SheetRow) -> list[str]:
    """What stands below a setting, each on lines of its own."""
    better = ", ".join(filter(None, (row.gain, row.worst)))
    is_said = row.alternatives or (row.share and not row.together)  # beside these, or with the first of its group
    return [
        f"Better by {better}." if better else "",
        f"Confidence: {row.polarity_confidence}." if row.polarity_confidence and not is_said else "",
        row.repair,
        *row.notes,
        *(f"{': '.join(filter(None, one))}." for one in row.alternatives),
        ": ".join(filter(None, row.proof)),
    ]


def _delays(rows: Sequence[SheetRow]) -> dict[str, str]:
    """The delay of every output, what is to be typed below each other whether or not it is new."""
    now = {row.output: f"{row.delay_from} -> " if row.is_delay_changed else "" for row in rows}
    before, after = max(map(len, now.values()), default=0), max((len(row.delay_to) for row in rows), default=0)
    return {row.output: now[row.output].rjust(before) + row.delay_to.rjust(after) for row in rows}


def _cells(row: SheetRow, delay: str) -> tuple[str, ...]:
    """The line of one output; its number tells names apart that are cut to the same."""
    polarity = f"{row.polarity_from} -> {row.polarity_to}" if row.is_polarity_changed else row.polarity_to
    name = shortened(row.output, _NAME_LENGTH)
    return str(row.number), name, delay, polarity, row.decision_words, row.confidence


def _inputs(analysis: Analysis) -> list[str]:
    """A line per stage input, with what it is compared and why below it."""
    rows = input_rows(analysis)
    cells = [
        (
            "",
            shortened(row.input, _NAME_LENGTH),
            shortened(row.delay, _NAME_LENGTH + len("0.00 ms on ")),
            row.polarity,
            row.decision_words,
            row.confidence,
        )
        for row in rows
    ]
    heading, *lines = _aligned([_INPUT_HEADINGS, *cells])
    found = ["Stage inputs", heading] if rows else []
    for row, line in zip(rows, lines, strict=True):
        found += [line, *_wrapped(f"against {row.against}, in {row.capture}. {row.reason}", _INDENT)]
    return found


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows with their columns below each other, the first and the last flush right."""
    plain = [[_isolated(cell.translate(_PLAIN)) for cell in row] for row in rows]
    widths = [max(map(_places, column)) for column in zip(*plain, strict=True)]
    right = (0, len(widths) - 1)
    lines = []
    for row in plain:
        gaps = [" " * (width - _places(cell)) for cell, width in zip(row, widths, strict=True)]
        padded = [gap + c if at in right else c + gap for at, (c, gap) in enumerate(zip(row, gaps, strict=True))]
        lines.append("  ".join(padded).rstrip())
    return lines


def _places(text: str) -> int:
    """Places of a terminal that a text takes.

    >>> _places("sub"), _places("舞台")
    (3, 4)
    """
    seen = (c for c in text if unicodedata.category(c) not in ("Mn", "Me", "Cf"))
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in seen)


def _isolated(text: str) -> str:
    """A text that does not turn its neighbours around."""
    turns = any(unicodedata.bidirectional(c) in _FROM_RIGHT for c in text)
    return f"{_ISOLATE}{text}{_END_OF_ISOLATE}" if turns else text


def _wrapped(text: str, indent: str = "") -> list[str]:
    """A text in lines that fit; where wide letters make one too long, half as many letters go into each."""
    plain = clean(text).translate(_PLAIN)
    whole, half = (
        textwrap.wrap(plain, width, initial_indent=indent, subsequent_indent=indent) for width in (_WIDTH, _WIDTH // 2)
    )
    return whole if all(_places(line) <= _WIDTH for line in whole) else half
