"""What comes out of a comparison: rows of its tables, and the whole.

Differences are newer minus older: positive when later, louder, ahead in phase. Numbers that are not known are NaN.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

from analyze.archive.opening import are_one

#: What an output can be found to be, gravest first; the first that holds is its verdict.
VERDICTS = (
    "gone",
    "new",
    "flipped",
    "setting not in force",
    "moved",
    "unclear",
    "changed in response",
    "changed in level",
    "same",
)
#: The same for a position.
POSITION_VERDICTS = ("gone", "new", "chain flipped", "moved", "exchanged", "other gain", "same")
#: Whether polarity is as it was.
SIGN_CHANGES = ("same", "flipped", "undecided")


@dataclass(frozen=True)
class Tolerances:
    """Changes up to these are none, however sure: arrival in ms, level in dB, response in dB in any band."""

    arrival_ms: float = 0.05
    level_db: float = 0.5
    response_db: float = 1.5


@dataclass(frozen=True)
class OutputChange:
    """One row of `outputs.csv`: what became of one output."""

    output: str
    kind: str
    verdict: str
    confidence: float
    arrival_change_ms: float
    arrival_change_std_ms: float
    arrival_spread_ms: float
    polarity: str
    polarity_confidence: float
    level_change_db: float
    level_change_std_db: float
    response_change_db: float
    response_change_std_db: float
    response_change_hz: float
    setting_change_ms: float
    setting_polarity_change: str
    positions: int
    reason: str


@dataclass(frozen=True)
class PositionChange:
    """One row of `positions.csv`: what became of one microphone position, common to all outputs heard there."""

    position: str
    zone: str
    verdict: str
    arrival_change_ms: float
    arrival_change_std_ms: float
    arrival_spread_ms: float
    distance_m: float
    polarity: str
    level_change_db: float
    level_change_std_db: float
    outputs: int
    reason: str


@dataclass(frozen=True)
class PairChange:
    """One row of `changes.csv`: one output at one position.

    arrival_change_ms = setting_change_ms + air_ms + common_ms + own_ms; flight_ms is of the older visit
    """

    output: str
    position: str
    zone: str
    older_arrival_ms: float
    newer_arrival_ms: float
    arrival_change_ms: float
    arrival_change_std_ms: float
    setting_change_ms: float
    flight_ms: float
    air_ms: float
    common_ms: float
    own_ms: float
    own_std_ms: float
    beyond_noise: str
    polarity: str
    polarity_confidence: float
    level_change_db: float
    level_change_std_db: float
    likeness: float


@dataclass(frozen=True)
class BandChange:
    """One row of `comparison.csv`: one output at one position in one band.

    The change of level over all bands is out of the level, setting, air, delay and sign are out of the phase.
    """

    output: str
    position: str
    zone: str
    band_hz: float
    band_low_hz: float
    band_high_hz: float
    level_change_db: float
    level_change_std_db: float
    phase_change_deg: float
    phase_change_std_deg: float
    beyond_noise: str


@dataclass(frozen=True)
class Visit:
    """One of the two that are compared: what it is called, its day, air, venue, and the fingerprint of it all.

    recordings : one figure for the recordings it was made from, by their checksums; empty where they are not named
    sound : one figure for what was heard in them, however they are stored
    heard_files : checksums of those that hold a microphone
    """

    name: str
    title: str
    date: str
    temperature_c: float
    is_record: bool
    version: str
    is_temperature_assumed: bool = False
    recordings: str = ""
    fingerprint: str = ""
    venue: str = ""
    sound: str = ""
    heard_files: frozenset[str] = frozenset()

    def as_object(self) -> dict[str, Any]:
        """What is written of it: all but the checksums of its files, which stand in its own results."""
        return {key: value for key, value in asdict(self).items() if key != "heard_files"}

    def is_one_with(self, other: Visit) -> bool:
        """Whether both were made from the same recordings, stored otherwise or not."""
        return are_one(self, other)


@dataclass(frozen=True)
class Comparison:
    """Everything found between two visits.

    renames : older name -> newer name
    air_stretch : share by which flight times are longer in the newer air, as the two temperatures say
    air_error_c, air_error_std_c : by how much warmer than that the newer air seems, from the arrivals
    rig_later_ms, rig_louder_db : common to all outputs and positions, with their standard errors; is_rig_flipped
    exchanged : pairs of positions whose microphones look exchanged, compared crosswise
    unheard : outputs whose settings cannot be heard, for their feeds are recorded after them
    doubts : of either visit the findings that put its description in doubt
    is_too_alike : whether the two are more alike than two recordings can be
    """

    older: Visit
    newer: Visit
    renames: dict[str, str]
    tolerances: Tolerances
    outputs: tuple[OutputChange, ...]
    positions: tuple[PositionChange, ...]
    changes: tuple[PairChange, ...]
    comparison: tuple[BandChange, ...]
    air_stretch: float
    air_error_c: float = math.nan
    air_error_std_c: float = math.nan
    rig_later_ms: float = 0.0
    rig_later_std_ms: float = math.nan
    rig_louder_db: float = 0.0
    rig_louder_std_db: float = math.nan
    is_rig_flipped: bool = False
    exchanged: tuple[tuple[str, str], ...] = ()
    unheard: tuple[str, ...] = ()
    doubts: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())
    is_too_alike: bool = False
    remarks: tuple[str, ...] = field(default=())

    @property
    def is_changed(self) -> bool:
        """Whether an output changed beyond tolerance, positions look exchanged, or it is no other visit (code 6)."""
        is_visit = not self.is_one and not self.is_too_alike
        return not is_visit or bool(self.exchanged) or any(row.verdict != "same" for row in self.outputs)

    @property
    def verdict(self) -> str:
        """The second visit in one word: `changed` or `unclear` by its outputs, `exchanged` by positions, or `same`."""
        verdicts = {row.verdict for row in self.outputs} - {"same"}
        if verdicts:
            return "unclear" if verdicts == {"unclear"} else "changed"
        return "exchanged" if self.exchanged else "same"

    @property
    def is_one(self) -> bool:
        """Whether the two are one visit, in which nothing can have changed."""
        return self.older.is_one_with(self.newer)
