"""Which distances are worth measuring by hand: what shows a microphone that was exchanged, or another delay.

From the reference to every position, and from each other output to one: each take has its own chance of either.
"""

from __future__ import annotations

from analyze.description import Output, SoundCheck

#: Kinds with a seat of their own.
_OWN = ("fill", "tower")


def taped_at(check: SoundCheck, output: Output) -> str:
    """The position to which the way from an output other than the reference is measured.

    From a fill or tower to its seat, from mains and subs to the first seat, from a monitor to its place on stage; empty
    where the description does not say which that is. A check without positions has none.
    """
    if output.kind in _OWN:
        return output.align_at[0] if output.align_at else ""
    zone = "stage" if output.kind == "monitor" else "audience"
    wanted = [position.name for position in check.positions.values() if position.zone == zone]
    if output.kind == "monitor" and len(wanted) > 1:
        return ""
    return next(iter([*wanted, *check.positions]), "")


def outputs_taped_to(check: SoundCheck, position: str) -> tuple[str, ...]:
    """The outputs from which the way to a position is measured, the reference first.

    A monitor of which nobody says who stands before it may be at every position on stage.
    """
    is_stage = check.positions[position].zone == "stage"
    others = [output for output in check.outputs.values() if output.name != check.reference]
    here = [
        output.name
        for output in others
        if (taped_at(check, output) or (position if is_stage and output.kind == "monitor" else "")) == position
    ]
    return (check.reference, *here)
