"""Do the files of one clock fit together, and which part of them does a capture use?

Conventions: frames count from the start of the files; times in findings and errors too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analyze.audio.files import AudioFile
from analyze.errors import AudioError, DescriptionError
from analyze.findings import Finding

if TYPE_CHECKING:
    from analyze.description import Capture, Track


def check_channel(track: Track, file: AudioFile) -> None:
    """Refuse a channel that the file does not have."""
    if not 1 <= track.channel <= file.n_channels:
        only = "1" if file.n_channels == 1 else f"1 to {file.n_channels}"
        raise DescriptionError(
            f"there is no such channel (found {file.n_channels} in the file).",
            f"Name channel {only} in the description.",
            path=track.file,
            channel=track.channel,
        )


def check_rates(files: Sequence[AudioFile], capture: str) -> None:
    """Refuse files of one clock whose sample rates differ."""
    first = files[0]
    for file in files[1:]:
        if file.sample_rate_hz != first.sample_rate_hz:
            raise AudioError(
                f'sample rate differs within capture "{capture}" (found {file.sample_rate_hz} Hz, '
                f"expected {first.sample_rate_hz} Hz as in {first.shown}).",
                f"Convert one of the two, or list {file.shown} in `unsynced` if another recorder made it.",
                path=file.shown,
            )


def common_part(files: Sequence[AudioFile], capture: Capture) -> tuple[tuple[int, int], list[Finding]]:
    """First frame and the one after the last that all files share, within the capture; and what is left out."""
    rate = files[0].sample_rate_hz
    start = round(capture.start_s * rate)
    wanted = None if math.isnan(capture.end_s) else round(capture.end_s * rate)
    if wanted is not None and wanted <= start:
        raise DescriptionError(
            f'capture "{capture.name}" is empty (found start_s {capture.start_s:g}, end_s {capture.end_s:g}).',
            "Let end_s be later than start_s.",
        )
    shortest, longest = min(files, key=lambda f: f.n_frames), max(files, key=lambda f: f.n_frames)
    if start >= shortest.n_frames:
        raise DescriptionError(
            f'capture "{capture.name}" begins after the end of the file '
            f"(found start_s {capture.start_s:g}, expected less than {shortest.duration_s:.2f}).",
            "Correct start_s in the description.",
            path=shortest.shown,
        )
    stop = shortest.n_frames if wanted is None else min(wanted, shortest.n_frames)
    longest_stop = longest.n_frames if wanted is None else min(wanted, longest.n_frames)
    return (start, stop), _length_findings(shortest, longest_stop - stop, wanted, longest, capture)


def _length_findings(
    shortest: AudioFile, n_left_out: int, wanted: int | None, longest: AudioFile, capture: Capture
) -> list[Finding]:
    """Notes on audio that is not used or was asked for and is not there."""
    rate, findings = shortest.sample_rate_hz, []
    if n_left_out > 0:
        left_out_s = n_left_out / rate
        detail = (
            f"{shortest.shown} is the shortest; {left_out_s:.2f} s of {longest.shown} are not used. "
            "Check that these files belong together and start together."
        )
        findings.append(
            Finding(
                "files differ in length",
                "note",
                detail,
                capture.name,
                file=shortest.shown,
                value=left_out_s,
                unit="s",
                at_s=shortest.duration_s,
            )
        )
    if wanted is not None and wanted > longest.n_frames:
        missing_s = (wanted - longest.n_frames) / rate
        detail = f"The capture's end_s lies {missing_s:.2f} s after the end of the audio. Correct it, or leave it out."
        findings.append(
            Finding(
                "end after the audio",
                "note",
                detail,
                capture.name,
                file=longest.shown,
                value=missing_s,
                unit="s",
                at_s=longest.duration_s,
            )
        )
    return findings
