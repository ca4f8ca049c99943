"""The monitor question: does a monitor's polarity help or hurt the low end on stage?

Monitors are judged last, mains and subs fixed, at the stage positions, in their own cells, and usually for their
polarity alone. In doubt the setting stays. So it does where the audience would pay for what the stage gains, or the
stage itself once another monitor's wrong wiring is mended: the reason gives both figures. Turning a monitor over on
purpose to thin out the low end on stage is shown with its price, and never recommended: a fader move undoes it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analyze.acoustics import db_to_amplitude, energy_db
from analyze.alignment.beforehand import is_faint
from analyze.alignment.confidence import MODEL_DB, RIGHT_DB, above
from analyze.alignment.context import Context
from analyze.alignment.decision import DECIDED, Decision, setting_words
from analyze.alignment.device import allowed, rounded
from analyze.alignment.grounds import BEST, SPARES, SumGrounds
from analyze.alignment.mains_subs import Group
from analyze.alignment.rows import MonitorTrick
from analyze.alignment.score import UNCHANGED, Change, cell_energy, efficiency_db, mean_score
from analyze.alignment.search import Landscape, search
from analyze.alignment.sum_grounds import Judged, margin_grounds

_SIGMAS = 2.0
#: The fader move, up or down, against which the trick is shown.
_FADER_DB = 3.0
#: More than this a monitor's change may not take from the sum in the audience, dB.
_MOST_LOSS_DB = 0.1
#: Mains and subs that were not measured on stage are named up to so many.
_MOST_NAMED = 3


def decide_monitors(context: Context, groups: Sequence[Group], fixed: Mapping[str, Change]) -> list[Decision]:
    """Decisions on all groups of monitors, judged together; every other output changed as in `fixed`.

    What gains no more than counts as right anyway, or is in doubt, is left alone; so is what the audience would pay
    for, the dearest first, and what a wire to be mended would undo, and the rest is judged again without it.
    """
    settled = {g: d for g in groups if (d := _without_question(context, g)) is not None}
    while asked := [g for g in groups if g not in settled]:
        stage = _stage(context, asked, fixed)
        best = _best(stage)
        state = _fewest_changes(stage, best)
        undone = [k for k in range(len(asked)) if _is_undone(stage, best, state, k)]
        if undone:
            settled[asked[undone[0]]] = _undone(stage, best, state, undone[0])
            continue
        paid_for = {asked[k]: option for k in range(len(asked)) if (option := _at_a_price(stage, best, state, k))}
        if not paid_for:
            settled |= {group: _decision(stage, state, k) for k, group in enumerate(asked)}
            break
        dearest = max(paid_for, key=lambda g: stage.loss(paid_for[g], state)[0])
        settled[dearest] = _paid_for(stage, paid_for[dearest], state, asked.index(dearest))
    return [settled[g] for g in groups]


@dataclass(frozen=True)
class _Stage:
    """The low end on stage over the changes of all monitors in question, that of every replicate, and of the seats.

    mended : the same once monitors that are wired inverted are mended, None where none is to be
    """

    context: Context
    groups: list[Group]
    landscape: Landscape
    replicates: list[Landscape]
    audience: Landscape
    audience_replicates: list[Landscape]
    mended: _Stage | None = None

    def loss(self, state: Sequence[Change], other: Sequence[Change]) -> tuple[float, float]:
        """What one state takes from the sum in the audience against another, and its standard deviation, dB.

        0 where no two outputs are heard there together.
        """
        if not len(self.context.audience):
            return 0.0, 0.0
        lost = [a.score(other) - a.score(state) for a in self.audience_replicates]
        return self.audience.score(other) - self.audience.score(state), float(np.std(lost))

    def gain(self, state: Sequence[Change], other: Sequence[Change]) -> tuple[float, float]:
        """Gain of one state over another in the own cells of what differs, and its standard deviation."""
        differing = [n for g, a, b in zip(self.groups, state, other, strict=True) if a != b for n in g]
        if not differing:
            return 0.0, 0.0
        mask = self.context.stage.own(self.context.heard(differing))
        gain = self.landscape.score(state, mask) - self.landscape.score(other, mask)
        return gain, float(np.std([r.score(state, mask) - r.score(other, mask) for r in self.replicates]))

    def loss_once_mended(self, state: Sequence[Change], other: Sequence[Change]) -> tuple[float, float]:
        """What one state takes from the stage once wrong wirings are mended, and its standard deviation; 0 for none.

        Mending stands for a turn of those very monitors: nobody does both.
        """
        if self.mended is None:
            return 0.0, 0.0
        wired = [bool(set(group) & _to_be_mended(self.context).keys()) for group in self.groups]
        once, then = (
            [(1.0, change[1]) if is_wired else change for is_wired, change in zip(wired, one, strict=True)]
            for one in (state, other)
        )
        gain, std = self.mended.gain(once, then)
        return -gain, std

    def with_change(self, state: Sequence[Change], k: int, change: Change) -> list[Change]:
        """The state with group k changed otherwise."""
        return [change if j == k else c for j, c in enumerate(state)]


def _best(stage: _Stage) -> list[Change]:
    """The best state on stage that the devices can be set to."""
    members = [stage.context.members(g) for g in stage.groups]
    found = search(stage.landscape, [allowed(m) for m in members]).state
    return [rounded(m, c) for m, c in zip(members, found, strict=True)]


def _at_a_price(stage: _Stage, best: Sequence[Change], state: Sequence[Change], k: int) -> list[Change]:
    """The state with group k changed too, where the stage would gain by it and the audience pay; else empty."""
    option = stage.with_change(state, k, best[k])
    is_left = state[k] == UNCHANGED and _is_gain(stage, option, state)
    return option if is_left and stage.loss(option, state)[0] > _MOST_LOSS_DB else []


def _is_undone(stage: _Stage, best: Sequence[Change], state: Sequence[Change], k: int) -> bool:
    """Whether the stage would gain by the change of group k and lose by it once wrong wirings are mended."""
    option = stage.with_change(state, k, best[k])
    is_gain = state[k] == UNCHANGED and _is_gain(stage, option, state)
    return is_gain and stage.loss_once_mended(option, state)[0] > 0.0


def _fewest_changes(stage: _Stage, best: Sequence[Change]) -> list[Change]:
    """From leaving all alone one change after another to the best state, as far as each step is worth it."""
    state: list[Change] = [UNCHANGED] * len(best)
    alone = {k: stage.landscape.score(stage.with_change(state, k, c)) for k, c in enumerate(best) if c != UNCHANGED}
    for k in sorted(alone, key=alone.__getitem__, reverse=True):
        option = stage.with_change(state, k, best[k])
        if _is_worth(stage, option, state):
            state = option
    return list(best) if _is_worth(stage, best, state) else state


def _is_worth(stage: _Stage, option: Sequence[Change], state: Sequence[Change]) -> bool:
    """Whether the stage gains what counts, also once wires are mended, and the audience does not pay for it."""
    is_spared = stage.loss(option, state)[0] <= _MOST_LOSS_DB
    return is_spared and _is_gain(stage, option, state) and stage.loss_once_mended(option, state)[0] <= 0.0


def _is_gain(stage: _Stage, option: Sequence[Change], state: Sequence[Change]) -> bool:
    """Whether the stage gains beyond doubt, and more than counts as right anyway."""
    gain, std = stage.gain(option, state)
    return gain > max(RIGHT_DB, _SIGMAS * math.hypot(std, MODEL_DB))


def _to_be_mended(context: Context) -> dict[str, Change]:
    """Monitors that are wired inverted with no setting that makes up for it, and what mending them does."""
    monitors = (output for output in context.sound_check.outputs.values() if output.kind == "monitor")
    wired = context.signs.output_sign
    return {o.name: (-1.0, 0.0) for o in monitors if o.setting.sign > 0 and wired.get(o.name, 0) < 0}


def _stage(context: Context, groups: list[Group], fixed: Mapping[str, Change]) -> _Stage:
    """The stage as it is, and as it will be once monitors are mended."""
    wires = _to_be_mended(context)
    mended = _stage_as_is(context, groups, {**fixed, **wires}) if wires else None
    return replace(_stage_as_is(context, groups, fixed), mended=mended)


def _stage_as_is(context: Context, groups: list[Group], fixed: Mapping[str, Change]) -> _Stage:
    zones = context.stage, context.audience
    on_stage, seats = (context.landscape(groups, fixed, cells) for cells in zones)
    replicates = range(len(context.replicates))
    on_stage_again, seats_again = ([context.landscape(groups, fixed, cells, r) for r in replicates] for cells in zones)
    return _Stage(context, groups, on_stage, on_stage_again, seats, seats_again)


def _without_question(context: Context, group: Group) -> Decision | None:
    """The decision where there is nothing to judge: no microphone on stage, or alone in its band."""
    if not context.is_measured_together("stage"):
        reason = "Kept: no two outputs were measured together on stage. Put a microphone there to judge it."
        return Decision(group, UNCHANGED, "keep", math.nan, math.nan, reason=reason)
    if missing := _not_heard_on_stage(context):
        each = "Record it there." if len(missing) == 1 else "Record each of them there."
        was = f"{', '.join(missing)} {'was' if len(missing) == 1 else 'were'}"
        if len(missing) > _MOST_NAMED:
            was = f"{len(missing)} mains and subs were"
        whose = "its" if len(missing) == 1 else "theirs"
        reason = f"Kept: {was} not measured on stage, and part of the low end there is {whose}. {each}"
        return Decision(group, UNCHANGED, "keep", math.nan, math.nan, reason=reason)
    if not _is_heard_on_stage(context, group):
        reason = (
            f"Kept: no microphone on stage ({_stage_names(context)}) is in a take of {group[0]}. Record it there, or "
            "correct the names of positions in its take."
        )
        return Decision(group, UNCHANGED, "keep", math.nan, math.nan, reason=reason)
    if not context.stage.own(context.heard(group)).any():
        if is_faint(context, group, "stage"):
            reason = (
                f"Kept: {group[0]} does not stand out from the noise on stage ({_stage_names(context)}) in the low "
                "bands. Record it alone and louder to judge it, or correct the zone of positions."
            )
            return Decision(group, UNCHANGED, "keep", math.nan, math.nan, reason=reason)
        reason = "Meets no other output in the low bands on stage: its polarity does not matter there."
        return Decision(group, UNCHANGED, "keep", math.nan, math.nan, reason=reason)
    return None


def _not_heard_on_stage(context: Context) -> list[str]:
    """Mains and subs that were measured at no stage position: without one of them a monitor's polarity is a guess."""
    low = [name for name, output in context.sound_check.outputs.items() if output.kind in ("main", "sub")]
    return [name for name in low if not _is_heard_on_stage(context, [name])]


