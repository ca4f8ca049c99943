"""What this program wrote, read again: JSON of its folders within limits, and by whom and what it is.

A folder of ours says in its `datapackage.json` who made it, under which name, and which files are its own.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from analyze.reports.datapackage import MANIFEST, PROGRAM

# A manifest larger than this is none of ours.
_MOST_MANIFEST_BYTES = 16 << 20
# Nor is a report whose results are larger.
_MOST_RESULTS_BYTES = 1 << 30


class Unreadable(ValueError):
    """A file holds no JSON object that can be read; the text says why."""


def read_object(path: Path, most_bytes: int) -> dict[str, Any]:
    """The object in a JSON file of `most_bytes` at most. Raises Unreadable."""
    try:
        if not path.is_file():
            raise Unreadable("is not there")
        if path.stat().st_size > most_bytes:
            raise Unreadable("is too large")
        content = json.loads(path.read_bytes())
    except OSError as error:
        raise Unreadable(f"cannot be read: {(error.strerror or type(error).__name__).lower()}") from error
    except (ValueError, RecursionError) as error:
        raise error if isinstance(error, Unreadable) else Unreadable("is not valid JSON") from error
    if not isinstance(content, dict):
        raise Unreadable("holds no object")
    return content


def fingerprint_of(folder: Path) -> str:
    """The fingerprint of the report in a folder of ours; empty if there is none."""
    try:
        return str(read_object(folder / "results.json", _MOST_RESULTS_BYTES).get("fingerprint") or "")
    except Unreadable:
        return ""


def manifest_of(folder: Path) -> dict[str, Any]:
    """The manifest of a folder of ours: `name` of its kind, `files` it consists of; empty if it is none of ours."""
    try:
        content = read_object(folder / MANIFEST, _MOST_MANIFEST_BYTES)
        is_ours = content["made_by"]["program"] == PROGRAM and isinstance(content["files"], list)
    except (Unreadable, KeyError, TypeError):
        return {}
    return content if is_ours else {}
