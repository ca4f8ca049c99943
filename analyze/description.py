"""From `soundcheck.toml` to a `SoundCheck`: outputs, positions and captures, checked, every default resolved.

A description is read whole, and every mistake in it is reported at once as `file:line: key: what is wrong`. Outputs,
positions and captures keep the order of the file. Names are in Unicode normalisation form C; 'not known' is NaN for
numbers and empty text for words. Settings and delays are positive when later.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from analyze.description_beside import files_of, unused_files
from analyze.description_files import AudioFolder, by_reading, matching_file, split_track, tidy
from analyze.description_findings import findings_of
from analyze.description_lines import Mistake, index_lines, report, with_normal_keys
from analyze.description_text import decoded, description_file, parse_toml, read_bytes
from analyze.errors import DescriptionError
from analyze.findings import Finding

if TYPE_CHECKING:
    from pydantic import BaseModel

    from analyze.description_schema import CaptureTable, DescriptionTable, OutputTable, PositionTable, SettingTable

_FREE_TEXT = {
    "description": ("venue", "engineer", "notes", "humidity_percent"),
    "output": ("device", "channel", "preset"),
    "position": ("microphone", "serial", "calibration", "measured_by"),
}
_SIGNS = {"normal": 1, "inverted": -1}


@dataclass(frozen=True)
class Track:
    """One channel of one file: path relative to the description with `/`, channel counted from 1."""

    file: str
    channel: int

    def __post_init__(self) -> None:
        _require(bool(self.file) and self.channel >= 1, f"not a track: {self.file!r}, channel {self.channel}")


@dataclass(frozen=True)
class Setting:
    """What a processor is set to: delay in ms, positive when later, and polarity, normal | inverted."""

    delay_ms: float = 0.0
    polarity: str = "normal"

    def __post_init__(self) -> None:
        _require(self.polarity in _SIGNS, f"not a polarity: {self.polarity!r}")

    @property
    def sign(self) -> int:
        """+1 for normal, -1 for inverted."""
        return _SIGNS[self.polarity]


@dataclass(frozen=True)
class Output:
    """One loudspeaker output, its setting in force while recorded, and what its device offers.

    kind : main | sub | fill | tower | monitor; group : empty if it has none
    feed_tap : before | after, whether the feed is recorded before or after the setting acts
    adjust : both | polarity | delay | none, what may be recommended
    latency_ms : of the path, NaN if not known
    align_at : audience positions where arrivals shall line up, empty for where levels are closest
    later_ms : wanted lateness there against the reference
    notes : free text under device, channel, preset, as far as given
    unwritten : keys of the setting in force that the description leaves out
    """

    name: str
    kind: str
    group: str = ""
    setting: Setting = field(default_factory=Setting)
    feed_tap: str = "before"
    adjust: str = "both"
    min_delay_ms: float = 0.0
    max_delay_ms: float = 500.0
    delay_step_ms: float = 0.01
    can_invert: bool = True
    latency_ms: float = math.nan
    align_at: tuple[str, ...] = ()
    later_ms: float = 0.0
    notes: dict[str, str] = field(default_factory=dict)
    unwritten: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _require(self.min_delay_ms <= self.max_delay_ms, f"{self.name}: range of delays is empty")
        _require(self.delay_step_ms > 0.0, f"{self.name}: step of the delay is not above 0")


@dataclass(frozen=True)
class Position:
    """One microphone position.

    zone : audience | stage; weight : above 0; polarity : of the microphone chain, empty if not known
    distance_m : to outputs, as measured by the user
    notes : free text under microphone, serial, calibration, measured_by, as far as given
    """

    name: str
    zone: str
    weight: float = 1.0
    polarity: str = ""
    distance_m: dict[str, float] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _require(self.weight > 0.0, f"{self.name}: weight is not above 0")
        _require(self.polarity in ("", *_SIGNS), f"{self.name}: not a polarity: {self.polarity!r}")


@dataclass(frozen=True)
class Capture:
    """One recording: what sounded, and the track of every feed, microphone and stage input.

    playing : outputs that sounded; start_s, end_s : the part of the files that counts, end_s NaN for 'to the end'
    feeds, mics, inputs : track per output, per position, per input
    unsynced : files on clocks of their own, those that share one clock together
    settings : in force in this capture, for every output that has a feed or plays
    same_start : player and recorder started in step
    against : input -> the input it is compared with, as far as given
    """

    name: str
    playing: tuple[str, ...]
    start_s: float = 0.0
    end_s: float = math.nan
    feeds: dict[str, Track] = field(default_factory=dict)
    mics: dict[str, Track] = field(default_factory=dict)
    unsynced: tuple[tuple[str, ...], ...] = ()
    settings: dict[str, Setting] = field(default_factory=dict)
    temperature_c: float = 20.0
    same_start: bool = False
    inputs: dict[str, Track] = field(default_factory=dict)
    against: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _require(not self.end_s <= self.start_s, f"{self.name}: ends at {self.end_s} s, before it starts")
        missing = [name for name in (*self.feeds, *self.playing) if name not in self.settings]
        _require(not missing, f"{self.name}: no setting of {missing}")


@dataclass(frozen=True)
class SoundCheck:
    """One described sound check; `path` is the description and `folder` the folder its tracks are relative to.

    date : ISO 8601 or empty; reference : the output that never moves, empty if there are no outputs
    notes : free text under venue, engineer, notes, humidity_percent, as far as given
    source : the description as it stands on the disk
    not_recorded : captures that were passed over because their files are not there, each with those of its files
    that may be there under another name, and that name; unused : recordings in the folder that no capture names
    is_temperature_assumed : whether none was described
    """

    path: Path
    folder: Path
    title: str
    date: str
    temperature_c: float
    reference: str
    outputs: dict[str, Output]
    positions: dict[str, Position]
    captures: tuple[Capture, ...]
    notes: dict[str, str] = field(default_factory=dict)
    source: bytes = b""
    not_recorded: dict[str, dict[str, str]] = field(default_factory=dict)
    unused: tuple[str, ...] = ()
    is_temperature_assumed: bool = False

    def __post_init__(self) -> None:
        named = self.reference in self.outputs if self.outputs else not self.reference
        _require(named, f"reference {self.reference!r} is not an output")

    @property
    def groups(self) -> tuple[tuple[str, ...], ...]:
        """Outputs that share one change, in the order of the description; one without a group stands alone.

        Two or more `main` outputs without a group are one group.
        """
        members: dict[tuple[str, str], tuple[str, ...]] = {}
        for output in self.outputs.values():
            if output.group:
                key = ("group", output.group)
            else:
                key = ("mains", "") if output.kind == "main" else ("output", output.name)
            members[key] = (*members.get(key, ()), output.name)
        return tuple(members.values())

    def group_of(self, output: str) -> tuple[str, ...]:
        """The outputs that share one change with `output`, itself included. Raises KeyError if it is unknown."""
        for group in self.groups:
            if output in group:
                return group
        raise KeyError(output)

    @property
    def set_inverted(self) -> frozenset[str]:
        """Outputs whose inverted polarity is known from the description alone: their feeds come before it."""
        outputs = self.outputs.values()
        return frozenset(o.name for o in outputs if o.setting.sign < 0 and o.feed_tap == "before")

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the description says that the user should know of."""
        return findings_of(self)