def _is_heard_on_stage(context: Context, outputs: Collection[str]) -> bool:
    """Whether one of some outputs was measured at a stage position."""
    here = [p for p in context.responses.positions if context.sound_check.positions[p].zone == "stage"]
    return any(context.responses.has(name, p) for name in outputs for p in here)


def _stage_names(context: Context) -> str:
    """The stage positions that were measured."""
    return ", ".join(p for p in context.responses.positions if context.sound_check.positions[p].zone == "stage")


def _decision(stage: _Stage, state: Sequence[Change], k: int) -> Decision:
    """Decision on group k, the others as in `state`."""
    context, group = stage.context, stage.groups[k]
    members = context.members(group)
    cost, cost_std = stage.gain(state, stage.with_change(state, k, (-state[k][0], state[k][1])))
    polarity = above(cost, cost_std)
    wired = _wiring_words(context, group, state[k])
    if state[k] == UNCHANGED:
        confidence, reason = above(RIGHT_DB + cost, cost_std), _keep_reason(cost) + wired
        grounds = partial(_grounds, stage, state, k, RIGHT_DB + cost, cost_std)
        return Decision(group, UNCHANGED, "keep", confidence, polarity, cost, "", reason, grounds=grounds)
    gain, std = stage.gain(state, stage.with_change(state, k, UNCHANGED))
    confidence = above(gain + RIGHT_DB, std)
    grounds = partial(_grounds, stage, state, k, gain + RIGHT_DB, std)
    if min(confidence, polarity) < DECIDED:
        reason = (
            f"In doubt: {gain:.1f} dB on stage either way. Record {group[0]} on stage again, alone and louder, to "
            "settle it."
        )
        words = f"candidate {setting_words(members, state[k])}"
        least = min(confidence, polarity)
        if polarity < confidence:
            grounds = partial(_grounds, stage, state, k, cost, cost_std)
        return Decision(group, state[k], "undecided", least, polarity, cost, words, reason, grounds=grounds)
    reason = f"{'Turned over' if state[k][0] < 0 else 'Moved'} it adds {gain:.1f} dB to the low end on stage."
    alternative = f"the present setting costs {gain:.1f} dB on stage"
    reason += wired
    return Decision(group, state[k], "change", confidence, polarity, cost, alternative, reason, grounds=grounds)


