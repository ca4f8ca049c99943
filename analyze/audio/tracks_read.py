"""What reading the tracks of a capture leaves behind besides the figures: the files, and waveforms for the eye."""

from __future__ import annotations

from dataclasses import dataclass

from analyze.audio.files import AudioFile
from analyze.audio.waveform import Waveform


@dataclass(frozen=True)
class TracksRead:
    """Files that were read, and a waveform per track that was read to its end."""

    files: tuple[AudioFile, ...] = ()
    waveforms: tuple[Waveform, ...] = ()
