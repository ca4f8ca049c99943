"""The report that is to be kept: is it whole, and is it what the program wrote?

A report holds the SHA-256 of its files; one that differs from it would be kept for years as something it is not, and is
refused. What somebody added to the report is part of it.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analyze.archive.opening import ReportRead, open_report
from analyze.audio.files import sha256_of
from analyze.description_text import FILE_NAME
from analyze.errors import DescriptionError
from analyze.reports.datapackage import MANIFEST
from analyze.reports.reading import manifest_of
from analyze.reports.summaries import first_few
from analyze.reports.writer import RESULTS

# What a record takes from `results.json` beyond what every report needs to be opened.
_NEEDED = {"input_files", "description_file"}

# So many files are named behind the first.
_MOST_NAMED = 5
_AGAIN = "Run the analysis again, then archive its report."


@dataclass(frozen=True)
class ReportFiles(ReportRead):
    """A report on the disk with the relative paths (with `/`) of its files."""

    files: tuple[str, ...] = ()


def read_report(folder: Path) -> ReportFiles:
    """The report in a folder. Raises DescriptionError if there is none, or if it is not whole and as it was written."""
    report = open_report(folder)
    if report.is_record:
        raise DescriptionError("is a record already.", "Name a folder that `analyze run` has written.", path=folder)
    manifest = manifest_of(folder)
    if not manifest:
        raise DescriptionError(f"is not a report of this program ({MANIFEST} is not ours).", _AGAIN, path=folder)
    files = _files(folder)
    missing = [str(name) for name in manifest["files"] if name not in files]
    if missing:
        raise _refused("is missing from this report", missing, folder)
    if FILE_NAME not in manifest["files"]:
        raise DescriptionError(f"holds no {FILE_NAME}; an earlier version wrote it.", _AGAIN, path=folder)
    _check_sums(report, files, manifest)
    return ReportFiles(folder, folder, False, report.results, files)


def _files(folder: Path) -> tuple[str, ...]:
    """Every file of the report, sorted; links and what is no file are refused."""
    names = []
    for base, folders, files in os.walk(folder, onerror=_unreadable):
        for name in (*folders, *files):
            path = Path(base) / name
            if path.is_symlink() or not (path.is_dir() or path.is_file()):
                raise DescriptionError(
                    "is a link or a device, which no record holds.",
                    "Put the file itself in its place, or remove it.",
                    path=path,
                )
        names += [(Path(base) / name).relative_to(folder).as_posix() for name in files]
    for name in names:
        _check_name(folder, name)
    return tuple(sorted(names))


def _unreadable(error: OSError) -> None:
    reason = (error.strerror or type(error).__name__).lower()
    raise DescriptionError(f"cannot be read: {reason}.", "Check its permissions.", path=error.filename) from error


def _check_name(folder: Path, name: str) -> None:
    """Refuse a name that is not Unicode text: no manifest could hold it."""
    try:
        name.encode()
    except UnicodeEncodeError as error:
        shown = name.encode("utf-8", "backslashreplace").decode()
        raise DescriptionError("a file's name is not UTF-8.", "Rename it.", path=folder / shown) from error


def _check_sums(report: ReportRead, files: tuple[str, ...], manifest: dict[str, Any]) -> None:
    """Refuse a report whose files are not those that were written; earlier ones state sums of a few of them alone."""
    folder = report.folder
    try:
        written = {one["path"]: one["hash"].removeprefix("sha256:") for one in manifest["resources"]}
        written[FILE_NAME] = report.results["description_file"]["sha256"]
        written |= manifest.get("sha256", {})
    except (KeyError, TypeError, AttributeError) as error:
        raise DescriptionError("is not a report as the program wrote it.", _AGAIN, path=folder) from error
    if not set(report.results) >= _NEEDED:
        raise DescriptionError("is not a report as the program wrote it.", _AGAIN, path=folder / RESULTS)
    changed = [name for name, sha256 in written.items() if name not in files or sha256_of(folder / name) != sha256]
    if changed:
        raise _refused("has changed since the report was written", changed, folder)


def _refused(what: str, names: Sequence[str], folder: Path) -> DescriptionError:
    """The error for files of a report: where the first is, and which are like it."""
    first, *others = names
    more = f" (likewise {first_few(others, _MOST_NAMED)})" if others else ""
    return DescriptionError(f"{what}{more}.", _AGAIN, path=folder / first)
