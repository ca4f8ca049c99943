"""What plots, summaries and page pick from the rows of an analysis: the same picks, made once.

Levels are averaged as energies, errors of one output in several captures by inverse variance. Phases are output minus
other, positive when output is ahead. Sums are shown, and their means taken, in the bands of `SCORE_RANGE_HZ` alone:
above it settings are not decided by sums, for the best one there belongs to one seat by chance.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from analyze.alignment.rows import DelayScan, Pair, Prediction, Recommendation, Robustness
    from analyze.pipeline import Analysis
    from analyze.responses.rows import Arrival

#: The third octaves from 25 to 315 Hz, in which sums are scored: their outer edges in Hz (IEC 61260-1, base ten).
SCORE_RANGE_HZ = (10.0**1.35, 10.0**2.55)

#: Outputs that are lined up by their arrival, which is a matter of the whole range.
BY_ARRIVAL = ("fill", "tower")

# Half the thickness of a line of a scan and as much again, as a part of the height of its axes.
_LINE_PART = 0.015

# Advantages that round to nothing, dB.
_NOTHING_DB = 5e-4


#: A phase known no better than this tells nothing: one by chance has a standard deviation of 104 degrees.
_VAGUE_DEG = 52.0


@dataclass(frozen=True)
class PhasePoint:
    """Phase of an output minus that of another in one band, at present and as recommended, with its standard error."""

    band_hz: float
    present_deg: float
    recommended_deg: float
    std_deg: float
    is_usable: bool


@dataclass(frozen=True)
class View:
    """Where the phase of an output tells something about its setting: at these positions, from low to high."""

    positions: frozenset[str]
    low_hz: float
    high_hz: float

    def holds(self, row: Pair) -> bool:
        """Whether a row of a pair of outputs lies in it."""
        return row.position in self.positions and self.low_hz <= row.band_hz <= self.high_hz


@dataclass(frozen=True)
class Seat:
    """The sum at one position: mean over the bands that `counted` picks."""

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
        """Recommended minus present, as it is printed."""
        return printed_change_db(self.present_db, self.recommended_db)


@dataclass(frozen=True)
class Spread:
    """Advantage of the recommendation in one scenario over the audience positions."""

    scenario: str
    low_db: float
    mean_db: float
    high_db: float
    worst_position: str

    @property
    def is_unchanged(self) -> bool:
        """Whether nothing is changed in it, so that nothing is gained or lost."""
        return self.low_db == self.high_db == 0.0

    @property
    def is_forgotten(self) -> bool:
        """Whether it is no change from outside but one recommended polarity that is not set."""
        return self.scenario.startswith("polarity:")

    @property
    def is_worse(self) -> bool:
        """Whether the present settings would be better on average."""
        return self.mean_db < -_NOTHING_DB


def printed_change_db(present_db: float, recommended_db: float) -> float:
    """Recommended minus present, of the tenths that are printed of both: so that no line contradicts itself.

    >>> round(printed_change_db(-4.36, -4.34), 3)
    0.1
    """
    return round(recommended_db, 1) - round(present_db, 1)


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


def counted(rows: Iterable[Prediction]) -> list[Prediction]:
    """The bands of a position over which means are taken: its cells, or the range of the score where it has none."""
    low, high = SCORE_RANGE_HZ
    rows = [row for row in rows if low <= row.band_hz <= high]
    return [row for row in rows if row.cell == "yes"] or rows


def seats_first(analysis: Analysis) -> list[str]:
    """All positions, those in the audience before those on stage, else in the order of the description."""
    described = analysis.sound_check.positions
    return sorted(described, key=lambda name: described[name].zone == "stage")


def by_zone(analysis: Analysis, positions: Iterable[str]) -> dict[str, list[str]]:
    """Positions parted by zone, the audience first; a zone without any is left out."""
    described = analysis.sound_check.positions
    names = list(positions)
    found = {zone: [name for name in names if described[name].zone == zone] for zone in ("audience", "stage")}
    return {zone: there for zone, there in found.items() if there}


def positions_with_sums(analysis: Analysis) -> list[str]:
    """Positions at which several outputs have a sum in the range of the score, the audience first."""
    low, high = SCORE_RANGE_HZ
    shared = {row.position for row in analysis.pairs}
    rows = (row for row in analysis.prediction if low <= row.band_hz <= high and math.isfinite(row.present_db))
    known = {row.position for row in rows} & shared
    return [position for position in seats_first(analysis) if position in known]


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


def present_arrivals(analysis: Analysis) -> list[Arrival]:
    """The arrivals of every capture that are known, brought from the capture's settings to present ones."""
    outputs = analysis.sound_check.outputs
    settings = {capture.name: capture.settings for capture in analysis.sound_check.captures}

    def moved(row: Arrival) -> Arrival:
        setting = settings.get(row.capture, {}).get(row.output)
        later_ms = outputs[row.output].setting.delay_ms - setting.delay_ms if setting else 0.0
        return replace(row, arrival_ms=row.arrival_ms + later_ms)

    return [moved(row) for row in analysis.arrivals if math.isfinite(row.arrival_ms)]


