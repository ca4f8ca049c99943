"""Where outputs that move as one work against each other, so that no setting of theirs fills the hole."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from analyze.reports.naming import shortened
from analyze.reports.page_findings import WIRED_INVERTED
from analyze.reports.summaries import first_few, frequency, listed, number
from analyze.responses.wiring import TWINS_OPPOSITE

if TYPE_CHECKING:
    from analyze.pipeline import Analysis

#: Two outputs work against each other where they add to so much less than the louder one, and with all others to so
#: little of what is possible, in dB.
_AGAINST_DB, _HOLE_DB = -3.0, -6.0
# So many places are told of a pair, with names so long.
_MOST_PLACES, _NAME_LENGTH = 3, 40


def hole_words(analysis: Analysis) -> str:
    """Pairs of one group that cancel at a seat in a band, the deepest first; empty where none does."""
    holes = {
        (row.position, row.band_hz)
        for row in analysis.prediction
        if row.zone == "audience" and row.cell == "yes" and row.recommended_db <= _HOLE_DB
    }
    found: dict[tuple[str, str], list[tuple[float, str, float]]] = defaultdict(list)
    for row in analysis.pairs:
        is_one = row.other in analysis.sound_check.group_of(row.output)
        is_against = row.usable == "yes" and row.recommended_sum_db <= _AGAINST_DB
        if is_one and is_against and (row.position, row.band_hz) in holes:
            found[row.output, row.other].append((row.recommended_sum_db, row.position, row.band_hz))
    if not found:
        return ""
    pairs = " ".join(_pair_words(pair, sorted(places)) for pair, places in found.items())
    wrong = {one.track for one in analysis.findings if one.finding in (WIRED_INVERTED, TWINS_OPPOSITE)}
    if any(wrong & {*pair} for pair in found):
        return f"{pairs} Their wiring is to be mended first."
    return f"{pairs} What moves as one no setting here parts: where it stands decides that."


def _pair_words(pair: tuple[str, str], places: list[tuple[float, str, float]]) -> str:
    names = listed([shortened(name, _NAME_LENGTH) for name in pair])
    told = [f"{frequency(hz)} at {shortened(seat, _NAME_LENGTH)} ({number(db)} dB)" for db, seat, hz in places]
    return f"{names} work against each other at {first_few(told, _MOST_PLACES)}, re the louder of them."
