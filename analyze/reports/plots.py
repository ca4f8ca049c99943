"""Which plots a report has: their names, titles, words and drawings, in the order of the engineer's questions.

Listing them costs nothing: matplotlib is loaded when the first is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from analyze.reports import plots_outputs, plots_sums, summaries
from analyze.reports.naming import numbered
from analyze.reports.partners import partners
from analyze.reports.plot_style import Look, not_drawn, render
from analyze.reports.selections import phase_points, positions_with_sums, seats_first, spreads
from analyze.responses.transfer import merged

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analyze.pipeline import Analysis

ARRIVAL, SUMS, CERTAINTY, LEVELS = "arrival", "sums", "certainty", "levels"


@dataclass(frozen=True)
class Plot:
    """One plot: file stem, the question it answers, title, what it shows in words, size in inches and drawing.

    is_on_stage : whether it shows the stage alone
    """

    stem: str
    question: str
    title: str
    text: str
    size_in: tuple[float, float]
    draw: Callable[[Figure], None]
    is_on_stage: bool = False

    @property
    def svg(self) -> str:
        """File name of the vector drawing within the report."""
        return f"plots/{self.stem}.svg"

    @property
    def png(self) -> str:
        """File name of the bitmap within the report."""
        return f"plots/{self.stem}.png"

    def render(self) -> tuple[bytes, bytes]:
        """The plot as SVG and as PNG."""
        return render(self.draw, self.size_in)

    def render_without(self, error: Exception) -> tuple[bytes, bytes]:
        """In the place of the plot that it could not be drawn, and by which error, as SVG and as PNG."""
        return render(partial(not_drawn, text=self.title, error=type(error).__name__), self.size_in)


# A plot before it has its number: name parts, question, title, text, size, drawing and whether it is of the stage.
_Draft = tuple[tuple[str, ...], str, str, str, tuple[float, float], Callable[..., None], bool]


def plots(analysis: Analysis) -> tuple[Plot, ...]:
    """All plots this analysis has data for."""
    drafts = [
        *_arrival(analysis),
        *_sums(analysis),
        *_phases(analysis),
        *_scans(analysis),
        *_robustness(analysis),
        *_levels(analysis),
    ]
    look, rows = Look.of(analysis), _rows_of(analysis)
    return tuple(
        Plot(numbered(number, *parts), question, title, text, size, partial(draw, analysis=rows, look=look), on_stage)
        for number, (parts, question, title, text, size, draw, on_stage) in enumerate(drafts, 1)
    )


def _rows_of(analysis: Analysis) -> Analysis:
    """The analysis without responses, which no plot needs: light enough to be handed to other processes."""
    nothing, _ = merged([], (), ())
    return replace(analysis, responses=nothing, impulse_responses=())


def _arrival(analysis: Analysis) -> list[_Draft]:
    if not any(math.isfinite(row.arrival_ms) for row in analysis.arrivals):
        return []
    size = plots_outputs.arrival_size(analysis)
    title = "Arrival by output and position"
    return [(("arrival",), ARRIVAL, title, summaries.arrival(analysis), size, plots_outputs.arrival, False)]


def _sums(analysis: Analysis) -> list[_Draft]:
    return [
        (
            ("sum at", position),
            SUMS,
            f"Sum of all outputs at {position}",
            summaries.sums(analysis, position),
            plots_sums.sum_size(),
            partial(plots_sums.sums, position=position),
            _is_on_stage(analysis, position),
        )
        for position in positions_with_sums(analysis)
    ]


def _phases(analysis: Analysis) -> list[_Draft]:
    drafts: list[_Draft] = []
    for output, other in partners(analysis).items():
        points = phase_points(analysis, output, other)
        if not points:
            continue
        drafts.append(
            (
                ("phase", output, "against", other),
                SUMS,
                f"Phase of {output} against {other}",
                summaries.phases(analysis, output, other, points),
                plots_sums.phase_size(points),
                partial(plots_sums.phases, output=output, other=other, points=points),
                all(_is_on_stage(analysis, position) for position in points),
            )
        )
    return drafts


def _scans(analysis: Analysis) -> list[_Draft]:
    return [
        (
            ("score over delay of", *one.outputs[:2]),
            CERTAINTY,
            f"Score over the delay of {', '.join(one.outputs)}",
            summaries.scan(analysis, one),
            plots_sums.scan_size(),
            partial(plots_sums.scan, one=one),
            False,
        )
        for one in analysis.delay_scans
    ]


def _robustness(analysis: Analysis) -> list[_Draft]:
    if not spreads(analysis):
        return []
    size = plots_sums.robustness_size(analysis)
    title = "Advantage of the recommendation per scenario"
    return [(("robustness",), CERTAINTY, title, summaries.robustness(analysis), size, plots_sums.robustness, False)]


def _levels(analysis: Analysis) -> list[_Draft]:
    heard = {row.position for row in analysis.bands if math.isfinite(row.level_db)}
    return [
        (
            ("level at", position),
            LEVELS,
            f"Level of each output at {position}",
            summaries.level(analysis, position),
            plots_outputs.level_size(analysis, position),
            partial(plots_outputs.level, position=position),
            _is_on_stage(analysis, position),
        )
        for position in seats_first(analysis)
        if position in heard
    ]


def _is_on_stage(analysis: Analysis, position: str) -> bool:
    return analysis.sound_check.positions[position].zone == "stage"
