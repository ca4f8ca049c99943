"""Do names say where things stand, and arrivals otherwise? Left and right, the front and the back, the numbers of rows.

Cables, tracks and lines of a description that are exchanged throughout contradict nothing that was recorded: what does
is the name of a seat, where it says on which side or how far back it is.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from analyze.description import SoundCheck
from analyze.description_words import words_of
from analyze.findings import Finding

NAME = "name contradicted"
#: By how much the nearer box comes first, ms, for a side to be told: of subs more, whose arrivals are less sure; and by
#: how much a main comes first to the nearer seat (judgement); and standard deviations.
_SIDE_MS: Mapping[str, float] = {"main": 1.0, "fill": 1.0, "tower": 1.0, "sub": 6.0}
_DEPTH_MS, _SIGMAS = 3.0, 4.0
#: Seats that have to say so before a pair of boxes is taken for exchanged, and that are named.
_ENOUGH_SEATS, _MOST_NAMED = 2, 4

#: Per (output, position): arrival with all delays at zero, and its standard deviation, ms.
_Arrivals = Mapping[tuple[str, str], tuple[float, float]]


@dataclass(frozen=True)
class _Heard:
    """Which box of a pair a seat on one side hears first, by its own side and how much; `is_against` its name."""

    position: str
    pair: tuple[str, str]
    lead_ms: float
    is_against: bool

    @property
    def words(self) -> str:
        """As it is said: what is heard first, and by how much."""
        first, second = self.pair if self.lead_ms > 0.0 else self.pair[::-1]
        return f"{first} {abs(self.lead_ms):.0f} ms before {second} at {self.position}"


def against_names(
    sound_check: SoundCheck,
    arrivals: _Arrivals,
    own_clocks: Collection[tuple[str, str]],
    untrue: Collection[str],
) -> list[Finding]:
    """A finding for boxes and seats whose names say another side, or another order of seats, than arrivals do.

    Parameters
    ----------
    arrivals : per (output, position) arrival and standard deviation in ms, at present settings
    own_clocks : (output, position) whose arrivals mean nothing by themselves; untrue : outputs of which none does
    """
    seats = {name for name, position in sound_check.positions.items() if position.zone == "audience"}
    unset = {
        (output, position): (ms - sound_check.outputs[output].setting.delay_ms, std_ms)
        for (output, position), (ms, std_ms) in arrivals.items()
        if position in seats and (output, position) not in own_clocks and output not in untrue
        if math.isfinite(ms + std_ms)
    }
    heard = list(_heard_at_sides(sound_check, unset))
    return [*_sides(heard), *_rows(sound_check, unset)]


def _heard_at_sides(sound_check: SoundCheck, unset: _Arrivals) -> Iterator[_Heard]:
    """What every seat with a side in its name hears of every pair of boxes, as far as it is clear which comes first."""
    sides = {position: _side(position) for position in sound_check.positions}
    for pair in _pairs(sound_check):
        least_ms = _SIDE_MS[sound_check.outputs[pair[0]].kind]
        for position, side in sides.items():
            both = [unset.get((name, position)) for name in pair]
            if not side or both[0] is None or both[1] is None:
                continue
            lead_ms, std_ms = both[1][0] - both[0][0], math.hypot(both[0][1], both[1][1])
            if abs(lead_ms) > max(least_ms, _SIGMAS * std_ms):
                yield _Heard(position, pair, lead_ms, is_against=(lead_ms > 0.0) != (side == "left"))


def _pairs(sound_check: SoundCheck) -> list[tuple[str, str]]:
    """Outputs, left and right, whose names differ in their side alone."""
    found: dict[tuple[str, ...], dict[str, str]] = defaultdict(dict)
    for name, output in sound_check.outputs.items():
        if output.kind in _SIDE_MS and (side := _side(name)):
            found[output.kind, *_without(name, "side")][side] = name
    return [(one["left"], one["right"]) for one in found.values() if len(one) == 2]


def _sides(heard: Sequence[_Heard]) -> list[Finding]:
    """Boxes of a pair that are exchanged, or seats; where nothing tells which, all are named."""
    against = [one for one in heard if one.is_against]
    agree = [one for one in heard if not one.is_against]
    if not against:
        return []
    if not agree:
        return [_all_against(against)]
    good_seats = {one.position for one in agree}  # another pair comes from the right side there
    good_pairs = {one.pair for one in agree}
    by_pair: dict[tuple[str, str], list[_Heard]] = defaultdict(list)
    for one in against:
        if one.position in good_seats and one.pair not in good_pairs:
            by_pair[one.pair].append(one)
    by_seat = [one for one in against if one.position not in good_seats]
    crossed = [_crossed(heard_so) for heard_so in by_pair.values() if len(heard_so) >= _ENOUGH_SEATS]
    return [*crossed, *([_seats_against(by_seat)] if by_seat else [])]


def _all_against(against: Sequence[_Heard]) -> Finding:
    """Every seat that tells a side tells the other one: the names may be of two points of view."""
    detail = (
        f"Left and right of outputs and positions are against each other: {_listed(against)}. Either left is that of "
        "the hall for the ones and that of the stage for the others, and all is well; or the feeds or amplifiers of "
        "left and right are exchanged, or the microphones are."
    )
    return Finding(NAME, "note", detail, track=against[0].position)


def _crossed(against: Sequence[_Heard]) -> Finding:
    """One pair of boxes that all seats hear the other way round than their names and other pairs say."""
    left, right = against[0].pair
    detail = (
        f"{left} and {right} seem exchanged: {_listed(against)}, where other pairs come from the sides that their "
        "names say. Play each alone and listen where it comes from; exchange the cables at the amplifier, or the two "
        "in the description."
    )
    return Finding(NAME, "warning", detail, track=left)


def _seats_against(against: Sequence[_Heard]) -> Finding:
    """Seats that hear the box of the other side first, where other seats hear their own."""
    detail = (
        f"{_listed(against)}, where other positions hear the box on their own side first. A microphone stood on the "
        "other side, or its cable or track is exchanged with another one's: look where its track went, and exchange "
        "the two in the description, or give it the name of where it stood."
    )
    return Finding(NAME, "warning", detail[0].upper() + detail[1:], track=against[0].position)


def _rows(sound_check: SoundCheck, unset: _Arrivals) -> Iterator[Finding]:
    """Seats that by their names are nearer to the stage than others, and that every main reaches later."""
    depths: dict[tuple[str, ...], list[tuple[int, str]]] = defaultdict(list)
    for position in sound_check.positions:
        for kind, depth in _depths(position):
            depths[kind, *_without(position, kind)].append((depth, position))
    mains = [name for name, output in sound_check.outputs.items() if output.kind == "main"]
    for seats in depths.values():
        pairs = [(near, far) for (a, near), (b, far) in combinations(sorted(seats), 2) if a < b]
        found = [(_later_ms(unset, mains, *pair), pair) for pair in pairs]
        later_ms, (near, far) = max(found, default=(0.0, ("", "")))
        if later_ms > 0.0:
            detail = (
                f"{near} is nearer to the stage than {far} by its name, yet every main that both hear reaches {far} "
                f"first, {later_ms:.0f} ms or more. If rows are counted from the back, it is right; else the two "
                "microphones or their tracks are exchanged, with each other or with others: exchange them in the "
                "description."
            )
            yield Finding(NAME, "warning", detail, track=near, value=later_ms, unit="ms")


def _later_ms(unset: _Arrivals, mains: Iterable[str], near: str, far: str) -> float:
    """By how much every main reaches the second seat before the first at the least; 0 unless all clearly do."""
    least_ms = math.inf
    for name in mains:
        if (name, near) in unset and (name, far) in unset:
            (near_ms, near_std_ms), (far_ms, far_std_ms) = unset[name, near], unset[name, far]
            if near_ms - far_ms <= max(_DEPTH_MS, _SIGMAS * math.hypot(near_std_ms, far_std_ms)):
                return 0.0
            least_ms = min(least_ms, near_ms - far_ms)
    return least_ms if math.isfinite(least_ms) else 0.0


def _side(name: str) -> str:
    """The side that a name says, `left` or `right`; empty where it says none, or both. Letters of rows are no sides.

    >>> _side("Stalls left"), _side("FOH_R"), _side("row L"), _side("left of mix, right of pillar")
    ('left', 'right', '', '')
    """
    words = words_of(name)
    is_row = any(word.means("row") for word in words)
    sides = {word.first("side") for word in words if word.means("side") and not (is_row and len(word.plain) == 1)}
    return sides.pop() if len(sides) == 1 else ""


def _depths(name: str) -> Iterator[tuple[str, int]]:
    """How far back a name says that a seat is, by its row or in a word.

    >>> list(_depths("row 15")), list(_depths("balcony back")), list(_depths("mic 3"))
    ([('number', 15)], [('depth', 1)], [])
    """
    words = words_of(name)
    numbers = [int(word.plain) for word in words if word.means("number")]
    if any(word.means("row") for word in words) and len(numbers) == 1:
        yield "number", numbers[0]
    depths = [word.first("depth") for word in words if word.means("depth")]
    if len(depths) == 1:
        yield "depth", ("near", "far").index(depths[0])


def _without(name: str, family: str) -> tuple[str, ...]:
    """The words of a name without those of one family."""
    return tuple(word.plain for word in words_of(name) if not word.means(family))


def _listed(heard: Sequence[_Heard]) -> str:
    """The first few of what seats hear, the others counted."""
    more = len(heard) - _MOST_NAMED
    return "; ".join(one.words for one in heard[:_MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
