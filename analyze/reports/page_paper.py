"""How close the printed sheet is set, so that it stays on one page of A4 or Letter.

A browser breaks pages by itself and tells nobody; what has to go on a page is counted beforehand, in lines of the
smallest print.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.reports.headline import change_lines, effect_words, score_sentence
from analyze.reports.page_findings import notice
from analyze.reports.page_order import steps
from analyze.reports.page_sheet import sheet_rows
from analyze.reports.sheet_notes import hand_sentence, until_mended
from analyze.reports.summaries import feeds_sentence

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analyze.pipeline import Analysis
    from analyze.reports.page_sheet import SheetRow

#: Outputs and stage inputs from which on the sheet is set close, and dense.
CLOSE_FROM, DENSE_FROM = 5, 9

# Characters in a line of the smallest print; lines that the first line of an output, of a step, of a change takes.
_LINE_LENGTH, _OUTPUT_LINES, _STEP_LINES, _CHANGE_LINES = 125, 1.6, 1.2, 1.2
# Lines of a page of Letter, the shorter paper, that title, captions and key leave: by printing, 73 fit and 76 do not.
_ROOM = 74.0


def density(analysis: Analysis) -> str:
    """Classes of the style sheet, empty where there is room.

    `close`, or `dense` for more outputs; beside it `spare` where the reasons above the sheet have no room on the page,
    `scant` where its notes have none either.
    """
    n = len(analysis.recommendations) + len(analysis.inputs)
    if n < DENSE_FROM:
        return "close" if n >= CLOSE_FROM else ""
    for words, is_spare, is_scant in (("dense", False, False), ("dense spare", True, False)):
        if lines_on_paper(analysis, is_spare=is_spare, is_scant=is_scant) <= _ROOM:
            return words
    return "dense scant"


def lines_on_paper(analysis: Analysis, *, is_spare: bool, is_scant: bool) -> float:
    """Lines that the sheet takes, with or without what can be spared."""
    changes = change_lines(analysis)
    above = [hand_sentence(analysis), notice(analysis), *effect_words(analysis)]
    if not is_spare:
        above += [until_mended(analysis), f"{score_sentence(analysis)} {feeds_sentence(analysis)}"]
        above += [f"{line.why} {line.worse}" for line in changes]
    below = [_words(row, with_notes=not is_scant) for row in sheet_rows(analysis)]
    return (
        _CHANGE_LINES * len(changes)
        + _STEP_LINES * len(steps(analysis))
        + _OUTPUT_LINES * (len(below) + len(analysis.inputs))
        + _lines([*above, *below, *(row.reason for row in analysis.inputs)])
    )


def _words(row: SheetRow, *, with_notes: bool) -> str:
    """What stands below an output on paper."""
    facts = (row.kind, row.group, row.share, row.where, row.delay_length, row.worst, row.reason, row.together)
    return " ".join(filter(None, (*facts, row.repair, *(row.notes if with_notes else ()))))


def _lines(texts: Iterable[str]) -> int:
    return sum(math.ceil(len(text) / _LINE_LENGTH) for text in texts)
