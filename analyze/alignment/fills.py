"""Decisions on fills and towers: arrival at the seats they are for, leading edges of the reference's sign."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import numpy as np

from analyze.alignment.arrivals import MODEL_MS, RIGHT_MS, Alignment, alignment_of, seats_for
from analyze.alignment.confidence import alike
from analyze.alignment.context import Context
from analyze.alignment.decision import DECIDED, Decision, disagreement_words, setting_words, undecided
from analyze.alignment.device import allowed, rounded
from analyze.alignment.mains_subs import Group
from analyze.alignment.score import UNCHANGED, Change
from analyze.alignment.timing_grounds import timing_grounds
from analyze.description import Output
from analyze.responses.feed_relations import EQUAL

#: Most that is claimed where a member of the group was recorded and not heard: the group arrives as all of them do.
_WITHOUT_A_MEMBER = 0.7
#: Moving a fill or tower by less is not heard: 3 cm, as heads move (common practice, no source).
_NOT_HEARD_MS = 0.1
#: Half of this spread between seats is said: no delay can serve both.
_SEATS_DIFFER_MS = 1.0
#: Error of an arrival from which on its hundredths say nothing.
_TO_TENTHS_MS = 0.1


def decide_fill(context: Context, group: Group) -> Decision:
    """Decision on one group of fills or towers."""
    members = context.members(group)
    reference = context.sound_check.reference
    found = [_aligned(context, o) for o in members]
    known = [a for a in found if a is not None]
    if not known:
        return undecided(group, _apart_words(context, group[0], reference))
    alignment = _joined(known)
    sign, polarity = _sign(context, members)
    mover = allowed(members)
    wanted: Change = (sign if sign in mover.signs else 1.0, alignment.change_ms)
    reachable = min(max(alignment.change_ms, mover.low_ms), mover.high_ms)
    candidate = _kept_if_close(members, (wanted[0], reachable), alignment)
    timing = alignment.confidence(candidate[1])
    lost = [o.name for o, a in zip(members, found, strict=True) if a is None and _was_recorded(context, o)]
    timing = min(timing, _WITHOUT_A_MEMBER) if lost else timing
    confidence = timing * (polarity if wanted[0] == sign else 1.0 - polarity)
    decision = "undecided" if confidence < DECIDED else "keep" if candidate == UNCHANGED else "change"
    reason = _reason(members, reference, alignment, candidate, reachable, decision, polarity < timing, sign)
    if decision == "undecided":
        reason = _special_doubt(context, group) or _lost_words(lost, alignment.seats, timing < polarity) or reason
    alternative = f"candidate {setting_words(members, candidate)}" if decision == "undecided" else ""
    if reachable - alignment.change_ms > RIGHT_MS:
        alternative = f"delaying {reference} and its group by {reachable - alignment.change_ms:.2f} ms would line it up"
    grounds = partial(timing_grounds, context, members, alignment, candidate, wanted[0] == sign)
    return Decision(group, candidate, decision, confidence, polarity, math.nan, alternative, reason, grounds=grounds)


def _apart_words(context: Context, name: str, reference: str) -> str:
    """Why no seat tells when an output arrives against the reference: another clock, or none where both are heard."""
    takes = [capture for capture in context.sound_check.captures if name in capture.feeds]
    if any(take.unsynced for take in takes) and not any(reference in take.feeds for take in takes):
        return (
            f"{name} was recorded on a recorder with a clock of its own, which does not tell when it arrives against "
            f"{reference}: record both in one take, each with a mix of its own, or feeds and microphones on one "
            "recorder."
        )
    responses, zones = context.responses, context.sound_check.positions
    both = [p for p in responses.positions if responses.has(name, p) and responses.has(reference, p)]
    asked = context.sound_check.outputs[name].align_at
    seats = [p for p in both if zones[p].zone == "audience" and (not asked or p in asked)]
    if seats:
        unknown = [one for one in (name, reference) if not any((one, seat) in context.arrivals for seat in seats)]
        where = f" at {' and '.join(seats)}, where it is to be lined up" if asked else ""
        which = f"{' and '.join(unknown)}" if unknown else f"{name} and {reference}{'' if asked else ' at one seat'}"
        alone = f"record {name} alone" if unknown == [name] else f"record {name} and {reference} each alone"
        return (
            f"It cannot be told when {which} arrived{where}, for too little of what was recorded is told from the "
            f"noise and from other outputs: see whether {name} is loud enough there, then {alone}, with noise or a "
            f"sweep, with a microphone where {name} takes over."
        )
    return (
        f"{name} and {reference} were not both heard at one seat: record each alone with a microphone where {name} "
        "takes over from the mains."
    )


def _was_recorded(context: Context, output: Output) -> bool:
    return any(output.name in capture.feeds for capture in context.sound_check.captures)


def _lost_words(lost: Sequence[str], seats: Sequence[str], is_timing: bool) -> str:
    """That members of the group were not heard where it is lined up; empty where that is not why."""
    if not lost or not is_timing:
        return ""
    names = " and ".join(lost)
    return (
        f"{names} could not be heard at {', '.join(seats)}, and the delay of the group needs all of it: record {names} "
        "alone again, louder, with a microphone there."
    )


def _special_doubt(context: Context, group: Group) -> str:
    """Why louder captures would not settle it: captures that disagree, or a sub as reference; else empty."""
    reference = context.sound_check.outputs[context.sound_check.reference]
    contradicted = [n for n in (*group, reference.name) if n in context.contradicted]
    if contradicted:
        return disagreement_words(contradicted)
    if reference.kind == "sub":
        mains = [n for n, o in context.sound_check.outputs.items() if o.kind == "main" and context.heard([n])]
        mend = f"Name {mains[0]}" if mains else f"Record a main alone where {group[0]} is heard, and name it"
        return (
            f"{reference.name}, a sub, is the reference: its arrival is not known closely enough to line {group[0]} up "
            f"with it. {mend} as reference in the description."
        )
    return ""


def _aligned(context: Context, output: Output) -> Alignment | None:
    audience = [p for p, d in context.sound_check.positions.items() if d.zone == "audience"]
    seats = seats_for(output, context.sound_check.reference, context.responses, context.thirds, audience)
    return alignment_of(output, context.sound_check.reference, seats, context.arrivals)


def _joined(found: Sequence[Alignment]) -> Alignment:
    """One change for the whole group: the mean over its members."""
    changes = np.array([a.change_ms for a in found])
    mean = float(changes.mean())
    std = math.sqrt(sum(a.std_ms**2 for a in found)) / len(found)
    error = max(a.error_ms + abs(a.change_ms - mean) for a in found)
    seats = tuple(dict.fromkeys(s for a in found for s in a.seats))
    return Alignment(mean, std, seats, error)


def _sign(context: Context, members: Sequence[Output]) -> tuple[float, float]:
    """Sign to apply so that wiring times setting is that of the reference, and the probability that it is right."""
    signs, reference = context.signs, context.sound_check.outputs[context.sound_check.reference]
    name = members[0].name
    own, other = (
        signs.likelier.get(o.name, 1) * o.setting.sign * context.sent.get(o.name, EQUAL)[0]
        for o in (members[0], reference)
    )
    a, b = signs.confidence.get(name, 0.5), signs.confidence.get(reference.name, 0.5)
    return (1.0 if own == other else -1.0), alike(a, b)


def _kept_if_close(members: Sequence[Output], wanted: Change, alignment: Alignment) -> Change:
    """The present setting where it is close enough or within the error, else the wanted change on the device's step."""
    close = max(2.0 * alignment.std_ms, _NOT_HEARD_MS)
    delay_ms = 0.0 if abs(wanted[1]) <= close else wanted[1]
    return rounded(members, (wanted[0], delay_ms))


