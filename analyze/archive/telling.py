"""What archiving and verifying say: on the terminal for a person, as an object for programs."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import Any

from analyze.archive.record import Record
from analyze.archive.verification import Verification
from analyze.errors import printable

#: Said before recordings are packed.
AUDIO_WARNING = (
    "The record will hold the recordings, and with them voices and performances that were picked up: "
    "hand it on only with the consent of those who are heard."
)


def record_text(record: Record) -> str:
    """Where the record is, what it holds, and how to check it later."""
    sofa = (
        "" if record.has_sofa else '\nIt holds no responses as SOFA: `analyze guide "a record"` says how to have them.'
    )
    missing = f"\n{_missing_words(record.missing)}" if record.missing else ""
    place = printable(str(record.folder))
    return (
        f"The record is in {place} ({_amount(record.n_files, record.n_bytes)}).{sofa}{missing}\n"
        f"Check it at any time with: analyze archive verify {shlex.quote(place)}"
    )


def _missing_words(missing: Sequence[str]) -> str:
    """What a description should state before its record is kept, and how it comes into one."""
    return (
        f"Its description states no {' and no '.join(missing)}: without, `analyze history` does not know where it "
        "belongs. A record is never changed: add it to soundcheck.toml, analyze again, and archive that beside this "
        "one; or in its place (--force), if this one was made a moment ago and nobody has it yet."
    )


def verification_text(found: Verification) -> str:
    """Whether a record is complete and valid; every file that is not, or of which that cannot be said, on a line."""
    name = printable(str(found.record))
    lines, notes = (
        [f"  {printable(one.file)}: {one.problem} ({printable(one.detail)})" for one in some]
        for some in (found.problems, found.notes)
    )
    if found.is_valid:
        return "\n".join([f"{name}: complete and valid ({_amount(found.n_files, found.n_bytes)})", *notes])
    lines += notes
    mend = "Take what is missing or altered from another copy; until then rely on nothing named here."
    return "\n".join([f"{name}: damaged or incomplete", *lines, mend])


def verification_object(verified: Sequence[Verification]) -> dict[str, Any]:
    """The same for programs."""
    return {
        "is_valid": all(one.is_valid for one in verified),
        "records": [
            {
                "record": str(one.record),
                "is_valid": one.is_valid,
                "n_files": one.n_files,
                "n_bytes": one.n_bytes,
                "problems": [vars(problem) for problem in one.problems],
                "notes": [vars(note) for note in one.notes],
            }
            for one in verified
        ],
    }


def _amount(n_files: int, n_bytes: int) -> str:
    return f"{n_files} files, {n_bytes / 1e6:.1f} MB"
