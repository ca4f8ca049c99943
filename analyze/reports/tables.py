"""The tables of a report as CSV and as data frames.

CSV is RFC 4180 in UTF-8: one header line, CRLF line ends, `.` as decimal sign, fixed decimals per column, an empty cell
for 'not known'. A text cell that a spreadsheet would take for a formula is written with a leading apostrophe.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import math
import re
from typing import TYPE_CHECKING, Any

from analyze.reports.columns import RECOMMENDATIONS, TABLES, Column, Table, rows_of
from analyze.reports.page_findings import doubts
from analyze.reports.summaries import listed

if TYPE_CHECKING:
    import pandas as pd

    from analyze.pipeline import Analysis

# What a spreadsheet takes for a formula; also behind apostrophes, so that taking one off restores every such cell.
_FORMULA = re.compile(r"'*[=+\-@\t\r\n]")
# What CSV readers stumble over and terminals act on: controls but tab and line ends.
_CONTROLS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")

#: What the schema says about such cells.
FORMULA_NOTE = "a leading apostrophe stands before = + - @, tab and line ends; take one off to get the name"


def value(column: Column, raw: Any) -> str | int | float | None:
    """One value as it is published: rounded as declared, None where it is not known (NaN, None or no text)."""
    if column.is_text:
        text = "" if raw is None else str(raw)
        return text or None
    if raw is None or not math.isfinite(raw):
        return None
    if column.type == "integer":
        return int(raw)
    if column.digits is not None:
        return float(f"{float(raw):.{column.digits}g}")
    return round(float(raw), column.decimals) + 0.0  # + 0.0 turns -0.0 into 0.0


def cell(column: Column, raw: Any) -> str:
    """One value as text with the decimals of its column; empty where it is not known.

    >>> from analyze.reports.columns import RECOMMENDATIONS
    >>> cell(RECOMMENDATIONS.column("delay_change_ms"), -0.00001), cell(RECOMMENDATIONS.column("reason"), "=1+1")
    ('0.0000', "'=1+1")
    """
    known = value(column, raw)
    if known is None:
        return ""
    if isinstance(known, str):
        return defused(known)
    if isinstance(known, int):
        return str(known)
    if column.digits is not None:
        return f"{known:.{column.digits}g}"
    return f"{known:.{column.decimals}f}"


def defused(text: str) -> str:
    """Text that no spreadsheet takes for a formula; control characters become U+FFFD."""
    text = _CONTROLS.sub("\ufffd", text)
    return f"'{text}" if _FORMULA.match(text) else text


def csv_bytes(table: Table, rows: tuple[Any, ...]) -> bytes:
    """One table as RFC 4180 CSV; the header alone where there are no rows."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([column.name for column in table.columns])
    for row in rows:
        writer.writerow([cell(column, getattr(row, column.name)) for column in table.columns])
    return buffer.getvalue().encode("utf-8", "backslashreplace")


def csv_tables(analysis: Analysis) -> dict[str, bytes]:
    """All tables as CSV, by file name."""
    return {table.path: csv_bytes(table, _told(analysis, table)) for table in TABLES}


def _told(analysis: Any, table: Table) -> tuple[Any, ...]:
    """The rows of one table; a setting tells with its reason what puts the description, and with it itself, in doubt.

    Whoever opens the table alone has no other way to know. What is undecided changes nothing.
    """
    rows = rows_of(analysis, table)
    if table is not RECOMMENDATIONS or not (names := doubts(analysis)):
        return rows
    first = f"In doubt ({listed(names)}): "
    return tuple(
        row if row.decision == "undecided" else dataclasses.replace(row, reason=f"{first}{row.reason}") for row in rows
    )


def records(analysis: Any, table: Table) -> list[dict[str, Any]]:
    """The rows of one table of an analysis, or of what else holds some, as dictionaries of published values."""
    return [
        {column.name: value(column, getattr(row, column.name)) for column in table.columns}
        for row in _told(analysis, table)
    ]


def frame(analysis: Analysis, table: Table) -> pd.DataFrame:
    """One table as a data frame with the columns of the CSV; not rounded, NaN where a number is not known."""
    import pandas as pd

    rows = _told(analysis, table)
    kinds = {"string": "object", "number": "float64", "integer": "Int64"}
    return pd.DataFrame(
        {
            column.name: pd.Series([getattr(row, column.name) for row in rows], dtype=kinds[column.type])
            for column in table.columns
        }
    )


def frames(analysis: Analysis) -> dict[str, pd.DataFrame]:
    """All tables as data frames, by table name."""
    return {table.name: frame(analysis, table) for table in TABLES}
