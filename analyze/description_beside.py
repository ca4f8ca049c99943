"""What stands beside a description and is not in it: recordings that no take uses, the other side of a pair."""

from __future__ import annotations

import os
import re
from collections.abc import Collection
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from analyze.description_files import IS_AUDIO
from analyze.description_lines import shown
from analyze.description_text import FILE_NAME
from analyze.description_words import words_of
from analyze.findings import Finding

if TYPE_CHECKING:
    from analyze.description import Capture, SoundCheck

#: How two outputs of a pair are told apart in their names.
_SIDES = re.compile(r"(?<!\w)(?:left|right|l|r)(?!\w)")
_OTHER_SIDE = {"left": "right", "right": "left", "l": "r", "r": "l"}
#: Folders with one of these are a sound check, a report or a record of their own.
_OF_ITS_OWN = (FILE_NAME, "datapackage.json", "bagit.txt")
#: More folders and files than a sound check has, and files that are named.
_MOST_FOLDERS, _MOST_FILES, _MOST_NAMED = 500, 2000, 3


def other_side(name: str) -> str:
    """The name of the other box of a pair; the same in small letters where it has no side.

    >>> other_side("Sub left"), other_side("fill")
    ('sub right', 'fill')
    """
    return _SIDES.sub(lambda side: _OTHER_SIDE[side[0]], name.lower())


def files_of(captures: Collection[Capture]) -> set[str]:
    """Every file that captures use."""
    return {track.file for one in captures for kind in (one.feeds, one.mics, one.inputs) for track in kind.values()}


def unused_files(folder: Path, used: Collection[str]) -> tuple[str, ...]:
    """Audio files below a folder that are not among `used`, in order, with `/`; what cannot be read is passed by."""
    found: list[str] = []
    for n_seen, (base, folders, names) in enumerate(os.walk(folder)):
        here = Path(base)
        if n_seen and any((here / name).exists() for name in _OF_ITS_OWN):
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        audio = (name for name in sorted(names) if not name.startswith(".") and IS_AUDIO.fullmatch(name))
        paths = ((here / name).relative_to(folder).as_posix() for name in audio)
        # a name that is no text is to be named all the same
        found += [path.encode("utf-8", "replace").decode() for path in paths if path not in used]
        if n_seen >= _MOST_FOLDERS or len(found) >= _MOST_FILES:
            break
    return tuple(found)


def unused_recordings(check: SoundCheck) -> tuple[Finding, ...]:
    """Recordings that no take uses: a warning of those that read like an output's, a note of the others."""
    like = [path for path in check.unused if _reads_like_output(path)]
    rest = [path for path in check.unused if path not in like]
    findings = []
    if like:
        detail = (
            f"No take uses {_named(like)}, and by the name that is a recording of an output. If it is, describe it as "
            "a take, and the output too where it is missing: what is not described is not counted. Else move it "
            "elsewhere."
        )
        findings.append(Finding("recording not used", "warning", detail, file=like[0], value=len(like), unit="files"))
    if rest:
        detail = f"No take uses {_named(rest)}. If something of a take is in it, describe that; else it does no harm."
        findings.append(Finding("recording not used", "note", detail, file=rest[0], value=len(rest), unit="files"))
    return tuple(findings)


def _reads_like_output(path: str) -> bool:
    """Whether the folders or the name of a file say a kind of output."""
    return any(word.means("kind") for part in PurePosixPath(path).with_suffix("").parts for word in words_of(part))


def _named(paths: list[str]) -> str:
    """The first few of some files, the others counted."""
    more = len(paths) - _MOST_NAMED
    return ", ".join(map(shown, paths[:_MOST_NAMED])) + (f" and {more} more" if more > 0 else "")


def sides_apart(check: SoundCheck) -> tuple[Finding, ...]:
    """Left and right subs that are in no group, so that nothing keeps their settings together."""
    before: dict[str, str] = {}
    findings = []
    for twin in (name for name, output in check.outputs.items() if output.kind == "sub" and not output.group):
        name = before.get(other_side(twin))
        before[twin.lower()] = twin
        if name:
            detail = (
                f"{shown(name)} and {shown(twin)} are in no group, so each is set for itself, and their settings may "
                "drift apart for little. If they are to move as one, write group = ... under each, the same name; if "
                "each is meant to be set for itself, give each a group of its own."
            )
            findings.append(Finding("twins without a group", "warning", detail, track=name))
    return tuple(findings)


def lone_sides(check: SoundCheck) -> tuple[Finding, ...]:
    """Subs whose other side is not described, where the mains stand in pairs: one side of a house is often measured."""
    kinds = {name.lower(): output.kind for name, output in check.outputs.items()}
    sided = {name: other_side(name) for name in kinds if other_side(name) != name}
    if not any(kinds[name] == kinds.get(twin) == "main" for name, twin in sided.items()):
        return ()
    findings = []
    for name, output in check.outputs.items():
        twin = sided.get(name.lower(), name.lower())
        if output.kind == "sub" and twin not in kinds:
            detail = (
                f"{shown(name)} is described and its other side, {shown(twin)}, is not, while mains stand in pairs. If "
                "it played at the show, describe it and its take: a polarity or a delay for one side alone sets the "
                "two against each other."
            )
            findings.append(Finding("other side missing", "warning", detail, track=name))
    return tuple(findings)
