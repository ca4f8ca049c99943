"""What comes out of verified settings: rows of its tables, and the whole. Changes are after minus before."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analyze.archive.comparison_rows import Visit

#: What was done with an output's setting; the first three are as it should be.
OUTCOMES = (
    "as recommended",
    "left alone",
    "left out",
    "not applied",
    "delay not applied",
    "polarity not applied",
    "wrong polarity",
    "wire mended",
    "wire inverted",
    "wrong sign of delay",
    "applied twice",
    "change typed as setting",
    "setting added to the old one",
    "another output's",
    "otherwise",
    "cannot be told",
    "not measured",
)
#: Outcomes that are as it should be, and those of outputs that nothing was done with.
DONE = OUTCOMES[:3]
_UNTOUCHED = ("left alone", "left out", "not applied")
TURNS = ("yes", "no", "undecided")


@dataclass(frozen=True)
class Applied:
    """One row of `settings.csv`: what was recommended for an output, and what was done.

    other : the output whose change it has, or that has its change, empty if none
    in_force_delay_ms, in_force_polarity : the setting that is in force by what was measured
    """

    output: str
    kind: str
    group: str
    decision: str
    recommended_delay_ms: float
    recommended_polarity: str
    described_delay_ms: float
    described_polarity: str
    in_force_delay_ms: float
    in_force_delay_std_ms: float
    in_force_polarity: str
    delay_change_ms: float
    measured_delay_change_ms: float
    polarity_change: str
    measured_polarity_change: str
    outcome: str
    other: str
    confidence: float
    reason: str

    @property
    def plays_unlike_described(self) -> bool:
        """Whether it plays as with another polarity than is described for it: a wire may have been turned."""
        is_measured = math.isfinite(self.in_force_delay_std_ms) and self.in_force_polarity in ("normal", "inverted")
        return is_measured and self.in_force_polarity != self.described_polarity


@dataclass(frozen=True)
class SeatGain:
    """One row of `seats.csv`: what the change did to the low end at one position, mean over its cells."""

    position: str
    zone: str
    cells: int
    predicted_change_db: float
    predicted_change_std_db: float
    measured_change_db: float
    measured_change_std_db: float
    difference_db: float
    difference_std_db: float
    as_predicted: str


@dataclass(frozen=True)
class BandGain:
    """One row of `verification.csv`: the same in one band."""

    position: str
    zone: str
    band_hz: float
    predicted_change_db: float
    predicted_change_std_db: float
    measured_change_db: float
    measured_change_std_db: float
    difference_db: float
    difference_std_db: float
    cell: str
    as_predicted: str


@dataclass(frozen=True)
class Verified:
    """Everything found about settings that were recommended before and measured after.

    exchanged : pairs of positions that look exchanged between the two
    renames : name before -> name after; seat : the position named in the headline, empty where no sum could be compared
    is_too_alike : whether the two are more alike than two recordings can be
    other_sound : outputs whose settings cannot be heard and that sound otherwise than these say
    """

    before: Visit
    after: Visit
    settings: tuple[Applied, ...]
    seats: tuple[SeatGain, ...]
    verification: tuple[BandGain, ...]
    seat: str
    renames: dict[str, str]
    remarks: tuple[str, ...]
    exchanged: tuple[tuple[str, str], ...] = ()
    is_too_alike: bool = False
    other_sound: tuple[str, ...] = ()

    @property
    def is_done(self) -> bool:
        """Whether everything is as recommended, and no positions look exchanged (exit code 0, else 6)."""
        return not self.exchanged and all(row.outcome in DONE for row in self.settings)

    @property
    def is_one(self) -> bool:
        """Whether the two are one visit, after which nothing was measured."""
        return self.before.is_one_with(self.after)

    @property
    def is_anything_asked(self) -> bool:
        """Whether any setting was to be changed."""
        return any(row.decision == "change" for row in self.settings)

    @property
    def is_nothing_done(self) -> bool:
        """Whether settings were to be changed and none was."""
        return self.is_anything_asked and all(row.outcome in _UNTOUCHED for row in self.settings)
