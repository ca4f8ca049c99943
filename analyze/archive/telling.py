"""What archiving and verifying say: on the terminal for a person, as an object for programs."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Sequence
from typing import Any

from analyze.archive.bag_reading import PAYLOAD, Problem
from analyze.archive.record import Record
from analyze.archive.verification import Verification
from analyze.errors import printable

#: Most files missing from one folder that are told one by one.
_MOST_LINES = 5

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
    if record.copies:
        missing += (
            f"\nIt was made from the same recordings as {', '.join(record.copies)}, which stands beside it: one visit, "
            "whatever the dates say. Look whether a folder was copied. Of several descriptions of one visit `analyze "
            "history` takes the one that nothing puts in doubt."
        )
    if record.alike:
        missing += (
            f"\nIt is more alike {', '.join(record.alike)}, beside it, than two recordings can be: most "
            "likely a copy that was edited. analyze compare says more."
        )
    if record.doubts:
        missing += (
            f"\nIts description is in doubt ({', '.join(record.doubts)}), and every setting in it: put it right, "
            "analyze again, and archive that too."
            f"{'' if record.has_audio else ' It holds no recordings: keep them, or nothing can be put right.'}"
        )
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
    notes = [_line(one) for one in found.notes]
    if found.is_valid:
        return "\n".join([f"{name}: complete and valid ({_amount(found.n_files, found.n_bytes)})", *notes])
    return "\n".join([f"{name}: damaged or incomplete", *_lines(found.problems), *notes, _mend(found.problems)])


def counted_text(verified: Sequence[Verification], n_records: int) -> str:
    """How many of several records are complete and valid, and which are not."""
    bad = [printable(str(one.record)) for one in verified if not one.is_valid]
    n_good, n_none = len(verified) - len(bad), n_records - len(verified)
    parts = [f"{n_good} of {n_records} complete and valid"]
    parts += [f"damaged or incomplete: {', '.join(bad)}"] if bad else []
    parts += [f"{n_none} not looked at"] if n_none else []
    return "; ".join(parts) + "."


def _line(one: Problem) -> str:
    return f"  {printable(one.file)}: {one.problem} ({printable(one.detail)})"


def _lines(problems: Sequence[Problem]) -> list[str]:
    """A line for every problem; files that are missing from one folder are counted where they are many."""
    gone = [one for one in problems if one.problem == "missing" and one.file.startswith(PAYLOAD)]
    if any(one.file == PAYLOAD for one in gone):
        counted = f"  {PAYLOAD}: missing (the folder of the payload, with {len(gone) - 1} files that are listed)"
        return [counted, *(_line(one) for one in problems if one not in gone)]
    n_gone = Counter(_folder_of(one) for one in gone)
    many = {folder for folder, n in n_gone.items() if n > _MOST_LINES}
    lines = [f"  {printable(name)}/: missing ({n_gone[name]} files of it that are listed)" for name in sorted(many)]
    return lines + [_line(one) for one in problems if one not in gone or _folder_of(one) not in many]


def _folder_of(one: Problem) -> str:
    return one.file.rpartition("/")[0]


def _mend(problems: Sequence[Problem]) -> str:
    """What to do about a record, from the kinds of what is wrong with it."""
    if any(one.problem == "link" and one.file == "." for one in problems):
        return "Name the folder that the link leads to."
    kinds = {one.problem for one in problems} - {"wrong totals"}  # these follow from the rest
    parts = []
    if kinds - {"extra", "link"} or not kinds:
        parts.append("Take what is missing or altered from another copy; until then rely on nothing named here.")
    if "link" in kinds:
        parts.append(
            "Put the file or folder itself in the place of a link, from another copy; take away one that was added."
        )
    if "extra" in kinds:
        parts.append("Move what is extra elsewhere: it was not there when the record was made.")
    return " ".join(parts)


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
