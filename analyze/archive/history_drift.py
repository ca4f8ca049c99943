"""Does an output drift, too slowly for any single visit to show?

Every visit is held against the one from which its output is followed, and a line is laid through what its own change is
by then, over days. The error of one such change is in equal parts that of either visit; the part of the first is common
to all, so that the line does not have to go through zero. Weighted least squares, errors widened where the visits
scatter more than they state. A change that a visit shows by itself is no drift: there the line begins anew.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from analyze.archive.comparison import compare
from analyze.archive.comparison_certainty import ARRIVAL_MS, LEVEL_DB, Change, all_same, chance_beyond
from analyze.archive.comparison_rows import Comparison, OutputChange, Tolerances
from analyze.archive.comparison_words import SIGMAS
from analyze.archive.opening import ReportRead
from analyze.errors import AnalyzeError

#: A line is laid through so many visits or more, the one that it begins with included.
_LEAST_VISITS = 3
_DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Drift:
    """A line through one output's own changes, newer minus older.

    whole : what it changed by from the first visit to the last, std of it; per_year : its slope
    confidence : probability that the whole is beyond the tolerance; is_beyond : whether it counts
    """

    whole: float = math.nan
    std: float = math.nan
    per_year: float = math.nan
    confidence: float = math.nan
    is_beyond: bool = False


def drift_of(days: Sequence[int], value: Sequence[float], std: Sequence[float], tolerance: float, of: Change) -> Drift:
    """The line through changes since a first visit; nothing is known of too few visits or days.

    Parameters
    ----------
    days : (visit,) of every later visit, counted from the first; value, std : (visit,) change since the first
    tolerance : up to which it is none; of : the kind of change
    """
    if len({0, *days}) < _LEAST_VISITS:
        return Drift()
    own = np.asarray(std, dtype=float) / math.sqrt(2.0)
    t, y, sigma = np.array([0.0, *days]), np.array([0.0, *value]), np.array([float(np.median(own)), *own])
    weight = sigma**-2.0
    from_mean, y_mean = t - np.average(t, weights=weight), np.average(y, weights=weight)
    stiffness = float(weight @ from_mean**2)
    slope = float(weight @ (from_mean * (y - y_mean))) / stiffness
    left = (y - y_mean - slope * from_mean) / sigma
    widened = max(float(left @ left) / (len(t) - 2), 1.0)
    span = float(t.max())
    whole, error = slope * span, span * math.sqrt(widened / stiffness)
    sure = all_same(1.0 - chance_beyond(whole, error, tolerance, of))
    return Drift(whole, error, slope * _DAYS_PER_YEAR, sure, abs(whole) > tolerance + SIGMAS * error)


@dataclass(frozen=True)
class Followed:
    """One output since the visit `start` on the day `date`: its own changes at every later one.

    days : since then; rows : against that visit
    """

    start: str
    date: str
    days: tuple[int, ...] = ()
    rows: tuple[OutputChange, ...] = ()

    def at(self, day: str, row: OutputChange) -> Followed:
        """With one visit more."""
        days = (date.fromisoformat(day) - date.fromisoformat(self.date)).days
        return replace(self, days=(*self.days, days), rows=(*self.rows, row))

    @property
    def arrival(self) -> Drift:
        """How its arrival drifts, in ms."""
        values, errors = ([getattr(r, f"arrival_change{end}_ms") for r in self.rows] for end in ("", "_std"))
        return drift_of(self.days, values, errors, Tolerances.arrival_ms, ARRIVAL_MS)

    @property
    def level(self) -> Drift:
        """How its level drifts, in dB."""
        values, errors = ([getattr(r, f"level_change{end}_db") for r in self.rows] for end in ("", "_std"))
        return drift_of(self.days, values, errors, Tolerances.level_db, LEVEL_DB)


@dataclass
class Drifts:
    """What is followed while the visits of a venue are read: its outputs, and the visits from which they are."""

    followed: dict[str, Followed] = field(default_factory=dict)
    starts: dict[str, ReportRead] = field(default_factory=dict)

    def add(self, path: str, report: ReportRead, previous: str, step: Comparison | None) -> None:
        """Go on with a visit; `step` is what it was found to be against the visit `previous`."""
        since = {
            start: _changes(step if start == previous else _compared(then, report))
            for start, then in self.starts.items()
        }
        steps, followed = _changes(step), {}
        for output in report.outputs:
            one = self.followed.get(output)
            row = since[one.start].get(output) if one is not None else None
            if one is None or row is None or not _is_measured(row) or _is_told(steps.get(output)):
                followed[output] = Followed(path, report.date)
            else:
                followed[output] = one.at(report.date, row)
        self.followed = followed
        known = {**self.starts, path: report}
        self.starts = {one.start: known[one.start] for one in followed.values()}


def _compared(older: ReportRead, newer: ReportRead) -> Comparison | None:
    try:
        return compare(older, newer, {})
    except AnalyzeError:  # nothing in common: the step from the visit before says so too
        return None


def _changes(comparison: Comparison | None) -> dict[str, OutputChange]:
    return {row.output: row for row in comparison.outputs} if comparison is not None else {}


def _is_measured(row: OutputChange) -> bool:
    return math.isfinite(row.arrival_change_ms) and math.isfinite(row.level_change_db)


def _is_told(step: OutputChange | None) -> bool:
    """Whether a visit shows by itself that arrival or level changed, or cannot be held against the one before."""
    if step is None or not _is_measured(step):
        return True
    tolerances = Tolerances()
    return (
        abs(step.arrival_change_ms) > tolerances.arrival_ms + SIGMAS * step.arrival_change_std_ms
        or abs(step.level_change_db) > tolerances.level_db + SIGMAS * step.level_change_std_db
        or step.verdict in ("moved", "changed in level")
    )
