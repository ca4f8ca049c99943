"""Pages beside the report's own: the same style, drawings inside, nothing loaded and nothing run.

The template prints what it is given; every text has been made before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from analyze.archive.comparison_rows import Visit
from analyze.reports.columns import Column, Table
from analyze.reports.page import Figure, page_part, page_template
from analyze.reports.page_evidence import MAX_ROWS, Heading, PageTable, page_cell
from analyze.reports.page_plots import InlineDrawings, colour_rules
from analyze.reports.summaries import air, number

if TYPE_CHECKING:
    from analyze.reports.plots import Plot

#: The page of every folder.
PAGE = "report.html"


def page_bytes(
    template: str,
    drawings: Sequence[tuple[Plot, bytes]],
    content: dict[str, Any],
    *,
    package: str = "analyze.archive",
) -> bytes:
    """A whole page.

    Parameters
    ----------
    template : its name; package : in whose folder `templates` it lies, its parts there or with the report's
    drawings : every plot with its SVG, given to the template as `figures` by question
    """
    inline = InlineDrawings()
    figures: dict[str, list[Figure]] = {}
    for plot, svg in drawings:
        figure = Figure(plot.title, plot.text, plot.svg, inline.add(svg, plot.title), plot.is_on_stage)
        figures.setdefault(plot.question, []).append(figure)
    style = "\n".join([colour_rules(), page_part("report.css"), inline.rules()])
    text = page_template(template, package).render(figures=figures, style=style, **content)
    return text.encode("utf-8", "replace")


def shown_visit(visit: Visit) -> dict[str, Any]:
    """A visit as the templates print it."""
    return {**visit.as_object(), "air": air(visit.temperature_c, visit.is_temperature_assumed)}


def page_table(rows: Sequence[Any], table: Table, names: Sequence[str], caption: str) -> PageTable:
    """Some columns of a declared table, as many rows as a page has room for."""
    columns = [table.column(name) for name in names]
    headings = tuple(
        Heading(column.label, not column.is_text, column.type == "string" and not column.words) for column in columns
    )
    cells = tuple(tuple(_cell(column, getattr(row, column.name)) for column in columns) for row in rows[:MAX_ROWS])
    return PageTable(caption, headings, cells, table.path, max(len(rows) - MAX_ROWS, 0))


def _cell(column: Column, raw: Any) -> str:
    if column.unit == "°C":
        return number(raw)
    if column.unit == "Hz" and math.isfinite(raw):
        return f"{raw:g}"  # the name of a band, as in the tables
    return str(raw) if column.type == "integer" else page_cell(column, raw)
