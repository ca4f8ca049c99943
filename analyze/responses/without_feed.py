"""A capture in which something sounded and no feed was recorded: what can be said, and what would settle the rest.

Without the feed neither phase nor polarity of an output is known. Levels are, and by how much later one microphone
hears the sound than another: from what the microphones share (`spectra/coarse_delay.py`).
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.audio.damage import (
    SILENT_DBFS,
    TrackStatistics,
    TrackSummary,
    copied_microphones,
    damage_findings,
    waveforms_of,
)
from analyze.audio.recording import Recording, open_recording
from analyze.audio.tracks_read import TracksRead
from analyze.description import Capture, SoundCheck
from analyze.findings import Finding
from analyze.spectra.coarse_delay import LOOK_S, coarse_delays_s
from analyze.spectra.cross_spectra import CrossSpectra
from analyze.spectra.frame_plan import plan_frames
from analyze.spectra.streaming import SourceEndedError, accumulate

#: Samples read at a time.
_BLOCK = 1 << 17


@dataclass(frozen=True)
class Unfed:
    """A capture without feeds: its microphones' energies, and equal white ones in place of the feeds."""

    capture: Capture
    cross: CrossSpectra


def without_feed(sound_check: SoundCheck, capture: Capture) -> tuple[Unfed | None, list[Finding], TracksRead]:
    """What the microphones of a capture without feeds say, with findings and what was read.

    None if it is too short, or every microphone silent. Microphones that hold another's samples are left out.

    Raises AudioError or DescriptionError where a file cannot be used at all.
    """
    tracks = {("mic", position): track for position, track in capture.mics.items()}
    with open_recording(sound_check.folder, capture, tracks) as recording:
        cross, summary = _whole_energies(recording, capture)
        findings = [*recording.findings, *recording.late_findings(), *damage_findings(summary, recording.places)]
        read, heard = TracksRead(recording.files, waveforms_of(summary, recording.places)), recording
        copied = copied_microphones(summary, recording.places)
        if copied:
            heard = recording.in_order([label for k, label in enumerate(recording.labels) if k not in copied])
            cross, summary = _energies(heard, capture)
        later = _later_words(heard)
        names = [place.name for place in heard.places]
    is_loud = summary.level_dbfs >= SILENT_DBFS
    levels = ", ".join(f"{names[k]} {summary.level_dbfs[k]:.0f} dBFS" for k in np.flatnonzero(is_loud)) or "none"
    sounding = ", ".join(capture.playing) or "what sounded"
    detail = (
        f"No feed of {sounding} was recorded, so neither delay nor polarity can be told. Level: {levels}.{later} "
        "Record the signal of the generator or the player on the recorder that takes the microphones."
    )
    findings.append(Finding("no feed recorded", "warning", detail, capture.name))
    return None if cross is None or not is_loud.any() else Unfed(capture, cross), findings, read


def _whole_energies(recording: Recording, capture: Capture) -> tuple[CrossSpectra | None, TrackSummary]:
    """`_energies` of what can be read: a file that breaks off on the way makes the recording shorter."""
    while True:
        with contextlib.suppress(SourceEndedError):
            return _energies(recording, capture)


def _energies(recording: Recording, capture: Capture) -> tuple[CrossSpectra | None, TrackSummary]:
    """Sums over one pass in which the first microphone stands in for a feed, and then equal ones for what played.

    None in their place if not one frame fits; and the figures of the tracks.
    """
    statistics = TrackStatistics(len(recording.labels), recording.sample_rate_hz, recording.gaps)
    positions = [place.name for place in recording.places]
    if plan_frames(recording.n_frames, recording.sample_rate_hz, 0).n_frames == 0:
        for _ in recording.blocks(_BLOCK, statistics=statistics):
            pass
        return None, statistics.finish()

    def source(n: int) -> Iterator[NDArray[np.float32]]:
        for _, block in recording.blocks(n, statistics=statistics):
            yield np.concatenate([block[:, :1], block], axis=1)

    found = accumulate(
        source,
        recording.n_frames,
        recording.sample_rate_hz,
        capture=capture.name,
        feeds=[""],
        positions=positions,
        shift_s=np.zeros((1, len(positions))),
    )
    n, (n_group, n_position) = len(capture.playing), found.n_frames.shape
    n_line, n_low = found.gyy.shape[-1], found.low_gxx.shape[-1]
    sums = replace(
        found,
        feeds=capture.playing,
        shift_s=np.zeros((n, n_position)),
        gxx=np.ones((n_position, n, n, n_line), dtype=np.complex128),
        gxy=np.zeros((n, n_position, n_line), dtype=np.complex128),
        low_gxx=np.ones((n_group, n_position, n, n, n_low), dtype=np.complex128),
        low_gxy=np.zeros((n_group, n, n_position, n_low), dtype=np.complex128),
    )
    return sums, statistics.finish()


def _later_words(recording: Recording) -> str:
    """By how much later the other microphones hear the sound than the first, where they share its clock and sound."""
    if len(recording.labels) < 2:
        return ""
    start = max(0, recording.n_frames // 2 - round(LOOK_S / 2.0 * recording.sample_rate_hz))
    look = recording.read(start, round(LOOK_S * recording.sample_rate_hz)).T  # (track, frame)
    names = [place.name for place in recording.places]
    words = []
    # a microphone may hear the sound before the first does: each is tried against the other
    behind, _ = coarse_delays_s(look[0], look[1:], recording.sample_rate_hz)
    for k, name in enumerate(names[1:], 1):
        if recording.clock_of[k] != recording.clock_of[0]:
            continue
        ahead, _ = coarse_delays_s(look[k], look[:1], recording.sample_rate_hz)
        delay_s = behind[k - 1] if np.isfinite(behind[k - 1]) and behind[k - 1] >= 0.0 else -float(ahead[0])
        if np.isfinite(delay_s):
            order = "later" if delay_s > 0 else "earlier"
            words.append(f"{name} hears it about {1000.0 * abs(delay_s):.0f} ms {order} than {names[0]}")
    return f" {'; '.join(words)}." if words else ""
