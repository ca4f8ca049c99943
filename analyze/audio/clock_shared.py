"""Captures out of one pair of files: what the clock found in one of them tells about the others.

A recorder's file that holds several takes has one clock throughout, and so has the file of the feeds. What one capture
found is a line between the files, by which all later ones know where to look; each still measures its own. The same
noise played in every take fits at each of them: then the place counts in which both the first and the last of them
fit, for in any other one of the two meets no sound.

Conventions: the lines kept here count both times from the first frame of the files (`clock.py` has the equation).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Mapping
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

from analyze.audio.clock import ClockFit, fit_clock, fit_near, likely_lines
from analyze.audio.clock_source import ClockPiece
from analyze.errors import AudioError

if TYPE_CHECKING:
    from analyze.audio.recording import Recording
    from analyze.description import Capture, Track

Label = TypeVar("Label", bound=Hashable)

#: Opens tracks of a capture that share start and clock.
Opener = Callable[["Capture", Mapping[Any, "Track"]], "Recording"]

#: Tracks on each side, besides the feeds, by which captures are looked for as one: every feed is compared with each.
_MOST_OTHERS = 2
#: Lines closer than this are one, that of another output's path.
_SAME_S = 0.1


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
        self._tried: set[int] = set()

    def fit(self, number: int, base: Recording, foreign: Recording, opened: Opener) -> ClockFit:
        """`fit_clock` for clock `number` of a capture, by the first earlier capture that knows where to look.

        Where none does and its own sound fits in several places, the first and the last capture of its files tell.
        """
        place = next(k for k, s in enumerate(self._shares) if (s.capture.name, s.number) == (base.capture, number))
        share, start_s = self._shares[place], base.start_frame / base.sample_rate_hz
        earlier = [k for k in range(place) if self._shares[k].meets(share)]
        lines = (self._shares[k].line.result() for k in earlier)
        line = next((line for line in lines if line is not None), None)
        fit = fit_clock(base, foreign, None if line is None else line.counted_from(start_s))
        if fit.is_ambiguous and line is None and self._tried.isdisjoint(earlier):
            self._tried.add(place)
            with suppress(AudioError):  # of another capture, which says so itself
                line = self._of_both_ends(share, opened)
            fit = fit if line is None else fit_clock(base, foreign, line.counted_from(start_s))
        if fit.is_found:
            share.line.set_result(fit.pieces[0].counted_from(-start_s))
        return fit

    def close(self, capture: str) -> None:
        """Let no other capture wait for this one any longer, whatever became of it."""
        for share in self._shares:
            if share.capture.name == capture and not share.line.done():
                share.line.set_result(None)

    def _of_both_ends(self, share: _Share, opened: Opener) -> ClockPiece | None:
        """The only line that holds in the first and in the last capture in the files of this one; None without one."""
        in_time = sorted((s for s in self._shares if s.meets(share)), key=lambda s: s.capture.start_s)
        ends = in_time[0], in_time[-1]
        whole = replace(share.capture, start_s=0.0, end_s=math.nan)
        span = replace(whole, start_s=ends[0].capture.start_s, end_s=ends[1].capture.end_s)
        of_base = [_compared([end.base for end in some], _files(share.base)) for some in (ends, ends[:1], ends[1:])]
        of_foreign = _compared([end.foreign for end in ends], _files(share.foreign))
        if ends[0] is ends[1] or not all(of_base) or not of_foreign:
            return None
        with opened(whole, of_foreign) as foreign:
            with opened(span, of_base[0]) as base:
                start_s = base.start_frame / base.sample_rate_hz
                lines = [line.counted_from(-start_s) for line in likely_lines(base, foreign)]
            for end, tracks in zip(ends, of_base[1:], strict=True):
                with opened(end.capture, tracks) as base:
                    start_s = base.start_frame / base.sample_rate_hz
                    fits = [fit_near(base, foreign, line.counted_from(start_s)) for line in lines]
                lines = [fit.pieces[0].counted_from(-start_s) for fit in fits if fit is not None]
        is_one = bool(lines) and max(line.offset_s for line in lines) - min(line.offset_s for line in lines) < _SAME_S
        return lines[0] if is_one else None


def _files(tracks: Mapping[Any, Track]) -> set[str]:
    """The files of tracks."""
    return {track.file for track in tracks.values()}


def _compared(sides: Iterable[Mapping[Any, Track]], files: set[str]) -> dict[Hashable, Track]:
    """The feeds of captures that lie in some files, each once, and a few of their other tracks."""
    feeds: dict[Hashable, Track] = {}
    others: dict[Hashable, Track] = {}
    for side in sides:
        for label, track in side.items():
            if track.file in files:
                name = f"{track.file}:{track.channel}"
                (feeds if is_feed(label) else others)["feed" if is_feed(label) else "mic", name] = track
    return feeds | dict(list(others.items())[:_MOST_OTHERS])