def _undone(stage: _Stage, best: Sequence[Change], state: Sequence[Change], k: int) -> Decision:
    """Decision on group k, whose change is good for the stage as long as another monitor is wired wrongly."""
    context, group, option = stage.context, stage.groups[k], stage.with_change(state, k, best[k])
    gain, (loss, std) = stage.gain(option, state)[0], stage.loss_once_mended(option, state)
    wired = _to_be_mended(context)
    names = f"{' and '.join(wired)} {'is' if len(wired) == 1 else 'are'}"
    words = setting_words(context.members(group), option[k])
    confidence = min(above(loss, std), *(context.signs.confidence[name] for name in wired))
    grounds = partial(_grounds, stage.mended or stage, state, k, loss, std)
    would = f"{words} would add {gain:.1f} dB of low end on stage, and take {loss:.1f} dB once {names} mended."
    then = " Mend that first, then measure again."
    held = Decision(group, UNCHANGED, "keep", confidence, confidence, -gain, f"{words}, as long as {names} not mended")
    return _held_back(replace(held, grounds=grounds), option[k], words, would, (then, then))


def _held_back(held: Decision, change: Change, words: str, would: str, then: tuple[str, str]) -> Decision:
    """A change that would do good here and harm there: not made where that is sure, else left open.

    words : the setting it is; would : what it would do; then : what to do about it where it is in doubt, and where not
    """
    if held.confidence < DECIDED:
        in_doubt = f"In doubt: {would}{then[0]}"
        return replace(held, candidate=change, decision="undecided", alternative=f"candidate {words}", reason=in_doubt)
    return replace(held, reason=f"Keep it: {would}{then[1]}")


