"""A plot, drawn to be looked at."""

from __future__ import annotations

from analyze.reports.plot_style import render


def drawn(plot) -> tuple:
    """A plot as a figure, laid out, for as long as it is looked at."""
    kept = []

    def draw(figure):
        plot.draw(figure)
        figure.canvas.draw()
        kept.append(figure)

    render(draw, plot.size_in)
    return kept[0]
