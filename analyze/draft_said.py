"""What the user says once of all recordings of a draft: the order of feeds and microphones, and who is on stage."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analyze.description_lines import listed, shown
from analyze.description_words import plain_text
from analyze.draft_feeds import unnamed_recordings
from analyze.draft_names import DraftPosition, printable_name
from analyze.draft_order import by_number, is_nameless
from analyze.draft_reading import read_text
from analyze.draft_recordings import Bundle
from analyze.draft_tracks import Track, because
from analyze.errors import DescriptionError

#: The option that names the tracks of each role.
_OPTIONS = {"feed": "--feeds", "mic": "--mics"}
#: All options that name something.
_NAMING = ("--mics", "--feeds", "--on-stage")


@dataclass(frozen=True)
class Said:
    """Names as the user wrote them, each once.

    mics : of the microphones, in the order of their tracks, on every recording whose tracks have no names of their own
    on_stage : positions on stage; where any is named, all others are in the audience
    feeds : of the outputs, in the order of their feeds' tracks on such recordings; or of recordings with one feed each
    """

    mics: tuple[str, ...] = ()
    on_stage: tuple[str, ...] = ()
    feeds: tuple[str, ...] = ()


def said_line(said: Said) -> str:
    """What the user says as a line of a draft; empty if nothing.

    >>> said_line(Said(("mix", "front row"), feeds=("main",)))
    "--mics 'mix,front row' --feeds main"
    """
    options = zip(_NAMING, (said.mics, said.feeds, said.on_stage), strict=True)
    return " ".join(f"{option} {shlex.quote(','.join(names))}" for option, names in options if names)


def said_in(line: str) -> Said:
    """What a line of a draft says that the user has said. Raises DescriptionError or ValueError if nobody can have."""
    words = shlex.split(line)
    given = dict(zip(words[::2], words[1::2], strict=True))
    mics, feeds, on_stage = (names_in(given.get(option, ""), option) for option in _NAMING)
    return Said(mics, on_stage, feeds)


def names_in(text: str, option: str) -> tuple[str, ...]:
    """The names of an option, between commas; none if the text is empty.

    Raises DescriptionError if one is empty or stands twice.

    >>> names_in("mix, front row", "--mics")
    ('mix', 'front row')
    """
    names = tuple(printable_name(name) for name in text.split(",")) if text else ()
    if not all(names):
        raise DescriptionError(f"{option} has an empty name (found {shown(text)}).", "Put one comma between two names.")
    plain = [plain_text(name) for name in names]
    twice = next((name for name, each in zip(names, plain, strict=True) if plain.count(each) > 1), "")
    if twice:
        raise DescriptionError(f"{option} names {shown(twice)} twice.", "Give each a name of its own.")
    return names


def with_known_names(tracks: Iterable[Track], said: Said) -> tuple[Track, ...]:
    """The tracks, those that bear the name of a feed or microphone by themselves taken for it."""
    spelt = [(role, {plain_text(name): name for name in names}) for role, names, _ in _kinds(said)]

    def told(track: Track) -> Track:
        own = plain_text(track.own_name)
        known = ((role, names[own]) for role, names in spelt if track.role in ("", role) and own in names)
        role, name = next(known, ("", "")) if not is_nameless(track) else ("", "")
        return _told(track, role, name) if name else track

    return tuple(map(told, tracks))


def n_mics_to_place(tracks: Iterable[Track], said: Said) -> int:
    """Microphones that the user names and that no track bears by itself."""
    borne = {track.label for track in tracks if track.is_told and track.role == "mic"}
    return sum(name not in borne for name in said.mics)


def with_names_by_order(bundles: Sequence[Bundle], said: Said) -> list[Bundle]:
    """The bundles, their feeds and microphones without names called as the user says.

    Raises DescriptionError if their number is another in a recording, or if no recording has any of those named.
    """
    named = list(bundles)
    for role, names, what in _kinds(said):
        groups = [group for bundle in named for group in _nameless(bundle, role)]
        told: dict[tuple[str, int], Track] = {}
        for number, group in enumerate(groups):
            own = names[number : number + 1] if role == "feed" and _is_one_each(groups, names) else names
            if len(group) != len(own):
                raise _another_number(group, names, role)
            told |= {track.place: _told(track, role, name) for track, name in zip(group, own, strict=True)}
        named = [replace(b, tracks=tuple(told.get(track.place, track) for track in b.tracks)) for b in named]
        if not any(track.is_told and track.role == role for bundle in named for track in bundle.tracks):
            raise _nobody_named([track for bundle in named for track in bundle.tracks], names, role, what)
    return named


def with_zones(positions: Sequence[DraftPosition], said: Said) -> tuple[DraftPosition, ...]:
    """The positions, each in the zone that the user says, if any.

    Raises DescriptionError if a position on stage is none of them.
    """
    if not said.on_stage:
        return tuple(positions)
    stage = {plain_text(name): name for name in said.on_stage}
    known = [position.name for position in positions]
    unknown = next((name for plain, name in stage.items() if plain not in map(plain_text, known)), "")
    if unknown:
        what = f"--on-stage names a position that no recording has (found {shown(unknown)}, expected {listed(known)})."
        raise DescriptionError(what, "Write it as the draft, or --mics, calls it.")
    zones = ("stage" if plain_text(position.name) in stage else "audience" for position in positions)
    return tuple(replace(position, zone=zone, why="") for position, zone in zip(positions, zones, strict=True))


def _kinds(said: Said) -> list[tuple[str, tuple[str, ...], str]]:
    """Role, names and what they are of, for what the user names."""
    kinds = (("feed", said.feeds, "feeds"), ("mic", said.mics, "microphones"))
    return [kind for kind in kinds if kind[1]]


def _nameless(bundle: Bundle, role: str) -> list[list[Track]]:
    """Tracks without names of a role, by number: per file of several channels, and all other files together.

    Beside feeds or microphones that are known, tracks of which nothing is known may be the other.
    """
    groups: dict[str, list[Track]] = {}
    others = bundle.of("") if bundle.of("mic" if role == "feed" else "feed") else ()
    for track in bundle.of(role) or filter(is_nameless, others):
        groups.setdefault(track.file.path if track.file.n_channels > 1 else "", []).append(track)
    return [by_number(group) for group in groups.values() if all(map(is_nameless, group))]


def _is_one_each(groups: Sequence[Sequence[Track]], names: Sequence[str]) -> bool:
    """Whether there are as many recordings as names, each with a single feed: one output after another."""
    return len(groups) == len(names) and all(len(group) == 1 for group in groups)


def _told(track: Track, role: str, name: str) -> Track:
    """A track as the feed or microphone that the user says it is."""
    reading = read_text(name)
    told = replace(track, role=role, is_sure=True, label=name, is_told=True, is_by_order=False)
    if role == "feed":  # a kind that the user names is no guess
        return replace(told, kind=reading.kind, output_key=reading.output_key, why="", kind_why="")
    return replace(told, zone=reading.zone, why=because(reading.words, _OPTIONS[role]))


def _another_number(group: Sequence[Track], names: Sequence[str], role: str) -> DescriptionError:
    """The error for a recording that has more or fewer feeds or microphones than are named."""
    texts = [track.text for track in group]
    tracks = f"from {texts[0]} to {texts[-1]}" if len(texts) > 1 else texts[0]
    option = _OPTIONS[role]
    what = f"{option} does not fit a recording (found {len(group)} without names: {tracks}, expected {len(names)}:"
    mend = "Name all that have no name, in the order of the tracks. Where others were used, give those tracks names."
    if role == "feed":
        mend += " Where one output plays after another, --mics says how many tracks are none of the feed."
    return DescriptionError(f"{what} {listed(names)}).", mend)


def _nobody_named(tracks: Sequence[Track], names: Sequence[str], role: str, what: str) -> DescriptionError:
    """The error for an option that names no track: too many, too few, not plain which, or all have names."""
    unnamed = unnamed_recordings(tracks) if role == "feed" else []
    for group in unnamed:
        if len(group) != len(names):
            return _another_number(group, names, role)
    if unnamed:
        files = listed(list(dict.fromkeys(group[0].file.path for group in unnamed)))
        problem = f"--feeds names {listed(names)}, and nothing says which recording they are of (found {files})."
        return DescriptionError(problem, "Let the name of the file that holds feeds alone say so: feeds.wav.")
    called = listed(list(dict.fromkeys(track.own_name for track in tracks if track.role == role)))
    problem = f"{_OPTIONS[role]} names {listed(names)}, and no recording has {what} without names."
    mend = "Leave the option away: the tracks are called as their files or track lists say"
    return DescriptionError(problem, f"{mend}, {called}." if called else f"{mend}.")
