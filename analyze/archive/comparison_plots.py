"""Plots of a comparison: what outputs did, what the air explains, which bands changed. Drawn from rows alone.

A figure is one of matplotlib, which only `reports/` loads.
"""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import numpy as np

from analyze.archive.comparison_rows import Comparison
from analyze.reports.naming import numbered
from analyze.reports.plot_style import Look, colour, frequency_axis, legend_above, place, round_ticks, title, y_names
from analyze.reports.plots import Plot
from analyze.reports.summaries import frequency, number

#: Where on the page a plot stands.
ARRIVALS, RESPONSES = "arrivals", "responses"
#: Responses of so many outputs are drawn, those that changed first.
_MOST_RESPONSES = 8


def plots(comparison: Comparison) -> tuple[Plot, ...]:
    """All plots this comparison has data for."""
    look = Look((row.output for row in comparison.outputs), (row.position for row in comparison.positions))
    drafts = []
    if comparison.changes:
        n = len({row.output for row in comparison.changes})
        height = 1.1 + 0.34 * n
        drafts.append(
            ("own change of arrival", ARRIVALS, "What each output's arrival did by itself", _OWN, (6.6, height), _own)
        )
        drafts.append(
            ("arrival against flight", ARRIVALS, "Change of arrival over time in the air", _AIR, (6.6, 4.2), _flights)
        )
    drawn = [
        Plot(numbered(k, name), question, heading, text, size, partial(draw, comparison=comparison, look=look))
        for k, (name, question, heading, text, size, draw) in enumerate(drafts, 1)
    ]
    for row in [one for one in comparison.outputs if one.verdict == "changed in response"][:_MOST_RESPONSES]:
        drawn.append(
            Plot(
                numbered(len(drawn) + 1, "response of", row.output),
                RESPONSES,
                f"Response of {row.output} against the older visit",
                f"Thin: every position; thick: their mean. Most at {frequency(row.response_change_hz)}: "
                f"{number(row.response_change_db)} dB. Level over all bands is taken out.",
                (6.6, 3.4),
                partial(_response, comparison=comparison, look=look, output=row.output),
            )
        )
    return tuple(drawn)


_OWN = (
    "Settings, air and what is common to a position or the whole rig are taken out. Large dots: mean with two standard "
    "errors; small ones: single positions; shaded: within tolerance."
)
_AIR = (
    "Settings are taken out. The line is what the air alone predicts; a dot off it is an output or a microphone that "
    "changed. All dots off it alike: the latency of the whole rig."
)


def _own(figure: Any, comparison: Comparison, look: Look) -> None:
    """Own change of arrival per output, mean and single positions."""
    axes = figure.subplots()
    place(figure, 1.75, 0.15, 0.45, 0.5)
    title(figure, "What each output's arrival did by itself")
    rows = [row for row in comparison.outputs if math.isfinite(row.arrival_change_ms)]
    tolerance_ms = comparison.tolerances.arrival_ms
    axes.axvspan(-tolerance_ms, tolerance_ms, color=colour("shade"), lw=0)
    axes.axvline(0.0, color=colour("muted"), lw=0.8)
    reach = 2.0 * tolerance_ms
    for k, row in enumerate(rows):
        series = look.series[row.output]
        single = [one.own_ms for one in comparison.changes if one.output == row.output]
        axes.plot(single, [k + 0.18] * len(single), ls="none", marker=".", ms=4, color=series.colour, alpha=0.6)
        error = 2.0 * row.arrival_change_std_ms
        axes.errorbar(
            row.arrival_change_ms, k - 0.08, xerr=error, fmt=series.marker, color=series.colour, ms=6, capsize=2, lw=1.3
        )
        reach = max(reach, abs(row.arrival_change_ms) + error, *(abs(value) for value in single))
    axes.set_xlim(-1.08 * reach, 1.08 * reach)
    round_ticks(axes.xaxis)
    axes.set_xlabel("Own change of arrival (ms); later is to the right")
    axes.grid(visible=True, axis="x")
    y_names(axes, [look.outputs[row.output] for row in rows])


def _flights(figure: Any, comparison: Comparison, look: Look) -> None:
    """Change of arrival over the time in the air, and what the air alone predicts."""
    axes = figure.subplots()
    names = list(dict.fromkeys(row.output for row in comparison.changes))
    n_columns = 4
    place(figure, 0.75, 0.15, 0.5 + 0.19 * math.ceil((len(names) + 1) / n_columns), 0.5)
    title(figure, "Change of arrival over time in the air")
    most = max([row.flight_ms for row in comparison.changes] + [1.0])
    x = np.array([0.0, 1.05 * most])
    axes.plot(x, comparison.air_stretch * x, color=colour("ink"), lw=1.2, label="air alone")
    for name in names:
        series = look.series[name]
        own = [row for row in comparison.changes if row.output == name]
        axes.plot(
            [row.flight_ms for row in own],
            [row.arrival_change_ms - row.setting_change_ms for row in own],
            ls="none",
            marker=series.marker,
            color=series.colour,
            label=series.label,
        )
    axes.set_xlim(0.0, x[1])
    least_ms = 2.0 * comparison.tolerances.arrival_ms  # so that noise does not fill the drawing
    axes.set_ylim(min(axes.get_ylim()[0], -least_ms), max(axes.get_ylim()[1], least_ms))
    round_ticks(axes.xaxis)
    round_ticks(axes.yaxis)
    axes.set_xlabel("Time in the air at the older visit (ms)")
    axes.set_ylabel("Change (ms)")
    axes.grid(visible=True)
    legend_above(axes, n_columns)


def _response(figure: Any, comparison: Comparison, look: Look, output: str) -> None:
    """Change of level per band of one output at every position, and its mean."""
    axes = figure.subplots()
    place(figure, 0.7, 0.15, 0.45, 0.5)
    title(figure, f"Response of {look.outputs[output]}: change of level")
    series = look.series[output]
    rows = [row for row in comparison.comparison if row.output == output]
    tolerance_db = comparison.tolerances.response_db
    axes.axhspan(-tolerance_db, tolerance_db, color=colour("shade"), lw=0)
    for position in dict.fromkeys(row.position for row in rows):
        points = [(row.band_hz, row.level_change_db) for row in rows if row.position == position]
        axes.plot(*zip(*points, strict=True), color=series.colour, lw=0.8, alpha=0.55)
    bands = sorted({row.band_hz for row in rows})
    means = [np.mean([row.level_change_db for row in rows if row.band_hz == hz]) for hz in bands]
    axes.plot(bands, means, color=series.colour, lw=2.2)
    frequency_axis(axes, 0.9 * bands[0], 1.1 * bands[-1])
    round_ticks(axes.yaxis)
    axes.set_ylabel("Change (dB)")