def _wiring_words(context: Context, group: Group, change: Change) -> str:
    """What a wrong wiring means beside a change of the setting; empty where it is not known to be wrong."""
    wired = _wired_inverted(context, group)
    if not wired:
        return ""
    if change[0] < 0:
        return " It is wired inverted: mending that does the same."
    if context.sound_check.set_inverted.issuperset(wired):
        return " Described as set inverted, it sounds normal: if it was, mend its wiring and set normal."
    if all(context.sound_check.outputs[name].setting.sign < 0 for name in wired):
        return " It is wired inverted and its setting makes up for that: once it is mended, set normal."
    return " Yet it is wired inverted: mend that, then measure again."


def _grounds(stage: _Stage, state: Sequence[Change], k: int, margin_db: float, std_db: float) -> SumGrounds:
    """What the confidence in group k's setting was made of; margin_db, std_db : those it was drawn from."""
    context, group = stage.context, stage.groups[k]
    mask, mover = context.stage.own(context.heard(group)), allowed(context.members(group))
    judged = Judged(stage.landscape, stage.replicates, tuple(state), k, mover, 0.0, mask)
    turned = (-state[k][0], state[k][1])
    return margin_grounds(judged, context.responses.positions, turned, margin_db, std_db, BEST)


def _price_grounds(
    stage: _Stage, option: Sequence[Change], state: Sequence[Change], k: int, margin_db: float, std_db: float
) -> SumGrounds:
    """What the confidence was made of that the change of group k in `option` takes something from the audience."""
    context, mover = stage.context, allowed(stage.context.members(stage.groups[k]))
    everywhere = np.ones(len(context.audience), dtype=bool)
    judged = Judged(stage.audience, stage.audience_replicates, tuple(state), k, mover, 0.0, everywhere)
    return margin_grounds(judged, context.responses.positions, option[k], margin_db, std_db, SPARES)


