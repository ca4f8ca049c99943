"""The one plain sentence that stands behind every row of `inputs.csv`.

Conventions: `name` is the input compared, `other` the one it is compared with; a delay is positive when `name` is
later.
"""

from __future__ import annotations

from analyze.responses.stage_relation import Relation
from analyze.responses.wiring import polarity_word

#: Parts of a name by which a microphone under a drum goes.
_UNDER_A_DRUM = ("bottom", "btm", "under", "beneath")

#: A delay is called uncertain from this standard deviation on.
_VAGUE_S = 1e-4


def decided_reason(
    name: str, other: str, relation: Relation, delay_ms: float, gain_db: float, is_named: bool = True
) -> str:
    """Why the polarity is as recommended, and what may be delayed: `delay_ms` for the earlier of the two, 0 for none.

    gain_db : what the delay adds to the sum
    is_named : whether the description pairs the two, or leaves no other pair
    """
    heard = f"{name} reads {polarity_word(relation.sign)} against {other} over {relation.n_hits} hits"
    hint = _drum_hint(name, other, relation.sign)
    turn = "switch its polarity" if relation.sign < 0 else "leave its polarity"
    apart_ms = 1000.0 * abs(relation.delay_s)
    if delay_ms > 0.0:
        earlier = other if relation.delay_s > 0.0 else name
        which = "it" if earlier == name else earlier
        delay = f"delaying {which} by {delay_ms:.2f} ms as well is optional and adds {gain_db:.1f} dB"
    elif relation.delay_std_s > _VAGUE_S:
        delay = f"the delay between them is too uncertain to make up for ({apart_ms:.1f} ms)"
    else:
        delay = f"the {apart_ms:.2f} ms between them are not worth a delay"
    doubt = "" if is_named else "; if another input is its partner, name it under `against`"
    return f"{heard}{hint}: {turn}; {delay}{doubt}."


def _drum_hint(name: str, other: str, sign: int) -> str:
    """What is usual for a microphone under a drum, where a name says that it is one."""
    is_under = [any(word in label.casefold() for word in _UNDER_A_DRUM) for label in (name, other)]
    if is_under[0] == is_under[1]:
        return ""
    if sign < 0:
        return ", as a microphone under a drum normally does"
    return ", which is unusual for a microphone under a drum unless its cable or channel is turned already"


def doubtful_reason(relation: Relation) -> str:
    """Why a polarity is undecided."""
    return (
        f"Likelier {polarity_word(relation.sign)} ({relation.confidence:.2f}), but the evidence does not agree: record "
        "ten single hits or notes of this source with nothing else playing, or listen to both ways in mono."
    )


def unrelated_reason(name: str, other: str) -> str:
    """Why two inputs that share no sound, or hardly any, are undecided."""
    return (
        f"{name} and {other} have too little sound in common: name its partner under `against`, or record ten hits or "
        "notes that both pick up closely."
    )


def few_hits_reason(name: str, other: str, n_hits: int, n_clipped: int) -> str:
    """Why too few hits leave a pair undecided."""
    found = f"{n_hits} usable hit{'' if n_hits == 1 else 's'} of a source that both {name} and {other} hear"
    if n_clipped:
        return f"Only {found}, {n_clipped} more are clipped: lower the preamplifier's gain and record ten hits again."
    return f"Only {found}: record ten single hits or notes of it, or name another partner under `against`."


def silent_reason(silent: str) -> str:
    """Why a silent input leaves its pair undecided."""
    return f"{silent} holds no sound: check the patch and record it again."


def own_clock_reason(name: str, other: str) -> str:
    """Why two inputs on different recorders are undecided."""
    return f"{name} and {other} are not on one clock: record both on one recorder."
