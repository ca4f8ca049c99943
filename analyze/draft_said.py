"""What the user says once of all recordings of a draft: the order of the microphones, and which stand on stage."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analyze.description_lines import listed, shown
from analyze.description_words import plain_text
from analyze.draft_names import DraftPosition, printable_name
from analyze.draft_order import by_number, is_nameless
from analyze.draft_reading import read_text
from analyze.draft_recordings import Bundle
from analyze.draft_tracks import Track, because
from analyze.errors import DescriptionError


@dataclass(frozen=True)
class Said:
    """Names as the user wrote them, each once.

    mics : of the microphones, in the order of their tracks, on every recording whose tracks have no names of their own
    on_stage : positions on stage; where any is named, all others are in the audience
    """

    mics: tuple[str, ...] = ()
    on_stage: tuple[str, ...] = ()


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
        raise DescriptionError(f"{option} names {shown(twice)} twice.", "Give every microphone a name of its own.")
    return names


def with_known_names(tracks: Iterable[Track], said: Said) -> tuple[Track, ...]:
    """The tracks, those that bear the name of a microphone by themselves taken for it."""
    spelt = {plain_text(name): name for name in said.mics}
    return tuple(
        _told(track, spelt[plain_text(track.own_name)])
        if track.role in ("", "mic") and plain_text(track.own_name) in spelt and not is_nameless(track)
        else track
        for track in tracks
    )


def with_names_by_order(bundles: Sequence[Bundle], said: Said) -> list[Bundle]:
    """The bundles, their microphones without names called as the user says.

    Raises DescriptionError if their number is another in a recording, or if no recording has any of those named.
    """
    if not said.mics:
        return list(bundles)
    named = [_named(bundle, said.mics) for bundle in bundles]
    if not any(track.is_told for bundle in named for track in bundle.tracks):
        what = f"--mics names {listed(said.mics)}, and no recording has microphones without names."
        raise DescriptionError(what, "Leave the option away: the tracks are called as their files or track lists say.")
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


def _named(bundle: Bundle, names: Sequence[str]) -> Bundle:
    """A bundle, its microphones without names named: per file of several channels, and all other files together."""
    groups: dict[str, list[Track]] = {}
    for track in bundle.of("mic"):
        groups.setdefault(track.file.path if track.file.n_channels > 1 else "", []).append(track)
    told: dict[tuple[str, int], Track] = {}
    for group in groups.values():
        if not all(map(is_nameless, group)):
            continue
        if len(group) != len(names):
            raise _another_number(group, names)
        told |= {track.place: _told(track, name) for track, name in zip(by_number(group), names, strict=True)}
    return replace(bundle, tracks=tuple(told.get(track.place, track) for track in bundle.tracks))


def _told(track: Track, name: str) -> Track:
    """A track as the microphone that the user says it is."""
    reading = read_text(name)
    why = because(reading.words, "--mics")
    return replace(track, role="mic", is_sure=True, label=name, zone=reading.zone, why=why, is_told=True)


def _another_number(group: Sequence[Track], names: Sequence[str]) -> DescriptionError:
    """The error for a recording that has more or fewer microphones than are named."""
    texts = [track.text for track in by_number(group)]
    tracks = f"from {texts[0]} to {texts[-1]}" if len(texts) > 1 else texts[0]
    what = f"--mics does not fit a recording (found {len(group)} without names: {tracks}, expected {len(names)}:"
    mend = "Name all that have no name, in the order of the tracks. Where others were used, give those tracks names."
    return DescriptionError(f"{what} {listed(names)}).", mend)