def delay_change_ms(analysis: Analysis, output: str) -> float:
    """How much later the recommendation makes an output."""
    return analysis.recommended_change.get(output, (1.0, 0.0))[1]


def own_clocks(analysis: Analysis) -> frozenset[tuple[str, str]]:
    """(capture, position) recorded on a clock of its own, where only differences between outputs mean anything."""
    return frozenset(
        (capture.name, position)
        for capture in analysis.sound_check.captures
        for position, track in capture.mics.items()
        if any(track.file in files for files in capture.unsynced)
    )


def view_of(analysis: Analysis, output: str) -> View:
    """Where the setting of an output is judged: monitors on stage, others in the audience, in the range of the score.

    Fills and towers, which are lined up by arrival, where they are lined up, and over the whole range if they shall
    arrive together with the reference: lateness on purpose turns the phase of its own accord.
    """
    described = analysis.sound_check.outputs[output]
    zone = "stage" if described.kind == "monitor" else "audience"
    positions = [name for name, position in analysis.sound_check.positions.items() if position.zone == zone]
    if described.kind not in BY_ARRIVAL:
        return View(frozenset(positions), *SCORE_RANGE_HZ)
    low_hz, high_hz = SCORE_RANGE_HZ if described.later_ms else (0.0, math.inf)
    return View(frozenset(described.align_at or positions), low_hz, high_hz)


def phase_points(analysis: Analysis, output: str, other: str) -> dict[str, list[PhasePoint]]:
    """Per position the phase of `output` minus that of `other`, by frequency, where it tells something.

    Positions without a usable band are left out, and all where they have but one and the same; of a fill or tower
    without `align_at` only the position with most of them stays, which is where the levels are closest.
    """
    errors, view = phase_errors(analysis, (output, other)), view_of(analysis, output)
    rows = [row for row in analysis.pairs if {row.output, row.other} == {output, other} and view.holds(row)]
    points: dict[str, list[PhasePoint]] = defaultdict(list)
    for row in sorted(rows, key=lambda row: row.band_hz):
        if not math.isfinite(row.relative_phase_deg):
            continue
        phase = row.relative_phase_deg if row.output == output else -row.relative_phase_deg
        std = math.hypot(*(errors.get((name, row.position, row.band_hz), 0.0) for name in (output, other)))
        turned = wrapped_deg(phase + change_deg(analysis, output, other, row.band_hz))
        is_usable = row.usable == "yes" and std < _VAGUE_DEG
        points[row.position].append(PhasePoint(row.band_hz, wrapped_deg(phase), turned, std, is_usable))
    n_usable = {position: sum(point.is_usable for point in found) for position, found in points.items()}
    described = analysis.sound_check.outputs[output]
    if described.kind in BY_ARRIVAL and not described.align_at and n_usable:
        n_usable = dict([max(n_usable.items(), key=lambda item: item[1])])
    shown = {position: points[position] for position, n in n_usable.items() if n}
    bands = {point.band_hz for found in shown.values() for point in found if point.is_usable}
    return shown if len(bands) > 1 else {}


def is_turned(analysis: Analysis, output: str, other: str) -> bool:
    """Whether the recommendation changes how the two stand to each other."""
    unchanged = (1.0, 0.0)
    return analysis.recommended_change.get(output, unchanged) != analysis.recommended_change.get(other, unchanged)


