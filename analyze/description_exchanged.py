"""Two microphone positions that a description may have exchanged in one take, told by channels and names of files.

Where all takes come from one recorder, a position keeps its channel; where every track is a file of its own, its name
says what it holds.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from analyze.description_lines import shown
from analyze.findings import Finding, Severity

if TYPE_CHECKING:
    from analyze.description import Capture, SoundCheck

_NAME = "channels exchanged"
# So many takes have to agree before it is told which one is the odd one.
_ENOUGH_TAKES = 2
# So many takes are named, the rest counted.
_MOST_NAMED = 2
_WORDS = re.compile(r"[^\W\d_]+|\d+")
# Words that do not tell one position from another.
_OF_ANY_POSITION = frozenset({"mic", "mike", "microphone", "pos", "position", "seat", "the", "at"})


@dataclass(frozen=True)
class _Layout:
    """What one file of a take holds: channel by position, and by output of its feed."""

    take: str
    file: str
    mics: Mapping[str, int]
    feeds: Mapping[str, int]

    @cached_property
    def from_first(self) -> Mapping[str, int]:
        """Channel of every position, counted from the first of these."""
        first = min(self.mics.values())
        return {name: channel - first for name, channel in self.mics.items()}

    def places_beside(self, other: _Layout) -> tuple[Mapping[str, int], Mapping[str, int]] | None:
        """Where positions lie in this file and in another, so that the two can be compared; None where they cannot.

        In files with the same positions channels count from the first of these, whatever else is on them. Other files
        without feeds have other channels than those with feeds, and may be of another recorder.
        """
        if self.mics.keys() == other.mics.keys():
            return self.from_first, other.from_first
        if bool(self.feeds) != bool(other.feeds):
            return None
        return {**self.feeds, **self.mics}, {**other.feeds, **other.mics}  # a position may be called as an output


def told_by(name: str) -> frozenset[str]:
    """The words of a position's name without those that any position might have.

    >>> sorted(told_by("Mic_mix position 2"))
    ['2', 'mix']
    """
    return _words(name) - _OF_ANY_POSITION


def exchanged(check: SoundCheck) -> list[Finding]:
    """Positions exchanged in one take: against the channels of other takes, or against the names of their files."""
    layouts = [layout for capture in check.captures for layout in _layouts(capture)]
    channels: dict[str, set[tuple[int, bool]]] = {}
    for layout in layouts:
        for is_from_first, places in ((False, layout.mics), (True, layout.from_first)):
            for position, channel in places.items():
                channels.setdefault(position, set()).add((channel, is_from_first))
    moved = [position for position in check.positions if len(channels.get(position, ())) > 2]  # twice where it stays
    by_channels = [_against_others(layouts, *pair) for pair in combinations(moved, 2)]
    by_names = [finding for capture in check.captures for finding in _against_names(capture)]
    return [*(finding for finding in by_channels if finding is not None), *by_names]


def _layouts(capture: Capture) -> Iterable[_Layout]:
    """The files of a take that hold several positions."""
    files = Counter(track.file for track in capture.mics.values())
    for file in (file for file, n in files.items() if n > 1):
        mics, feeds = (
            {name: track.channel for name, track in tracks.items() if track.file == file}
            for tracks in (capture.mics, capture.feeds)
        )
        yield _Layout(capture.name, file, mics, feeds)


def _against_others(layouts: Sequence[_Layout], p: str, q: str) -> Finding | None:
    """Two positions that one take alone has the other way round than most; where there are only two takes, a note."""
    both = [layout for layout in layouts if p in layout.mics and q in layout.mics]
    orders = {(one.mics[p], one.mics[q]) for one in both} | {(one.from_first[p], one.from_first[q]) for one in both}
    for odd in reversed(both):
        if not {(odd.mics[q], odd.mics[p]), (odd.from_first[q], odd.from_first[p])} & orders:
            continue
        places = [(one, one.places_beside(odd)) for one in both if one is not odd]
        alike = [(one, *pair) for one, pair in places if pair is not None]
        if any((there[p] < there[q]) == (here[p] < here[q]) for _, there, here in alike):
            continue  # not the only one
        others = [one for one, there, here in alike if _is_crossed(there, here, p, q)]
        if len(others) >= _ENOUGH_TAKES or (others and len(alike) == 1):
            return _other_way_round(odd, p, q, others)
    return None


def _is_crossed(there: Mapping[str, int], here: Mapping[str, int], p: str, q: str) -> bool:
    """Whether two positions lie in each other's place and all else that both hold lies where it was."""
    is_rest_same = all(there[name] == here[name] for name in there.keys() & here.keys() - {p, q})
    return is_rest_same and (there[p], there[q]) == (here[q], here[p])


def _other_way_round(odd: _Layout, p: str, q: str, others: Sequence[_Layout]) -> Finding:
    """The finding: take, positions, channels."""
    named = ", ".join(shown(one.take) for one in others[:_MOST_NAMED])
    more = f" and {len(others) - _MOST_NAMED} more" if len(others) > _MOST_NAMED else ""
    there = others[0].mics
    is_shifted = (there[p], there[q]) != (odd.mics[q], odd.mics[p])
    where = f" ({shown(p)} on {there[p]} and {shown(q)} on {there[q]} in {shown(others[0].take)})"
    channels = where if is_shifted else ""
    is_alone = len(others) >= _ENOUGH_TAKES
    mend = f"exchange the two in {shown(odd.take)}" if is_alone else "exchange the two in one of them"
    detail = (
        f"{shown(p)} is on channel {odd.mics[p]} and {shown(q)} on {odd.mics[q]} in {shown(odd.take)}, the other way "
        f"round in {named}{more}{channels}. If the patch was changed between, it is right; else {mend}."
    )
    severity: Severity = "warning" if is_alone else "note"
    return Finding(_NAME, severity, detail, odd.take, p, odd.file, odd.mics[p])


def _against_names(capture: Capture) -> Iterable[Finding]:
    """Pairs of positions each of which has a file of its own that bears the other's name."""
    tracks = (*capture.feeds.values(), *capture.mics.values(), *capture.inputs.values())
    n_tracks = Counter(track.file for track in tracks)
    files = {name: track.file for name, track in capture.mics.items() if n_tracks[track.file] == 1}
    astray = [name for name, file in files.items() if not _names(file, name)]
    for p, q in combinations(astray, 2):
        if _names(files[p], q) and _names(files[q], p):
            detail = (
                f"{shown(p)} has the file {shown(files[p])} and {shown(q)} has {shown(files[q])} in "
                f"{shown(capture.name)}, each with the name of the other. If the patch was changed, it is right; else "
                "exchange the two here, and in every other take that has them the same way round."
            )
            yield Finding(_NAME, "warning", detail, capture.name, p, files[p])


def _names(file: str, position: str) -> bool:
    """Whether the name of a file has the words of a position; of numbers and single letters alone, all its words."""
    words = told_by(position)
    if not any(len(word) > 1 and word.isalpha() for word in words):
        words = _words(position)
    return words <= _words(PurePosixPath(file).stem)


def _words(text: str) -> frozenset[str]:
    """Words and numbers of a text, case left out."""
    return frozenset(_WORDS.findall(text.casefold()))
