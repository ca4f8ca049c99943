"""Which distances are worth measuring by hand: what shows a microphone that was exchanged, or another delay.

From the reference to every position, and from each other output to one: each take has its own chance of either. What
the description knows already is not asked for again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from analyze.description import Output, SoundCheck

#: Kinds with a seat of their own.
_OWN = ("fill", "tower")


def taped_at(check: SoundCheck, output: Output, nearest: Mapping[str, str] | None = None) -> str:
    """The position to which the way from an output other than the reference is measured.

    From a fill or tower to a seat where it takes over, from mains and subs to a seat near them, from a monitor to its
    place on stage; empty where the description does not say which that is. A check without positions has none.

    nearest : the position of its zone that is nearest to an output, as far as it was heard
    """
    if output.kind in _OWN and output.align_at:
        return _near(check, output.align_at)
    if nearest and output.name in nearest:
        return nearest[output.name]
    if output.kind in _OWN:
        return ""
    zone = zone_of(output)
    wanted = [position.name for position in check.positions.values() if position.zone == zone]
    if output.kind == "monitor" and len(wanted) > 1:
        return ""
    return _near(check, wanted or list(check.positions))


def zone_of(output: Output) -> str:
    """Where those are for whom an output plays."""
    return "stage" if output.kind == "monitor" else "audience"


def to_tape(check: SoundCheck, position: str) -> tuple[str, ...]:
    """The outputs from which the way to a position is still to be measured, the reference first.

    A monitor of which nobody says who stands before it may be at every position on stage.
    """
    is_stage = check.positions[position].zone == "stage"
    here = [
        output.name
        for output in untaped(check)
        if (taped_at(check, output) or (position if is_stage and output.kind == "monitor" else "")) == position
    ]
    return (*([] if check.reference in check.positions[position].distance_m else [check.reference]), *here)


def untaped(check: SoundCheck) -> tuple[Output, ...]:
    """Outputs other than the reference of which no distance is known."""
    known = {name for position in check.positions.values() for name in position.distance_m} | {check.reference}
    return tuple(output for output in check.outputs.values() if output.name not in known)


def known_m(check: SoundCheck) -> dict[str, dict[str, float]]:
    """What was measured: output -> position -> metres."""
    ways = {
        output: {p.name: p.distance_m[output] for p in check.positions.values() if output in p.distance_m}
        for output in check.outputs
    }
    return {output: to for output, to in ways.items() if to}


def _near(check: SoundCheck, seats: Sequence[str]) -> str:
    """The seat nearest to the reference, as far as it is known, else the first; empty for none.

    Where a tower takes over is far from all but the tower: such seats come last.
    """
    towers = {seat for output in check.outputs.values() if output.kind == "tower" for seat in output.align_at}

    def far(seat: str) -> tuple[bool, float]:
        return seat in towers, check.positions[seat].distance_m.get(check.reference, math.inf)

    return min(seats, key=far, default="")