def change_deg(analysis: Analysis, output: str, other: str, hz: float) -> float:
    """How far the recommendation turns the phase of `output` minus `other`: a delay d by -360 f d, a flip by 180."""
    sign, delay_ms = analysis.recommended_change.get(output, (1.0, 0.0))
    other_sign, other_delay_ms = analysis.recommended_change.get(other, (1.0, 0.0))
    flip = 180.0 if sign * other_sign < 0 else 0.0
    return flip - 360.0 * hz * (delay_ms - other_delay_ms) / 1000.0


def phase_errors(analysis: Analysis, outputs: Collection[str]) -> dict[tuple[str, str, float], float]:
    """Standard error of the phase per (output, position, band), captures combined by inverse variance."""
    weights: dict[tuple[str, str, float], float] = defaultdict(float)
    for row in analysis.bands:
        if row.output in outputs and math.isfinite(row.phase_std_deg) and row.phase_std_deg > 0.0:
            weights[row.output, row.position, row.band_hz] += row.phase_std_deg**-2.0
    return {key: weight**-0.5 for key, weight in weights.items()}


def seats(analysis: Analysis) -> list[Seat]:
    """The sum at every position at which several outputs are heard, the audience first."""
    return [_seat(position, predictions_at(analysis, position)) for position in positions_with_sums(analysis)]


def _seat(position: str, rows: list[Prediction]) -> Seat:
    """One seat from its predicted sums."""
    used = counted(rows)
    worst = min(used, key=lambda row: row.recommended_db if math.isfinite(row.recommended_db) else math.inf)
    return Seat(
        position,
        worst.zone,
        len(used),
        worst.cell == "yes",
        mean(row.present_db for row in used),
        mean(row.recommended_db for row in used),
        worst.band_hz,
        worst.recommended_db,
    )


def score_at(one: DelayScan, sign: str, delay_ms: float) -> float:
    """The score of a group at one setting, read off its scan; NaN for a sign that is neither."""
    curves = {"normal": one.normal_db, "inverted": one.inverted_db}
    return float(np.interp(delay_ms, one.delay_ms, curves[sign])) if sign in curves else math.nan


def scan_error_db(one: DelayScan) -> float:
    """Half the width of a scan's curves where they are widest: two deviations of resamples; NaN where not known."""
    return 2.0 * max(float(np.max(std)) for std in (one.normal_std_db, one.inverted_std_db))


def is_width_seen(one: DelayScan) -> bool:
    """Whether the width of a scan's curves can be told from the thickness of their lines."""
    both = np.concatenate([one.normal_db, one.inverted_db])
    return scan_error_db(one) > _LINE_PART * float(both.max() - both.min())


def spreads(analysis: Analysis) -> list[Spread]:
    """Advantage per scenario over the audience positions (over all where no audience is in it), in order.

    None where no scenario makes a difference, because no setting is changed.
    """
    scenarios: dict[str, list[Robustness]] = defaultdict(list)
    for row in analysis.robustness:
        if math.isfinite(row.advantage_db):
            scenarios[row.scenario].append(row)
    found = [_spread(analysis, scenario, rows) for scenario, rows in scenarios.items()]
    return found if any(max(-one.low_db, one.high_db) > _NOTHING_DB for one in found) else []


def _spread(analysis: Analysis, scenario: str, rows: list[Robustness]) -> Spread:
    """Lowest, mean and highest advantage of one scenario; positions count in the mean by their weights."""
    rows = [row for row in rows if row.zone == "audience"] or rows
    values = [row.advantage_db for row in rows]
    weights = [analysis.sound_check.positions[row.position].weight for row in rows]
    total = sum(weights)
    mean_db = sum(w * db for w, db in zip(weights, values, strict=True)) / total if total else mean(values)
    worst = min(rows, key=lambda row: row.advantage_db)
    return Spread(scenario, min(values), mean_db, max(values), worst.position)


def scenario_text(scenario: str) -> str:
    """A scenario in words.

    >>> scenario_text("level:sub left:+3"), scenario_text("air:-10"), scenario_text("seat:mix")
    ('sub left fader +3 dB', 'air 10 °C colder', 'decided without mix')
    """
    kind, _, rest = scenario.partition(":")
    if kind == "level":
        output, _, step = rest.rpartition(":")
        return f"{output} fader {step.replace('-', '−')} dB"
    if kind == "air":
        return f"air {rest.lstrip('+-')} °C {'colder' if rest.startswith('-') else 'warmer'}"
    if kind == "seat":
        return f"decided without {rest}"
    if kind == "polarity":
        return f"{rest} polarity kept at present"
    return scenario
