"""A report or record opened to be relied on: of a record what is read must be as it was written."""

from __future__ import annotations

from pathlib import Path

from analyze.archive.about import REPORT
from analyze.archive.bag import is_bag
from analyze.archive.opening import ReportRead, open_report
from analyze.archive.verification import damaged_files
from analyze.errors import DescriptionError
from analyze.reports.writer import RESULTS

#: What is read of a record.
_READ = (f"{REPORT}/{RESULTS}", f"{REPORT}/responses/")


def open_whole(path: Path) -> ReportRead:
    """Open a report, or a record of which nothing that is read is damaged.

    Raises
    ------
    DescriptionError : there is neither, it is damaged, or of a later format than this program knows
    """
    if is_bag(path):
        _check_undamaged(path)
    return open_report(path)


def _check_undamaged(record: Path) -> None:
    """Refuse a record of which what is to be read is not what was written. Raises DescriptionError."""
    problems = damaged_files(record, _READ)
    if not problems:
        return
    first = problems[0]
    more = f" and {len(problems) - 1} more" if len(problems) > 1 else ""
    raise DescriptionError(
        f"is damaged ({first.file}: {first.problem}{more}).", "Take it from another copy.", path=record
    )
