"""The folder of a history; its rows as Parquet too, with its extra."""

from __future__ import annotations

import importlib.util
import io
from datetime import date
from typing import Any

from analyze.archive.folders import MadeFolder
from analyze.archive.history_plots import plots
from analyze.archive.history_rows import History
from analyze.archive.history_tables import HISTORY, TABLES, VISITS
from analyze.archive.history_words import REBUILT, spelling_words, venue_words, whole_words
from analyze.archive.page import page_table
from analyze.archive.renaming import renames_words
from analyze.reports.columns import Table
from analyze.reports.tables import records

#: The same rows as `history.csv`.
PARQUET = "history.parquet"

# What the page shows of each table; all columns stand in its CSV file.
_VISIT_COLUMNS = ("path", "date", "title", "temperature_c", "verdict", "reason", "remarks")
_CHANGE_COLUMNS = (
    "output", "date", "verdict", "confidence", "arrival_since_ms", "arrival_since_std_ms", "level_since_db",
    "level_since_std_db", "polarity_change", "reason",
)  # fmt: skip
_SETTING_COLUMNS = (
    "output", "date", "setting_delay_ms", "recommended_delay_ms", "setting_polarity", "recommended_polarity", "wiring",
    "position", "same_air_arrival_ms", "relative_arrival_ms", "relative_arrival_std_ms", "relative_level_db",
)  # fmt: skip
_LEFT_COLUMNS = ("path", "state", "form", "reason")


def _results(history: History) -> dict[str, Any]:
    return {
        "folder": history.name,
        "renames": history.renames,
        "venues": {venue: venue_words(history, venue) for venue in history.venues},
    }


def _further(history: History) -> dict[str, bytes]:
    return {PARQUET: parquet_bytes(history, HISTORY)} if can_write_parquet() else {}


def can_write_parquet() -> bool:
    """Whether the extra is installed."""
    return importlib.util.find_spec("pyarrow") is not None


def parquet_bytes(history: History, table: Table) -> bytes:
    """One table as Parquet: values as published, names as they were given, units and meanings with the columns."""
    import pyarrow
    from pyarrow import parquet

    kinds = {
        "string": pyarrow.string(),
        "date": pyarrow.date32(),
        "number": pyarrow.float64(),
        "integer": pyarrow.int64(),
    }
    about = [{"unit": column.unit, "meaning": column.meaning} for column in table.columns]
    fields = [
        pyarrow.field(column.name, kinds[column.type], metadata=told)
        for column, told in zip(table.columns, about, strict=True)
    ]
    stored = {column.name: _day if column.type == "date" else _storable for column in table.columns}
    rows = [{name: stored[name](value) for name, value in row.items()} for row in records(history, table)]
    buffer = io.BytesIO()
    parquet.write_table(pyarrow.Table.from_pylist(rows, schema=pyarrow.schema(fields)), buffer)
    return buffer.getvalue()


def _day(text: str | None) -> date | None:
    """A day; None where it is not known."""
    return date.fromisoformat(text) if text else None


def _storable(value: Any) -> Any:
    """A value; of text what is no Unicode as escapes, as in the CSV."""
    return value.encode("utf-8", "backslashreplace").decode() if isinstance(value, str) else value


def _title(history: History) -> str:
    return f"{history.name}: visits over the years"


def _content(history: History) -> dict[str, Any]:
    """What the template prints; of every venue the newest visit first."""
    return {
        "title": _title(history),
        "headline": whole_words(history),
        "remarks": [*spelling_words(history.venues), REBUILT, *renames_words(history.renames)],
        "venues": [_venue(history, venue) for venue in history.venues],
        "left": page_table(history.not_read, VISITS, _LEFT_COLUMNS, "Found and not read") if history.not_read else None,
        "has_parquet": can_write_parquet(),
    }


def _venue(history: History, venue: str) -> dict[str, Any]:
    visits, outputs = history.visits_of(venue), history.outputs_of(venue)
    days = list(dict.fromkeys(row.path for row in reversed(outputs)))
    newest_first = sorted(outputs, key=lambda row: days.index(row.path))
    sources = {row.venue_from for row in visits}
    guessed = {"title": "title of the sound check", "folder": "name of a folder"}
    return {
        "name": venue,
        "words": venue_words(history, venue),
        "guessed": " or ".join(words for source, words in guessed.items() if source in sources),
        "visits": page_table(visits[::-1], VISITS, _VISIT_COLUMNS, "Every visit, the newest first"),
        "changes": page_table(
            newest_first, HISTORY, _CHANGE_COLUMNS, "What became of every output at every visit, the newest first"
        ),
        "settings": page_table(
            newest_first,
            HISTORY,
            _SETTING_COLUMNS,
            "Settings, wiring, arrival and level of every output at every visit, the newest first",
        ),
    }


HISTORY_FOLDER = MadeFolder(
    name="sound-check-history",
    noun="history",
    source="one of the records or reports",
    format=1,
    template="history.html.j2",
    tables=TABLES,
    title=_title,
    plots=plots,
    results=_results,
    content=_content,
    further=_further,
)
