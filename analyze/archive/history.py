"""All visits to all venues below a folder: what every output did over the years.

found -> sorted by venue and day, copies passed over -> each visit held against the one before it, as `compare` does,
and the newest against the first -> changes added up -> arrivals and levels at one position per output, in one air

Visits are read one after the other; of each only its rows are kept.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from analyze.archive.alikeness import Levels, levels_of, levels_too_alike
from analyze.archive.comparison import compare
from analyze.archive.comparison_rows import Comparison
from analyze.archive.comparison_words import headline
from analyze.archive.history_drift import Drifts
from analyze.archive.history_finding import Seen, Start, looked_at, without_copies
from analyze.archive.history_outputs import Sum, VisitArrivals, added, output_rows, visit_arrivals, with_arrivals
from analyze.archive.history_rows import History, OutputRow, VisitRow
from analyze.archive.history_words import IN_DOUBT, alike_words, copy_words
from analyze.archive.opening import ReportRead, open_report
from analyze.archive.renaming import renamed_visit, renames_over
from analyze.errors import AnalyzeError, DescriptionError
from analyze.reports.naming import clean


def history_of(folder: Path, start: Start | None = None, renames: Mapping[str, str] | None = None) -> History:
    """Everything that records and reports below a folder say over time.

    Parameters
    ----------
    start : told what is done with how many; what it returns is called after each
    renames : name of an output or position at any visit -> name now

    Raises
    ------
    DescriptionError : there is no such folder, nothing in it that can be read, or a rename names nothing
    """
    start = start or (lambda _what, _n: lambda _done: None)
    seen = looked_at(folder, start)
    good, copies = without_copies([one for one in seen if not one.problem])
    if not good:
        raise _nothing(folder, seen)
    last_names = renames_over([one.names for one in good], renames or {})
    step = start("comparing", len(good))
    visits: list[VisitRow] = []
    outputs: list[OutputRow] = []
    passed: list[VisitRow] = []
    for key in sorted({one.key for one in good}):
        venue = _venue([one for one in good if one.key == key], last_names, step)
        visits += venue.visits
        outputs += with_arrivals(venue.outputs, venue.arrivals)
        passed += venue.passed
    visits += passed
    visits += [_left(one, "copy", copy_words(one, copies[one.name])) for one in seen if one.name in copies]
    visits += [_left(one, "left out", one.problem) for one in seen if one.problem]
    return History(folder.resolve().name, tuple(visits), tuple(outputs), dict(renames or {}))


def _nothing(folder: Path, seen: list[Seen]) -> DescriptionError:
    if not seen:
        return DescriptionError(
            "there is no record or report in it.", "Name a folder that holds some, at any depth.", path=folder
        )
    what = f"nothing in it can be read ({len(seen)} found). {clean(seen[0].name)}: {clean(seen[0].problem)}"
    return DescriptionError(what, "Mend or replace one of them.", path=folder)


def _left(one: Seen, state: str, reason: str) -> VisitRow:
    """A row for what is not read."""
    return VisitRow(
        path=one.name,
        state=state,
        form=one.form,
        title="",
        venue=one.venue,
        venue_from=one.venue_from,
        date=one.date,
        reason=reason,
    )


@dataclass
class _Venue:
    """What is kept of a venue while its visits are read: rows, arrivals by path, sums, and what may drift.

    heard : levels of every visit, by which its edited copies are known; passed : rows of these
    """

    name: str
    visits: list[VisitRow] = field(default_factory=list)
    outputs: list[OutputRow] = field(default_factory=list)
    arrivals: dict[str, VisitArrivals] = field(default_factory=dict)
    sums: dict[str, Sum] = field(default_factory=dict)
    drifts: Drifts = field(default_factory=Drifts)
    heard: list[tuple[Seen, Levels]] = field(default_factory=list)
    passed: list[VisitRow] = field(default_factory=list)

    def pass_over(self, one: Seen, report: ReportRead) -> bool:
        """Pass a visit over if it is too alike to one that was read before, and tell; else its levels are kept."""
        levels = levels_of(report)
        twin = next((other for other, then in self.heard if levels_too_alike(then, levels)), None)
        if twin is None:
            self.heard.append((one, levels))
        else:
            self.passed.append(_left(one, "copy", alike_words(one, twin)))
        return twin is not None

    def add(self, visit: VisitRow, report: ReportRead, comparison: Comparison | None) -> None:
        """Note one visit. What has no day changes no sum."""
        if visit.date:
            self.sums = added(self.sums, report, comparison, visit.path)
            self.drifts.add(visit.path, report, visit.previous, comparison)
        self.visits.append(visit)
        sums, followed = (self.sums, self.drifts.followed) if visit.date else ({}, {})
        self.outputs += output_rows(visit, report, comparison, sums, followed)
        self.arrivals[visit.path] = visit_arrivals(report)


def _venue(seen: list[Seen], renames: Mapping[str, str], step: Callable[[int], None]) -> _Venue:
    """All visits of one venue, those without a day last; they bear the name that it has at the newest."""
    ordered = sorted(seen, key=lambda one: (not one.date, one.date, one.name))
    newest = max(ordered, key=lambda one: (one.date, one.name))
    venue = _Venue(newest.venue)
    dated: list[Seen] = []
    older: ReportRead | None = None
    for one in ordered:
        newer = renamed_visit(open_report(one.path), renames)
        step(1)
        if venue.pass_over(one, newer):
            continue
        verdict, reason, comparison = _held_against(older, newer, one.date)
        previous = dated[-1].name if one.date and dated else ""
        venue.add(_visit_row(one, venue.name, newer, (previous, verdict, reason, comparison)), newer, comparison)
        if one.date:
            older, dated = newer, [*dated, one]
    if len(dated) > 2 and older is not None:  # of two the first is the one before
        first = renamed_visit(open_report(dated[0].path), renames)
        at = len(dated) - 1
        venue.visits[at] = replace(venue.visits[at], since_first=_compared(first, older, "the first visit")[1])
    return venue


def _held_against(older: ReportRead | None, newer: ReportRead, date: str) -> tuple[str, str, Comparison | None]:
    """A visit against the one before it, if it has a day and there is one: verdict, sentence, comparison."""
    if not date:
        return "not compared", "Its description states no date: it has no place in time.", None
    if older is None:
        return "first", "The first visit to this venue.", None
    return _compared(older, newer)


def _compared(
    older: ReportRead, newer: ReportRead, against: str = "the visit before it"
) -> tuple[str, str, Comparison | None]:
    """A visit against an older one: verdict, sentence, and the comparison if there can be one."""
    try:
        comparison = compare(older, newer, {})
    except AnalyzeError as error:
        return "not compared", f"It cannot be compared with {against}: {error.what}", None
    return comparison.verdict, headline(comparison), comparison


def _visit_row(one: Seen, venue: str, report: ReportRead, found: tuple[str, str, str, Comparison | None]) -> VisitRow:
    """The row of one visit; `found` is what it was held against, verdict, sentence, and the comparison."""
    previous, verdict, reason, comparison = found
    doubts = [f"{IN_DOUBT} ({', '.join(report.doubts)}), and every setting with it."] if report.doubts else []
    return VisitRow(
        path=one.name,
        state="read",
        form=one.form,
        title=report.title,
        venue=venue,
        venue_from=one.venue_from,
        date=one.date,
        temperature_c=report.temperature_c,
        temperature_assumed="yes" if report.is_temperature_assumed else "no",
        outputs=len({output for output, _ in report.heard}),
        positions=len({position for _, position in report.heard}),
        reference=str(report.check.get("reference") or ""),
        format=report.results["format"],
        program_version=report.version,
        previous=previous,
        verdict=verdict,
        reason=reason,
        remarks=" ".join([*doubts, *(comparison.remarks if comparison is not None else ())]),
    )
