"""The plots of the guide's page `polarity`, as SVG, in the looks of a report.

A figure and its axes are those of matplotlib, which only `reports/` loads.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analyze.acoustics import energy_db
from analyze.guide import textbook
from analyze.reports.plot_style import Look, colour, frequency_axis, legend_above, place, render, round_ticks, title
from analyze.simulate_boxes import closed_box, linkwitz_riley, vented_box

_SIZE_IN = (7.0, 3.4)
#: Corner of the crossovers and of the boxes, Hz.
_CORNER_HZ, _BOX_HZ = 100.0, 50.0


def drawings() -> dict[str, bytes]:
    """File name -> SVG of every plot."""
    plots: Mapping[str, Callable[[Any], None]] = {
        "facing.svg": _facing,
        "boxes.svg": _boxes,
        "crossover.svg": _crossover,
        "sub_delay.svg": _sub_delay,
        "fader.svg": _fader,
    }
    return {name: render(draw, _SIZE_IN)[0] for name, draw in plots.items()}


def _curves(axes: Any, x: ArrayLike, curves: Mapping[str, ArrayLike]) -> None:
    """Lines by name, each with a colour and a line style of its own."""
    look = Look(curves, ())
    for name, y in curves.items():
        keywords: dict[str, Any] = look.series[name].keywords() | {"marker": ""}
        axes.plot(x, y, **keywords)


def _finish(figure: Any, text: str) -> None:
    """Title and margins."""
    title(figure, text)
    place(figure, 0.75, 0.2, 0.75, 0.5)


def _facing(figure: Any) -> None:
    """Level beside a driver over frequency."""
    axes = figure.subplots()
    frequency_hz = np.geomspace(31.5, 1000.0, 120)
    curves = {f"{inches} inch": textbook.beside_db(frequency_hz, inches) for inches in (12, 15, 18)}
    _finish(figure, "Beside a driver as loud as in front of it, as long as the wave is long")
    _curves(axes, frequency_hz, curves)
    for inches, line in zip((12, 15, 18), axes.lines[:3], strict=True):
        hz = textbook.ka_one_hz(inches)
        axes.plot([hz], textbook.beside_db([hz], inches), "o", color=line.get_color())
    axes.annotate("ka = 1", (290.0, -1.1), (180.0, -4.0), arrowprops={"arrowstyle": "-", "color": colour("muted")})
    frequency_axis(axes, 31.5, 1000.0)
    axes.set_ylim(-15.0, 1.0)
    axes.set_ylabel("90° off axis re on axis (dB)")
    legend_above(axes, 3)


def _boxes(figure: Any) -> None:
    """What boxes make of a click."""
    axes = figure.subplots()
    frequency_hz = textbook.click_lines_hz()
    vented = textbook.click(vented_box(frequency_hz, _BOX_HZ))
    closed = textbook.click(closed_box(frequency_hz, _BOX_HZ, np.sqrt(0.5)))
    n = 161
    _finish(figure, "A closed and a vented box begin in the same direction")
    _curves(
        axes,
        textbook.click_ms(n),
        {"closed": closed[:n], "vented": vented[:n], "vented, wired inverted": -vented[:n]},
    )
    axes.set_xlim(0.0, 20.0)
    axes.set_xlabel("Time (ms)")
    axes.set_ylabel("Pressure after a click")
    axes.grid(visible=True)
    legend_above(axes, 3)


def _crossover(figure: Any) -> None:
    """Sums of the two ways, both polarities, for two slopes."""
    panels = figure.subplots(1, 2, sharey=True)
    frequency_hz = np.geomspace(25.0, 400.0, 201)
    _finish(figure, "12 dB per octave adds up inverted, 24 dB per octave as it is")
    slopes: tuple[Literal[2, 4], ...] = (2, 4)
    for axes, order in zip(panels, slopes, strict=True):
        low, high = (linkwitz_riley(frequency_hz, _CORNER_HZ, order, way) for way in ("low", "high"))
        sums = {"same polarity": low + high, "one inverted": low - high, "each way": low}
        levels = {name: _level_db(h) for name, h in sums.items()}
        _curves(axes, frequency_hz, levels)
        other = axes.lines[-1]
        axes.plot(frequency_hz, _level_db(high), color=other.get_color(), linestyle=(0, (1.2, 1.2)))
        frequency_axis(axes, 25.0, 400.0)
        axes.set_ylim(-30.0, 3.0)
        axes.set_xlabel(f"Frequency (Hz), {6 * order} dB per octave")
    panels[0].set_ylabel("Level (dB)")
    legend_above(panels[0], 3)


def _level_db(h: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Level re 1, no less than what is drawn."""
    return 2.0 * energy_db(np.maximum(np.abs(h), 1e-4))


def _sub_delay(figure: Any) -> None:
    """The program's score of the example over the sub's delay."""
    axes = figure.subplots()
    delay_ms = np.linspace(-12.0, 12.0, 241)
    scores = textbook.scores_db(*textbook.main_and_sub(), delay_ms)
    _finish(figure, "Aligned arrivals are not the goal: a vented main played to the bottom, and a sub")
    _curves(axes, delay_ms, {"sub normal": scores[0], "sub inverted": scores[1]})
    axes.axvline(0.0, color=colour("muted"), linewidth=0.8)
    axes.text(0.15, -13.6, "arrivals aligned", color=colour("muted"))
    axes.set_xlim(-12.0, 12.0)
    axes.set_ylim(-14.0, 0.5)
    axes.set_xlabel("Sub later by (ms)")
    axes.set_ylabel("Sum re all they have (dB)")
    round_ticks(axes.xaxis)
    axes.grid(visible=True)
    legend_above(axes, 2)


def _fader(figure: Any) -> None:
    """The sum of a main and a monitor while the monitor's fader moves."""
    axes = figure.subplots()
    fader_db = np.linspace(-10.0, 10.0, 201)
    sums = {
        "in polarity": textbook.unequal_db(-fader_db, 1.0),
        "monitor inverted": np.maximum(textbook.unequal_db(-fader_db, -1.0), -40.0),
    }
    _finish(figure, "What an inverted monitor takes away, a fader gives back")
    _curves(axes, fader_db, sums)
    axes.set_xlim(-10.0, 10.0)
    axes.set_ylim(-30.0, 15.0)
    axes.set_xlabel("Monitor re main at the microphone (dB)")
    axes.set_ylabel("Sum re the main alone (dB)")
    round_ticks(axes.xaxis)
    axes.grid(visible=True)
    legend_above(axes, 2)
