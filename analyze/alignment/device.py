"""What a processor can be told: ranges, steps, and groups that move as one.

A *change* is (sign, ms) on top of the present setting; a *setting* is what is typed in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analyze.alignment.score import UNCHANGED, Change
from analyze.alignment.search import Mover
from analyze.description import Output

_DECIMALS = 6


def allowed(members: Sequence[Output]) -> Mover:
    """Signs and delay range that every member of a group can follow."""
    may_turn = all(o.adjust in ("both", "polarity") and o.can_invert for o in members)
    may_delay = all(o.adjust in ("both", "delay") for o in members)
    low = max(o.min_delay_ms - o.setting.delay_ms for o in members) if may_delay else 0.0
    high = min(o.max_delay_ms - o.setting.delay_ms for o in members) if may_delay else 0.0
    return Mover((1.0, -1.0) if may_turn else (1.0,), min(low, 0.0), max(high, 0.0))


def rounded(members: Sequence[Output], change: Change) -> Change:
    """The change brought to the coarsest step of the group's devices and into their range.

    The first member's setting lands on its step; the others move by the same amount, so that differences inside the
    group stay what they are.
    """
    sign, delay_ms = change
    mover = allowed(members)
    if delay_ms == 0.0:
        return sign, 0.0
    step = max(o.delay_step_ms for o in members)
    first = members[0].setting.delay_ms
    moved = round(round((first + delay_ms) / step) * step - first, _DECIMALS)
    if moved > mover.high_ms + 1e-9:
        moved -= step
    if moved < mover.low_ms - 1e-9:
        moved += step
    return sign, round(min(max(moved, mover.low_ms), mover.high_ms), _DECIMALS)


def setting_after(output: Output, change: Change) -> tuple[str, float]:
    """Polarity and delay in ms to type in for one output."""
    sign = output.setting.sign * change[0]
    return ("normal" if sign > 0 else "inverted"), round(output.setting.delay_ms + change[1], _DECIMALS)


def group_changes(groups: Mapping[tuple[str, ...], Change]) -> dict[str, Change]:
    """Changes per group as changes per output; what stays is left out."""
    return {name: change for members, change in groups.items() for name in members if change != UNCHANGED}
