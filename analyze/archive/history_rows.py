"""What comes out of a history: rows of its tables, and the whole.

Changes are newer minus older: positive when later or louder. Numbers that are not known are NaN.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

NAN = float("nan")

#: What was done with a folder that was found, and what it is.
STATES, FORMS = ("read", "copy", "left out"), ("record", "report")
#: Where the name of the venue is from.
VENUE_SOURCES = ("venue", "title", "folder")
#: What drifts of an output.
DRIFTS = ("none", "arrival", "level", "arrival and level")
#: What a visit was found to be, held against the one before it at the same venue.
VISIT_VERDICTS = ("first", "same", "changed", "unclear", "exchanged", "not compared")


@dataclass(frozen=True)
class VisitRow:
    """One row of `visits.csv`: one record or report that was found.

    path : relative to the folder that was searched, with `/`; previous : of the visit it was held against
    since_first : what stands otherwise than at the first visit; of the newest of three and more alone
    outputs, positions : how many were heard; format : of the report
    """

    path: str
    state: str
    form: str
    title: str
    venue: str
    venue_from: str
    date: str
    reason: str
    temperature_c: float = NAN
    temperature_assumed: str = ""
    outputs: float = NAN
    positions: float = NAN
    reference: str = ""
    format: float = NAN
    program_version: str = ""
    previous: str = ""
    verdict: str = ""
    remarks: str = ""
    since_first: str = ""


@dataclass(frozen=True)
class OutputRow:
    """One row of `history.csv`: one output at one visit. Every number and word is told in `history_tables.py`."""

    path: str
    venue: str
    date: str
    temperature_c: float
    output: str
    kind: str
    verdict: str
    confidence: float
    counted_from: str
    arrival_change_ms: float
    arrival_change_std_ms: float
    arrival_since_ms: float
    arrival_since_std_ms: float
    level_change_db: float
    level_change_std_db: float
    level_since_db: float
    level_since_std_db: float
    drift_from: str
    arrival_drift_ms: float
    arrival_drift_std_ms: float
    arrival_rate_ms: float
    arrival_drift_confidence: float
    level_drift_db: float
    level_drift_std_db: float
    level_rate_db: float
    level_drift_confidence: float
    drift: str
    polarity_change: str
    wiring: str
    wiring_confidence: float
    setting_polarity: str
    polarity: str
    setting_delay_ms: float
    recommended_delay_ms: float
    recommended_polarity: str
    decision: str
    program_version: str
    reason: str
    position: str = ""
    arrival_ms: float = NAN
    arrival_std_ms: float = NAN
    same_air_arrival_ms: float = NAN
    relative_arrival_ms: float = NAN
    relative_arrival_std_ms: float = NAN
    level_db: float = NAN
    relative_level_db: float = NAN


@dataclass(frozen=True)
class History:
    """Everything found below a folder.

    name : of the folder; visits : venue by venue, dated ones in their order, then what could not be placed
    history : outputs of every visit that was read, in the order of the visits
    renames : name at earlier visits -> name now, as the user said
    """

    name: str
    visits: tuple[VisitRow, ...]
    history: tuple[OutputRow, ...]
    renames: Mapping[str, str] = field(default_factory=dict)

    @property
    def venues(self) -> tuple[str, ...]:
        """Every venue that was visited."""
        return tuple(dict.fromkeys(row.venue for row in self.visits if row.state == "read"))

    def visits_of(self, venue: str) -> tuple[VisitRow, ...]:
        """The visits of a venue, in their order."""
        return tuple(row for row in self.visits if row.state == "read" and row.venue == venue)

    def newest(self, venue: str) -> VisitRow | None:
        """The newest visit of a venue that states its day, None if there is none."""
        return next((row for row in reversed(self.visits_of(venue)) if row.date), None)

    def outputs_of(self, venue: str) -> tuple[OutputRow, ...]:
        """The outputs of a venue's visits, in their order."""
        return tuple(row for row in self.history if row.venue == venue)

    @property
    def not_read(self) -> tuple[VisitRow, ...]:
        """Copies, and what cannot be read."""
        return tuple(row for row in self.visits if row.state != "read")
