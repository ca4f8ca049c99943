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
from analyze.description_text import GUESSED_SETTING
from analyze.planning.takes import Plan, Take
from analyze.planning.taping import to_tape

_HEAD = """\
# Planned with `analyze plan`: the takes at the end name files that are still to be recorded. Before it is analysed, set
# date and temperature to those of the day, and the delay and polarity of every output to what stood in its processor.
"""
_BY_TAPE = "# metres by tape: fill in what was measured, delete the rest, and take away the first #"
_MORE_BY_TAPE = "# more for distance_m, metres by tape, to be written there: "
_KIND = re.compile(r"\s*[\"']?kind\b")


def planned_text(text: str, plan: Plan, check: SoundCheck) -> str:
    """The text of a description with the takes of a plan as its captures, beside its own if the plan is of the rest.

    text : a valid description; what was not recorded yet has no settings in force, so those not written are guesses
    check : what it says
    """
    text = text.removeprefix(_HEAD)
    document = tomlkit.parse(text if plan.is_rest else _with_settings(_with_distances(text, check)))
    if not plan.is_rest:
        document.pop("captures", None)
        for output in document["outputs"].values():
            output.pop("feed_tap", None)
    if "captures" not in document:
        document.append("captures", tomlkit.aot())
    captures: Any = document["captures"]
    for take in plan.takes:
        table = _capture(take)
        captures.append(table if isinstance(captures, AoT) else table.unwrap())
    return _HEAD + tomlkit.dumps(document)


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
