"""The group of the reference: it never moves, but a member that cancels it is turned over until that is mended."""

from __future__ import annotations

import math
from dataclasses import replace

from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.device import allowed
from analyze.alignment.rows import Recommendation
from analyze.alignment.score import UNCHANGED


def of_the_reference(context: Context, group: tuple[str, ...]) -> Decision:
    """The decision on the reference's group: what its wiring means for it and for all that is set against it."""
    turned = _cancelling(context, group)
    return Decision(group, UNCHANGED, "reference", math.nan, math.nan, reason=_reason(context, group), turned=turned)


def cancels_its_twin(context: Context, group: tuple[str, ...]) -> str:
    """That the reference itself is wired wrongly and cancels one of its group, and what to do; else empty.

    All that meets the two of them is to wait: it would be set against a sum that is not to stay.
    """
    name = context.sound_check.reference
    opposite = [o for o in group if _sounding(context, o) == -_sounding(context, name) != 0]
    if not opposite or context.signs.output_sign[name] > 0:
        return ""
    return (
        f"{name}, the reference, is wired opposite to {opposite[0]}, so they cancel: mend that, then record each "
        f"again. Until then set {name} alone to its other polarity."
    )


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
    unknown = {"gain_db": math.nan, "worst_position": "", "worst_gain_db": math.nan, "cost_if_wrong_db": math.nan}
    row = replace(row, **unknown)  # type: ignore[arg-type]
    return replace(row, decision="change", confidence=sure, polarity_confidence=sure, alternative="", reason=reason)


def _sounding(context: Context, name: str) -> int:
    """Which way up an output sounds by wiring and setting; 0 where that is not known."""
    return int(context.signs.output_sign.get(name, 0) * context.sound_check.outputs[name].setting.sign)


def _cancelling(context: Context, group: tuple[str, ...]) -> tuple[str, ...]:
    """Members that are wired inverted, sound opposite to the reference and can be turned over."""
    upright = _sounding(context, context.sound_check.reference)
    wired = context.signs.output_sign
    return tuple(
        name
        for name in group
        if upright != 0
        and _sounding(context, name) == -upright
        and wired[name] < 0
        and len(allowed([context.sound_check.outputs[name]]).signs) > 1
    )


def _reason(context: Context, group: tuple[str, ...]) -> str:
    """What is said of the reference and its group."""
    name, signs = context.sound_check.reference, context.signs.output_sign
    others = [s for o, s in signs.items() if o not in group and s != 0]
    cancels = cancels_its_twin(context, group)
    if cancels:
        return cancels
    if signs.get(name, 0) < 0 and others and all(s > 0 for s in others):
        what, it = ("It alone", "it") if len(group) == 1 else ("Its group alone", "the group")
        return (
            f"The reference: everything else is set against it as it is wired today. {what} is wired inverted: once "
            f"that is mended, the same sums come of turning all others over, or of setting {it} inverted. To be sure, "
            "record again."
        )
    return "The reference: everything else is set against it."
