"""Names for what was guessed: outputs, positions and captures of a draft, each name once.

An output or position that several captures share has one name, as it was first written. What has no name of its own
gets a number.
"""

from __future__ import annotations

import itertools
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from analyze.description_words import plain_text
from analyze.draft_files import LeftOut
from analyze.draft_reading import OutputKey, base_key, read_text
from analyze.draft_recordings import Bundle, Recording
from analyze.draft_tracks import Track

#: Longer names are cut: they stand in every table and plot.
_LONGEST_NAME = 60
_MOST_IN_A_NAME = 3
_KIND_ORDER = ("main", "sub", "fill", "tower", "monitor", "")
#: Unicode categories that break a line or cannot be written.
_NOT_IN_NAMES = ("Cc", "Cs", "Zl", "Zp")


@dataclass(frozen=True)
class DraftOutput:
    """One output: its kind (empty if no word tells), its group (empty if none), and what they were guessed from."""

    name: str
    kind: str
    key: OutputKey
    why: str
    group: str = ""


@dataclass(frozen=True)
class DraftPosition:
    """One position: its zone, and what that was guessed from, empty if the user says it."""

    name: str
    zone: str
    why: str


@dataclass(frozen=True)
class DraftCapture:
    """One capture: label -> track per table, recorders on their own clock, tracks that are left to the user."""

    name: str
    recording: Recording
    feeds: Mapping[str, Track]
    mics: Mapping[str, Track]
    inputs: Mapping[str, Track]
    strays: tuple[tuple[tuple[str, ...], str], ...]
    unplaced: tuple[Track, ...]

    @property
    def is_complete(self) -> bool:
        """Whether it has what a capture needs."""
        return bool((self.feeds and self.mics) or self.inputs)


