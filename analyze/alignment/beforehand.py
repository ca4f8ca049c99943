"""What is decided about a group before anything is searched: not to be touched, not measured, not fit to be judged."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analyze.alignment.cells import HIGHEST_HZ, LOWEST_HZ
from analyze.alignment.context import Context
from analyze.alignment.decision import Decision, undecided
from analyze.alignment.score import UNCHANGED
from analyze.responses.capture import usable_tracks
from analyze.responses.wiring import opposite_twins


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
        reference = context.sound_check.reference
        return undecided(
            members, not_measured_words(context, missing if context.heard([reference]) else [*missing, reference])
        )
    return _opposite_members(context, members)


def not_measured_words(context: Context, names: Sequence[str]) -> str:
    """Why nothing is known of these outputs, and what to record: a feed too where one sounded without."""
    sentences = []
    never: dict[str, list[str]] = {}  # where to record -> outputs
    tracks = {c.name: usable_tracks(c) for c in context.sound_check.captures}
    for name in names:
        where = "on stage" if context.sound_check.outputs[name].kind == "monitor" else "at every seat"
        without = [capture for capture, t in tracks.items() if name in t.unfed]
        unusable = [capture for capture, t in tracks.items() if name in t.feeds]
        if without:
            sentences.append(
                f"{name} sounded in {without[0]!r} and its feed was not recorded: record {name} alone {where}, and the "
                "signal of the generator or player on the recorder that takes the microphones."
            )
        elif unusable:
            sentences.append(
                f"{name} was not measured, for {unusable[0]!r} could not be used (see the findings): record it alone "
                f"again, with noise or a sweep, {where}."
            )
        else:
            never.setdefault(where, []).append(name)
    for where, alike in never.items():
        were, each = ("was", "it") if len(alike) == 1 else ("were", "each")
        sentences.append(
            f"{', '.join(alike)} {were} not measured: record {each} alone, with noise or a sweep, {where}."
        )
    return " ".join(sentences)


def is_faint(context: Context, group: Sequence[str], zone: str) -> bool:
    """Whether no output of a group stands out from the noise in the low bands at any position of a zone."""
    thirds = context.thirds
    is_low = (thirds.b.low_hz < HIGHEST_HZ) & (thirds.b.high_hz > LOWEST_HZ)
    described = context.sound_check.positions
    here = [p for p, name in enumerate(context.responses.positions) if described[name].zone == zone]
    energy = thirds.energy[context.heard(group)][:, here][..., is_low]
    return not np.isfinite(energy).any()


def _opposite_members(context: Context, members: tuple[str, ...]) -> Decision | None:
    """Undecided where members of one group are wired opposite and their settings do not make up for it."""
    inverted, normal = wired_opposite(context, members)
    words = cancel_words(inverted[0], normal[0]) if inverted else opposite_words(context, members)
    return undecided(members, words) if words else None


def wired_opposite(context: Context, members: Sequence[str]) -> tuple[list[str], list[str]]:
    """Members wired inverted, and normal, where they cancel; none where their settings make up for it."""
    wired = {n: context.signs.output_sign.get(n, 0) for n in members}
    sounding = {n: sign * context.sound_check.outputs[n].setting.sign for n, sign in wired.items()}
    normal = [n for n in members if wired[n] > 0]
    inverted = [n for n in members if normal and wired[n] < 0 and sounding[n] != sounding[normal[0]]]
    return (inverted, normal) if inverted else ([], [])


def opposite_words(context: Context, members: Sequence[str]) -> str:
    """That two of a group are wired opposite and cancel, which of them is inverted being unknown; else empty."""
    outputs = context.sound_check.outputs
    for one, other in opposite_twins(context.signs):
        if {one, other} <= {*members} and outputs[one].setting.sign == outputs[other].setting.sign:
            return (
                f"{one} and {other} are wired opposite to each other, so they cancel where both are equally far (turn "
                "one over there, and the low end rises): find out which of them is inverted, mend that, then record "
                "each again."
            )
    return ""


def cancel_words(wrong: str, right: str) -> str:
    """That one output of a group is wired opposite to another, and what to do."""
    return (
        f"{wrong} is wired opposite to {right}, so they cancel: mend that, then record each again. "
        f"Until then set {wrong} alone to its other polarity."
    )
