"""How close the printed sheet is set, so that it stays on one page of A4 or Letter.

A browser breaks pages by itself and tells nobody; what has to go on a page is counted beforehand, in lines of the
smallest print.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.reports.change_lines import change_lines
from analyze.reports.granted import granted_words
from analyze.reports.headline import effect_words, score_sentence
from analyze.reports.page_findings import notice
from analyze.reports.page_order import steps
from analyze.reports.page_sheet import sheet_rows
from analyze.reports.wiring_notes import hand_sentence, until_mended

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analyze.pipeline import Analysis
    from analyze.reports.page_sheet import SheetRow

#: Outputs and stage inputs from which on the sheet is set close, and dense.
CLOSE_FROM, DENSE_FROM = 5, 9

# What is left out, more and more.
_LEFT_OUT = ("", "lean", "spare", "scant")
# Characters in a line of the smallest print; lines that the first line of an output, of a step, of a change takes.
_LINE_LENGTH, _OUTPUT_LINES, _STEP_LINES, _CHANGE_LINES = 120, 1.6, 1.2, 1.2
# How much wider bold letters are.
_BOLD = 1.15
# Lines of a page of Letter, the shorter paper, that title, captions and what confidence means leave: printed, 80 and 84
# fit, and 84 and 86 do not. What else is explained below the sheet takes some as well.
_ROOM, _KEY_LINES = 82.0, 4.0


def density(analysis: Analysis) -> str:
    """Classes of the style sheet, empty where there is room.

    `close`, or `dense` for more outputs; beside it, where the page has no room for all, `lean` without the reasons
    above the sheet and the words below it, `spare` without what gets better and worse, `scant` without the notes in
    the sheet.
    """
    n = len(analysis.recommendations) + len(analysis.inputs)
    if n < DENSE_FROM:
        return "close" if n >= CLOSE_FROM else ""
    fits = (left_out for left_out in _LEFT_OUT if lines_on_paper(analysis, left_out) <= _ROOM)
    return f"dense {next(fits, _LEFT_OUT[-1])}".strip()


def lines_on_paper(analysis: Analysis, left_out: str = "") -> float:
    """Lines that the sheet takes, without what can be left out."""
    level, changes = _LEFT_OUT.index(left_out), change_lines(analysis)
    above = [hand_sentence(analysis), notice(analysis), effect_words(analysis)]
    if level < _LEFT_OUT.index("lean"):
        above += [until_mended(analysis), f"{score_sentence(analysis)} {granted_words(analysis)}"]
        above += [line.about for line in changes]
    if level < _LEFT_OUT.index("spare"):
        above += [words for line in changes for words in line.effects]
    below = [_length(row, with_notes=level < _LEFT_OUT.index("scant")) for row in sheet_rows(analysis)]
    return (
        (_KEY_LINES if level < _LEFT_OUT.index("lean") else 0.0)
        + _CHANGE_LINES * len(changes)
        + _STEP_LINES * len(steps(analysis))
        + _OUTPUT_LINES * (len(below) + len(analysis.inputs))
        + _lines([*map(len, above), *below, *(len(row.reason) for row in analysis.inputs)])
    )


def _length(row: SheetRow, *, with_notes: bool) -> float:
    """Length of what stands below an output on paper, in characters of ordinary weight."""
    facts = (row.kind, row.group, row.share, row.where, row.delay_length, row.worst, row.reason, row.together)
    notes = (row.repair, *(row.notes if with_notes else ()))
    return len(" ".join(filter(None, facts))) + _BOLD * len(" ".join(filter(None, notes)))


def _lines(lengths: Iterable[float]) -> int:
    return sum(math.ceil(length / _LINE_LENGTH) for length in lengths)
