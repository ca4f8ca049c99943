"""The order in which settings are typed: what everything is set against first, what only the stage hears last.

Mains and subs come before fills and towers, for what the room hears most should be right first if the time runs out.
Outputs of a group stay together: half a group moved is worse than none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

_STEPS = (("main", "sub"), ("fill", "tower"), ("monitor",))
_HINTS = (
    "unchanged; check that the processor shows just this",
    "delay and polarity of an output together, a whole group before you listen",
    "lined up by arrival with the reference",
    "last; tell whoever is on stage before the level comes back",
)
_TURNED_HINT = "only a twin that cancels it is turned over; check that the processor shows just this"


@dataclass(frozen=True)
class Step:
    """What is typed at one time: its name, what to mind, and its outputs in order."""

    title: str
    hint: str
    outputs: tuple[str, ...]


def steps(analysis: Analysis) -> list[Step]:
    """The steps that have outputs, in the order of typing; every output of the recommendations is in one of them."""
    rows = {row.output: row for row in analysis.recommendations}
    chosen: list[dict[str, str]] = [{} for _ in _HINTS]
    for group in _groups(analysis, rows):
        at = _step_of(rows[group[0]], is_reference=analysis.sound_check.reference in group)
        chosen[at] |= {name: rows[name].kind for name in group}
    is_turned = any(rows[name].decision == "change" for name in chosen[0])
    hints = (_TURNED_HINT if is_turned else _HINTS[0], *_HINTS[1:])
    return [
        Step("Reference" if at == 0 else _title(kinds.values()), hints[at], tuple(kinds))
        for at, kinds in enumerate(chosen)
        if kinds
    ]


def typing_order(analysis: Analysis) -> list[str]:
    """Every output in the order of typing; its place there is its number on the page."""
    return [name for step in steps(analysis) for name in step.outputs]


def _groups(analysis: Analysis, rows: Iterable[str]) -> list[tuple[str, ...]]:
    """The groups among some outputs, each whole, the reference first in its own."""
    wanted, reference = list(rows), analysis.sound_check.reference
    described = [tuple(name for name in group if name in wanted) for group in analysis.sound_check.groups]
    return [tuple(sorted(group, key=lambda name: name != reference)) for group in described if group]


def _step_of(row: Recommendation, is_reference: bool) -> int:
    """Number of the step; a group goes by its first output, as decisions do."""
    return 0 if is_reference else 1 + next(i for i, kinds in enumerate(_STEPS) if row.kind in kinds)


def _title(kinds: Iterable[str]) -> str:
    """What is in a step.

    >>> _title(["sub", "main", "sub"]), _title(["tower"])
    ('Mains and subs', 'Towers')
    """
    return " and ".join(f"{kind}s" for kind in sorted(set(kinds))).capitalize()
