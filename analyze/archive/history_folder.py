"""The folder of a history: tables, plots, `results.json`, the data package, the page; Parquet with its extra."""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from analyze.archive.folders import check_place, drawn_files, made_by, package
from analyze.archive.history_finding import visit_folders
from analyze.archive.history_plots import plots
from analyze.archive.history_rows import History
from analyze.archive.history_tables import HISTORY, TABLES, VISITS
from analyze.archive.history_words import REBUILT, venue_words, whole_words
from analyze.archive.page import PAGE, page_bytes, page_table
from analyze.reports.columns import Table
from analyze.reports.datapackage import MANIFEST, json_bytes
from analyze.reports.folder import made_kind, replace_folder
from analyze.reports.results import plots_object
from analyze.reports.tables import csv_bytes, records
from analyze.reports.writer import RESULTS
from analyze.version import VERSION

#: Raised when a key or column is renamed or dropped.
FORMAT = 1
#: Name of the data package, by which a folder is known as a history.
NAME = "sound-check-history"
#: The same rows as `history.csv`.
PARQUET = "history.parquet"

_KIND = made_kind("history", NAME, "one of the records or reports")

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


def check_target(target: Path, folder: Path, *, force: bool = False) -> None:
    """Refuse early a folder that holds what the history is made from, or something that is no history.

    Raises
    ------
    DescriptionError : the target may not be replaced, or there is no such folder to search
    OutputError : nothing can be written there
    """
    check_place(target, (folder, *visit_folders(folder)), _KIND, force=force)


def write_history(history: History, target: Path) -> None:
    """Write the folder of a history; call `check_target` first.

    Raises
    ------
    OutputError : it cannot be written; what stood there stands there still
    """
    replace_folder(target, history_files(history), kind=_KIND)


def history_object(history: History) -> dict[str, Any]:
    """The object of `results.json`: keys are those of the tables and columns; what is not known is null."""
    return {
        **made_by(FORMAT),
        "folder": history.name,
        "venues": {venue: venue_words(history, venue) for venue in history.venues},
        **{table.name: records(history, table) for table in TABLES},
        "plots": plots_object(plots(history)),
    }


def history_files(history: History) -> Iterator[tuple[str, bytes]]:
    """Name and content of every file, the manifest last."""
    tables = {table.path: csv_bytes(table, getattr(history, table.field)) for table in TABLES}
    drawn, drawings = drawn_files(plots(history))
    contents = {**tables, RESULTS: json_bytes(history_object(history)), **drawings}
    if can_write_parquet():
        contents[PARQUET] = parquet_bytes(history, HISTORY)
    contents[PAGE] = page_bytes("history.html.j2", drawn, _content(history))
    yield from contents.items()
    yield MANIFEST, json_bytes(package(NAME, _title(history), FORMAT, TABLES, tables, [*contents, MANIFEST]))


def can_write_parquet() -> bool:
    """Whether the extra is installed."""
    return importlib.util.find_spec("pyarrow") is not None


def parquet_bytes(history: History, table: Table) -> bytes:
    """One table as Parquet: values as published, names as they were given, units and meanings with the columns."""
    import pyarrow
    from pyarrow import parquet

    kinds = {"string": pyarrow.string(), "number": pyarrow.float64(), "integer": pyarrow.int64()}
    about = [{"unit": column.unit, "meaning": column.meaning} for column in table.columns]
    fields = [
        pyarrow.field(column.name, kinds[column.type], metadata=told)
        for column, told in zip(table.columns, about, strict=True)
    ]
    rows = [{name: _storable(value) for name, value in row.items()} for row in records(history, table)]
    buffer = io.BytesIO()
    parquet.write_table(pyarrow.Table.from_pylist(rows, schema=pyarrow.schema(fields)), buffer)
    return buffer.getvalue()


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
        "rebuilt": REBUILT,
        "venues": [_venue(history, venue) for venue in history.venues],
        "left": page_table(history.not_read, VISITS, _LEFT_COLUMNS, "Found and not read") if history.not_read else None,
        "has_parquet": can_write_parquet(),
        "version": VERSION,
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
