"""What a history says of every output at every visit: changes, added up, settings, wiring, arrival and level.

Changes are those of `compare`: the output's own, settings as described, air, microphones and the whole rig out of them.
Arrivals and levels are those of the reports, settings included, at one position per output that the visits share.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from analyze.acoustics import speed_of_sound_simple
from analyze.archive.comparison_pairs import Arrived, arrivals_in
from analyze.archive.comparison_rows import Comparison, OutputChange
from analyze.archive.history_drift import Drift, Followed
from analyze.archive.history_rows import DRIFTS, NAN, OutputRow, VisitRow
from analyze.archive.history_words import drift_words
from analyze.archive.opening import ReportRead

#: The air to which arrivals of all visits are brought, degrees Celsius.
SAME_AIR_C = 20.0
_SETTINGS = {1: "normal", -1: "inverted", 0: ""}


@dataclass(frozen=True)
class Sum:
    """Changes of one output added up since the visit `counted_from`, and their variances."""

    counted_from: str
    arrival_ms: float = 0.0
    arrival_ms2: float = 0.0
    level_db: float = 0.0
    level_db2: float = 0.0

    def plus(self, change: OutputChange) -> Sum:
        """With one change more."""
        return Sum(
            self.counted_from,
            self.arrival_ms + change.arrival_change_ms,
            self.arrival_ms2 + change.arrival_change_std_ms**2,
            self.level_db + change.level_change_db,
            self.level_db2 + change.level_change_std_db**2,
        )


@dataclass(frozen=True)
class VisitArrivals:
    """What is kept of a visit's arrivals.

    arrived : by (output, position); setting_ms : per output; weight : per position; reference : output
    """

    arrived: Mapping[tuple[str, str], Arrived]
    setting_ms: Mapping[str, float]
    weight: Mapping[str, float]
    reference: str


def visit_arrivals(report: ReportRead) -> VisitArrivals:
    """Arrivals of one visit."""
    return VisitArrivals(
        arrivals_in(report),
        {output: report.setting(output)[0] for output in report.outputs},
        {position: float(report.position(position).get("weight", 1.0)) for position in report.positions},
        str(report.check.get("reference") or ""),
    )


def added(sums: Mapping[str, Sum], report: ReportRead, comparison: Comparison | None, name: str) -> dict[str, Sum]:
    """Sums with the changes of the visit `name`; they begin anew where an output could not be compared."""
    changes = _changes(comparison)
    found = {}
    for output in report.outputs:
        change = changes.get(output)
        if change is not None and math.isfinite(change.arrival_change_ms) and output in sums:
            found[output] = sums[output].plus(change)
        else:
            found[output] = Sum(name)
    return found


def _changes(comparison: Comparison | None) -> dict[str, OutputChange]:
    return {row.output: row for row in comparison.outputs} if comparison is not None else {}


def output_rows(
    visit: VisitRow,
    report: ReportRead,
    comparison: Comparison | None,
    sums: Mapping[str, Sum],
    followed: Mapping[str, Followed],
) -> Iterator[OutputRow]:
    """A row per output of a visit, and per output that is gone since the one before; arrivals still to be filled in."""
    changes, wiring, recommended = _changes(comparison), report.wiring, report.by_output("recommendations")
    for output in dict.fromkeys([*report.outputs, *changes]):
        change, asked = changes.get(output), recommended.get(output, {})
        is_there = output in report.outputs
        delay_ms, sign = report.setting(output) if is_there else (NAN, 0)
        wired, setting = str(wiring.get(output, {}).get("polarity", "")), _SETTINGS[sign]
        yield OutputRow(
            path=visit.path,
            venue=visit.venue,
            date=visit.date,
            temperature_c=visit.temperature_c,
            output=output,
            kind=str(report.output(output)["kind"]) if is_there else changes[output].kind,
            **_told(change, sums.get(output)),
            **_drifting(followed.get(output), change),
            wiring=wired,
            wiring_confidence=wiring.get(output, {}).get("confidence", NAN),
            setting_polarity=setting,
            polarity=_plays(wired, setting),
            setting_delay_ms=delay_ms,
            recommended_delay_ms=asked.get("recommended_delay_ms", NAN),
            recommended_polarity=str(asked.get("recommended_polarity", "")),
            decision=str(asked.get("decision", "")),
            program_version=visit.program_version,
        )


def _plays(wiring: str, setting: str) -> str:
    """Which way up an output plays: its wiring times its setting."""
    if wiring not in _SETTINGS.values() or not wiring or not setting:
        return wiring
    return "normal" if wiring == setting else "inverted"


def _told(change: OutputChange | None, total: Sum | None) -> dict[str, Any]:
    """The columns that hold changes: since the visit before, and added up."""
    since = total if total is not None else Sum("", NAN, NAN, NAN, NAN)
    return {
        "verdict": change.verdict if change else "",
        "confidence": change.confidence if change else NAN,
        "counted_from": since.counted_from,
        "arrival_change_ms": change.arrival_change_ms if change else NAN,
        "arrival_change_std_ms": change.arrival_change_std_ms if change else NAN,
        "arrival_since_ms": since.arrival_ms,
        "arrival_since_std_ms": math.sqrt(since.arrival_ms2),
        "level_change_db": change.level_change_db if change else NAN,
        "level_change_std_db": change.level_change_std_db if change else NAN,
        "level_since_db": since.level_db,
        "level_since_std_db": math.sqrt(since.level_db2),
        "polarity_change": change.polarity if change else "",
    }


def _drifting(followed: Followed | None, change: OutputChange | None) -> dict[str, Any]:
    """The columns of a drift, and the reason, in which one is told."""
    arrival, level = (followed.arrival, followed.level) if followed is not None else (Drift(), Drift())
    reason = change.reason if change else ""
    if followed is not None and (arrival.is_beyond or level.is_beyond):
        reason = f"{reason} {drift_words(followed.date, len(followed.days) + 1, arrival, level)}".strip()
    return {
        "drift_from": followed.start if followed is not None else "",
        "arrival_drift_ms": arrival.whole,
        "arrival_drift_std_ms": arrival.std,
        "arrival_rate_ms": arrival.per_year,
        "arrival_drift_confidence": arrival.confidence,
        "level_drift_db": level.whole,
        "level_drift_std_db": level.std,
        "level_rate_db": level.per_year,
        "level_drift_confidence": level.confidence,
        "drift": DRIFTS[arrival.is_beyond + 2 * level.is_beyond] if math.isfinite(arrival.whole) else "",
        "reason": reason,
    }


def with_arrivals(rows: Sequence[OutputRow], visits: Mapping[str, VisitArrivals]) -> Iterator[OutputRow]:
    """The rows of a venue with arrival and level at that position of each output that most visits have in common."""
    at = {output: _position(output, visits) for output in dict.fromkeys(row.output for row in rows)}
    for row in rows:
        visit, position = visits[row.path], at[row.output]
        own, other = visit.arrived.get((row.output, position)), visit.arrived.get((visit.reference, position))
        if own is None:
            yield row
            continue
        setting_ms = visit.setting_ms[row.output]
        own_ms = _in_same_air(own) + setting_ms
        filled = replace(row, position=position, level_db=own.level_db)
        if not own.clock:  # on a recorder's own clock only differences mean anything
            filled = replace(
                filled,
                arrival_ms=own.arrival_ms + setting_ms,
                arrival_std_ms=own.std_ms,
                same_air_arrival_ms=own_ms,
            )
        if other is not None and own.clock == other.clock:
            filled = replace(
                filled,
                relative_arrival_ms=own_ms - (_in_same_air(other) + visit.setting_ms[visit.reference]),
                relative_arrival_std_ms=0.0 if own is other else math.hypot(own.std_ms, other.std_ms),
                relative_level_db=own.level_db - other.level_db,
            )
        yield filled


def _position(output: str, visits: Mapping[str, VisitArrivals]) -> str:
    """Where an output is followed: the position that it shares with the reference at most visits, then of most weight.

    Empty if it was heard nowhere.
    """
    together, alone = Counter[str](), Counter[str]()
    weight: dict[str, float] = {}
    for visit in visits.values():
        weight |= visit.weight
        heard = [position for one, position in visit.arrived if one == output]
        alone.update(heard)
        together.update(position for position in heard if (visit.reference, position) in visit.arrived)
    return max(alone, key=lambda p: (together[p], alone[p], weight[p]), default="")


def _in_same_air(arrived: Arrived) -> float:
    """Arrival, setting out of it, in air of 20 degrees Celsius: latency as it is, flight by the speed of sound."""
    ratio = speed_of_sound_simple(arrived.temperature_c) / speed_of_sound_simple(SAME_AIR_C)
    return arrived.latency_ms + (arrived.arrival_ms - arrived.latency_ms) * ratio