def _paid_for(stage: _Stage, option: Sequence[Change], state: Sequence[Change], k: int) -> Decision:
    """Decision on group k, whose change in `option` would do the stage good and the audience harm."""
    context, group = stage.context, stage.groups[k]
    members = context.members(group)
    (gain, _), (loss, std) = stage.gain(option, state), stage.loss(option, state)
    confidence = above(loss - _MOST_LOSS_DB, std)
    grounds = partial(_price_grounds, stage, option, state, k, loss - _MOST_LOSS_DB, std)
    words = setting_words(members, option[k])
    would = f"{words} would add {gain:.1f} dB of low end on stage and take {loss:.1f} dB from the sum in the audience."
    wired = " It is wired inverted: mending that does the same, so listen at the seats when you do."
    wired = wired if _wired_inverted(context, group) and option[k][0] < 0 else ""
    again = f" Record {group[0]} at the seats again, alone and louder, to settle it."
    held = Decision(group, UNCHANGED, "keep", confidence, confidence, -gain, f"{words}, if the stage comes first")
    return _held_back(replace(held, grounds=grounds), option[k], words, would, (again, wired))


def _wired_inverted(context: Context, group: Group) -> list[str]:
    """Outputs whose chain is inverted, their settings aside."""
    return [name for name in group if context.signs.output_sign.get(name, 0) < 0]


def _keep_reason(cost: float) -> str:
    """Why it is left as it is, with what the other polarity would do on stage."""
    if cost > 0.05:
        return f"Keep it: the other polarity would cost {cost:.1f} dB of low end on stage."
    return f"Keep it: the other polarity would add only {max(0.0, -cost):.1f} dB on stage, which is in doubt."


def monitor_trick(context: Context, group: Group, fixed: Mapping[str, Change]) -> MonitorTrick | None:
    """What turning this monitor over would take from the low end on stage, and what a fader move leaves of it."""
    heard = context.heard(group)
    if not heard or not len(context.stage) or not context.stage.own(heard).any():
        return None
    mask = context.stage.own(heard)
    h = context.changed(fixed)

    def level_db(sign: float, fader_db: float) -> float:
        moved = h.copy()
        moved[heard] *= sign * float(db_to_amplitude(fader_db))
        energy = cell_energy(np.abs(moved.sum(axis=0)) ** 2, context.stage)
        return float(mean_score(energy_db(np.maximum(energy, 1e-30)), context.stage, mask))

    thinner = level_db(-1.0, 0.0) - level_db(1.0, 0.0)
    after = max(level_db(-1.0, f) - level_db(1.0, f) for f in (_FADER_DB, -_FADER_DB))
    turned = h.copy()
    turned[heard] *= -1.0
    audience = math.nan
    if len(context.audience):
        change = efficiency_db(turned, context.audience) - efficiency_db(h, context.audience)
        audience = float(mean_score(change, context.audience))
    return MonitorTrick(group[0], thinner, after, audience)
