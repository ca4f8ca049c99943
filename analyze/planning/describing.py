"""The description with the takes of a plan in it: what its author wrote stays as it was, comments too."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table

from analyze.planning.takes import Plan, Take

_HEAD = """\
# Planned with `analyze plan`: the takes at the end name files that are still to be recorded. Before it is analysed, set
# date and temperature to those of the day, and the delay and polarity of every output to what stood in its processor.
"""


def planned_text(text: str, plan: Plan) -> str:
    """The text of a description with the takes of a plan as its captures, beside its own if the plan is of the rest.

    text : a valid description
    """
    document = tomlkit.parse(text.removeprefix(_HEAD))
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
