"""Every sound check below some folders, and the name that its report gets.

A sound check is a folder that holds a `soundcheck.toml`. Links are not followed; folders whose names begin with a dot,
reports and records are passed over: they hold descriptions that have been analysed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from analyze.archive.bag import is_bag
from analyze.description_text import FILE_NAME
from analyze.errors import DescriptionError, printable
from analyze.reports.folder import is_report

#: Disks take names of 255 bytes; the number behind one that is taken needs some. What is kept of longer ones.
_LONGEST_BYTES, _KEPT_CHARACTERS, _DIGEST_LENGTH = 240, 40, 12


@dataclass(frozen=True)
class Found:
    """A sound check: its folder, what it is called in the summary, and the name of its report's folder."""

    folder: Path
    name: str
    report: str


def find_sound_checks(folders: Sequence[Path], reserved: Sequence[str] = ()) -> list[Found]:
    """All sound checks at or below `folders`, each once, in the order of the folders and of their names.

    Reports are named after the way from the given folder, `reserved` names and names that differ in case alone left
    free: some disks do not tell those apart.

    Raises
    ------
    DescriptionError : a folder does not exist or cannot be listed, or there is no sound check in any
    """
    found: dict[Path, str] = {}
    for folder in folders:
        if not folder.is_dir():
            raise DescriptionError("no such folder.", "Name the folder that holds the sound checks.", path=folder)
        for place in _below(folder):
            name = place.relative_to(folder).as_posix()
            found.setdefault(place.resolve(), folder.resolve().name if name == "." else name)
    if not found:
        raise _nothing(folders)
    taken = {name.casefold() for name in reserved}
    return [Found(place, name, _free(_one_name(name), taken)) for place, name in found.items()]


def _nothing(folders: Sequence[Path]) -> DescriptionError:
    """The error for folders without a sound check; what holds reports or records alone is told so."""
    passed = [base for folder in folders for base, _, _ in os.walk(folder) if _is_analysed(Path(base))]
    if passed:
        what = f"no sound check in or below it: {printable(passed[0])} is a report or a record."
        return DescriptionError(what, "Give the folder of the recordings.", path=folders[0])
    mend = "Write one for each sound check: analyze draft FOLDER"
    return DescriptionError(f"no {FILE_NAME} in or below it.", mend, path=folders[0])


def _is_analysed(place: Path) -> bool:
    """Whether a folder is a report or a record."""
    return is_report(place) or is_bag(place)


def _below(folder: Path) -> Iterator[Path]:
    """Folders with a description, at or below one, sorted; links are not followed."""
    for base, inner, files in os.walk(folder, onerror=_unreadable):
        place = Path(base)
        if _is_analysed(place):
            inner.clear()
            continue
        inner[:] = sorted(name for name in inner if not name.startswith("."))
        if FILE_NAME in files:
            yield place


def _unreadable(error: OSError) -> None:
    reason = (error.strerror or type(error).__name__).lower()
    raise DescriptionError(f"cannot be read: {reason}.", "Check its permissions.", path=error.filename) from error


def _one_name(name: str) -> str:
    """A way through folders as the name of one; a long one as its beginning and a digest."""
    whole = name.replace("/", "_")
    if len(os.fsencode(whole)) <= _LONGEST_BYTES:
        return whole
    return f"{whole[:_KEPT_CHARACTERS]}-{hashlib.sha256(os.fsencode(name)).hexdigest()[:_DIGEST_LENGTH]}"


def _free(name: str, taken: set[str]) -> str:
    """The name, with a number behind it if another bears it."""
    free, number = name, 1
    while free.casefold() in taken:
        number += 1
        free = f"{name}-{number}"
    taken.add(free.casefold())
    return free
