"""Rows about single outputs and stage inputs, one dataclass per table; fields are columns of `reports/columns.py`.

Numbers that are not known are NaN.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Arrival:
    """One row of `arrivals.csv`: one output at one position in one capture, as captured."""

    capture: str
    output: str
    position: str
    zone: str
    arrival_ms: float
    arrival_std_ms: float
    distance_m: float
    polarity: str
    polarity_confidence: float
    own_polarity: str
    own_confidence: float
    level_db: float
    band_low_hz: float
    band_high_hz: float
    coherence: float
    averages: float


@dataclass(frozen=True)
class Band:
    """One row of `bands.csv`: one output at one position in one band of one capture, as captured."""

    capture: str
    output: str
    position: str
    zone: str
    band_hz: float
    band_low_hz: float
    band_high_hz: float
    level_db: float
    phase_deg: float
    phase_std_deg: float
    group_delay_ms: float
    coherence: float
    averages: float


@dataclass(frozen=True)
class Wiring:
    """One row of `wiring.csv`: the sign of the chain from feed to air without its setting."""

    output: str
    polarity: str
    confidence: float
    positions: int
    positions_agreeing: int
    reason: str


@dataclass(frozen=True)
class InputPair:
    """One row of `inputs.csv`: two stage inputs of one capture."""

    capture: str
    input: str
    against: str
    relative_delay_ms: float
    relative_delay_std_ms: float
    polarity: str
    polarity_confidence: float
    recommended_delay_ms: float
    recommended_polarity: str
    gain_db: float
    decision: str
    reason: str


@dataclass(frozen=True)
class FlipBand:
    """What flipping an output did at one position in one band: two captures of the same stretch.

    change_db : level with the flip less level without, measured; predicted_db : the same from captures of single
    outputs; phase_deg : relative phase of the flipped part against the rest, 0..180, its sign unknown
    """

    capture: str
    flipped_capture: str
    output: str
    position: str
    zone: str
    band_hz: float
    change_db: float
    predicted_db: float
    phase_deg: float


@dataclass(frozen=True)
class ShareBand:
    """What of an output's feed is its own in one octave of a capture in which several sound, 0..1 of its energy.

    NaN where the feed holds next to nothing.
    """

    capture: str
    output: str
    band_hz: float
    own_share: float