def load_sound_check(path: Path) -> SoundCheck:
    """The sound check that a folder with a `soundcheck.toml`, or that file, describes.

    Raises DescriptionError, naming file, line and key of every mistake, if there is no such file, it is not valid
    TOML, or what it says is wrong, contradicts itself or names tracks that are not there.
    """
    return _loaded(Path(path))


def load_recorded(path: Path) -> SoundCheck:
    """The same without the captures of which no file is there yet, as long as there are others.

    Raises DescriptionError as `load_sound_check` does.
    """
    return _loaded(Path(path), only_recorded=True)


def load_outline(path: Path) -> SoundCheck:
    """The same without captures: those that stand in the description are passed over, and none are needed.

    Raises DescriptionError as `load_sound_check` does, but for what concerns captures.
    """
    return _loaded(Path(path), has_captures=False)


def _loaded(path: Path, *, has_captures: bool = True, only_recorded: bool = False) -> SoundCheck:
    """The description that a call means."""
    file = description_file(path)
    source = read_bytes(file)
    try:
        return _described(file, source, has_captures=has_captures, only_recorded=only_recorded)
    except RecursionError as error:
        raise DescriptionError(
            "tables or lists are nested too deeply to be read.",
            "No key that means anything lies deeper than five tables.",
            path=file,
        ) from error


def _described(path: Path, source: bytes, *, has_captures: bool, only_recorded: bool) -> SoundCheck:
    """The sound check that the bytes of a file describe, with its captures, those that are recorded, or none."""
    from analyze.description_checks import find_mistakes
    from analyze.description_misplaced import with_keys_in_place
    from analyze.description_schema import format_mistake, validated

    mistakes: list[Mistake] = []
    text = decoded(source, path)
    document = with_normal_keys(parse_toml(text, path), (), mistakes)
    if not has_captures:
        document.pop("captures", None)
    lines = index_lines(text)
    if (unknown_format := format_mistake(document)) is not None:
        raise report(path, [unknown_format], lines)
    files = AudioFolder(path.parent)
    document = with_keys_in_place(document, files, mistakes)
    table, wrong_values = validated(document)
    tracks = [list(capture.tracks) for capture in table.captures]
    absent = {k for k, texts in enumerate(tracks) if texts and only_recorded and not any(map(files.is_there, texts))}
    absent = absent if len(absent) < len(tracks) else set()
    mistakes += [*wrong_values, *find_mistakes(table, document, files, has_captures=has_captures, absent=absent)]
    if mistakes:
        raise report(path, mistakes, lines)
    return _sound_check(path, source, table, files, absent)


