"""Plots about outputs together: where they add, how their phases stand, how sure that is."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import OCTAVE_RATIO
from analyze.reports.naming import shortened
from analyze.reports.plot_style import Look, colour, frequency_axis, legend_above, place, round_ticks, title, y_names
from analyze.reports.plots_outputs import WIDTH_IN, legend_in
from analyze.reports.selections import (
    SCORE_RANGE_HZ,
    PhasePoint,
    Spread,
    is_turned,
    predictions_at,
    recommendation_of,
    scenario_text,
    score_at,
    spreads,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analyze.alignment.rows import DelayScan, Prediction
    from analyze.pipeline import Analysis

PhasePoints = dict[str, list[PhasePoint]]
Floats = NDArray[np.float64]

# A sum lower than this is drawn at the lower edge: it is lost, how far below does not matter.
_FLOOR_DB = -20.0

# Order in which shades are drawn: below the grid.
_SHADE = 0.1

_PANEL_COLUMNS, _PANEL_ROW_IN = 3, 1.75

# Half the length of an error bar in standard errors: two hold the truth in nineteen cases of twenty.
_ERRORS = 2.0

#: Scenarios in the robustness plot; beyond it the least favourable are drawn.
MAX_SCENARIOS = 40

_SCENARIO_NAMES_IN, _SCENARIO_LENGTH = 2.35, 34

_PRESENT: dict[str, Any] = {
    "color": colour("present"),
    "linestyle": (0, (4, 2)),
    "marker": "o",
    "markerfacecolor": "none",
}
_RECOMMENDED: dict[str, Any] = {"color": colour("recommended"), "linestyle": "-", "marker": "D"}


def sum_size() -> tuple[float, float]:
    """Size of a plot of sums."""
    return WIDTH_IN, 3.2


def sums(figure: Figure, analysis: Analysis, look: Look, position: str) -> None:
    """The sum of all outputs at one position re the sum of all magnitudes, at present and as recommended.

    The width of a curve is its error.
    """
    rows = _in_range(predictions_at(analysis, position))
    axes = figure.subplots()
    place(figure, 0.65, 0.2, 0.36 + legend_in(1), 0.5)
    title(figure, f"Do they add at {look.positions[position]}? All outputs together")
    hz = [row.band_hz for row in rows]
    half = OCTAVE_RATIO ** (0.5 / analysis.bands_per_octave)
    _shade_cells(axes, rows, half)
    for field, style, label in (("present", _PRESENT, "at present"), ("recommended", _RECOMMENDED, "as recommended")):
        db, std_db = (np.array([getattr(row, field + unit) for row in rows]) for unit in ("_db", "_std_db"))
        either_db = _ERRORS * np.nan_to_num(std_db)
        axes.fill_between(hz, db - either_db, db + either_db, color=style["color"], alpha=0.2, linewidth=0.0)
        axes.plot(hz, db, label=label, **style)
    axes.set_ylim(_lowest_db(analysis), 0.6)
    axes.set_ylabel("Sum (dB re sum of magnitudes)")
    round_ticks(axes.yaxis)
    frequency_axis(axes, min(hz) / half, max(hz) * half)
    legend_above(axes, 3)


def _in_range(rows: Iterable[Prediction]) -> list[Prediction]:
    """The bands in the range of the score."""
    low, high = SCORE_RANGE_HZ
    return [row for row in rows if low <= row.band_hz <= high]


def _lowest_db(analysis: Analysis) -> float:
    """Lower edge of all plots of sums, the same for all so that positions can be compared."""
    known = [v for row in _in_range(analysis.prediction) for v in (row.present_db, row.recommended_db)]
    return min(-6.0, max(min((v for v in known if math.isfinite(v)), default=0.0) - 1.0, _FLOOR_DB))


def _shade_cells(axes: Axes, rows: list[Prediction], half: float) -> None:
    """One shade behind every run of bands that count; `half` is the ratio of a band's edge to its centre."""
    label: str | None = "counts in the score"
    for counts, run in itertools.groupby(rows, key=lambda row: row.cell == "yes"):
        if counts:
            bands = [row.band_hz for row in run]
            axes.axvspan(
                bands[0] / half, bands[-1] * half, color=colour("shade"), linewidth=0.0, zorder=_SHADE, label=label
            )
            label = None


def phase_size(points: PhasePoints) -> tuple[float, float]:
    """Size of a phase plot: a panel per position, in rows."""
    return WIDTH_IN, 1.1 + _PANEL_ROW_IN * math.ceil(len(points) / _panel_columns(points))


