"""The description with the takes of a plan in it: what its author wrote stays as it was, comments too."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Iterable
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table

from analyze.description import SoundCheck
from analyze.description_lines import index_lines, normalised
from analyze.description_text import GUESS, GUESSED_SETTING
from analyze.planning.takes import Plan, Take
from analyze.planning.taping import to_tape

_HEAD = """\
# Planned with `analyze plan`: the takes at the end name files that are still to be recorded. Before it is analysed, set
# date and temperature to those of the day, and the delay and polarity of every output to what stood in its processor.
"""
_HEAD_OF_REST = """\
# Planned with `analyze plan`: the takes at the end name files that are still to be recorded. What stands before them is
# true of the earlier takes and stays as it is, temperature, delays and polarities too. What is in force on the new day
# goes into each new take: its temperature_c, and its settings ([captures.settings]) where the processor shows another
# delay or polarity than [outputs] says. Earlier takes of an output that was mended since are taken out, and their files
# moved elsewhere.
"""
_OF_THE_DAY = f"{GUESS}write that of the day, and take this mark away"
_EARLIER = "what counts for the earlier takes; write the temperature of the day, and take this mark away"
_SETTINGS = "as in [outputs]; where the processor shows another, write that and take away the first #"
_BY_TAPE = "# metres by tape: fill in what was measured, delete the rest, and take away the first #"
_MORE_BY_TAPE = "# more for distance_m, metres by tape, to be written there: "
_KIND = re.compile(r"\s*[\"']?kind\b")


def planned_text(text: str, plan: Plan, check: SoundCheck) -> str:
    """The text of a description with the takes of a plan as its captures, beside its own if the plan is of the rest.

    text : a valid description; what was not recorded yet has no settings in force, so those not written are guesses
    check : what it says
    """
    text = text.removeprefix(_HEAD).removeprefix(_HEAD_OF_REST)
    if plan.is_rest:
        return _HEAD_OF_REST + _with_rest(text, plan, check)
    document = tomlkit.parse(_with_day(_with_settings(_with_distances(text, check))))
    document.pop("captures", None)
    for output in document["outputs"].values():
        output.pop("feed_tap", None)
    captures = tomlkit.aot()
    for take in plan.takes:
        captures.append(_capture(take))
    document.append("captures", captures)
    return _HEAD + tomlkit.dumps(document)


def _with_rest(text: str, plan: Plan, check: SoundCheck) -> str:
    """The text with further takes; each has a place for what was in force on its day, the temperature a guess.

    In a list on one line there is no room for comments about settings.
    """
    document = tomlkit.parse(text)
    captures: Any = document.setdefault("captures", tomlkit.aot())
    for take in plan.takes:
        table, temperature = _capture(take), tomlkit.item(check.temperature_c)
        table.append("temperature_c", temperature.comment(f"{GUESS}{_EARLIER}"))
        if isinstance(captures, AoT):
            table.add(tomlkit.comment(_setting_comment(take, check)))
            captures.append(table)
        else:
            captures.add_line(table.unwrap(), comment=f"{GUESS}{_EARLIER}".removeprefix("# "))
    return tomlkit.dumps(document)


def _setting_comment(take: Take, check: SoundCheck) -> str:
    """The setting in force as it would stand in a capture, to be corrected."""
    setting = check.outputs[take.output].setting
    table = tomlkit.inline_table()
    table.append("delay_ms", setting.delay_ms)
    table.append("polarity", setting.polarity)
    whole = tomlkit.inline_table()
    whole.append(take.output, table)
    return f"settings = {whole.as_string()}  # {_SETTINGS}"


def _with_day(text: str) -> str:
    """The text with its temperature marked as a guess: it is that of another day."""
    if "temperature_c" not in tomllib.loads(text):
        return text
    lines = text.split("\n")
    k = index_lines(text).line_of(("temperature_c",)) - 1
    lines[k] = lines[k] if GUESS in lines[k] else f"{lines[k].rstrip()}  {_OF_THE_DAY}"
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


def _capture(take: Take) -> Table:
    """A `[[captures]]` table."""
    table = tomlkit.table()
    table.append("name", take.name)
    table.append("feeds", _tracks([(take.output, f"{take.file}:1")]))
    table.append("mics", _tracks((name, f"{take.file}:{track}") for track, name in enumerate(take.positions, 2)))
    return table


def _tracks(tracks: Iterable[tuple[str, str]]) -> InlineTable:
    """Names with their tracks, on one line."""
    table = tomlkit.inline_table()
    for name, track in tracks:
        table.append(name, track)
    return table
