"""Grounds of a setting that was judged by arrivals: how known they are at every seat, and the wirings it rests on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyze.alignment.arrivals import MODEL_MS, RIGHT_MS, Alignment, alignment_of
from analyze.alignment.confidence import Limit, alike, limits_of
from analyze.alignment.context import Context
from analyze.alignment.grounds import SeatTiming, TimingGrounds
from analyze.alignment.score import Change
from analyze.description import Output

#: What can hold the confidence of an alignment down: the error of arrivals, a delay that cannot be set, a polarity that
#: may not be turned, and how known the output's own wiring and the reference's are.
ARRIVAL, OUT_OF_REACH, NOT_TURNED = "arrival", "out of reach", "not turned"
OWN_WIRING, REFERENCE_WIRING = "own wiring", "reference wiring"


def timing_grounds(
    context: Context, members: Sequence[Output], alignment: Alignment, candidate: Change, is_sign_right: bool
) -> TimingGrounds:
    """What the confidence of an alignment was made of.

    alignment : of the whole group; candidate : the change in question
    is_sign_right : whether it gives the group the reference's sign; False where it may not be turned
    """
    signs, reference = context.signs, context.sound_check.reference
    own, other = (signs.confidence.get(name, 0.5) for name in (members[0].name, reference))
    late_ms = candidate[1] - alignment.change_ms
    polarity = alike(own, other) if is_sign_right else 1.0 - alike(own, other)
    return TimingGrounds(
        change=candidate,
        limits=_limits(alignment, candidate[1], own, other, is_sign_right),
        late_ms=late_ms,
        std_ms=math.hypot(alignment.std_ms, MODEL_MS),
        polarity_confidence=polarity,
        wiring_confidence=own,
        reference_confidence=other,
        seats=_seats(context, members, alignment.seats, candidate[1]),
    )


def _limits(alignment: Alignment, change_ms: float, own: float, other: float, is_sign_right: bool) -> tuple[Limit, ...]:
    """What holds the product of both confidences down."""
    timing, both = alignment.confidence(change_ms), alike(own, other)
    polarity = both if is_sign_right else 1.0 - both
    without = {
        ARRIVAL: replace(alignment, std_ms=0.0).confidence(change_ms) * polarity,
        OUT_OF_REACH: replace(alignment, change_ms=change_ms).confidence(change_ms) * polarity,
    }
    if is_sign_right:
        without |= {OWN_WIRING: timing * alike(1.0, other), REFERENCE_WIRING: timing * alike(own, 1.0)}
    else:
        without[NOT_TURNED] = timing * both
    return limits_of(timing * polarity, without)


def _seats(
    context: Context, members: Sequence[Output], seats: Sequence[str], change_ms: float
) -> dict[str, dict[str, SeatTiming]]:
    """How late every output of the group comes out at every seat against what was asked."""
    reference = context.sound_check.reference
    found: dict[str, dict[str, SeatTiming]] = {}
    for output in members:
        found[output.name] = {}
        alone = {s: a for s in seats if (a := alignment_of(output, reference, (s,), context.arrivals)) is not None}
        for seat, one in alone.items():
            others = [a.change_ms for s, a in alone.items() if s != seat]
            holds = bool(abs(change_ms - float(np.mean(others))) <= RIGHT_MS) if others else None
            found[output.name][seat] = SeatTiming(change_ms - one.change_ms, math.hypot(one.std_ms, MODEL_MS), holds)
    return found