def _panel_columns(points: PhasePoints) -> int:
    """Panels beside each other: rows and columns alike, as far as the width allows."""
    return min(_PANEL_COLUMNS, math.ceil(math.sqrt(len(points))))


def phases(figure: Figure, analysis: Analysis, look: Look, output: str, other: str, points: PhasePoints) -> None:
    """Phase of one output minus that of another, a panel per position, the length of the bars its error."""
    positions = [name for name in look.positions if name in points]
    n_columns = _panel_columns(points)
    grid = figure.subplots(math.ceil(len(positions) / n_columns), n_columns, sharex=True, sharey=True, squeeze=False)
    place(figure, 0.65, 0.15, 0.62 + legend_in(1), 0.5)
    figure.subplots_adjust(hspace=0.28, wspace=0.1)
    title(figure, f"How do they stand? {look.outputs[output]} against {look.outputs[other]}")
    row = recommendation_of(analysis, output)
    overlap = (row.overlap_low_hz, row.overlap_high_hz) if row else (math.nan, math.nan)
    panels = list(grid.flat)
    for axes, position in zip(panels, positions, strict=False):
        _phase_panel(axes, points[position], overlap, is_turned(analysis, output, other))
        axes.set_title(look.positions[position], loc="left", fontsize=8.5, pad=3)
    for axes in panels[len(positions) :]:
        axes.set_visible(False)
    for axes in panels[: len(positions)][-n_columns:]:
        axes.tick_params(labelbottom=True)
    bands = [point.band_hz for name in positions for point in points[name] if point.is_usable]
    for axes in panels:
        frequency_axis(axes, min(bands) / 1.2, max(bands) * 1.2)
        axes.set_xlabel("")
    figure.supxlabel("Frequency (Hz)", fontsize=9, y=0.08 / figure.get_size_inches()[1], va="bottom")
    grid[0, 0].set_ylabel("Phase (°)")
    handles, names = panels[0].get_legend_handles_labels()
    width, height = figure.get_size_inches()
    figure.legend(handles, names, loc="upper left", bbox_to_anchor=(0.6 / width, 1 - 0.32 / height), ncols=4)


def _phase_panel(axes: Axes, points: list[PhasePoint], overlap: tuple[float, float], is_turned: bool) -> None:
    """The phases at one position in the usable bands; lines break where the angle wraps or a band is missing."""
    if all(math.isfinite(edge) for edge in overlap):
        axes.axvspan(*overlap, color=colour("shade"), linewidth=0.0, zorder=_SHADE, label="overlap")
    axes.axhline(0.0, color=colour("muted"), linewidth=0.8)
    hz = np.array([point.band_hz for point in points])
    is_usable = np.array([point.is_usable for point in points])
    present = np.where(is_usable, [point.present_deg for point in points], np.nan)
    turned = np.where(is_usable, [point.recommended_deg for point in points], np.nan)
    bars = np.minimum([_ERRORS * point.std_deg for point in points], 180.0)
    curves = [(present, _PRESENT, "at present" if is_turned else "at present, unchanged")]
    curves += [(turned, _RECOMMENDED, "as recommended")] if is_turned else []
    for phase, style, label in curves:
        axes.vlines(hz, phase - bars, phase + bars, color=style["color"], alpha=0.3, linewidth=5.0)
        axes.plot(*_broken(hz, phase), markersize=3.2, linewidth=1.1, label=label, **style)
    axes.set_ylim(-180.0, 180.0)
    axes.set_yticks([-180, -90, 0, 90, 180])


def _broken(hz: Floats, phase_deg: Floats) -> tuple[Floats, Floats]:
    """The line with a gap wherever the angle jumps by more than 180 degrees."""
    with np.errstate(invalid="ignore"):
        jumps = np.nonzero(np.abs(np.diff(phase_deg)) > 180.0)[0] + 1
    return np.insert(hz, jumps, np.nan), np.insert(phase_deg, jumps, np.nan)


def scan_size() -> tuple[float, float]:
    """Size of a delay scan."""
    return WIDTH_IN, 3.2


