"""What the parts of a description must agree on: names, tracks, ranges, and what a capture needs.

Each check adds to one list of mistakes; none stops at the first, and none complains about what follows from another
mistake alone (a name counts as known even where its table is wrong).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from analyze.description_files import NO_FILE, AudioFolder, Refused, by_reading, matching_file, split_track, tidy
from analyze.description_lines import KeyPath, Mistake, listed, shown
from analyze.description_schema import CaptureTable, DescriptionTable, Kind, OutputTable, PositionTable, Zone

#: Groups of tracks of a capture in which no track may stand twice.
_TRACK_GROUPS = (("feeds", "mics"), ("inputs",))
_TRACK_TABLES = ("feeds", "mics", "inputs")
_NOTHING_YET = "Nothing is recorded yet? `analyze plan` lists what to record, and writes these tables."
_COPIED = "were the recordings copied beside it?"
#: More than one sound check has.
_MOST = {"outputs": 256, "positions": 256, "captures": 2000}


def find_mistakes(
    table: DescriptionTable,
    document: Mapping[str, Any],
    files: AudioFolder,
    *,
    has_captures: bool = True,
    absent: Collection[int] = (),
) -> list[Mistake]:
    """Everything that two or more keys of a description contradict each other in, or the folder contradicts.

    table : the description without values that are wrong by themselves; document : as it was written, keys normalised
    has_captures : whether it must have some; absent : numbers of those, from 0, whose tracks are not looked at
    """
    checks = _Checks(table, document, files)
    checks.amounts()
    checks.outputs()
    checks.positions()
    checks.reference()
    if has_captures:
        checks.captures(absent)
    return checks.mistakes


class _Checks:
    """The checks of one description and the mistakes they found so far."""

    def __init__(self, table: DescriptionTable, document: Mapping[str, Any], files: AudioFolder) -> None:
        self._table, self._document, self._files = table, document, files
        self._names = {kind: _written(document, kind) for kind in ("outputs", "positions")}
        self._choices = {kind: tuple(names) for kind, names in self._names.items()}
        self.mistakes: list[Mistake] = []
        self._missing: dict[str, list[tuple[KeyPath, str, Refused]]] = {}  # per file, the tracks that name it
        self._users: dict[str, dict[int, set[int]]] = {}  # per file that is there, channels by number of the capture

    def amounts(self) -> None:
        """No more of anything than one sound check has: time and memory grow with them."""
        for kind, most in _MOST.items():
            n = len(getattr(self._table, kind))
            if n > most:
                hint = "Split it into several sound checks, one folder each."
                self._add((kind,), f"too many {kind}", str(n), f"at most {most}", hint=hint)

    def outputs(self) -> None:
        """Kinds, device ranges and the seats where arrivals shall line up."""
        for name, output in self._table.outputs.items():
            key = ("outputs", name)
            written = _written(self._document, *key)
            if "kind" not in written:
                self._add((*key, "kind"), "missing", expected=listed(_choices(Kind)))
            self._device(key, output, written)
            self._seats((*key, "align_at"), output.align_at)

    def positions(self) -> None:
        """Zones, and distances to outputs that exist."""
        for name, position in self._table.positions.items():
            key = ("positions", name)
            if "zone" not in _written(self._document, *key):
                self._add((*key, "zone"), "missing", expected=listed(_choices(Zone)))
            self._known("outputs", (*key, "distance_m"), position.distance_m)

    def reference(self) -> None:
        """The reference is an output."""
        if self._table.reference is not None:
            self._known_name("outputs", ("reference",), self._table.reference)

    def captures(self, absent: Collection[int]) -> None:
        """At least one capture, no two of one name, each with what it needs."""
        if self._document.get("captures", []) == []:
            self._add(("captures",), "missing", expected="at least one table headed [[captures]]", hint=_NOTHING_YET)
        numbers: dict[str, int] = {}
        for number, capture in enumerate(self._table.captures, start=1):
            key = ("captures", number - 1)
            name = capture.name_or_number(number)
            if name in numbers:
                self._add((*key, "name"), f"capture {numbers[name]} has this name too", shown(name), "another name")
            numbers.setdefault(name, number)
            self._needs(key, capture)
            self._capture_names(key, capture)
            self._times(key, capture)
            if number - 1 not in absent:
                self._tracks(key, capture)
        self._missing_files()

    def _add(
        self,
        key: KeyPath,
        problem: str,
        found: str = "",
        expected: str = "",
        word: str = "",
        choices: tuple[str, ...] = (),
        hint: str = "",
    ) -> None:
        """One more mistake."""
        self.mistakes.append(Mistake(key, problem, found, expected, word, choices, hint))

    def _known_name(self, kind: str, key: KeyPath, name: str) -> bool:
        """Whether an output or position of this name is described; a mistake if not."""
        if name in self._names[kind]:
            return True
        known = self._choices[kind]
        described = listed(known) or f"a name that a table headed [{kind}.NAME] describes"
        self._add(key, f"unknown {kind[:-1]}", shown(name), described, name, known)
        return False

    def _known(self, kind: str, key: KeyPath, names: Iterable[str]) -> None:
        """Every key of the table at `key` is the name of an output or position."""
        for name in names:
            self._known_name(kind, (*key, name), name)

    def _once(self, key: KeyPath, names: Sequence[str]) -> None:
        """No name stands twice in the list at `key`."""
        seen: set[str] = set()
        for place, name in enumerate(names):
            if name in seen:
                self._add((*key, place), "stands twice in this list", shown(name))
            seen.add(name)

    def _device(self, key: KeyPath, output: OutputTable, written: Mapping[str, Any]) -> None:
        """The device offers some delays, and the setting in force is one of them."""
        if _left_out(output, written, "min_delay_ms", "max_delay_ms"):
            return
        if output.min_delay_ms > output.max_delay_ms:
            self._add(
                (*key, "min_delay_ms" if "min_delay_ms" in written else "max_delay_ms"),
                "range of delays is empty",
                shown(output.min_delay_ms),
                f"at most max_delay_ms, {output.max_delay_ms:g}",
            )
        elif not _left_out(output, written, "delay_ms"):
            self._in_range((*key, "delay_ms"), output.delay_ms, output)

    def _in_range(self, key: KeyPath, delay_ms: float, output: OutputTable) -> None:
        """A delay setting is one that the device offers."""
        if not output.min_delay_ms <= delay_ms <= output.max_delay_ms:
            expected = f"{output.min_delay_ms:g} to {output.max_delay_ms:g}, what the device offers"
            self._add(key, "out of range", shown(delay_ms), expected)

    def _seats(self, key: KeyPath, names: Sequence[str]) -> None:
        """`align_at` names audience positions, each once."""
        self._once(key, names)
        for place, name in enumerate(names):
            if not self._known_name("positions", (*key, place), name):
                continue
            position = self._table.positions.get(name, PositionTable())
            if position.zone == "stage":
                self._add((*key, place), "not an audience position", shown(name), "positions with zone = 'audience'")

    def _needs(self, key: KeyPath, capture: CaptureTable) -> None:
        """A capture has feeds with mics, mics alone where it says what sounded, or inputs."""
        written = _written(self._document, *key)
        has_feeds, has_mics, has_inputs = (bool(written.get(name)) for name in ("feeds", "mics", "inputs"))
        if not has_feeds and not has_mics and not has_inputs:
            self._add(key, "capture without tracks", expected="feeds and mics, or inputs")
        elif has_feeds and not has_mics:
            self._add((*key, "mics"), "missing", expected="at least one track, because there are feeds")
        elif has_mics and not has_feeds and not capture.playing:
            expected = "at least one track, or playing if no feed was recorded"
            self._add((*key, "feeds"), "missing", expected=expected)
        if capture.playing is not None and not capture.playing:
            self._add((*key, "playing"), "empty list", expected="the outputs that sounded, or no such key")

    def _capture_names(self, key: KeyPath, capture: CaptureTable) -> None:
        """Outputs, positions and inputs that a capture names exist; its settings are in range."""
        self._known("outputs", (*key, "feeds"), capture.feeds)
        self._known("positions", (*key, "mics"), capture.mics)
        playing = capture.playing or []
        self._once((*key, "playing"), playing)
        for place, name in enumerate(playing):
            self._known_name("outputs", (*key, "playing", place), name)
        for name, setting in capture.settings.items():
            place_of = (*key, "settings", name)
            if not self._known_name("outputs", place_of, name) or setting.delay_ms is None:
                continue
            output, own = self._table.outputs.get(name), _written(self._document, "outputs", name)
            if output is not None and not _left_out(output, own, "min_delay_ms", "max_delay_ms"):
                self._in_range((*place_of, "delay_ms"), setting.delay_ms, output)
        self._pairs((*key, "against"), capture.against, tuple(_written(self._document, *key, "inputs")))

    def _pairs(self, key: KeyPath, against: Mapping[str, str], inputs: tuple[str, ...]) -> None:
        """`against` pairs two different inputs of the capture."""
        known = set(inputs)
        for name, other in against.items():
            for word in (name, other):
                if word not in known:
                    described = listed(inputs) or "an input of this capture"
                    self._add((*key, name), "unknown input", shown(word), described, word, inputs)
            if name == other:
                self._add((*key, name), "an input against itself", shown(other), "another input of this capture")

    def _times(self, key: KeyPath, capture: CaptureTable) -> None:
        """The part of the files that counts does not end before it starts."""
        if capture.end_s is not None and capture.end_s <= capture.start_s:
            self._add((*key, "end_s"), "out of range", shown(capture.end_s), f"more than start_s, {capture.start_s:g}")

    def _tracks(self, key: KeyPath, capture: CaptureTable) -> None:
        """Every track is a file of the folder, none stands twice, and `unsynced` names files of the capture."""
        named: dict[str, None] = {}
        refused: list[str] = []
        for group in _TRACK_GROUPS:
            labels: dict[tuple[str, int], str] = {}
            for kind in group:
                for label, text in getattr(capture, kind).items():
                    place = (*key, kind, label)
                    track = self._track(place, text)
                    if track is None:
                        refused.append(tidy(split_track(text)[0]))
                        continue
                    named[track[0]] = None
                    self._users.setdefault(track[0], {}).setdefault(int(key[1]), set()).add(track[1])
                    if track in labels:
                        self._add(place, f"same track as {shown(labels[track])}", shown(text), "another track")
                    labels.setdefault(track, label)
        written = _written(self._document, *key)
        if all(_n_items(written.get(kind, {})) == len(getattr(capture, kind)) for kind in _TRACK_TABLES):
            self._unsynced((*key, "unsynced"), capture.unsynced, tuple(named), refused)

    def _track(self, key: KeyPath, text: str) -> tuple[str, int] | None:
        """File and channel of a track; a mistake and None if it is refused."""
        try:
            return self._files.track(text)
        except Refused as why:
            if why.problem == NO_FILE:
                self._missing.setdefault(why.word, []).append((key, text, why))
            else:
                self._add(key, why.problem, shown(text), why.expected, why.word, why.choices, why.hint)
            return None

    def _missing_files(self) -> None:
        """One mistake per file that is not there, with those that may be meant: none that is another track's."""
        n_named = len(self._missing) + len(self._users)
        hint = f"{len(self._missing)} of the {n_named} files of the description are not there: {_COPIED}"
        hint = hint if len(self._missing) > max(1, len(self._users)) else ""
        for file, tracks in self._missing.items():
            key, text, why = tracks[0]
            captures = {int(place[1]) for place, _, _ in tracks}
            channels = {int(split_track(written)[1] or 1) for _, written, _ in tracks}
            named = shown(text) if len(tracks) == 1 else f"{shown(file)}, named by {len(tracks)} tracks"
            choices = tuple(other for other in why.choices if not self._is_taken(other, captures, channels))
            # what is written in the place of a single track has its channel too
            of_track = f":{split_track(text)[1]}" if len(tracks) == 1 and ":" in text else ""
            choices = tuple(f"{other}{of_track}" for other in choices)
            self._add(key, f"{NO_FILE}: {named}", word=f"{file}{of_track}", choices=choices, hint=hint)
            hint = ""  # once is enough

    def _is_taken(self, file: str, captures: Collection[int], channels: Collection[int]) -> bool:
        """Whether a file is of another take, or these channels of it are of other tracks in these captures."""
        users = self._users.get(file, {})
        parts = [self._table.captures[number] for number in captures]
        is_shared = any(part.start_s > 0.0 or part.end_s is not None for part in parts)  # one file for several takes
        if not is_shared and not set(users) <= set(captures):
            return True
        return any(not users.get(number, set()).isdisjoint(channels) for number in captures)

    def _unsynced(
        self, key: KeyPath, clocks: Sequence[Sequence[str]], named: tuple[str, ...], refused: Sequence[str]
    ) -> None:
        """Recorders on their own clock are files of the capture, each on one clock; refused files are said already."""
        seen: set[str] = set()
        files = by_reading([*refused, *named])
        for place, clock in enumerate(clocks):
            for file in clock:
                name = matching_file(file, files)
                if name is None:
                    self._add((*key, place), "not a file of this capture", shown(file), listed(named), file, named)
                elif name in seen:
                    self._add((*key, place), "stands twice in this list", shown(file))
                else:
                    seen.add(name)


def _choices(literal: Any) -> tuple[str, ...]:
    """The words that a `Literal` type allows."""
    return tuple(literal.__args__)


def _left_out(output: OutputTable, written: Mapping[str, Any], *keys: str) -> bool:
    """Whether one of the keys was written with a value that is wrong by itself."""
    return any(key in written and key not in output.model_fields_set for key in keys)


def _n_items(value: object) -> int:
    """Items of a table; -1 for what is no table."""
    return len(value) if isinstance(value, Mapping) else -1


def _written(document: Mapping[str, Any], *key: str | int) -> Mapping[str, Any]:
    """The table at a key as it was written; empty if there is none."""
    node: Any = document
    for step in key:
        if isinstance(node, Mapping):
            node = node.get(str(step))
        elif isinstance(node, list) and isinstance(step, int) and step < len(node):
            node = node[step]
        else:
            return {}
    return node if isinstance(node, Mapping) else {}
