"""Records and reports below a folder: where they lie, of which venue and day they are, and which cannot be trusted.

A folder counts if it is a bag (it holds `bagit.txt` or a manifest of one) or if its `datapackage.json` says that it is
a report of ours. Nothing is sought inside of those. Folders whose names begin with a dot, and links, are passed by.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePath

from analyze.archive.bag import is_bag
from analyze.archive.opening import ReportRead, venue_key
from analyze.archive.renaming import names_in
from analyze.archive.whole import open_whole
from analyze.audio.files import sha256_of
from analyze.errors import AnalyzeError, DescriptionError
from analyze.reports.folder import is_report
from analyze.reports.naming import clean
from analyze.reports.writer import RESULTS

#: Told what is done with how many; what it returns is called after each.
Start = Callable[[str, int], Callable[[int], None]]


@dataclass(frozen=True)
class Seen:
    """One record or report, looked at: where it is, what it is of, or why it is left out.

    name : its path below the folder, with `/`; sha256 : of its results, by which copies are known
    recordings, sound : one figure for those it was made from, and for what was heard in them
    is_doubtful : whether findings put its description in doubt
    names : of its outputs and positions
    """

    path: Path
    name: str
    is_record: bool
    venue: str = ""
    venue_from: str = ""
    date: str = ""
    sha256: str = ""
    recordings: str = ""
    sound: str = ""
    is_doubtful: bool = False
    names: frozenset[str] = frozenset()
    problem: str = ""

    @property
    def form(self) -> str:
        """What it is."""
        return "record" if self.is_record else "report"

    @property
    def key(self) -> str:
        """What visits of one venue have in common, however it is spelt."""
        return venue_key(self.venue)


def visit_folders(folder: Path) -> Iterator[Path]:
    """Every record and report below a folder, itself included, in the order of their paths.

    Raises
    ------
    DescriptionError : there is no such folder
    """
    if not folder.is_dir():
        raise DescriptionError("no such folder (expected one that holds records).", "Check the path.", path=folder)
    for base, folders, _ in os.walk(folder, followlinks=False):
        place = Path(base)
        if is_bag(place) or is_report(place):
            folders.clear()
            yield place
        folders[:] = sorted(name for name in folders if not name.startswith("."))


def looked_at(folder: Path, start: Start) -> list[Seen]:
    """Every record and report below a folder, read once and not kept."""
    paths = list(visit_folders(folder))
    step = start("reading", len(paths))
    seen = []
    for path in paths:
        seen.append(_look(path, path.relative_to(folder)))
        step(1)
    return seen


def _look(path: Path, name: PurePath) -> Seen:
    """One record or report; whatever is wrong with it is its problem alone."""
    is_record = not is_report(path)
    try:
        report = open_whole(path)
        venue, venue_from = _venue(report, name)
        sha256 = sha256_of(report.folder / RESULTS)
    except AnalyzeError as error:
        return Seen(path, name.as_posix(), is_record, problem=f"{error.what} {error.mend}".strip())
    about = venue, venue_from, report.date, sha256, report.recordings, report.sound, bool(report.doubts)
    return Seen(path, name.as_posix(), is_record, *about, names_in(report))


def _venue(report: ReportRead, name: PurePath) -> tuple[str, str]:
    """Name of the venue and where it is from: the description's `venue`, its title, or the folder around it."""
    for text, source in ((report.venue, "venue"), (report.check.get("title"), "title")):
        if isinstance(text, str) and clean(text):
            return clean(text), source
    return clean(name.parent.name) or clean(report.name) or "(no name)", "folder"


def without_copies(seen: list[Seen]) -> tuple[list[Seen], dict[str, Seen]]:
    """Visits each once, records before reports, and of every copy what it is a copy of.

    What was made from the same recordings is one visit too: of several descriptions one counts that nothing puts in
    doubt, for that one was mended; then one with a date, the earliest day first, for a folder that is copied and dated
    anew is dated later.
    """
    kept: dict[str, Seen] = {}
    copies: dict[str, Seen] = {}
    for one in sorted(seen, key=lambda one: (one.is_doubtful, not one.date, one.date, not one.is_record, one.name)):
        keys = [key for key in (one.sha256, one.recordings, one.sound) if key]
        first = next((kept[key] for key in keys if key in kept), None)
        if first is not None:
            copies[one.name] = first
        else:
            kept |= dict.fromkeys(keys, one)
    return list(dict.fromkeys(kept.values())), copies
