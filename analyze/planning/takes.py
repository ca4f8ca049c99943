"""Which takes let everything be decided? Every output alone, once at every position, and nothing else.

One output at a time is the shortest list that leaves no doubt: what sounds together has to be told apart, which takes
longer than one after the other, and fails where two outputs play the same. Where there are fewer microphones than
positions they go round. Where one is on a recorder of its own the outputs of a round sound in turn in one capture
(`recorders.py`). After a visit that left outputs undecided only those sound again, and the reference with them:
the air and the recorder are others than they were, and a time means something against another of the same visit alone.
A recorder of its own compares no two captures, so there all of them sound again, in place of what was recorded before.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath
from types import MappingProxyType

from analyze.description import Output, SoundCheck
from analyze.description_files import split_track
from analyze.draft_names import unique_name
from analyze.errors import DescriptionError
from analyze.planning.requests import as_planned
from analyze.reports.naming import numbered

#: How long an output sounds: with room to spare over the 12 s that are enough where it is quiet (guide, `recording`).
SECONDS, SECONDS_AGAIN = 20.0, 40.0
#: The same where a recorder of its own hears it: 30 s of sound or more are needed to set it in time.
SECONDS_OWN = 40.0
#: Between two takes, and to move the microphones (common practice, no source).
BETWEEN_S, MOVE_S = 10.0, 240.0

Reasons = Mapping[str, str]
_NONE: Reasons = MappingProxyType({})
#: The number at the beginning of a file's name.
_NUMBER = re.compile(r"\d{1,6}(?!\d)")


@dataclass(frozen=True)
class Take:
    """An output alone: a recording of its own, or a part of one.

    name : of the capture; file : to be recorded; positions : where the microphones stand, in the order of their tracks
    why : what is to be settled, empty in a list of everything
    apart : position -> track on a recorder of its own; then the takes of a round are one capture
    """

    name: str
    output: str
    file: str
    positions: tuple[str, ...]
    seconds: float
    why: str = ""
    apart: Mapping[str, str] = field(default_factory=dict)

    @property
    def wired(self) -> tuple[str, ...]:
        """Positions whose microphones are on the recorder that takes the feed."""
        return tuple(name for name in self.positions if name not in self.apart)


@dataclass(frozen=True)
class Earlier:
    """A capture that was recorded before: its name, the outputs of its feeds, the positions of its microphones."""

    name: str
    outputs: tuple[str, ...]
    positions: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """The takes in the order in which they are made, those of one placing of the microphones together.

    earlier : what was recorded before
    is_rest : whether the takes come on top of that; else they stand in its place
    """

    takes: tuple[Take, ...]
    is_rest: bool = False
    earlier: tuple[Earlier, ...] = ()

    @property
    def rounds(self) -> tuple[tuple[Take, ...], ...]:
        """The takes for which the microphones stay where they are."""
        return tuple(tuple(round_) for _, round_ in itertools.groupby(self.takes, key=lambda take: take.positions))

    @property
    def captures(self) -> tuple[tuple[Take, ...], ...]:
        """The takes of every capture."""
        return tuple(tuple(takes) for _, takes in itertools.groupby(self.takes, key=lambda take: take.name))

    @property
    def own_recorders(self) -> dict[str, tuple[str, ...]]:
        """Positions by the file of the recorder of its own that stands there."""
        positions: dict[str, list[str]] = {}
        for takes in self.captures:
            for name, track in takes[0].apart.items():
                positions.setdefault(split_track(track)[0], []).append(name)
        return {file: tuple(names) for file, names in positions.items()}

    @property
    def n_tracks(self) -> int:
        """Tracks of the recorder that takes what is played: a track of each feed, and the microphones."""
        return max(len(takes) + len(takes[0].wired) for takes in self.captures)

    def is_every(self, check: SoundCheck) -> bool:
        """Whether every output sounds at every position: then nothing of what was recorded before is needed."""
        heard = {(take.output, position) for take in self.takes for position in take.positions}
        return len(heard) == len(check.outputs) * len(check.positions)

    @property
    def minutes(self) -> float:
        """How long all of it takes."""
        sounding_s = sum(take.seconds + BETWEEN_S for take in self.takes)
        return (sounding_s + MOVE_S * (len(self.rounds) - 1)) / 60.0


def plan_all(
    check: SoundCheck, n_microphones: int | None = None, *, own: Sequence[Sequence[str]] = (), reasons: Reasons = _NONE
) -> Plan:
    """Every output alone at every position.

    Parameters
    ----------
    check : outputs and positions; its captures do not count
    n_microphones : how many there are; one for every position if None
    own : positions on recorders of their own, those of one recorder together
    reasons : output -> why, as far as a report has one

    Raises
    ------
    DescriptionError : there are no outputs or no positions
    """
    _check_needs(check)
    outputs = _reference_first(check, check.outputs)
    wanted = {name: tuple(check.positions) for name in outputs}
    return Plan(tuple(_takes(_rounds(check, wanted, n_microphones), SECONDS_OWN if own else SECONDS, reasons, own=own)))


def plan_rest(
    check: SoundCheck,
    reasons: Mapping[str, str],
    n_microphones: int | None = None,
    *,
    earlier: Sequence[Earlier] = (),
    files: Collection[str] = (),
    own: Sequence[Sequence[str]] = (),
) -> Plan:
    """Some outputs again, longer, and the reference with them; all where a recorder of its own has to hear them.

    Parameters
    ----------
    reasons : output -> why, empty for one that only belongs to the group of another
    own : positions on recorders of their own, those of one recorder together
    earlier : captures recorded before, whose names are taken; files : names of files that are

    Raises
    ------
    DescriptionError : there are none, or an output is not described
    """
    _check_needs(check)
    unknown = [name for name in reasons if name not in check.outputs]
    if unknown:
        raise DescriptionError(f"its description does not name the output {unknown[0]!r}.", _AGAIN, path=check.path)
    if not reasons:
        raise DescriptionError(
            "every output is decided; nothing has to be recorded again.",
            "For a list of everything give the folder of the sound check instead of its report.",
            path=check.path.parent,
        )
    seats = {name: _decided_at(check, check.outputs[name], why, earlier) for name, why in reasons.items()}
    there = {position for at in seats.values() for position in at}
    wanted = {
        name: seats.get(name) or tuple(position for position in check.positions if position in there)
        for name in _reference_first(check, [check.reference, *reasons])
    }
    if there & {name for names in own for name in names}:
        return replace(plan_all(check, n_microphones, own=own, reasons=reasons), earlier=tuple(earlier))
    taken = _Taken([one.name for one in earlier], files)
    takes = _takes(_rounds(check, wanted, n_microphones), SECONDS_AGAIN, reasons, taken, again=" again")
    return Plan(tuple(takes), is_rest=True, earlier=tuple(earlier))


#: Kinds that a monitor adds to on stage.
_BENEATH_MONITORS = ("main", "sub")
#: In the reason of a monitor that the audience would pay for.
_AT_SEATS = "at the seats"
_AGAIN = "Make the report again with analyze run."


def _check_needs(check: SoundCheck) -> None:
    """Refuse a description without outputs or positions."""
    for what, there, header in (
        ("outputs", check.outputs, '[outputs.NAME], with kind = "main", "sub" or another'),
        ("positions", check.positions, '[positions.NAME], with zone = "audience" or "stage"'),
    ):
        if not there:
            raise DescriptionError(
                f"describes no {what}.", f"Add a table for each, headed {header}; then plan.", path=check.path
            )


def _reference_first(check: SoundCheck, names: Iterable[str]) -> list[str]:
    """Outputs in the order of the description, but for the reference: levels are set with it."""
    named = set(names)
    return sorted((name for name in check.outputs if name in named), key=lambda name: name != check.reference)


def _decided_at(check: SoundCheck, output: Output, why: str, earlier: Sequence[Earlier]) -> tuple[str, ...]:
    """The positions that decide about an output; all where the description has none of those.

    Of a monitor also the seats where its reason asks for them. Of mains and subs also the places on stage at which they
    were not recorded, where monitors are judged beside them.
    """
    zone = "stage" if output.kind == "monitor" else "audience"
    at = list(output.align_at) or [p.name for p in check.positions.values() if p.zone == zone]
    if output.kind == "monitor" and _AT_SEATS in why:
        at += [p.name for p in check.positions.values() if p.zone == "audience"]
    if output.kind in _BENEATH_MONITORS and any(one.kind == "monitor" for one in check.outputs.values()):
        heard = {name for one in earlier if output.name in one.outputs for name in one.positions}
        at += [p.name for p in check.positions.values() if p.zone == "stage" and p.name not in heard]
    return tuple(dict.fromkeys(at)) or tuple(check.positions)


class _Taken:
    """Names of captures and files that are taken."""

    def __init__(self, captures: Iterable[str] = (), files: Iterable[str] = ()) -> None:
        self._captures, self._files = list(captures), list(files)

    def capture(self, name: str) -> str:
        """The name, or one like it that is free."""
        self._captures.append(unique_name(name, self._captures))
        return self._captures[-1]

    def file(self, *parts: str) -> str:
        """The next number with these parts that is no file yet."""
        taken = {file.casefold() for file in self._files}
        last = max(
            (int(found[0]) for file in self._files if (found := _NUMBER.match(PurePosixPath(file).name))), default=0
        )
        numbers = (f"{numbered(number, *parts)}.wav" for number in itertools.count(last + 1))
        self._files.append(next(name for name in numbers if name.casefold() not in taken))
        return self._files[-1]


#: Positions of a round, and the outputs that sound in it.
_Round = tuple[tuple[str, ...], list[str]]


def _rounds(check: SoundCheck, wanted: Mapping[str, Sequence[str]], n_microphones: int | None) -> Iterator[_Round]:
    """Placings of the microphones, each with the outputs that are wanted at one of its positions."""
    at = [position for position in check.positions if any(position in positions for positions in wanted.values())]
    n_at_once = n_microphones or len(at)
    for first in range(0, len(at), n_at_once):
        there = tuple(at[first : first + n_at_once])
        yield there, [output for output, positions in wanted.items() if set(positions) & set(there)]


def _takes(
    rounds: Iterable[_Round],
    seconds: float,
    reasons: Reasons,
    taken: _Taken | None = None,
    own: Sequence[Sequence[str]] = (),
    again: str = "",
) -> Iterator[Take]:
    """A take of every output of every round; those of a round in one capture where a recorder of its own hears them."""
    taken, reasons = taken or _Taken(), _each_once(reasons)
    for there, outputs in rounds:
        apart = [names for names in ([one for one in names if one in there] for names in own) if names]
        if not apart:
            for output in outputs:
                name, why = taken.capture(f"{output} alone{again}"), as_planned(reasons.get(output, ""))
                yield Take(name, output, taken.file(output), there, seconds, why)
            continue
        name, file = taken.capture("outputs in turn"), taken.file("feeds")
        tracks = {name: track for names in apart for name, track in _on_one(taken.file("recorder", *names), names)}
        for output in outputs:
            why = as_planned(reasons.get(output, ""), is_in_turn=True)
            yield Take(name, output, file, there, seconds, why, tracks)


def _on_one(file: str, names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Positions with their tracks on a recorder of their own."""
    return ((name, f"{file}:{track}") for track, name in enumerate(names, 1))


def _each_once(reasons: Mapping[str, str]) -> dict[str, str]:
    """The reasons of outputs, one that several have in common in full for the first of them alone."""
    first: dict[str, str] = {}
    for name, why in reasons.items():
        first.setdefault(why, name)
    later = {name: why for name, why in reasons.items() if why and first[why] != name}
    return {**reasons, **{name: f"For the same reason as {first[why]}." for name, why in later.items()}}
