"""The recordings of a report: where they lie, told by their SHA-256.

A report does not say where its recordings lie, for that is the user's own affair. They are sought where a report of
that name would have been made from: beside the folder of reports, and in the folder one works in.
"""

from __future__ import annotations

from pathlib import Path

from analyze.archive.report_files import ReportFiles
from analyze.audio.files import sha256_of
from analyze.description_files import AudioFolder, Refused
from analyze.description_text import description_file
from analyze.errors import AudioError, DescriptionError

_OTHER = "Name the folder of the sound check that this report was made from with --sound-check."


def find_recordings(report: ReportFiles, sound_check: Path | None) -> dict[str, Path]:
    """The audio files of a report: where each lies, by its path in the description.

    Parameters
    ----------
    sound_check : the folder of the recordings or the description in it; sought if None

    Raises
    ------
    DescriptionError : they are not there, or are not those that were analysed; names the file
    """
    if sound_check is not None:
        return _recordings(description_file(sound_check).parent, report)
    places = [report.folder.resolve().parent.parent / report.name, Path.cwd() / report.name]
    failure = None
    for place in dict.fromkeys(place for place in places if place.is_dir()):
        try:
            return _recordings(place, report)
        except DescriptionError as error:
            failure = failure or error
    if failure is not None:
        raise failure
    sought = " nor ".join(str(place) for place in dict.fromkeys(places))
    raise DescriptionError(f"its recordings were not found (there is no folder {sought}).", _OTHER, path=report.folder)


def _recordings(folder: Path, report: ReportFiles) -> dict[str, Path]:
    """The audio files in one folder, every one that was analysed compared with what it was then."""
    analysed = {one["path"]: one["sha256"] for one in report.results["input_files"]}
    inside, found = AudioFolder(folder), {}
    for name in sorted({*analysed, *_described(report)}):
        try:
            found[name] = folder / inside.file(name)
            is_same = name not in analysed or sha256_of(found[name]) == analysed[name]
        except Refused as error:
            raise DescriptionError(f"{error.problem}: {name!r}.", _OTHER, path=folder) from error
        except AudioError as error:
            raise DescriptionError(f"{error.what}", _OTHER, path=found[name]) from error
        if not is_same:
            raise DescriptionError("is not the file that was analysed (its SHA-256 differs).", _OTHER, path=found[name])
    return found


def _described(report: ReportFiles) -> set[str]:
    """The files that the tracks of a description name, among them those that could not be read."""
    kinds = ("feeds", "mics", "inputs")
    captures = report.results["sound_check"]["captures"]
    return {track["file"] for capture in captures for kind in kinds for track in capture[kind].values()}