def _sound_check(
    path: Path, source: bytes, table: DescriptionTable, files: AudioFolder, absent: Collection[int]
) -> SoundCheck:
    """A description without mistakes as a sound check, defaults resolved; `absent` numbers captures to pass over."""
    outputs = {name: _output(name, output) for name, output in table.outputs.items()}
    mains = [output.name for output in outputs.values() if output.kind == "main"]
    captures = [
        _capture(number, capture, table, outputs, files)
        for number, capture in enumerate(table.captures, 1)
        if number - 1 not in absent
    ]
    return SoundCheck(
        path=path,
        folder=path.parent,
        title=table.title,
        date=table.date,
        temperature_c=table.temperature_c,
        reference=table.reference or next(iter([*mains, *outputs]), ""),
        outputs=outputs,
        positions={name: _position(name, position) for name, position in table.positions.items()},
        captures=tuple(captures),
        notes=_notes(table, "description"),
        source=source,
        is_temperature_assumed="temperature_c" not in table.model_fields_set,
        not_recorded=_not_recorded(table, captures, files, absent),
        unused=unused_files(path.parent, files_of(captures)) if captures else (),
    )


def _not_recorded(
    table: DescriptionTable, captures: Collection[Capture], files: AudioFolder, absent: Collection[int]
) -> dict[str, dict[str, str]]:
    """Captures passed over, with what the folder may hold in place of their files: nothing that is a track."""
    to_come = {table.captures[k].name_or_number(k + 1): list(table.captures[k].tracks) for k in sorted(absent)}
    near = files.meant([text for texts in to_come.values() for text in texts], files_of(captures))
    return {
        name: {file: near[file] for file in dict.fromkeys(tidy(split_track(text)[0]) for text in texts) if file in near}
        for name, texts in to_come.items()
    }


def _output(name: str, table: OutputTable) -> Output:
    """One output, defaults resolved."""
    kind = str(table.kind)
    return Output(
        name=name,
        kind=kind,
        group=table.group or "",
        setting=Setting(table.delay_ms, table.polarity),
        feed_tap=table.feed_tap,
        adjust=table.adjust or ("polarity" if kind == "monitor" else "both"),
        min_delay_ms=table.min_delay_ms,
        max_delay_ms=table.max_delay_ms,
        delay_step_ms=table.delay_step_ms,
        can_invert=table.can_invert,
        latency_ms=_known_or_nan(table.latency_ms),
        align_at=tuple(table.align_at),
        later_ms=table.later_ms,
        notes=_notes(table, "output"),
        unwritten=tuple(key for key in ("delay_ms", "polarity") if key not in table.model_fields_set),
    )


def _position(name: str, table: PositionTable) -> Position:
    """One position, defaults resolved."""
    notes = _notes(table, "position")
    return Position(name, str(table.zone), table.weight, table.polarity or "", dict(table.distance_m), notes)


def _capture(
    number: int, table: CaptureTable, whole: DescriptionTable, outputs: Mapping[str, Output], files: AudioFolder
) -> Capture:
    """One capture, defaults resolved; `whole` is the description it stands in."""
    tracks = {
        kind: {label: Track(*files.track(text)) for label, text in getattr(table, kind).items()}
        for kind in ("feeds", "mics", "inputs")
    }
    named = by_reading(track.file for kind in tracks.values() for track in kind.values())
    playing = tuple(table.feeds) if table.playing is None else tuple(table.playing)
    settings = {
        name: _setting(output.setting, table.settings.get(name))
        for name, output in outputs.items()
        if name in table.feeds or name in playing
    }
    return Capture(
        name=table.name_or_number(number),
        playing=playing,
        start_s=table.start_s,
        end_s=_known_or_nan(table.end_s),
        **tracks,
        unsynced=tuple(tuple(matching_file(file, named) or file for file in clock) for clock in table.unsynced),
        settings=settings,
        temperature_c=whole.temperature_c if table.temperature_c is None else table.temperature_c,
        same_start=table.same_start,
        against=dict(table.against),
    )


def _setting(own: Setting, changed: SettingTable | None) -> Setting:
    """An output's own setting with what differed in a capture."""
    if changed is None:
        return own
    delay_ms = own.delay_ms if changed.delay_ms is None else changed.delay_ms
    return Setting(delay_ms, changed.polarity or own.polarity)


def _notes(table: BaseModel, kind: str) -> dict[str, str]:
    """The free text of a table, as far as it was given."""
    return {key: getattr(table, key) for key in _FREE_TEXT[kind] if getattr(table, key) is not None}


def _known_or_nan(value: float | None) -> float:
    """The value, or NaN if it is not known."""
    return math.nan if value is None else value


def _require(condition: bool, message: str) -> None:
    """Raise ValueError, a bug of whoever built the object, unless a condition holds."""
    if not condition:
        raise ValueError(message)
