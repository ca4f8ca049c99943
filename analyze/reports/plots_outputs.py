"""Plots about single outputs: when each arrives, how loud each is where."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analyze.reports.naming import shortened
from analyze.reports.plot_style import (
    Look,
    Series,
    colour,
    frequency_axis,
    legend_above,
    place,
    round_ticks,
    title,
    y_names,
)
from analyze.reports.selections import (
    by_zone,
    delay_change_ms,
    levels_at,
    own_clocks,
    phase_errors,
    present_arrivals,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analyze.pipeline import Analysis
    from analyze.responses.rows import Arrival

Floats = NDArray[np.float64]

#: Width of a plot in inches, and of the names beside one.
WIDTH_IN = 5.8
NAMES_IN = 1.75

# A name with `(stage)` behind it where names have their room.
_STAGE_LENGTH = 14

_LEGEND_COLUMNS, _LEGEND_ROW_IN = 2, 0.16

#: Errors of a level that are smaller either way are not drawn: who is loudest does not hang on them, and a page of many
#: outputs has no room for them.
LEAST_SEEN_DB = 3.0
#: Of a level that is less known than this either way nothing is drawn: it may stand anywhere among the others.
MOST_ERROR_DB = 10.0
_DB_PER_RADIAN = 20.0 / math.log(10.0)

# Levels further than this below the loudest band of a plot are not shown.
_LEVEL_RANGE_DB = 50.0


def legend_in(n_labels: int, n_columns: int = _LEGEND_COLUMNS) -> float:
    """Height of a legend of so many labels, in inches."""
    return 0.08 + _LEGEND_ROW_IN * math.ceil(n_labels / n_columns)


def arrival_size(analysis: Analysis) -> tuple[float, float]:
    """Size of the arrival plot: a strip per position, as high as its outputs need."""
    outputs = {row.output for row in analysis.arrivals}
    positions = {row.position for row in analysis.arrivals}
    return WIDTH_IN, 1.0 + legend_in(len(outputs)) + len(positions) * _strip_in(len(outputs))


def _strip_in(n_outputs: int) -> float:
    return 0.3 + 0.105 * n_outputs


def arrival(figure: Figure, analysis: Analysis, look: Look) -> None:
    """Arrival of every output at every position, a dot with its standard error, at present settings.

    A line leads from a dot to where the recommended delay takes it.
    """
    outputs = [name for name in look.outputs if any(row.output == name for row in analysis.arrivals)]
    heard = {row.position for row in analysis.arrivals}
    zones = by_zone(analysis, [name for name in look.positions if name in heard])
    positions = [name for there in zones.values() for name in there]
    axes = figure.subplots()
    place(figure, NAMES_IN, 0.2, 0.36 + legend_in(len(outputs)), 0.5)
    title(figure, "Arrival at every position")
    for index, output in enumerate(outputs):
        offset = (index - (len(outputs) - 1) / 2.0) * 0.8 / max(len(outputs), 1)
        _arrival_dots(axes, analysis, look, output, {name: row + offset for row, name in enumerate(positions)})
    on_stage = {name: f"{shortened(look.positions[name], _STAGE_LENGTH)} (stage)" for name in zones.get("stage", ())}
    y_names(axes, [on_stage.get(name, look.positions[name]) for name in positions])
    for row in range(1, len(positions)):
        is_between = row == len(zones.get("audience", ()))
        axes.axhline(row - 0.5, color=colour("muted" if is_between else "grid"), linewidth=1.4 if is_between else 0.7)
    own = own_clocks(analysis)
    is_relative = bool(own) and all((row.capture, row.position) in own for row in present_arrivals(analysis))
    axes.set_xlabel(f"Arrival {'against one another' if is_relative else 'after the feed'} (ms), setting included")
    axes.grid(visible=True, axis="x")
    round_ticks(axes.xaxis)
    legend_above(axes, _LEGEND_COLUMNS)


def _arrival_dots(axes: Axes, analysis: Analysis, look: Look, output: str, heights: dict[str, float]) -> None:
    """The arrivals of one output; hollow where the recorder ran on its own clock."""
    series = look.series[output]
    mine = [row for row in present_arrivals(analysis) if row.output == output and row.position in heights]
    own = own_clocks(analysis)
    label: str | None = series.label
    for is_own in (False, True):
        rows = [row for row in mine if ((row.capture, row.position) in own) == is_own]
        if not rows:
            continue
        _arrival_changes(axes, rows, heights, delay_change_ms(analysis, output), series)
        axes.errorbar(
            [row.arrival_ms for row in rows],
            [heights[row.position] for row in rows],
            xerr=[row.arrival_std_ms if math.isfinite(row.arrival_std_ms) else 0.0 for row in rows],
            linestyle="none",
            color=series.colour,
            marker=series.marker,
            markerfacecolor=colour("paper") if is_own else series.colour,
            capsize=2.0,
            elinewidth=1.0,
            label=label,
        )
        label = None


def _arrival_changes(
    axes: Axes, rows: list[Arrival], heights: dict[str, float], change_ms: float, series: Series
) -> None:
    """Lines from arrivals at present settings to recommended ones, whose ends are upright strokes."""
    if not change_ms:
        return
    for row in rows:
        ends, height = [row.arrival_ms, row.arrival_ms + change_ms], heights[row.position]
        axes.plot(ends, [height, height], color=series.colour, linewidth=1.0)
        axes.plot(ends[1:], [height], "|", color=series.colour, markersize=7.0, markeredgewidth=1.6)


def level_errors_db(analysis: Analysis, output: str, position: str, hz: Floats) -> Floats:
    """Two standard errors of a level in dB per band, 0 where not known.

    An error of H that has no direction turns its phase by as many radians as it changes its magnitude in parts of it:
    `20 / ln 10` dB to the radian.
    """
    errors = phase_errors(analysis, (output,))
    radians = np.radians([errors.get((output, position, float(one)), 0.0) for one in hz])
    return np.asarray(np.minimum(2.0 * _DB_PER_RADIAN * radians, _LEVEL_RANGE_DB))


def is_error_seen(either_db: Floats) -> NDArray[np.bool_]:
    """Bands in which the error of a level is drawn, and the next on both sides; not where the level is not known."""
    is_seen = np.convolve(either_db > LEAST_SEEN_DB, np.ones(3))[1:-1] > 0.0  # "same" has three for fewer bands
    return np.asarray(is_seen & is_level_known(either_db))


def is_level_known(either_db: Floats) -> NDArray[np.bool_]:
    """Bands in which a level is known well enough to be drawn."""
    return np.asarray(either_db <= MOST_ERROR_DB)


def errors_at(analysis: Analysis, position: str) -> dict[str, Floats]:
    """Per output at a position two standard errors of its levels in dB, band by band."""
    levels = levels_at(analysis, position)
    return {
        output: level_errors_db(analysis, output, position, np.array([hz for hz, _ in points]))
        for output, points in levels.items()
    }


def level_size(analysis: Analysis, position: str) -> tuple[float, float]:
    """Size of a level plot."""
    return WIDTH_IN, 3.1 + legend_in(len(levels_at(analysis, position)))


def level(figure: Figure, analysis: Analysis, look: Look, position: str) -> None:
    """Level of every output at one position, band by band."""
    levels, errors = levels_at(analysis, position), errors_at(analysis, position)
    outputs = [name for name in look.outputs if name in levels]
    axes = figure.subplots()
    place(figure, 0.65, 0.2, 0.36 + legend_in(len(outputs)), 0.5)
    title(figure, f"How loud is each output at {look.positions[position]}?")
    for output in outputs:
        hz, db = (np.array(values) for values in zip(*levels[output], strict=True))
        either_db = errors[output]
        axes.plot(hz, np.where(is_level_known(either_db), db, np.nan), markevery=3, **look.series[output].keywords())
        is_seen = is_error_seen(either_db)
        if is_seen.any():
            shade = look.series[output].colour
            axes.fill_between(hz, db - either_db, db + either_db, is_seen, color=shade, alpha=0.18, linewidth=0.0)
    bands = [hz for points in levels.values() for hz, _ in points]
    top = max(db for points in levels.values() for _, db in points)
    lowest = min(db for points in levels.values() for _, db in points)
    axes.set_ylim(max(lowest, top - _LEVEL_RANGE_DB) - 3.0, top + 3.0)
    axes.set_ylabel("Level (dB re full scale)")
    round_ticks(axes.yaxis)
    frequency_axis(axes, min(bands) / 1.1, max(bands) * 1.1)
    legend_above(axes, _LEGEND_COLUMNS)
