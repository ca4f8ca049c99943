"""Findings as text, for the page and the terminal: the gravest first, those that say the same at several places joined.

The table of findings keeps a row for each.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analyze.reports.summaries import listed, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.findings import Finding
    from analyze.pipeline import Analysis

_SEVERITIES = ("error", "warning")
# What stands for a cable or a box to be mended comes before what a take suffered from.
_TO_MEND = ("output wired inverted", "microphone chain inverted", "every output reads inverted")


@dataclass(frozen=True)
class FindingRow:
    """One finding, or several alike: severity, where, what, the figure behind it and what to do."""

    severity: str
    place: str
    name: str
    figure: str
    detail: str


def findings(analysis: Analysis, severities: Sequence[str] = _SEVERITIES) -> list[FindingRow]:
    """Errors and warnings, or what else is asked for, the gravest first, each once."""
    alike: dict[tuple[Any, ...], list[Finding]] = defaultdict(list)
    for row in analysis.findings:
        if row.severity in severities:
            alike[row.severity, row.finding, row.capture, row.unit, _around_place(row)].append(row)
    joined = [_joined(rows) for rows in alike.values()]
    return sorted(joined, key=lambda row: (severities.index(row.severity), row.name not in _TO_MEND))


def _around_place(row: Finding) -> tuple[str, ...]:
    """The detail in pieces, cut wherever it says `at <track>`."""
    return tuple(re.split(rf"\bat {re.escape(row.track)}(?!\w)", row.detail)) if row.track else (row.detail,)


def _joined(rows: Sequence[Finding]) -> FindingRow:
    """Findings that differ in nothing but place and figure as one."""
    first = rows[0]
    tracks = list(dict.fromkeys(row.track for row in rows))
    places = "; ".join(dict.fromkeys(filter(None, map(_place, rows))))
    return FindingRow(
        first.severity,
        ": ".join(filter(None, (first.capture, places))),
        first.finding.replace("_", " "),
        _figure(rows),
        f"at {listed(tracks)}".join(_around_place(first)),
    )


def _place(row: Finding) -> str:
    """Where one finding is, its capture left out."""
    parts = [row.track, row.file]
    if row.channel is not None:
        parts.append(f"channel {row.channel}")
    if math.isfinite(row.at_s):
        parts.append(f"at {number(row.at_s, 2)} s")
    return ", ".join(part for part in parts if part)


def _figure(rows: Sequence[Finding]) -> str:
    """The figure behind a finding, or the range of several."""
    known = sorted(row.value for row in rows if math.isfinite(row.value))
    if not known:
        return ""
    ends = dict.fromkeys(_digits(value) for value in (known[0], known[-1]))
    return f"{' to '.join(ends)} {rows[0].unit}".strip()


def _digits(value: float) -> str:
    """Four digits, more only where there are more before the point; never an exponent.

    >>> _digits(-12.0), _digits(3.14159), _digits(123456.7)
    ('−12', '3.142', '123457')
    """
    return (f"{value:.4g}" if 1e-4 < abs(value) < 1e4 or not value else f"{value:.0f}").replace("-", "−")
