"""What the confidence of a setting was made of: margins, their errors, what every seat says, what holds it down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analyze.alignment.confidence import Limit
from analyze.alignment.score import Change

#: What a setting that was judged by sums is claimed to be: the best within reach, or what spares the audience a loss.
BEST, SPARES = "best", "spares"


@dataclass(frozen=True)
class Rival:
    """Another setting of a group, as a change from now, and what the setting in question is ahead of it in dB.

    margin_db : positive where the rival is worse; std_db : standard deviation of it over replicates
    """

    change: Change
    margin_db: float
    std_db: float


@dataclass(frozen=True)
class SeatMargin:
    """What one position says of a setting, in the cells there in which the group meets others.

    polarity_margin_db, runner_up_margin_db : ahead of the same two rivals, NaN where there is none
    left_out_cost_db : what the setting costs against the best one of all other positions; NaN if there is no other
    holds_left_out : whether it still counts as right there, None if there is no other
    """

    n_cells: int
    polarity_margin_db: float
    runner_up_margin_db: float
    left_out_cost_db: float
    holds_left_out: bool | None


@dataclass(frozen=True)
class SumGrounds:
    """Grounds of a setting that was judged by what it adds.

    change : the setting in question; claim : what its confidence is of, BEST or SPARES
    limits : what holds its confidence down, that which takes most first
    scatter_db, shortfall_db : standard deviation over replicates of what it costs, and the mean
    model_db : error of a margin that no replicate shows; heard_share : of the cells that count, not hidden by noise
    measured_share : of the audience by weight, seats at which it and another output were measured
    other_polarity, runner_up : None where there is none; present : leaving it alone, None where that is the setting
    seats : per position with cells of the group; contradicted : members of which two captures disagree
    """

    change: Change
    claim: str
    limits: tuple[Limit, ...]
    scatter_db: float
    shortfall_db: float
    model_db: float
    heard_share: float
    measured_share: float
    other_polarity: Rival | None
    runner_up: Rival | None
    present: Rival | None
    seats: Mapping[str, SeatMargin]
    contradicted: tuple[str, ...] = ()
    judged_by: str = "sum"


@dataclass(frozen=True)
class SeatTiming:
    """How late an output comes out at a seat against what was asked; std_ms : of it.

    holds_left_out : whether the arrival is right for the mean of all other seats, None if there is no other
    """

    late_ms: float
    std_ms: float
    holds_left_out: bool | None


@dataclass(frozen=True)
class TimingGrounds:
    """Grounds of a setting that was judged by its arrival at the seats it is for.

    change, limits : as of `SumGrounds`; late_ms : mean over the seats of what it comes out late against what was asked
    std_ms : of it, the model's own error included
    polarity_confidence : that its sign comes out as the reference's
    wiring_confidence, reference_confidence : of the two wirings that this takes
    seats : per output of the group, per seat
    """

    change: Change
    limits: tuple[Limit, ...]
    late_ms: float
    std_ms: float
    polarity_confidence: float
    wiring_confidence: float
    reference_confidence: float
    seats: Mapping[str, Mapping[str, SeatTiming]]
    judged_by: str = "arrival"


Grounds = SumGrounds | TimingGrounds
