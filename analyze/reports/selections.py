"""What plots, summaries and page pick from the rows of an analysis: the same picks, made once.

Levels are averaged as energies, errors of one output in several captures by inverse variance. Phases are output minus
other, positive when output is ahead.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analyze.alignment.rows import Prediction, Recommendation, Robustness
    from analyze.pipeline import Analysis
    from analyze.responses.rows import Arrival

#: Range of the bands in which a sum is scored, Hz.
SCORE_RANGE_HZ = (25.0, 315.0)


@dataclass(frozen=True)
class PhasePoint:
    """Phase of an output minus that of another in one band, at present and as recommended, with its standard error."""

    band_hz: float
    present_deg: float
    recommended_deg: float
    std_deg: float
    is_usable: bool


@dataclass(frozen=True)
class Seat:
    """The sum at one position: mean over its cells, or over the range of the score where it has none."""

    position: str
    zone: str
    n_bands: int
    is_scored: bool
    present_db: float
    recommended_db: float
    worst_hz: float
    worst_db: float

    @property
    def change_db(self) -> float:
        """Recommended minus present."""
        return self.recommended_db - self.present_db


@dataclass(frozen=True)
class Spread:
    """Advantage of the recommendation in one scenario over the audience positions."""

    scenario: str
    low_db: float
    mean_db: float
    high_db: float
    worst_position: str


def mean(values: Iterable[float]) -> float:
    """Mean of the known values; NaN where none is known."""
    known = [v for v in values if math.isfinite(v)]
    return sum(known) / len(known) if known else math.nan


def wrapped_deg(phase: float) -> float:
    """An angle brought to -180 <= phase < 180 degrees."""
    return (phase + 180.0) % 360.0 - 180.0


def recommendation_of(analysis: Analysis, output: str) -> Recommendation | None:
    """The recommendation for an output, None if there is none."""
    return next((row for row in analysis.recommendations if row.output == output), None)


def predictions_at(analysis: Analysis, position: str) -> list[Prediction]:
    """The predicted sums at a position, by frequency."""
    return sorted((row for row in analysis.prediction if row.position == position), key=lambda row: row.band_hz)


def positions_with_sums(analysis: Analysis) -> list[str]:
    """Positions with at least one predicted sum, in the order of the analysis."""
    return list(dict.fromkeys(row.position for row in analysis.prediction if math.isfinite(row.present_db)))


def levels_at(analysis: Analysis, position: str) -> dict[str, list[tuple[float, float]]]:
    """Per output (band_hz, level_db) at a position; several captures as the mean of their energies."""
    energies: dict[str, dict[float, list[float]]] = defaultdict(lambda: defaultdict(list))
    for row in analysis.bands:
        if row.position == position and math.isfinite(row.level_db):
            energies[row.output][row.band_hz].append(10.0 ** (row.level_db / 10.0))
    return {
        output: [(hz, 10.0 * math.log10(max(mean(values), 1e-30))) for hz, values in sorted(bands.items())]
        for output, bands in energies.items()
    }


def own_clocks(analysis: Analysis) -> frozenset[tuple[str, str]]:
    """(capture, position) recorded on a clock of its own, where only differences between outputs mean anything."""
    return frozenset(
        (capture.name, position)
        for capture in analysis.sound_check.captures
        for position, track in capture.mics.items()
        if any(track.file in files for files in capture.unsynced)
    )


def own_signs(analysis: Analysis, output: str, position: str) -> list[Arrival]:
    """The arrivals of an output at a position that say something about its polarity, the surest first."""
    rows = [row for row in analysis.arrivals if (row.output, row.position) == (output, position)]
    return sorted(rows, key=lambda row: -row.own_confidence if math.isfinite(row.own_confidence) else 0.0)


def partners(analysis: Analysis) -> dict[str, str]:
    """Whom to compare each output with: the reference if they share a usable band, else who shares most.

    The reference has none; outputs that share nothing are left out; no two are compared twice.
    """
    shared: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for row in analysis.pairs:
        if row.usable == "yes" and math.isfinite(row.relative_phase_deg):
            shared[row.output][row.other] += 1
            shared[row.other][row.output] += 1
    reference = analysis.sound_check.reference
    chosen: dict[str, str] = {}
    for output in analysis.sound_check.outputs:
        counts = shared[output]
        if output == reference or not counts:
            continue
        other = reference if reference in counts else max(counts, key=lambda name: counts[name])
        if chosen.get(other) != output:
            chosen[output] = other
    return chosen


def phase_points(analysis: Analysis, output: str, other: str) -> dict[str, list[PhasePoint]]:
    """Per position the phase of `output` minus that of `other`, by frequency."""
    errors = _phase_errors(analysis, (output, other))
    rows = [row for row in analysis.pairs if {row.output, row.other} == {output, other}]
    points: dict[str, list[PhasePoint]] = defaultdict(list)
    for row in sorted(rows, key=lambda row: row.band_hz):
        if not math.isfinite(row.relative_phase_deg):
            continue
        phase = row.relative_phase_deg if row.output == output else -row.relative_phase_deg
        std = math.hypot(*(errors.get((name, row.position, row.band_hz), 0.0) for name in (output, other)))
        turned = wrapped_deg(phase + change_deg(analysis, output, other, row.band_hz))
        is_usable = row.usable == "yes"
        points[row.position].append(PhasePoint(row.band_hz, wrapped_deg(phase), turned, std, is_usable))
    return dict(points)


def change_deg(analysis: Analysis, output: str, other: str, hz: float) -> float:
    """How far the recommendation turns the phase of `output` minus `other`: a delay d by -360 f d, a flip by 180."""
    sign, delay_ms = analysis.recommended_change.get(output, (1.0, 0.0))
    other_sign, other_delay_ms = analysis.recommended_change.get(other, (1.0, 0.0))
    flip = 180.0 if sign * other_sign < 0 else 0.0
    return flip - 360.0 * hz * (delay_ms - other_delay_ms) / 1000.0


def _phase_errors(analysis: Analysis, outputs: tuple[str, str]) -> dict[tuple[str, str, float], float]:
    """Standard error of the phase per (output, position, band), captures combined by inverse variance."""
    weights: dict[tuple[str, str, float], float] = defaultdict(float)
    for row in analysis.bands:
        if row.output in outputs and math.isfinite(row.phase_std_deg) and row.phase_std_deg > 0.0:
            weights[row.output, row.position, row.band_hz] += row.phase_std_deg**-2.0
    return {key: weight**-0.5 for key, weight in weights.items()}


def seats(analysis: Analysis) -> list[Seat]:
    """The sum at every position with a prediction, in the order of the analysis."""
    return [_seat(position, predictions_at(analysis, position)) for position in positions_with_sums(analysis)]


def _seat(position: str, rows: list[Prediction]) -> Seat:
    """One seat from its predicted sums."""
    cells = [row for row in rows if row.cell == "yes"]
    low, high = SCORE_RANGE_HZ
    used = cells or [row for row in rows if low <= row.band_hz <= high] or rows
    worst = min(used, key=lambda row: row.recommended_db if math.isfinite(row.recommended_db) else math.inf)
    return Seat(
        position,
        rows[0].zone,
        len(used),
        bool(cells),
        mean(row.present_db for row in used),
        mean(row.recommended_db for row in used),
        worst.band_hz,
        worst.recommended_db,
    )


def spreads(analysis: Analysis) -> list[Spread]:
    """Advantage per scenario over the audience positions (over all where no audience is in it), in order."""
    scenarios: dict[str, list[Robustness]] = defaultdict(list)
    for row in analysis.robustness:
        if math.isfinite(row.advantage_db):
            scenarios[row.scenario].append(row)
    return [_spread(scenario, rows) for scenario, rows in scenarios.items()]


def _spread(scenario: str, rows: list[Robustness]) -> Spread:
    """Lowest, mean and highest advantage of one scenario."""
    rows = [row for row in rows if row.zone == "audience"] or rows
    values = [row.advantage_db for row in rows]
    worst = min(rows, key=lambda row: row.advantage_db)
    return Spread(scenario, min(values), mean(values), max(values), worst.position)


def scenario_text(scenario: str) -> str:
    """A scenario in words.

    >>> scenario_text("level:sub left:+3"), scenario_text("air:-10"), scenario_text("seat:mix")
    ('sub left +3 dB', 'air -10 K', 'decided without mix')
    """
    kind, _, rest = scenario.partition(":")
    if kind == "level":
        output, _, step = rest.rpartition(":")
        return f"{output} {step} dB"
    if kind == "air":
        return f"air {rest} K"
    if kind == "seat":
        return f"decided without {rest}"
    if kind == "polarity":
        return f"{rest} polarity as it was"
    return scenario
