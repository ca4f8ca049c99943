"""A report or record opened to be relied on: what is read must be as it was written."""

from __future__ import annotations

from pathlib import Path

from analyze.archive.about import REPORT
from analyze.archive.bag import is_bag
from analyze.archive.opening import ReportRead, open_report
from analyze.archive.verification import damaged_files
from analyze.audio.files import sha256_of
from analyze.errors import AudioError, DescriptionError
from analyze.reports.reading import manifest_of
from analyze.reports.writer import RESULTS

#: What is read of a report.
_READ = (RESULTS, "responses/")


def open_whole(path: Path) -> ReportRead:
    """Open a report or record of which nothing that is read is damaged or was changed.

    Raises
    ------
    DescriptionError : there is neither, it is damaged or changed, or of a later format than this program knows
    """
    if is_bag(path):
        _check_undamaged(path)
    report = open_report(path)
    if not report.is_record:
        _check_unchanged(report.folder)
    return report


def _check_unchanged(folder: Path) -> None:
    """Refuse a report whose figures are not those that were written; an earlier one states no sums."""
    sums = manifest_of(folder).get("sha256")
    for name, sha256 in (sums if isinstance(sums, dict) else {}).items():
        file = folder / name
        if name.startswith(_READ) and file.is_file() and file.resolve().is_relative_to(folder.resolve()):
            _check_sum(file, sha256)


def _check_sum(file: Path, sha256: object) -> None:
    """Refuse a file that has another checksum than was written. Raises DescriptionError."""
    try:
        is_as_written = sha256_of(file) == sha256
    except AudioError as error:
        raise DescriptionError(error.what, error.mend, path=file) from error
    if not is_as_written:
        mend = "Take the report as it was written, or make it again with analyze run."
        raise DescriptionError("has changed since the report was written.", mend, path=file)


def _check_undamaged(record: Path) -> None:
    """Refuse a record of which what is to be read is not what was written. Raises DescriptionError."""
    problems = damaged_files(record, tuple(f"{REPORT}/{name}" for name in _READ))
    if not problems:
        return
    first = problems[0]
    more = f" and {len(problems) - 1} more" if len(problems) > 1 else ""
    raise DescriptionError(
        f"is damaged ({first.file}: {first.problem}{more}).", "Take it from another copy.", path=record
    )
