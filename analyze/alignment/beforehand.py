"""What is decided about a group before anything is searched: not to be touched, not measured, not fit to be judged."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analyze.alignment.context import Context
from analyze.alignment.decision import Decision, undecided
from analyze.alignment.score import UNCHANGED


def decided_beforehand(context: Context, group: Sequence[str]) -> Decision | None:
    """The decision on a group that no search is needed for, or None."""
    members = tuple(group)
    if all(o.adjust == "none" for o in context.members(group)):
        return Decision(
            members, UNCHANGED, "keep", math.nan, math.nan, reason="You asked to leave it; it is not judged."
        )
    for name in members:
        if name in context.blocked:
            return undecided(members, context.blocked[name])
    missing = [name for name in members if not context.heard([name])]
    if missing:
        where = "on stage" if context.members(group)[0].kind == "monitor" else "at every seat"
        return undecided(members, f"{missing[0]} was not measured: record it alone, with noise or a sweep, {where}.")
    return _opposite_members(context, members)


def _opposite_members(context: Context, members: tuple[str, ...]) -> Decision | None:
    """Undecided where members of one group are wired opposite and their settings do not make up for it."""
    known = {n: context.signs.output_sign.get(n, 0) for n in members}
    sounding = {n: s * context.sound_check.outputs[n].setting.sign for n, s in known.items() if s != 0}
    inverted = [n for n, s in known.items() if s < 0]
    normal = [n for n, s in known.items() if s > 0]
    if not inverted or not normal or len(set(sounding.values())) < 2:
        return None
    return undecided(members, f"{inverted[0]} is wired opposite to {normal[0]}: mend that, then measure both again.")
