"""Do the described tracks exist in the files? Every mistake at once, each with its line in the description.

What can be told from headers alone: channels that a file does not have, captures that begin after the end of a file. A
file that cannot be read is no mistake of the description; it comes up when the capture is opened.
"""

from __future__ import annotations

from pathlib import Path

from analyze.audio.files import AudioFile, probe
from analyze.description import Capture, SoundCheck
from analyze.description_lines import KeyPath, Mistake, index_lines, report
from analyze.description_text import decoded
from analyze.errors import AnalyzeError


def check_tracks(sound_check: SoundCheck) -> None:
    """Compare every track of a description with the header of its file.

    Raises DescriptionError, naming file, line and key of every mistake.
    """
    probed: dict[str, AudioFile | None] = {}
    mistakes = [m for n, capture in enumerate(sound_check.captures) for m in _mistakes(sound_check, n, capture, probed)]
    if mistakes:
        lines = index_lines(decoded(sound_check.source, sound_check.path))
        raise report(sound_check.path, mistakes, lines)


def _mistakes(
    sound_check: SoundCheck, number: int, capture: Capture, probed: dict[str, AudioFile | None]
) -> list[Mistake]:
    """What one capture asks of its files that they do not hold."""
    mistakes = []
    on_clock: list[AudioFile] = []  # of the capture's own clock: `start_s` counts there
    apart = {file for files in capture.unsynced for file in files}
    for table, tracks in (("feeds", capture.feeds), ("mics", capture.mics), ("inputs", capture.inputs)):
        for label, track in tracks.items():
            if track.file not in probed:
                probed[track.file] = _probe(sound_check.folder, track.file)
            file = probed[track.file]
            if file is None:
                continue
            if track.file not in apart and file not in on_clock:
                on_clock.append(file)
            if not 1 <= track.channel <= file.n_channels:
                only = "1" if file.n_channels == 1 else f"1 to {file.n_channels}"
                key: KeyPath = ("captures", number, table, label)
                found = f"channel {track.channel} of {track.file}"
                mistakes.append(Mistake(key, "no such channel", found, f"channel {only}"))
    late = [file for file in on_clock if capture.start_s >= file.duration_s]
    if late:
        shortest = min(late, key=lambda file: file.duration_s)
        expected = f"less than {shortest.duration_s:.2f}, the length of {shortest.shown}"
        key = ("captures", number, "start_s")
        mistakes.append(Mistake(key, "begins after the end of the file", f"{capture.start_s:g}", expected))
    return mistakes


def _probe(folder: Path, shown: str) -> AudioFile | None:
    """The file, None where it cannot be read."""
    try:
        return probe((folder / shown).resolve(), shown)
    except AnalyzeError:
        return None
