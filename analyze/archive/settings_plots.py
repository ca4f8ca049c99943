"""Plots of verified settings: predicted against measured, per seat and per band. Drawn from rows alone.

A figure is one of matplotlib, which only `reports/` loads.
"""

from __future__ import annotations

from functools import partial
from typing import Any

from analyze.archive.settings_rows import Verified
from analyze.reports.naming import labels, numbered
from analyze.reports.plot_style import colour, frequency_axis, legend_above, place, round_ticks, title, y_names
from analyze.reports.plots import Plot
from analyze.reports.summaries import number, signed

#: Where on the page a plot stands.
SEATS, BANDS = "seats", "bands"
#: Highest band drawn: above the low end the sum is a matter of chance, Hz.
_TOP_HZ = 400.0


def plots(verified: Verified) -> tuple[Plot, ...]:
    """All plots there is data for."""
    if not verified.seats:
        return ()
    drawn = [
        Plot(
            numbered(1, "low end per seat"),
            SEATS,
            "Change of the low end at every seat",
            "Mean over the cells that were scored; bars: two standard errors.",
            (6.6, 1.25 + 0.4 * len(verified.seats)),
            partial(_seats, verified=verified),
        )
    ]
    for seat in verified.seats:
        drawn.append(
            Plot(
                numbered(len(drawn) + 1, "bands at", seat.position),
                BANDS,
                f"Change of the sum at {seat.position}",
                f"Mean of the filled bands, which were scored: {signed(seat.predicted_change_db)} dB predicted, "
                f"{signed(seat.measured_change_db)} ± {number(2.0 * seat.measured_change_std_db)} dB measured.",
                (6.6, 3.2),
                partial(_bands, verified=verified, position=seat.position),
            )
        )
    return tuple(drawn)


def _seats(figure: Any, verified: Verified) -> None:
    """Predicted and measured change per seat."""
    axes = figure.subplots()
    place(figure, 1.75, 0.15, 0.7, 0.5)
    title(figure, "Change of the low end at every seat")
    seats, names = verified.seats, labels(seat.position for seat in verified.seats)
    predicted, measured = _looks()
    for shift, key, look in ((-0.14, "predicted", predicted), (0.14, "measured", measured)):
        axes.errorbar(
            [getattr(seat, f"{key}_change_db") for seat in seats],
            [k + shift for k in range(len(seats))],
            xerr=[2.0 * getattr(seat, f"{key}_change_std_db") for seat in seats],
            label=key,
            capsize=2,
            **look,
        )
    axes.axvline(0.0, color=colour("muted"), lw=0.8)
    axes.grid(visible=True, axis="x")
    round_ticks(axes.xaxis)
    axes.set_xlabel("Change of the sum (dB)")
    y_names(axes, [names[seat.position] for seat in seats])
    legend_above(axes, 2)


def _looks() -> tuple[dict[str, Any], dict[str, Any]]:
    """How what was predicted and what was measured are drawn."""
    predicted = {"fmt": "D", "color": colour("present"), "mfc": colour("paper"), "ms": 5, "lw": 1.2}
    return predicted, {"fmt": "o", "color": colour("recommended"), "ms": 5.5, "lw": 1.2}


def _bands(figure: Any, verified: Verified, position: str) -> None:
    """Predicted and measured change per band at one position."""
    axes = figure.subplots()
    place(figure, 0.7, 0.15, 0.7, 0.5)
    title(figure, f"Change of the sum at {labels([position])[position]}")
    rows = [row for row in verified.verification if row.position == position and row.band_hz <= _TOP_HZ]
    bands = [row.band_hz for row in rows]
    axes.axhline(0.0, color=colour("muted"), lw=0.8)
    axes.plot(
        bands, [row.predicted_change_db for row in rows], color=colour("present"), ls=(0, (5, 1.5)), label="predicted"
    )
    _, look = _looks()
    axes.errorbar(
        bands,
        [row.measured_change_db for row in rows],
        yerr=[2.0 * row.measured_change_std_db for row in rows],
        capsize=2,
        label="measured",
        **{**look, "mfc": colour("paper")},
    )
    counted = [row for row in rows if row.cell == "yes"]
    axes.plot(
        [row.band_hz for row in counted],
        [row.measured_change_db for row in counted],
        ls="none",
        marker="o",
        ms=5.5,
        color=colour("recommended"),
        zorder=3,
    )
    frequency_axis(axes, 0.9 * bands[0], 1.1 * bands[-1])
    round_ticks(axes.yaxis)
    axes.set_ylabel("Change (dB)")
    legend_above(axes, 2)
