"""Were two microphones exchanged between two visits, so that each position holds what was heard at the other?

Straight on two exchanged microphones are two that stand elsewhere. Crosswise, what was heard at either position now is
held against what was heard at the other then: if so both stand far nearer to where they stood, and that explains all
changes far better, they were exchanged. Where outputs exchanged left for right explain it as well, as with a
symmetrical rig, it cannot be told and nothing is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np

from analyze.archive.comparison import PLACE_MS, Found, found_between
from analyze.archive.comparison_change import response_change
from analyze.archive.comparison_pairs import BothHeard, air_ratio, arrivals_in, both_heard
from analyze.archive.opening import ReportRead

#: Positions that so many outputs share can be told from each other.
_LEAST_OUTPUTS = 3
#: Twice the logarithm of the odds by which crosswise must explain more than straight on, and than exchanged outputs.
_CLEARLY = 12.0
#: Crosswise arrivals at either may have changed by this share of what they have straight on, if they were moved too.
_NEARER = 0.25

Two = tuple[str, str]


def exchanged_positions(
    older: ReportRead, newer: ReportRead, found: Found, expected: Mapping[str, tuple[float, int]] | None = None
) -> tuple[Two, ...]:
    """Pairs of positions whose microphones look exchanged.

    Parameters
    ----------
    found, expected : what was found straight on, and what was expected then, as `found_between` has it
    """
    exchanged: list[Two] = []
    while True:
        moved = [name for p, name in enumerate(found.positions) if found.furthest_ms(p) > PLACE_MS]
        tried = []
        for pair in _likely(older, newer, moved):
            crosswise = found_between(older, with_exchanged(newer, pair), found.names, expected)
            is_clear = crosswise.cost < found.cost - _CLEARLY and _is_nearer(crosswise, found, pair)
            if is_clear and not _is_of_outputs(older, newer, pair, crosswise, expected):
                tried.append((crosswise.cost, pair, crosswise))
        if not tried:
            return tuple(exchanged)
        _, pair, found = min(tried, key=lambda one: one[:2])
        newer = with_exchanged(newer, pair)
        exchanged.append(pair)


def with_exchanged(report: ReportRead, names: Two) -> ReportRead:
    """The same report with what was heard at two positions exchanged; what is described of them stays."""
    other = _other(names)
    responses = {output: _keys(files, other) for output, files in report.results["responses"].items()}
    tables = {name: _rows(report, name, "position", other) for name in ("arrivals", "bands", "prediction")}
    captures = [{**one, "mics": _keys(one.get("mics") or {}, other)} for one in report.check["captures"]]
    heard = {"responses": responses, "sound_check": {**report.check, "captures": captures}}
    return replace(report, results={**report.results, **tables, **heard})


def _with_outputs_exchanged(report: ReportRead, names: Two) -> ReportRead:
    """The same of what was heard of two outputs, as far as it is compared."""
    other = _other(names)
    heard = {
        "responses": _keys(report.results["responses"], other),
        "arrivals": _rows(report, "arrivals", "output", other),
    }
    return replace(report, results={**report.results, **heard})


def _other(names: Two) -> dict[str, str]:
    return dict(zip(names, reversed(names), strict=True))


def _rows(report: ReportRead, table: str, column: str, other: Mapping[str, str]) -> Any:
    """A table with names exchanged; what is none, or names nothing of that kind, stays for others to refuse."""
    rows = report.results.get(table)
    if not isinstance(rows, list):
        return rows
    return [{**row, column: other[row[column]]} if _named(row, column) in tuple(other) else row for row in rows]


def _named(row: Any, column: str) -> Any:
    return row.get(column) if isinstance(row, dict) else None


def _keys(what: Mapping[str, Any], other: Mapping[str, str]) -> dict[str, Any]:
    return {other.get(key, key): value for key, value in what.items()}


def _likely(older: ReportRead, newer: ReportRead, positions: Sequence[str]) -> list[Two]:
    """Pairs of positions whose arrivals are more alike crosswise than straight on, what all outputs share aside."""
    then, now = arrivals_in(older), arrivals_in(newer)

    def unlike_ms(was: str, heard_as: str) -> float:
        shared = [one for one, position in then if position == was and (one, heard_as) in now]
        if len(shared) < _LEAST_OUTPUTS:
            return float("nan")
        later_ms = np.array([now[one, heard_as].arrival_ms - then[one, was].arrival_ms for one in shared])
        return float(np.mean(np.abs(later_ms - np.median(later_ms))))

    return [
        (a, b)
        for a, b in combinations(positions, 2)
        if unlike_ms(a, b) + unlike_ms(b, a) < unlike_ms(a, a) + unlike_ms(b, b)
    ]


def _is_nearer(crosswise: Found, straight: Found, positions: Two) -> bool:
    """Whether crosswise both microphones stand far nearer to where they stood than straight on."""
    at = [straight.positions.index(name) for name in positions]
    return all(crosswise.furthest_ms(p) < max(_NEARER * straight.furthest_ms(p), PLACE_MS) for p in at)


def _is_of_outputs(
    older: ReportRead,
    newer: ReportRead,
    positions: Two,
    crosswise: Found,
    expected: Mapping[str, tuple[float, int]] | None,
) -> bool:
    """Whether outputs of a kind, exchanged two by two, explain as well what exchanged microphones explain."""
    both = both_heard(older, newer, crosswise.names)
    like = {output: _most_like(both, output, positions) for output in crosswise.outputs}
    pairs = {tuple(sorted((one, other))) for one, other in like.items() if one != other and like.get(other) == one}
    for one, other in sorted(pairs):
        newer = _with_outputs_exchanged(newer, (one, other))
    return bool(pairs) and found_between(older, newer, crosswise.names, expected).cost < crosswise.cost + _CLEARLY


def _most_like(both: BothHeard, output: str, positions: Two) -> str:
    """The output of the same kind that sounded then as this one does now at these positions."""
    kind = both.newer.output(output)["kind"]
    alike = [one for one in both.names.outputs if both.newer.output(one)["kind"] == kind]
    return max(alike, key=lambda then: min(_likeness(both, then, output, position) for position in positions))


def _likeness(both: BothHeard, then: str, now: str, position: str) -> float:
    before, after = both.then.get((then, position)), both.now.get((now, position))
    if before is None or after is None:
        return 0.0
    change = response_change(before, after, both.boxes[then], air_ratio(before, after))
    return 0.0 if change is None else change.likeness
