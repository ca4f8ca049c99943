"""Folders that hold a description and are no sound check: reports, and records."""

from __future__ import annotations

import shlex
from pathlib import Path

from analyze.archive.bag import is_bag
from analyze.errors import DescriptionError, printable
from analyze.reports.folder import refuse_report

#: Below a record, where its recordings are if it has any.
_AUDIO = Path("data", "audio")


def refuse_what_is_made(path: Path) -> None:
    """Refuse a report or record where a sound check is wanted, with the way to its recordings.

    Raises DescriptionError.
    """
    refuse_report(path)
    record = path.parents[1] if path.parts[-2:] == _AUDIO.parts and not path.exists() else path
    if not is_bag(record):
        return
    audio = record / _AUDIO
    if audio.is_dir():
        again = Path("reports") / f"{record.resolve().name}_again"
        call = f"analyze run {shlex.quote(str(audio))} --out {shlex.quote(str(again))}"
        mend = f"Its recordings are in it: {printable(call)}"
    else:
        mend = "It was made without --with-audio and holds no recordings: name the folder that does."
    raise DescriptionError("is a record (expected the sound check it was made from).", mend, path=record)
