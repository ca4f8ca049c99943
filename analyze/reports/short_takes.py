"""Takes that hold too little sound: of one output, or of all at once."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analyze.reports.naming import shortened
from analyze.reports.summaries import first_few

if TYPE_CHECKING:
    from analyze.pipeline import Analysis

#: A take of one output under this is short: half of what is asked for.
SHORT_S = 10.0
#: So is one of several at once, of which a minute is asked for.
SHORT_TOGETHER_S = 30.0
# Feeds that sound for more than this share of a take together sound at once, not in turn.
_AT_ONCE = 1.2
# So many names are told, so long.
_MOST_NAMES, _NAME_LENGTH = 3, 40


@dataclass(frozen=True)
class Sounding:
    """How long a track of a capture is and how long it sounds; kind : feed, mic or input; samples : what tells them."""

    capture: str
    kind: str
    name: str
    sounds_s: float
    length_s: float
    samples: Hashable


@dataclass(frozen=True)
class ShortTake:
    """A capture in which outputs sound too shortly: one by one, or all of its outputs at once.

    outputs : none where the capture has no feeds; is_of_several : whether the capture has several
    """

    capture: str
    outputs: tuple[str, ...]
    is_at_once: bool
    is_of_several: bool


def short_takes(tracks: Iterable[Sounding]) -> tuple[str, str]:
    """Which takes are short, in words: of single outputs, and of all at once; empty where none is."""
    found = too_short(tracks)
    alone = [
        f"{_shown(one.capture)}{_of(one.outputs) if one.is_of_several else ''}" for one in found if not one.is_at_once
    ]
    names = first_few([_shown(one.capture) for one in found if one.is_at_once], _MOST_NAMES)
    return (
        f"under {SHORT_S:g} s: {first_few(alone, _MOST_NAMES)}" if alone else "",
        f"all at once for under {SHORT_TOGETHER_S:g} s: {names}" if names else "",
    )


def too_short(tracks: Iterable[Sounding]) -> list[ShortTake]:
    """The takes that are short, by the sound of the feeds; a capture without any by its length.

    An output that sounds long enough in another take, not at once with others, was made again.
    """
    by_capture: dict[str, list[Sounding]] = {}
    for one in tracks:
        by_capture.setdefault(one.capture, []).append(one)
    feeds = {capture: [one for one in every if one.kind == "feed"] for capture, every in by_capture.items()}
    together = {capture for capture, played in feeds.items() if _sound_together(played)}
    in_turn = [one for capture, played in feeds.items() if capture not in together for one in played]
    again = {one.name for one in in_turn if one.sounds_s >= SHORT_S}
    found = []
    for capture, every in by_capture.items():
        played = feeds[capture]
        # one signal for all is told by other takes, in which one of them is flipped or silent, not by a longer one
        is_at_once = capture in together and len({one.samples for one in played}) > 1
        counted = [one for one in played if one.name not in again]
        if not played:
            counted = [replace(every[0], sounds_s=every[0].length_s)]
        least_s = SHORT_TOGETHER_S if is_at_once else SHORT_S
        short = [one.name for one in counted if one.sounds_s < least_s]
        if short and len(short) >= (len(counted) if is_at_once else 1):
            found.append(ShortTake(capture, tuple(short) if played else (), is_at_once, len(played) > 1))
    return found


def _sound_together(feeds: Sequence[Sounding]) -> bool:
    """Whether feeds of one capture sound together rather than in turn."""
    return len(feeds) > 1 and sum(one.sounds_s for one in feeds) > _AT_ONCE * feeds[0].length_s


def soundings(analysis: Analysis) -> list[Sounding]:
    """Every track of an analysis."""
    return [
        Sounding(w.capture, w.kind, w.name, w.sounds_s, w.to_s - w.from_s, (w.low.tobytes(), w.high.tobytes()))
        for w in analysis.waveforms
    ]


def _of(feeds: Sequence[str]) -> str:
    """The outputs of a take of several in turn that sound too shortly."""
    return f" ({first_few([_shown(one) for one in feeds], _MOST_NAMES)})"


def _shown(name: str) -> str:
    """A name, in quotes where it reads like a list."""
    short = shortened(name, _NAME_LENGTH)
    return f'"{short}"' if "," in name else short