def scan(figure: Figure, analysis: Analysis, look: Look, one: DelayScan) -> None:
    """The score over the delay setting of one group, for both polarities."""
    axes = figure.subplots()
    place(figure, 0.65, 0.2, 0.36 + legend_in(5, 3), 0.5)
    names = shortened(" + ".join(look.outputs.get(name, name) for name in one.outputs), 34)
    title(figure, f"How much hangs on the delay of {names}?")
    solid, dashed = "-", (0, (5, 1.5))
    for sign, db, std_db, shade, line in (
        ("normal", one.normal_db, one.normal_std_db, colour("s0"), solid),
        ("inverted", one.inverted_db, one.inverted_std_db, colour("s1"), dashed),
    ):
        axes.fill_between(one.delay_ms, db - 2.0 * std_db, db + 2.0 * std_db, color=shade, alpha=0.2, linewidth=0.0)
        axes.plot(one.delay_ms, db, color=shade, linestyle=line, label=f"polarity {sign}")
    for delay, sign, style in _scan_places(analysis, one):
        axes.plot([delay], [score_at(one, sign, delay)], linestyle="none", color=colour("ink"), **style)
    first = look.outputs.get(one.outputs[0], "")
    axes.set_xlabel(f"Delay setting of {first} (ms)")
    axes.set_ylabel("Score (dB)")
    round_ticks(axes.xaxis)
    round_ticks(axes.yaxis)
    axes.grid(visible=True)
    legend_above(axes, 3)


def _scan_places(analysis: Analysis, one: DelayScan) -> list[tuple[float, str, dict[str, Any]]]:
    """What is to be found on a scan: delay, polarity and looks."""
    from analyze.reports.runner_up import scan_places  # brings in all that decides

    looks = {
        "at present": {"marker": "o", "markerfacecolor": colour("paper"), "markersize": 11},
        "as recommended": {"marker": "D", "markerfacecolor": colour("ink"), "markersize": 6},
        "likeliest so far": {"marker": "D", "markerfacecolor": colour("paper"), "markersize": 6},
        "runner-up": {"marker": "^", "markerfacecolor": colour("paper"), "markersize": 7},
    }
    places = scan_places(analysis, one.outputs[0])
    return [(delay_ms, sign, {"label": label, **looks[label]}) for label, (sign, delay_ms) in places.items()]


def drawn_spreads(analysis: Analysis) -> list[Spread]:
    """The scenarios that are drawn, in order: all, or the least favourable where there are too many."""
    every = spreads(analysis)
    worst = sorted(every, key=lambda one: one.low_db)[:MAX_SCENARIOS]
    return [one for one in every if one in worst]


def has_rule(drawn: Sequence[Spread]) -> bool:
    """Whether a rule parts cases from polarities that are not set: where both are drawn."""
    return len({one.is_forgotten for one in drawn}) == 2


def robustness_size(analysis: Analysis) -> tuple[float, float]:
    """Size of the robustness plot: a line per scenario."""
    return WIDTH_IN, 1.15 + 0.21 * len(drawn_spreads(analysis))


def robustness(figure: Figure, analysis: Analysis, look: Look) -> None:
    """Advantage over the present settings in every scenario: mean, and the span over the audience positions."""
    del look
    rows = drawn_spreads(analysis)
    axes = figure.subplots()
    place(figure, _SCENARIO_NAMES_IN, 0.2, 0.36 + legend_in(1), 0.5)
    title(figure, "How sure are we? What is left if something changes")
    heights = range(len(rows))
    axes.axvline(0.0, color=colour("muted"), linewidth=0.9)
    lows, highs = [one.low_db for one in rows], [one.high_db for one in rows]
    span: dict[str, Any] = {"color": colour("recommended"), "linewidth": 3.0, "alpha": 0.45}
    axes.hlines(heights, lows, highs, label="worst to best seat", **span)
    for is_forgotten, face, label in ((False, "recommended", "mean"), (True, "paper", "mean, one polarity not set")):
        dots = [(one.mean_db, row) for row, one in enumerate(rows) if one.is_forgotten is is_forgotten]
        if dots:
            style: dict[str, Any] = {"color": colour("recommended"), "markerfacecolor": colour(face), "markersize": 4.0}
            axes.plot(*zip(*dots, strict=True), "D", label=label, **style)
    if has_rule(rows):
        axes.axhline(sum(not one.is_forgotten for one in rows) - 0.5, color=colour("muted"), linewidth=0.7)
    y_names(axes, [shortened(scenario_text(one.scenario), _SCENARIO_LENGTH) for one in rows])
    axes.set_xlabel("Better than at present by (dB)")
    axes.grid(visible=True, axis="x")
    round_ticks(axes.xaxis)
    legend_above(axes, 3, left_in=0.1)
