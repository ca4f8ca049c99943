"""The group of the reference: it never moves, but a member that cancels it is turned over until that is mended."""

from __future__ import annotations

import math
from dataclasses import replace

from analyze.alignment.beforehand import cancel_words, opposite_words, wired_opposite
from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.device import allowed
from analyze.alignment.rows import Recommendation
from analyze.alignment.score import UNCHANGED


def of_the_reference(context: Context, group: tuple[str, ...]) -> Decision:
    """The decision on the reference's group: what its wiring means for it and for all that is set against it."""
    turned = () if cancelling_words(context, group) else tuple(wired_opposite(context, group)[0])
    return Decision(group, UNCHANGED, "reference", math.nan, math.nan, reason=_reason(context, group), turned=turned)


def cancelling_words(context: Context, group: tuple[str, ...]) -> str:
    """That two of the group cancel and stay so: the reference itself, or who knows which, is wrong; no switch to turn.

    All that meets them is to wait: it would be set against a sum that is not to stay. Else empty.
    """
    inverted, normal = wired_opposite(context, group)
    if not inverted:
        return opposite_words(context, group)
    outputs = [context.sound_check.outputs[name] for name in inverted]
    may_turn = context.sound_check.reference in normal and all(-1.0 in allowed([one]).signs for one in outputs)
    return "" if may_turn else cancel_words(inverted[0], normal[0])


def turned_row(context: Context, row: Recommendation) -> Recommendation:
    """The row of a member that is set to the other polarity until its wiring is mended.

    It has no gain of its own: where seats are near one of the two, the low end there does not show that they cancel.
    """
    reference = context.sound_check.reference
    sure = min(context.signs.confidence.get(name, 0.0) for name in (row.output, reference))
    reason = (
        f"Wired opposite to {reference}, so they cancel: set it to the other polarity until that is mended. Everything "
        "else is set for both playing together."
    )
    return replace(
        row,
        decision="change",
        confidence=sure,
        polarity_confidence=sure,
        cost_if_wrong_db=math.nan,
        gain_db=math.nan,
        worst_position="",
        worst_gain_db=math.nan,
        alternative="",
        reason=reason,
    )


def _reason(context: Context, group: tuple[str, ...]) -> str:
    """What is said of the reference and its group."""
    name, signs = context.sound_check.reference, context.signs.output_sign
    others = [s for o, s in signs.items() if o not in group and s != 0]
    cancels = cancelling_words(context, group)
    if cancels:
        return cancels
    if signs.get(name, 0) >= 0:
        return "The reference: everything else is set against it."
    reason = "The reference: everything else is set against it as it is wired today, inverted"
    if not others or any(s < 0 for s in others):
        return f"{reason}. Once that is mended, record again."
    return (
        f"{reason}, and nothing outside its group is. Once that is mended, the same sums come of turning all others "
        f"over, or of setting {'it' if len(group) == 1 else 'the group'} inverted. To be sure, record again."
    )
