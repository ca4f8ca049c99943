"""Tracks in blocks, and what is damaged in them.

`open_recording` gives the tracks of a capture on one clock; `TrackStatistics` rides along on a pass over it, and
`damage_findings` tells what is wrong. `probe` looks at a single file.
"""

from analyze.audio.damage import TrackPlace, TrackStatistics, TrackSummary, damage_findings
from analyze.audio.files import AudioFile, probe, sha256_of
from analyze.audio.recording import Recording, open_recording

__all__ = [
    "AudioFile",
    "Recording",
    "TrackPlace",
    "TrackStatistics",
    "TrackSummary",
    "damage_findings",
    "open_recording",
    "probe",
    "sha256_of",
]
