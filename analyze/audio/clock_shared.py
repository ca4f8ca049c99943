"""Captures out of one pair of files: what the clock found in one of them tells about the others.

A recorder's file that holds several takes has one clock throughout, and so has the file of the feeds. What one capture
found is a line between the files, by which all later ones know where to look; each still measures its own.

Conventions: the lines kept here count both times from the first frame of the files (`clock.py` has the equation).
"""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Iterable, Mapping
from concurrent.futures import Future
from typing import TYPE_CHECKING, TypeVar

from analyze.audio.clock import ClockFit, fit_clock
from analyze.audio.clock_source import ClockPiece

if TYPE_CHECKING:
    from analyze.audio.recording import Recording
    from analyze.description import Capture, Track

Label = TypeVar("Label", bound=Hashable)


def tracks_by_clock(capture: Capture, tracks: Mapping[Label, Track]) -> dict[int, dict[Label, Track]]:
    """The tracks of every clock: 0, or the place in `unsynced` from 1."""
    number_of = {file: number for number, files in enumerate(capture.unsynced, start=1) for file in files}
    by_clock: dict[int, dict[Label, Track]] = {}
    for label, track in tracks.items():
        by_clock.setdefault(number_of.get(track.file, 0), {})[label] = track
    return by_clock


class SharedClocks:
    """Clocks of captures as they are found, each told to those captures that come later and hold the same files.

    captures : with their tracks, in the order in which work on them begins

    A capture waits for earlier ones, never for a later one: so results do not depend on how many are measured at once,
    and nothing waits for ever.
    """

    def __init__(self, captures: Iterable[tuple[Capture, Mapping[Label, Track]]]) -> None:
        files_of: dict[tuple[str, int], set[tuple[str, str]]] = {}
        self._earlier: dict[tuple[str, int], list[tuple[str, int]]] = {}
        for capture, tracks in captures:
            by_clock = tracks_by_clock(capture, tracks)
            base = {track.file for track in by_clock.pop(min(by_clock)).values()}
            for number, foreign in by_clock.items():
                files = set(itertools.product(base, (track.file for track in foreign.values())))
                self._earlier[capture.name, number] = [key for key, others in files_of.items() if files & others]
                files_of[capture.name, number] = files
        self._line: dict[tuple[str, int], Future[ClockPiece | None]] = {key: Future() for key in files_of}

    def fit(self, number: int, base: Recording, foreign: Recording) -> ClockFit:
        """`fit_clock` for clock `number` of a capture, by the first earlier capture that knows where to look."""
        key, start_s = (base.capture, number), base.start_frame / base.sample_rate_hz
        lines = (self._line[earlier].result() for earlier in self._earlier[key])
        line = next((line for line in lines if line is not None), None)
        fit = fit_clock(base, foreign, None if line is None else line.counted_from(start_s))
        if fit.is_found:
            self._line[key].set_result(fit.pieces[0].counted_from(-start_s))
        return fit

    def close(self, capture: str) -> None:
        """Let no other capture wait for this one any longer, whatever became of it."""
        for (name, _), line in self._line.items():
            if name == capture and not line.done():
                line.set_result(None)