def _reason(
    members: Sequence[Output],
    reference: str,
    alignment: Alignment,
    candidate: Change,
    reachable: float,
    decision: str,
    is_sign_doubtful: bool,
    sign: float,
) -> str:
    """One plain sentence."""
    where = " and ".join(alignment.seats)
    at = f"On average over {where}" if alignment.error_ms > RIGHT_MS else f"At {where}"
    off = alignment.change_ms
    later = members[0].later_ms
    if abs(reachable - off) > RIGHT_MS:
        late = "late" if off < 0 else "early"
        return f"Arrives {abs(off):.2f} ms too {late} at {where}, {_out_of_reach(members, reference, off)}."
    if sign < 0 and sign not in allowed(members).signs:
        return (
            f"Has the other polarity than {reference} at {where}, and it may not be turned: turn it at the cable and "
            "record it again."
        )
    if decision == "undecided":
        what = "Its polarity" if is_sign_doubtful else f"Its arrival at {where}"
        again = (
            f"{what} is not sure enough: record it and {reference} alone again, louder, with a microphone at {where}."
        )
        if is_sign_doubtful and alignment.std_ms < RIGHT_MS < abs(off):
            by = f"{abs(off):.1f} ms {'later' if off > 0.0 else 'earlier'}"
            return f"{again} Its arrival is: {by} lines it up there; which polarity adds then is told by ear."
        return again
    asked = f"{_against(later, reference, f'{abs(later):g}')}, as asked"
    if candidate == UNCHANGED:
        return f"{at} it arrives {asked}."
    if candidate[1] == 0.0:
        return f"{at} it arrives {asked}, but has the other polarity."
    turned = ", and has the other polarity" if sign < 0 else ""
    spread = f"; seats differ by {alignment.error_ms:.1f} ms" if alignment.error_ms > _SEATS_DIFFER_MS else ""
    present = _against(later - off, reference, f"{abs(later - off):.{_decimals(alignment)}f}")
    then = _against(later, "it", f"{abs(later):g}")
    return f"{at} it arrives {present} at present{turned}; as recommended {then}, as asked{spread}."


def _against(later_ms: float, other: str, figure: str) -> str:
    """When an output arrives against another one; figure : the time between them, as it is printed."""
    return f"{figure} ms {'after' if later_ms > 0.0 else 'before'} {other}" if float(figure) else f"with {other}"


def _decimals(alignment: Alignment) -> int:
    """Decimals of a time that its error leaves it."""
    return 2 if math.hypot(alignment.std_ms, MODEL_MS) < _TO_TENTHS_MS else 1


def _out_of_reach(members: Sequence[Output], reference: str, change_ms: float) -> str:
    """Why a wanted change cannot be set, and what to do about it: no recording would help."""
    mover = allowed(members)
    if mover.low_ms == mover.high_ms:
        mend = "let its delay be set (`adjust` in the description)"
    elif change_ms < 0.0:
        # likelier than all else set too early is a microphone, or a delay, that is described wrongly
        mend = (
            f"see that its microphones and its delay are described as they were; if so, delay {reference} and all else"
        )
    else:
        mend = "give it a device with more delay, or correct `max_delay_ms`"
    return f"further than may be set: {mend}; nothing has to be recorded again"
