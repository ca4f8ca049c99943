"""Plots of a history: arrival, level and polarity of every output over days and over the air's temperature.

Drawn from rows alone. A figure is one of matplotlib, which only `reports/` loads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any

import numpy as np
from scipy.optimize import isotonic_regression

from analyze.archive.history_rows import History, OutputRow
from analyze.reports.naming import numbered, shortened
from analyze.reports.plot_style import Look, colour, legend_above, place, round_ticks, title, y_names
from analyze.reports.plots import Plot

#: A line breaks where sums begin anew; two of these errors are drawn.
_ERRORS = 2.0
#: Room for a day below an axis, in inches.
_DAY_IN = 0.75
#: Visits stand apart at least by this share of the axis, of many by this share of what each would have of it.
_BESIDE, _BESIDE_OF_MANY = 0.045, 0.5
#: Between days and temperatures, so that the last of those and the first of these have room, about so many inches.
_APART_IN = 0.35
_COLUMNS = 4

_SINCE = (
    "The output's own change added up since the first visit: settings as described, air, microphones and what "
    "everything did are taken out. Left over days, right over the temperature of the air. Bars: two standard errors. A "
    "line that ends and begins anew at 0: the output could not be compared in between. Visits too close to be told "
    "apart stand side by side."
)
_WAY_UP = (
    "Triangles: wiring as measured, upwards is normal, downwards inverted; a dot: undecided. A ring around it: the "
    "polarity setting in force was inverted, so it played the other way up. Visits too close to be told apart stand "
    "side by side."
)


@dataclass(frozen=True)
class _Quantity:
    """What is drawn: a name for files, a title, an axis label, and the columns of value and error."""

    name: str
    title: str
    label: str
    value: str
    std: str


_QUANTITIES = (
    _Quantity("arrival", "Arrival since the first visit", "Later by (ms)", "arrival_since_ms", "arrival_since_std_ms"),
    _Quantity("level", "Level since the first visit", "Louder by (dB)", "level_since_db", "level_since_std_db"),
)


def plots(history: History) -> tuple[Plot, ...]:
    """All plots: those of a venue bear its name as their question; a venue with one visit has none."""
    drawn: list[Plot] = []
    for venue in history.venues:
        rows = [row for row in history.outputs_of(venue) if row.date]
        if len({row.path for row in rows}) < 2:
            continue
        look = Look(dict.fromkeys(row.output for row in rows), ())
        n = len(look.outputs)
        legend_in = 0.19 * math.ceil(n / _COLUMNS)
        called = shortened(venue, 40)
        for one in _QUANTITIES:
            draw = partial(_since, rows=rows, look=look, one=one, legend_in=legend_in)
            stem = numbered(len(drawn) + 1, one.name, venue)
            drawn.append(Plot(stem, venue, f"{one.title}: {called}", _SINCE, (7.6, 3.2 + legend_in), draw))
        draw = partial(_way_up, rows=rows, look=look)
        stem = numbered(len(drawn) + 1, "polarity", venue)
        drawn.append(Plot(stem, venue, f"Polarity over time: {called}", _WAY_UP, (7.6, 1.1 + 0.34 * n), draw))
    return tuple(drawn)


def _since(figure: Any, rows: Sequence[OutputRow], look: Look, one: _Quantity, legend_in: float) -> None:
    """One quantity of every output over days and over temperature."""
    over_days, over_air = figure.subplots(1, 2, sharey=True, width_ratios=(3, 2))
    place(figure, 0.7, 0.15, 0.42 + legend_in, 0.5)
    figure.subplots_adjust(wspace=_APART_IN * 4.0 / figure.get_size_inches()[0])
    title(figure, one.title)
    known = [row for row in rows if math.isfinite(getattr(row, one.value))]
    at = _side_by_side(rows)
    for name, series in look.series.items():
        own = [row for row in known if row.output == name]
        for begin in dict.fromkeys(row.counted_from for row in own):
            part = [row for row in own if row.counted_from == begin]
            values = [getattr(row, one.value) for row in part]
            errors = [_ERRORS * getattr(row, one.std) for row in part]
            look_of = {"color": series.colour, "marker": series.marker, "capsize": 2, "lw": 1.2}
            over_days.errorbar([at[row.path] for row in part], values, errors, ls=series.line, **look_of)
            over_air.errorbar([row.temperature_c for row in part], values, errors, ls="none", **look_of)
        over_days.plot([], [], ls=series.line, marker=series.marker, color=series.colour, label=series.label)
    for axes in (over_days, over_air):
        axes.axhline(0.0, color=colour("muted"), lw=0.8)
        axes.grid(visible=True)
    _days(over_days, rows)
    round_ticks(over_days.yaxis)
    over_days.set_ylabel(one.label)
    _temperatures(over_air, rows)
    legend_above(over_days, _COLUMNS)


def _way_up(figure: Any, rows: Sequence[OutputRow], look: Look) -> None:
    """Wiring and polarity setting of every output at every visit."""
    axes = figure.subplots()
    place(figure, 1.75, 0.15, 0.42, 0.5)
    title(figure, "Polarity over time")
    at = _side_by_side(rows)
    markers = {"normal": "^", "inverted": "v", "undecided": "."}
    for k, (name, series) in enumerate(look.series.items()):
        for row in rows:
            if row.output != name or row.wiring not in markers:
                continue
            axes.plot(at[row.path], k, ls="none", marker=markers[row.wiring], ms=7, color=series.colour)
            if row.setting_polarity == "inverted":
                axes.plot(at[row.path], k, ls="none", marker="o", ms=14, mfc="none", mec=series.colour, mew=1.3)
    _days(axes, rows)
    axes.grid(visible=True, axis="x")
    y_names(axes, list(look.outputs.values()))


def _day(row: OutputRow) -> int:
    return date.fromisoformat(row.date).toordinal()


def _side_by_side(rows: Sequence[OutputRow]) -> dict[str, float]:
    """Where each visit stands on an axis of days, by its path: as near to its day as leaves room for its neighbours."""
    day = {row.path: _day(row) for row in rows}
    days = np.array(list(day.values()), dtype=float)  # (visit,) in their order
    apart = min(_BESIDE, _BESIDE_OF_MANY / len(days)) * max(float(np.ptp(days)), 1.0)
    room = apart * np.arange(len(days))
    return dict(zip(day, (isotonic_regression(days - room).x + room).tolist(), strict=True))


def _days(axes: Any, rows: Sequence[OutputRow]) -> None:
    """An axis of days; those written are days of visits, the newest always, as many as have room."""
    at, visits = _side_by_side(rows), {row.path: row.date for row in rows}
    first, last = min(at.values()), max(at.values())
    span = last - first
    axes.set_xlim(first - 0.06 * span, last + 0.06 * span)
    apart = 1.12 * span * _DAY_IN * axes.figure.dpi / axes.bbox.width
    written: dict[str, float] = {}
    for day in sorted(set(visits.values()), reverse=True):
        middle = float(np.mean([at[path] for path, date_of in visits.items() if date_of == day]))
        if all(there - middle >= apart for there in written.values()):
            written[day] = middle
    axes.set_xticks(list(written.values()), list(written))
    axes.set_xlabel("Day of the visit")


def _temperatures(axes: Any, rows: Sequence[OutputRow]) -> None:
    low, high = min(row.temperature_c for row in rows), max(row.temperature_c for row in rows)
    room = max(0.08 * (high - low), 0.5)
    axes.set_xlim(low - room, high + room)
    round_ticks(axes.xaxis)
    axes.set_xlabel("Air (°C)")
