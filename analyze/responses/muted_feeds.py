"""Feeds recorded while their output is muted: they make no response, but tell how they relate to the others.

Often the programme runs through the whole desk and amplifiers are switched on one by one. The pass over a capture reads
the feeds of what sounds alone; here all its feeds are compared, over a stretch long enough for that.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from analyze.audio.recording import Recording, open_recording
from analyze.description import Capture, SoundCheck
from analyze.errors import AudioError
from analyze.spectra.cross_spectra import CrossSpectra
from analyze.spectra.frame_plan import plan_frames
from analyze.spectra.streaming import SourceEndedError, accumulate

#: Feeds are compared over so much of a capture's middle, s: a delay of a bus is known to 0.01 ms long before.
_LOOK_S = 120.0


def muted_feeds(sound_check: SoundCheck) -> list[tuple[Capture, CrossSpectra]]:
    """Sums over the feeds of every capture that holds more of them than sounded; those on clocks of their own left out.

    A capture whose feeds cannot be read adds nothing: it is measured without those that are muted.
    """
    found = []
    for capture in sound_check.captures:
        own_clock = {file for files in capture.unsynced for file in files}
        feeds = [name for name, track in capture.feeds.items() if track.file not in own_clock]
        if not capture.mics or len(feeds) < 2 or set(feeds) <= set(capture.playing):
            continue
        tracks = {("feed", name): capture.feeds[name] for name in feeds}
        with suppress(AudioError, SourceEndedError), open_recording(sound_check.folder, capture, tracks) as recording:
            cross = _sums(recording, capture.name, feeds)
            if cross is not None:
                found.append((capture, cross))
    return found


def _sums(recording: Recording, capture: str, feeds: list[str]) -> CrossSpectra | None:
    """Sums over the middle of a recording of feeds, the first standing in for a microphone; None if it is too short."""
    n = min(recording.n_frames, round(_LOOK_S * recording.sample_rate_hz))
    start = (recording.n_frames - n) // 2
    if plan_frames(n, recording.sample_rate_hz, 0).n_frames == 0:
        return None

    def blocks(length: int) -> Iterator[NDArray[np.float32]]:
        for at in range(start, start + n, length):
            block = recording.read(at, min(length, start + n - at))
            yield np.concatenate([block, block[:, :1]], axis=1)

    return accumulate(
        blocks,
        n,
        recording.sample_rate_hz,
        capture=capture,
        feeds=feeds,
        positions=[""],
        shift_s=np.zeros((len(feeds), 1)),
    )
