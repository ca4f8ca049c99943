"""The audio in a folder: which files it has, what they hold, and which cannot be used in a description.

Folders are searched to the bottom, in the order of their names. Hidden files, symbolic links that lead out, reports of
this program and folders with a description of their own are not for a draft. Paths are relative, with `/`.
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from analyze.audio import AudioFile, probe
from analyze.audio.files import foreign_reason
from analyze.audio.metadata import Metadata, read_metadata
from analyze.description_files import IS_AUDIO, AudioFolder, Refused
from analyze.description_text import FILE_NAME
from analyze.errors import AnalyzeError, DescriptionError
from analyze.reports.folder import is_report

#: More files or tracks than a sound check has; and the longest path that fits on a line, however escaped.
_MAX_FILES, _MAX_TRACKS, _MAX_PATH_BYTES = 2000, 4000, 500


@dataclass(frozen=True)
class FoundFile:
    """One audio file that a description may name.

    n_frames : as its header claims, so that a file which was cut off still goes with those of its length
    """

    path: str
    n_channels: int
    n_frames: int
    sample_rate_hz: int
    metadata: Metadata

    @property
    def stem(self) -> str:
        """The name without folders and ending."""
        return PurePosixPath(self.path).stem

    @property
    def folders(self) -> tuple[str, ...]:
        """The folders it lies in, from the folder of the description down."""
        return PurePosixPath(self.path).parts[:-1]

    @property
    def start_s(self) -> float:
        """Start since midnight, NaN if not known."""
        return self.metadata.start_s


@dataclass(frozen=True)
class LeftOut:
    """What a draft does not use: a path or a track, and why."""

    what: str
    why: str


def find_audio(folder: Path) -> tuple[tuple[FoundFile, ...], tuple[LeftOut, ...]]:
    """The audio files of a folder that can be used, and those that cannot.

    Raises DescriptionError if there are none at all, or too many for one sound check.
    """
    found: list[FoundFile] = []
    left_out: list[LeftOut] = []
    files = AudioFolder(folder)
    for path in _walk(folder, left_out):
        if len(found) + len(left_out) >= _MAX_FILES or sum(file.n_channels for file in found) > _MAX_TRACKS:
            what = f"holds too much for one sound check (expected at most {_MAX_FILES} files and {_MAX_TRACKS} tracks)."
            raise DescriptionError(what, "Draft one sound check at a time, each from its own folder.", path=folder)
        reason = _unusable(files, path)
        if not reason:
            try:
                file = probe(folder / path, path)
            except AnalyzeError as error:
                reason = error.what
            else:
                metadata = read_metadata(file.path)
                found.append(FoundFile(path, file.n_channels, _claimed(file), file.sample_rate_hz, metadata))
        if reason:
            left_out.append(LeftOut(path, reason))
    if not found and not left_out:
        raise DescriptionError(
            "holds no audio files.", "Name the folder of the recordings, or copy them there first.", path=folder
        )
    return tuple(found), tuple(left_out)


def _walk(folder: Path, left_out: list[LeftOut]) -> Iterator[str]:
    """Paths of the audio files of a folder, in order; folders that are passed over are left out."""

    def passed_over(error: OSError) -> None:
        inside = Path(error.filename).relative_to(folder).as_posix()
        left_out.append(LeftOut(f"{inside}/", f"the folder cannot be read{foreign_reason(error)}."))

    for base, folders, names in os.walk(folder, onerror=passed_over):
        inside = Path(base).relative_to(folder)
        if inside.parts and (reason := _own_purpose(Path(base))):
            left_out.append(LeftOut(f"{inside.as_posix()}/", reason))
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if not name.startswith(".") and IS_AUDIO.fullmatch(name):
                yield (inside / name).as_posix()


def _own_purpose(folder: Path) -> str:
    """Why a folder is no part of the sound check round it; empty if it may be."""
    if (folder / FILE_NAME).exists():
        return f"the folder has a {FILE_NAME} of its own."
    return "the folder is a report." if is_report(folder) else ""


def _unusable(files: AudioFolder, path: str) -> str:
    """Why a description cannot name a path; empty if it can."""
    if any(unicodedata.category(character) == "Cs" for character in path):
        return "its name is no text: rename it."
    if len(path.encode()) > _MAX_PATH_BYTES:
        return f"its path is too long (expected at most {_MAX_PATH_BYTES} bytes): rename it."
    try:
        files.track(f"{path}:1")
    except Refused as why:
        return f"{why.problem}."
    return ""


def _claimed(file: AudioFile) -> int:
    """Frames by the header: those that are there and those that were cut off."""
    missing_s = sum(finding.value for finding in file.findings if finding.finding == "truncated file")
    return file.n_frames + round(missing_s * file.sample_rate_hz)