@dataclass(frozen=True)
class Draft:
    """A sound check as it was guessed; `left_out` is what no capture has."""

    title: str
    day: str
    outputs: tuple[DraftOutput, ...]
    positions: tuple[DraftPosition, ...]
    captures: tuple[DraftCapture, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def live(self) -> tuple[DraftCapture, ...]:
        """The captures that can be analysed or, where there are none, all, so that loading tells what is missing."""
        return tuple(capture for capture in self.captures if capture.is_complete) or self.captures

    @property
    def n_left_out(self) -> int:
        """Tracks that no live capture has, and files that cannot be used."""
        placed = sum(len(table) for capture in self.live for table in (capture.feeds, capture.mics, capture.inputs))
        tables = [table for capture in self.captures for table in (capture.feeds, capture.mics, capture.inputs)]
        n_tracks = sum(map(len, tables)) + sum(len(capture.unplaced) for capture in self.captures)
        return n_tracks - placed + len(self.left_out)


def name_draft(title: str, bundles: Iterable[Bundle], left_out: Iterable[LeftOut]) -> Draft:
    """The draft of bundles of tracks, every output, position and capture named."""
    names = _Names()
    captures = [names.capture(bundle) for bundle in bundles]
    outputs = _only_main(sorted(names.outputs, key=lambda output: _KIND_ORDER.index(output.kind)))
    return Draft(
        title=printable_name(title),
        day=_common_day(captures),
        outputs=tuple(_grouped(outputs)),
        positions=tuple(names.positions),
        captures=tuple(captures),
        left_out=tuple(left_out),
    )


def printable_name(text: str) -> str:
    r"""A text as a name: on one line, its spaces single, not too long; empty if nothing can be seen of it.

    >>> printable_name("mix\n  position ")
    'mix position'
    """
    visible = "".join(" " if unicodedata.category(c) in _NOT_IN_NAMES else c for c in text)
    return " ".join(unicodedata.normalize("NFC", visible).split())[:_LONGEST_NAME].strip()


def unique_name(name: str, taken: Iterable[str]) -> str:
    """The name, or with the first number that makes it another than those taken; case does not tell names apart."""
    others = {plain_text(other) for other in taken}
    number, candidate = 1, name
    while plain_text(candidate) in others:
        number += 1
        candidate = f"{name} {number}"
    return candidate


class _Names:
    """Names given so far."""

    def __init__(self) -> None:
        self.outputs: list[DraftOutput] = []
        self.positions: list[DraftPosition] = []
        self._captures: list[str] = []

    def capture(self, bundle: Bundle) -> DraftCapture:
        """A bundle with its outputs, positions and inputs named."""
        feeds: dict[str, Track] = {}
        for track in bundle.of("feed"):
            feeds[self._output(track, feeds)] = track
        mics: dict[str, Track] = {}
        for track in bundle.of("mic"):
            mics[self._position(track, mics)] = track
        inputs: dict[str, Track] = {}
        for track in bundle.of("input"):
            inputs[unique_name(printable_name(track.label) or "input", inputs)] = track
        name = unique_name(_capture_name(bundle, tuple(feeds)) or f"capture {len(self._captures) + 1}", self._captures)
        self._captures.append(name)
        return DraftCapture(name, bundle.recording, feeds, mics, inputs, bundle.strays, bundle.of(""))

    def _output(self, track: Track, taken: Mapping[str, Track]) -> str:
        """The output of a feed: one that is known and has no other feed in this capture, else a new one."""
        label = printable_name(track.label) or "feed"
        key = track.output_key or ("", plain_text(label))
        known = next((output for output in self.outputs if output.key == key and output.name not in taken), None)
        if known is None:
            name = unique_name(label, [output.name for output in self.outputs])
            known = DraftOutput(name, track.kind, key, _why(track.kind_why, track))
            self.outputs.append(known)
        return known.name

    def _position(self, track: Track, taken: Mapping[str, Track]) -> str:
        """The position of a microphone, likewise."""
        numbers = (f"mic {number}" for number in itertools.count(1))
        label = printable_name(track.label) or next(name for name in numbers if name not in taken)
        name = unique_name(label, taken)
        known = (position.name for position in self.positions if plain_text(position.name) == plain_text(name))
        spelt = next(known, "")
        if not spelt:
            self.positions.append(DraftPosition(name, track.zone or "audience", _zone_why(track)))
        return spelt or name


def _zone_why(track: Track) -> str:
    """What the zone of a microphone was guessed from."""
    if not track.zone:
        return "nothing says where it stood"
    return _why(track.why, track)


def _why(why: str, track: Track) -> str:
    """What a guess was made from, with the track that it is of unless the user said it of all."""
    return why if track.is_told else f"{why} of {track.text}"


def _capture_name(bundle: Bundle, outputs: tuple[str, ...]) -> str:
    """Folder, take and outputs or instrument, as far as they tell anything; of many outputs in one file its name."""
    recording = bundle.recording
    folder = " ".join(part for part in recording.folder if not read_text(part).kind)
    take = f"take {recording.take}" if recording.take else ""
    sounding = ", ".join(outputs[:_MOST_IN_A_NAME])
    if len(outputs) > _MOST_IN_A_NAME:
        files = {track.file.stem for track in bundle.of("feed")}
        sounding = files.pop() if len(files) == 1 else f"{sounding} and others"
    return printable_name(", ".join(part for part in (folder, take, bundle.family or sounding) if part))


def _only_main(outputs: list[DraftOutput]) -> list[DraftOutput]:
    """Outputs, where a single one of no known kind is taken for the main."""
    if len(outputs) != 1 or outputs[0].kind:
        return outputs
    return [replace(outputs[0], kind="main", why="there is no other output")]


def _grouped(outputs: list[DraftOutput]) -> list[DraftOutput]:
    """Outputs with a group for those that differ by side or, of mains and subs, by number alone."""
    bases = [base_key(output.key) if output.kind else () for output in outputs]
    return [
        replace(output, group=_group_name(output)) if base and bases.count(base) > 1 else output
        for output, base in zip(outputs, bases, strict=True)
    ]


def _group_name(output: DraftOutput) -> str:
    """What the outputs of a group are called: their kind or, of fills and monitors, which of them."""
    return " ".join(base_key(output.key)[1:]) or f"{output.kind}s"


def _common_day(captures: Iterable[DraftCapture]) -> str:
    """The day on which all files that state one were recorded; empty if they do not agree."""
    days = {
        track.file.metadata.day
        for capture in captures
        for table in (capture.feeds, capture.mics, capture.inputs)
        for track in table.values()
    } - {""}
    return days.pop() if len(days) == 1 else ""
