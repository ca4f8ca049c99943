"""The description with the takes of a plan in it: what its author wrote stays as it was, comments too."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Iterable, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table

from analyze.description import SoundCheck
from analyze.description_files import split_track
from analyze.description_lines import index_lines, normalised
from analyze.description_text import GUESS, GUESSED_SETTING
from analyze.planning.takes import Plan, Take
from analyze.planning.taping import to_tape

_HEAD = """\
# Planned with `analyze plan`: the takes at the end name files that are still to be recorded. Before it is analysed, set
# date and temperature to those of the day, and the delay and polarity of every output to what stood in its processor.
"""
_HEAD_OF_REST = """\
# Planned with `analyze plan`: the takes at the end name files that are still to be recorded. What stands under
# [outputs], and temperature_c, is of the new day: write there what processor and thermometer show. The earlier takes
# have settings and temperature of their own, as they were, so they stay true whatever is written above. Earlier takes
# of an output that was mended since are taken out, and their files moved elsewhere.
"""
_OF_THE_DAY = f"{GUESS}write that of the day, and take this mark away"
_IN_FORCE = f"{GUESS}as it was; write delay and polarity that the processor shows now, and take this mark away"
_BY_TAPE = "# metres by tape: fill in what was measured, delete the rest, and take away the first #"
_MORE_BY_TAPE = "# more for distance_m, metres by tape, to be written there: "
_KIND = re.compile(r"\s*[\"']?kind\b")


def planned_text(text: str, plan: Plan, check: SoundCheck, *, is_of_report: bool = False) -> str:
    """The text of a description with the takes of a plan as its captures, beside its own if the plan is of the rest.

    text : a valid description; what was not recorded yet has no settings in force, so those not written are guesses
    check : what it says
    is_of_report : whether its settings are those of an evening that was, which may have been changed since
    """
    text = text.removeprefix(_HEAD).removeprefix(_HEAD_OF_REST)
    if plan.is_rest:
        return _HEAD_OF_REST + _with_rest(_with_day(_with_doubt(text), _OF_THE_DAY), plan, check.temperature_c)
    text = _with_distances(_with_doubt(text) if is_of_report else text, check)
    document = tomlkit.parse(_with_day(_with_settings(text), _OF_THE_DAY))
    document.pop("captures", None)
    for output in document["outputs"].values() if not plan.own_recorders else ():
        output.pop("feed_tap", None)  # one track takes them all, where it enters the processor
    captures = tomlkit.aot()
    for takes in plan.captures:
        captures.append(_capture(takes))
    document.append("captures", captures)
    return _HEAD + tomlkit.dumps(document)


def _with_rest(text: str, plan: Plan, temperature_c: float) -> str:
    """The text with further takes; what was in force in the earlier ones stands with them, for it may change above."""
    document = tomlkit.parse(text)
    captures: Any = document.setdefault("captures", tomlkit.aot())
    for capture in captures:
        _with_own_values(capture, document, temperature_c)
    for takes in plan.captures:
        table = _capture(takes)
        if isinstance(captures, AoT):
            captures.append(table)
        else:
            captures.add_line(table.unwrap())
    return tomlkit.dumps(document)


def _with_own_values(capture: Any, document: Any, temperature_c: float) -> None:
    """Write into a capture the temperature and the settings in force that it had from above."""
    if "temperature_c" not in capture:
        capture["temperature_c"] = temperature_c
    if "settings" not in capture:
        capture["settings"] = tomlkit.inline_table()
    settings = capture["settings"]
    described = {normalised(name): output for name, output in document["outputs"].items()}
    said = {normalised(name): name for name in settings}
    for name in dict.fromkeys([*capture.get("feeds", ()), *capture.get("playing", ())]):
        own = settings[said[normalised(name)]] if normalised(name) in said else tomlkit.inline_table()
        for key, otherwise in (("delay_ms", 0.0), ("polarity", "normal")):
            if key not in own:
                own[key] = tomlkit.item(described.get(normalised(name), {}).get(key, otherwise)).unwrap()
        if normalised(name) not in said:
            settings[name] = own


def _with_day(text: str, mark: str) -> str:
    """The text with its temperature marked as a guess: it is that of another day."""
    if "temperature_c" not in tomllib.loads(text):
        return text
    lines = text.split("\n")
    k = index_lines(text).line_of(("temperature_c",)) - 1
    lines[k] = lines[k] if GUESS in lines[k] else f"{lines[k].rstrip()}  {mark}"
    return "\n".join(lines)


def _with_doubt(text: str) -> str:
    """The text with the delay of every output marked as a guess, for it may have been changed since."""
    where, lines = index_lines(text), text.split("\n")
    for name, output in tomllib.loads(text)["outputs"].items():
        k = where.line_of(("outputs", normalised(name), "delay_ms")) - 1
        if "delay_ms" in output and lines[k].lstrip().startswith("delay_ms") and GUESS not in lines[k]:
            lines[k] = f"{lines[k].rstrip()}  {_IN_FORCE}"
    return "\n".join(lines)


def _with_distances(text: str, check: SoundCheck) -> str:
    """The text with a comment of blanks for distances below the header of every position that lacks some.

    Positions that stand on one line have no room for it and stay as they are, as do those that have such a comment.
    """
    where, lines = index_lines(text), text.split("\n")
    blanks: dict[int, str] = {}
    for position in check.positions.values():
        line = where.line_of(("positions", position.name))
        below = list(itertools.takewhile(lambda one: not one.lstrip().startswith("["), lines[line:]))
        ways = ", ".join(f"{tomlkit.key(name).as_string()} = ____" for name in to_tape(check, position.name))
        if not ways or not lines[line - 1].lstrip().startswith("["):
            continue
        if position.distance_m and not any(one.startswith(_MORE_BY_TAPE) for one in below):
            blanks[line] = f"{_MORE_BY_TAPE}{ways}"
        elif not any("distance_m" in one for one in below):
            blanks[line] = f"# distance_m = {{ {ways} }}  {_BY_TAPE}"
    return "\n".join(one for k, line in enumerate(lines, 1) for one in (line, *filter(None, [blanks.get(k)])))


def _with_settings(text: str) -> str:
    """The text with a guess, marked as one, for every delay and polarity that it does not say, behind the kind.

    Outputs that stand on one line have no room for a mark and stay as they are.
    """
    where, lines = index_lines(text), text.split("\n")
    guesses: dict[int, list[str]] = {}
    for name, output in tomllib.loads(text)["outputs"].items():
        line = where.line_of(("outputs", normalised(name), "kind"))
        if _KIND.match(lines[line - 1]):
            guesses[line] = [guess for key, guess in GUESSED_SETTING.items() if key not in output]
    return "\n".join(one for k, line in enumerate(lines, 1) for one in (line, *guesses.get(k, ())))


def _capture(takes: Sequence[Take]) -> Table:
    """A `[[captures]]` table: feeds first, then the microphones that are wired, others on recorders of their own."""
    table, first = tomlkit.table(), takes[0]
    tracks = {name: f"{first.file}:{track}" for track, name in enumerate(first.wired, len(takes) + 1)}
    tracks |= first.apart
    table.append("name", first.name)
    table.append("feeds", _tracks((take.output, f"{take.file}:{track}") for track, take in enumerate(takes, 1)))
    table.append("mics", _tracks((name, tracks[name]) for name in first.positions))
    if first.apart:
        table.append("unsynced", list(dict.fromkeys(split_track(track)[0] for track in first.apart.values())))
    return table


def _tracks(tracks: Iterable[tuple[str, str]]) -> InlineTable:
    """Names with their tracks, on one line."""
    table = tomlkit.inline_table()
    for name, track in tracks:
        table.append(name, track)
    return table
