"""Captures out of one pair of files: what the clock found in one of them tells about the others.

A recorder's file that holds several takes has one clock throughout, and so has the file of the feeds. What one capture
found is a line between the files, by which all later ones know where to look; each still measures its own. The same
noise played in every take fits at each of them: then all captures are laid side by side and looked for as one.

Conventions: the lines kept here count both times from the first frame of the files (`clock.py` has the equation).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from analyze.audio.clock import ClockFit, fit_clock
from analyze.audio.clock_source import ClockPiece

if TYPE_CHECKING:
    from analyze.audio.recording import Recording
    from analyze.description import Capture, Track

Label = TypeVar("Label", bound=Hashable)

#: Opens tracks of a capture that share start and clock.
Opener = Callable[["Capture", Mapping[Any, "Track"]], "Recording"]

#: Tracks on each side, besides all feeds, by which captures are looked for as one: every feed is compared with each.
_MOST_OTHERS = 2


def tracks_by_clock(capture: Capture, tracks: Mapping[Label, Track]) -> dict[int, dict[Label, Track]]:
    """The tracks of every clock: 0, or the place in `unsynced` from 1."""
    number_of = {file: number for number, files in enumerate(capture.unsynced, start=1) for file in files}
    by_clock: dict[int, dict[Label, Track]] = {}
    for label, track in tracks.items():
        by_clock.setdefault(number_of.get(track.file, 0), {})[label] = track
    return by_clock


def is_feed(label: Hashable) -> bool:
    """Whether a label says that its track is a feed."""
    return isinstance(label, tuple) and len(label) == 2 and label[0] == "feed"


@dataclass(frozen=True)
class _Share:
    """One clock of one capture, the tracks on both sides of it, and the line that was found, None for nothing."""

    capture: Capture
    number: int
    base: Mapping[Any, Track]
    foreign: Mapping[Any, Track]
    line: Future[ClockPiece | None] = field(default_factory=Future)

    def meets(self, other: _Share) -> bool:
        """Whether the two have a file in common on either side."""
        return bool(_files(self.base) & _files(other.base)) and bool(_files(self.foreign) & _files(other.foreign))


class SharedClocks:
    """Clocks of captures as they are found, each told to those captures that come later and hold the same files.

    captures : with their tracks, in the order in which work on them begins

    A capture waits for earlier ones, never for a later one: so results do not depend on how many are measured at once,
    and nothing waits for ever.
    """

    def __init__(self, captures: Iterable[tuple[Capture, Mapping[Label, Track]]]) -> None:
        self._shares: list[_Share] = []
        for capture, tracks in captures:
            by_clock = tracks_by_clock(capture, tracks)
            base = by_clock.pop(min(by_clock))
            self._shares += [_Share(capture, number, base, foreign) for number, foreign in by_clock.items()]
        self._tried_as_one: set[int] = set()

    def fit(self, number: int, base: Recording, foreign: Recording, opened: Opener) -> ClockFit:
        """`fit_clock` for clock `number` of a capture, by the first earlier capture that knows where to look.

        Where none does and its own sound fits in several places, by all captures of the same files as one.
        """
        place = next(k for k, s in enumerate(self._shares) if (s.capture.name, s.number) == (base.capture, number))
        share, start_s = self._shares[place], base.start_frame / base.sample_rate_hz
        earlier = [k for k in range(place) if self._shares[k].meets(share)]
        lines = (self._shares[k].line.result() for k in earlier)
        line = next((line for line in lines if line is not None), None)
        fit = fit_clock(base, foreign, None if line is None else line.counted_from(start_s))
        if fit.is_ambiguous and line is None and self._tried_as_one.isdisjoint(earlier):
            self._tried_as_one.add(place)
            line = self._of_all(share, opened)
            fit = fit if line is None else fit_clock(base, foreign, line.counted_from(start_s))
        if fit.is_found:
            share.line.set_result(fit.pieces[0].counted_from(-start_s))
        return fit

    def close(self, capture: str) -> None:
        """Let no other capture wait for this one any longer, whatever became of it."""
        for share in self._shares:
            if share.capture.name == capture and not share.line.done():
                share.line.set_result(None)

    def _of_all(self, share: _Share, opened: Opener) -> ClockPiece | None:
        """The line by all captures that hold the files of this one, looked for as one; None if there is none."""
        group = [other for other in self._shares if other.meets(share)]
        if len(group) == 1:
            return None
        whole = replace(share.capture, start_s=0.0, end_s=math.nan)
        start_s = min(other.capture.start_s for other in group)
        end_s = float(np.max([other.capture.end_s for other in group]))  # NaN, to the end, if one of them is
        of_base = _compared((other.base for other in group), _files(share.base))
        of_foreign = _compared((other.foreign for other in group), _files(share.foreign))
        span = replace(whole, start_s=start_s, end_s=end_s)
        with opened(span, of_base) as base, opened(whole, of_foreign) as foreign:
            fit = fit_clock(base, foreign)
            return fit.pieces[0].counted_from(-base.start_frame / base.sample_rate_hz) if fit.is_found else None


def _files(tracks: Mapping[Any, Track]) -> set[str]:
    """The files of tracks."""
    return {track.file for track in tracks.values()}


def _compared(sides: Iterable[Mapping[Any, Track]], files: set[str]) -> dict[Hashable, Track]:
    """All feeds of several captures that lie in some files, each once, and a few of their other tracks."""
    feeds: dict[Hashable, Track] = {}
    others: dict[Hashable, Track] = {}
    for side in sides:
        for label, track in side.items():
            if track.file in files:
                name = f"{track.file}:{track.channel}"
                (feeds if is_feed(label) else others)["feed" if is_feed(label) else "mic", name] = track
    return feeds | dict(list(others.items())[:_MOST_OTHERS])
