"""The summary of a batch: a table, `results.json` and a page that leads to every report."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from analyze.archive.folders import package
from analyze.archive.page import PAGE, page_bytes
from analyze.batch.outcome import OUTCOMES, STATUSES, Outcome
from analyze.reports.datapackage import MANIFEST, PROGRAM, json_bytes
from analyze.reports.folder import check_folder, made_kind, replace_folder
from analyze.reports.tables import csv_bytes, value
from analyze.version import VERSION

#: Raised when a key or column is renamed or dropped.
FORMAT = 1
#: Name of the data package, by which a folder is known as one of these.
NAME = "sound-check-batch"
#: The summary's folder, beside those of the reports.
SUMMARY = "summary"

#: Rows on the page, of those that failed and of all; the table has every one.
_MOST_ROWS = 2000

_KIND = made_kind("summary of a batch", NAME, "the sound checks")


def check_target(target: Path, *, force: bool = False) -> None:
    """Refuse early a folder in which no summary can be written.

    Raises
    ------
    DescriptionError : something else stands in its place
    OutputError : nothing can be written there
    """
    check_folder(target / SUMMARY, force, kind=_KIND)


def write_summary(outcomes: Sequence[Outcome], target: Path) -> None:
    """Write the summary into the folder of the batch; call `check_target` first.

    Raises
    ------
    OutputError : it cannot be written; what stood there stands there still
    """
    replace_folder(target / SUMMARY, _files(outcomes), kind=_KIND)


def headline(outcomes: Sequence[Outcome]) -> str:
    """The whole in a sentence.

    >>> headline([Outcome("a", "a", "decided"), Outcome("b", "", "failed")])
    '2 sound checks: 1 decided, 1 failed.'
    """
    counts = [(status, sum(one.status == status for one in outcomes)) for status in STATUSES]
    n = len(outcomes)
    parts = ", ".join(f"{count} {status}" for status, count in counts if count)
    return f"{n} sound check{'' if n == 1 else 's'}: {parts}."


def batch_object(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """The object of `results.json`: keys are those of the table's columns; what is not known is null."""
    rows = [{c.name: value(c, getattr(one, c.name)) for c in OUTCOMES.columns} for one in outcomes]
    return {"format": FORMAT, "program": {"name": PROGRAM, "version": VERSION}, "batch": rows}


def _files(outcomes: Sequence[Outcome]) -> Iterator[tuple[str, bytes]]:
    """Name and content of every file, the manifest last."""
    table = csv_bytes(OUTCOMES, tuple(outcomes))
    contents = {OUTCOMES.path: table, "results.json": json_bytes(batch_object(outcomes))}
    contents[PAGE] = page_bytes("batch.html.j2", [], _content(outcomes), package="analyze.batch")
    yield from contents.items()
    title = headline(outcomes)
    yield MANIFEST, json_bytes(package(NAME, title, FORMAT, [OUTCOMES], {OUTCOMES.path: table}, [*contents, MANIFEST]))


def _content(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """What the template prints."""
    failed, shown = [one for one in outcomes if one.status == "failed"], outcomes[:_MOST_ROWS]
    return {
        "headline": headline(outcomes),
        "failed": failed[:_MOST_ROWS],
        "n_failed_left": max(0, len(failed) - _MOST_ROWS),
        "rows": [(one, f"../{quote(os.fsencode(one.report))}/{PAGE}" if one.report else "") for one in shown],
        "n_left": len(outcomes) - len(shown),
        "version": VERSION,
    }
