"""`datapackage.json`: what every table of a report holds, for people and programs that come to it years later.

A Frictionless Data Package (Tabular Data Package, version 1): per table its path, size, SHA-256, dialect and schema.
`made_by`, `files` and `sha256` are ours: by them a later run recognises a report, and knows which files belong to it
and whether they are as they were written.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from analyze.reports.columns import TABLES, Column, Table
from analyze.reports.tables import FORMULA_NOTE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analyze.pipeline import Analysis

#: Name of the file, which is also the manifest by which a report is recognised.
MANIFEST = "datapackage.json"

#: What `made_by.program` says in a folder of ours, and `name` in a report.
PROGRAM, REPORT_NAME = "analyze", "sound-check-report"

#: Raised when a key or column is renamed or dropped.
FORMAT = 1

_DIALECT = {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True, "header": True}


def field(column: Column) -> dict[str, Any]:
    """One column as a Table Schema field, with its unit, its decimals and the words or range allowed."""
    entry: dict[str, Any] = {
        "name": column.name,
        "type": column.type,
        "title": column.label,
        "description": column.meaning,
    }
    if column.unit:
        entry["unit"] = column.unit
    if column.decimals is not None:
        entry["decimals"] = column.decimals
    if column.digits is not None:
        entry["significant_digits"] = column.digits
    if column.words:
        entry["constraints"] = {"enum": list(column.words)}
    elif column.type == "string":
        entry["note"] = FORMULA_NOTE
    if column.is_probability:
        entry["constraints"] = {"minimum": 0, "maximum": 1}
    return entry


def resource(table: Table, content: bytes) -> dict[str, Any]:
    """One written table as a data resource."""
    schema: dict[str, Any] = {"fields": [field(column) for column in table.columns], "missingValues": [""]}
    if table.key:
        schema["primaryKey"] = list(table.key)
    return {
        "name": table.name,
        "path": table.path,
        "profile": "tabular-data-resource",
        "title": table.title,
        "description": table.meaning,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": "sha256:" + hashlib.sha256(content).hexdigest(),
        "dialect": _DIALECT,
        "schema": schema,
    }


def descriptor(analysis: Analysis, tables: Mapping[str, bytes], sums: Mapping[str, str]) -> dict[str, Any]:
    """The whole data package.

    Parameters
    ----------
    tables : content of every CSV by its file name, as written
    sums : SHA-256 of every other file of the report by its name
    """
    return {
        "profile": "tabular-data-package",
        "name": REPORT_NAME,
        "title": analysis.sound_check.title or "Sound check",
        "description": "Polarity and delay per loudspeaker output, and what they rest on. An empty cell is not known.",
        "version": str(FORMAT),
        "made_by": {"program": PROGRAM, "version": analysis.version, "format": FORMAT},
        "files": sorted([*sums, MANIFEST]),
        "sha256": dict(sums),
        "resources": [resource(table, tables[table.path]) for table in TABLES],
    }


def json_bytes(content: dict[str, Any]) -> bytes:
    """Content as JSON in UTF-8 with sorted keys and one line end at the end; NaN is refused.

    What holds nothing else that is nested stands on one line, so that a row of a table is a line.
    """
    return (_indented(content, "") + "\n").encode("utf-8", "backslashreplace")


def _indented(value: Any, indent: str) -> str:
    items = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else ()
    if not any(isinstance(item, dict | list | tuple) for item in items):
        return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True)
    inner = f"{indent} "
    if isinstance(value, dict):
        first, last = "{", "}"
        parts = [f"{json.dumps(key, ensure_ascii=False)}: {_indented(value[key], inner)}" for key in sorted(value)]
    else:
        first, last = "[", "]"
        parts = [_indented(item, inner) for item in value]
    lines = f",\n{inner}".join(parts)
    return f"{first}\n{inner}{lines}\n{indent}{last}"
