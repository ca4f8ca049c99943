"""Rows about outputs together, one dataclass per table; field names are the column names of `reports/columns.py`.

Numbers that are not known are NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Recommendation:
    """One row of `recommendations.csv`: what to type into the processor for one output, and why."""

    output: str
    kind: str
    group: str
    setting_delay_ms: float
    setting_polarity: str
    recommended_delay_ms: float
    recommended_polarity: str
    delay_change_ms: float
    polarity_change: str
    decision: str
    confidence: float
    polarity_confidence: float
    cost_if_wrong_db: float
    gain_db: float
    worst_position: str
    worst_gain_db: float
    overlap_low_hz: float
    overlap_high_hz: float
    alternative: str
    reason: str


@dataclass(frozen=True)
class Pair:
    """One row of `pairs.csv`: two outputs at one position in one band."""

    position: str
    zone: str
    output: str
    other: str
    band_hz: float
    relative_delay_ms: float
    relative_phase_deg: float
    level_difference_db: float
    sum_db: float
    flipped_sum_db: float
    recommended_sum_db: float
    coherence: float
    usable: str


@dataclass(frozen=True)
class Prediction:
    """One row of `prediction.csv`: the sum of all outputs at one position in one band, re the sum of magnitudes.

    present_std_db, recommended_std_db : standard deviation of the sums over resamples, NaN above the lines that have
        some
    """

    position: str
    zone: str
    band_hz: float
    present_db: float
    recommended_db: float
    change_db: float
    cell: str
    present_std_db: float
    recommended_std_db: float


@dataclass(frozen=True)
class ChangeEffect:
    """What the change of one group does: the recommended sum with it, re that without it and with all the others.

    outputs : the group's members
    sum_db : per (position, third octave in Hz), dB
    """

    outputs: tuple[str, ...]
    sum_db: dict[tuple[str, float], float]


@dataclass(frozen=True)
class Robustness:
    """One row of `robustness.csv`: the score at one position if something changes."""

    scenario: str
    position: str
    zone: str
    present_db: float
    recommended_db: float
    advantage_db: float


@dataclass(frozen=True)
class DelayScan:
    """Score over the delay setting of one group for both polarities, everything else as recommended.

    outputs : the group's members; delay_ms : (delay,) setting of the first of them
    normal_db, inverted_db : (delay,) score of the audience cells
    normal_std_db, inverted_std_db : (delay,) standard deviation over resamples of how far the score lies from that of
        the setting that is recommended or considered, where it is 0
    searched_ms : the first and the last setting that was searched; beyond, nothing is recommended
    """

    outputs: tuple[str, ...]
    searched_ms: tuple[float, float]
    delay_ms: NDArray[np.float64]
    normal_db: NDArray[np.float64]
    inverted_db: NDArray[np.float64]
    normal_std_db: NDArray[np.float64]
    inverted_std_db: NDArray[np.float64]


@dataclass(frozen=True)
class MonitorTrick:
    """What inverting a monitor on purpose would do to the low end on stage, and how fast a fader move undoes it.

    thinner_db : change of the level in 25..315 Hz at the stage positions, mean over them (negative is thinner)
    after_fader_db : the same after the monitor's fader moved by 3 dB, up or down, whichever leaves less of it
    audience_db : change of the score at the audience positions
    """

    output: str
    thinner_db: float
    after_fader_db: float
    audience_db: float


@dataclass(frozen=True)
class Proof:
    """What can be tried by ear: at a position, from one third octave to another, flip these outputs and hear less.

    low_hz, high_hz : nominal centres of the lowest and the highest third octave, all others between them included
    drop_db : what the level of pink noise through everything loses, everything as recommended before
    sure_drop_db : what it loses at least in nineteen of twenty resamples
    silent : outputs that must be off meanwhile, because they were not measured at that position
    """

    outputs: tuple[str, ...]
    position: str
    zone: str
    silent: tuple[str, ...]
    low_hz: float
    high_hz: float
    drop_db: float
    sure_drop_db: float
