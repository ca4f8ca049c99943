"""Mains and subs: polarity and delay of all their groups jointly, so that the low end adds at the seats.

The best state comes from the global search; among states that tie with it the present setting wins, then the one
nearest to aligned arrivals, then normal polarity. What does not beat leaving things alone beyond its own uncertainty
is not recommended.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.beforehand import is_faint
from analyze.alignment.beyond_range import beyond_range_words
from analyze.alignment.confidence import (
    Spread,
    doubt_words,
    polarity_confidence,
    right_within_ms,
    settings_confidence,
    settings_limits,
    spread_of,
)
from analyze.alignment.context import Context
from analyze.alignment.decision import (
    DECIDED,
    EQUAL_DB,
    Decision,
    change_words,
    disagreement_words,
    either_words,
    faint_words,
    hidden_words,
    setting_words,
    undecided,
)
from analyze.alignment.device import rounded
from analyze.alignment.grounds import BEST, Rival, SumGrounds
from analyze.alignment.in_step import in_step
from analyze.alignment.reach import aligned_change_ms, reach
from analyze.alignment.score import UNCHANGED, Change, cell_energy
from analyze.alignment.search import STEP_MS, Landscape, Mover, Optimum, search, tops
from analyze.alignment.sum_grounds import Judged, rival, seat_margins

#: A polarity is turned where the other one, at a delay of its own, is better with this probability: not on a toss.
_TURNED = 0.65
#: Scores closer than this tie at the most.
TIE_DB = 0.03
#: A gain must exceed this many of its standard errors, and this floor, to be worth a change.
_SIGMAS, _WORTHWHILE_DB = 2.0, 0.05
#: Outputs whose relative scatter is at least this share of the largest are to be recorded again.
_AS_UNSURE = 0.5

Group = tuple[str, ...]


def decide_mains_subs(context: Context, groups: Sequence[Group], fixed: Mapping[str, Change]) -> list[Decision]:
    """Decisions on the groups of mains and subs other than the reference's; other outputs changed as in `fixed`.

    A group that turns out undecided keeps its setting, and the search is done again for the rest around it.
    """
    if not context.is_measured_together("audience"):
        reason = (
            "No two outputs were measured together at a seat in the audience: record every output alone with "
            "microphones at the same seats."
        )
        return [undecided(g, reason) for g in groups]
    open_groups = list(groups)
    decisions: dict[Group, Decision] = {}
    while open_groups:
        found = _decide(context, tuple(open_groups), fixed)
        unsure = {d.members: d for d in found if d.decision == "undecided"}
        if not unsure or len(open_groups) == 1:
            decisions.update({d.members: d for d in found})
            break
        least = min(unsure, key=lambda g: unsure[g].confidence)
        decisions[least] = unsure[least]
        open_groups.remove(least)
    return [decisions[g] for g in groups]


@dataclass(frozen=True)
class _Joint:
    """The joint problem: open groups with their ranges, the score, and the score of every replicate."""

    context: Context
    groups: Sequence[Group]
    movers: list[Mover]
    landscape: Landscape
    replicates: list[Landscape]

    def gain(self, state: Sequence[Change], k: int, mask: NDArray[np.bool_] | None = None) -> float:
        """Score of `state` minus the score with group k left alone."""
        return self.landscape.score(state, mask) - self.landscape.score(_without(state, k), mask)

    def difference_std(self, a: Sequence[Change], b: Sequence[Change]) -> float:
        """Standard deviation over replicates of the score difference of two states."""
        if list(a) == list(b) or not self.replicates:
            return 0.0
        return float(np.std([r.score(a) - r.score(b) for r in self.replicates]))

    def shortfall_std(self, state: Sequence[Change], k: int, grid_ms: NDArray[np.float64]) -> NDArray[np.float64]:
        """Standard deviation over replicates of what group k at other delays falls short of `state`, (sign, delay)."""
        if not self.replicates:
            return np.zeros((2, len(grid_ms)))
        return np.asarray(np.std([r.score(state) - r.scan(state, k, grid_ms) for r in self.replicates], axis=0))


def _without(state: Sequence[Change], k: int) -> list[Change]:
    """The state with group k left alone."""
    return [UNCHANGED if j == k else change for j, change in enumerate(state)]


def _decide(context: Context, groups: Sequence[Group], fixed: Mapping[str, Change]) -> list[Decision]:
    """Decisions on the open groups; a polarity is turned only where the other one is surely better."""
    joint = _Joint(
        context,
        groups,
        [reach(context, g) for g in groups],
        context.landscape(groups, fixed, context.audience),
        [context.landscape(groups, fixed, context.audience, r) for r in range(len(context.replicates))],
    )
    state = _settled(joint)
    doubtful = [k for k, (sign, _) in enumerate(state) if sign < 0 and _turn_is_doubtful(joint, state, k)]
    if doubtful:
        kept = [replace(m, signs=(1.0,)) if k in doubtful else m for k, m in enumerate(joint.movers)]
        state = _settled(replace(joint, movers=kept))
    return [_decision(joint, state, k) for k in range(len(groups))]


def _settled(joint: _Joint) -> list[Change]:
    """The best state, or one as good and more in step, as it is set: that may leave nothing less sure to be set."""
    best = search(joint.landscape, joint.movers)
    state, stepped = _as_set(joint, best), list(best.state)
    for k, (group, mover) in enumerate(zip(joint.groups, joint.movers, strict=True)):
        stepped[k] = in_step(joint.context, group, mover, joint.landscape, stepped, k)
    if stepped == list(best.state):
        return state
    other = _as_set(joint, Optimum(tuple(stepped), joint.landscape.score(stepped)))
    keeps_sure = (_is_sure(joint, other, k) or not _is_sure(joint, state, k) for k in range(len(state)))
    return other if all(keeps_sure) else state


def _is_sure(joint: _Joint, state: Sequence[Change], k: int) -> bool:
    """Whether group k is decided in a state."""
    return settings_confidence(_spread(joint, state, k)) >= DECIDED


def _as_set(joint: _Joint, best: Optimum) -> list[Change]:
    """A state with ties resolved, on the devices' steps, without what is not worth a change."""
    state = _ties_settled(joint, best)
    groups = [joint.context.members(g) for g in joint.groups]
    return _worthwhile(joint, [rounded(g, c) for g, c in zip(groups, state, strict=True)])


def _turn_is_doubtful(joint: _Joint, state: Sequence[Change], k: int) -> bool:
    """Whether the other polarity of group k, at a delay of its own, may be as good as the one in `state`."""
    return polarity_confidence(_spread(joint, state, k)) < _TURNED


def _spread(joint: _Joint, state: Sequence[Change], k: int) -> Spread:
    """What group k's setting costs and gains over replicates, in its own cells."""
    group, mover = joint.groups[k], joint.movers[k]
    mask = joint.context.audience.own(joint.context.heard(group))
    near_ms = _near_ms(joint.context, group)
    spread = spread_of(joint.replicates, state, k, mover.grid_ms(), mover.signs, near_ms, mask)
    shares = joint.context.heard_share(group), joint.context.measured_share(group)
    return replace(spread, heard_share=shares[0], measured_share=shares[1])


def _ties_settled(joint: _Joint, best: Optimum) -> list[Change]:
    """The best state with every tie resolved: first all groups left alone, then group after group."""
    state: list[Change] = list(best.state)
    present: list[Change] = [UNCHANGED] * len(state)
    if best.score_db - joint.landscape.score(present) <= min(TIE_DB, joint.difference_std(state, present)):
        return present
    for k, mover in enumerate(joint.movers):
        if joint.gain(state, k) <= min(TIE_DB, joint.difference_std(state, _without(state, k))):
            state = _without(state, k)
            continue
        near = np.clip(state[k][1] + np.arange(-60, 61) * 0.02, mover.low_ms, mover.high_ms)
        grid = np.unique(np.concatenate([mover.grid_ms(), near]))
        short_db = joint.landscape.score(state) - joint.landscape.scan(state, k, grid)
        tie_db = np.minimum(TIE_DB, joint.shortfall_std(state, k, grid))
        aligned = aligned_change_ms(joint.context, joint.groups[k])
        wanted = aligned if math.isfinite(aligned) else state[k][1]
        tied = [
            (abs(float(d) - wanted), -sign, (sign, float(d)))
            for row, sign in enumerate((1.0, -1.0))
            if sign in mover.signs
            for d in grid[short_db[row] <= tie_db[row]]
        ]
        if tied:
            state[k] = min(tied)[2]
    return state


def _worthwhile(joint: _Joint, state: list[Change]) -> list[Change]:
    """The state without changes that do not surely beat leaving it alone, or gain nothing where outputs meet.

    Where a polarity is turned, so is the delay judged beside it: one that adds nothing to that stays as it is set.
    """
    audience = joint.context.audience
    for k, group in enumerate(joint.groups):
        if state[k] != UNCHANGED:
            mask = audience.own(joint.context.heard(group))
            gains_there = not mask.any() or joint.gain(state, k, mask) > 0.0
            turned = [*state[:k], (state[k][0], 0.0), *state[k + 1 :]]
            if not (gains_there and _is_better(joint, state, _without(state, k))):
                state = _without(state, k)
            elif not _is_better(joint, state, turned):
                state = turned
    return state


def _is_better(joint: _Joint, state: list[Change], other: list[Change]) -> bool:
    """Whether a state beats another one surely, and by what is worth a change."""
    gain = joint.landscape.score(state) - joint.landscape.score(other)
    return gain > max(_SIGMAS * joint.difference_std(state, other), _WORTHWHILE_DB)


def _decision(joint: _Joint, state: Sequence[Change], k: int) -> Decision:
    """Decision on group k, the others as in `state`."""
    context, group = joint.context, joint.groups[k]
    mask = context.audience.own(context.heard(group))
    if not mask.any():
        faint = [n for n in (group[0], context.sound_check.reference) if is_faint(context, (n,), "audience")]
        if faint:
            return undecided(group, faint_words(faint[0]))
        if context.heard_share(group) < 1.0:
            return undecided(group, hidden_words(group[0], context.sound_check.reference))
        reason = "Meets no other output in the low bands at any seat: its polarity and delay do not matter there."
        return Decision(group, UNCHANGED, "keep", math.nan, math.nan, reason=reason)
    spread = _spread(joint, state, k)
    confidence = settings_confidence(spread)
    decision = "undecided" if confidence < DECIDED else "keep" if state[k] == UNCHANGED else "change"
    cost, other = _other_polarity(joint, state, k, mask)
    others = [o for name, o in context.sound_check.outputs.items() if name not in group]
    beyond = beyond_range_words(_judged(joint, state, k, mask), context.members(group), others)
    alternative = beyond or _runner_up(joint, state, k, mask, cost, other)
    gain = joint.gain(state, k, mask)
    if decision == "undecided":
        candidate = _candidate_words(joint, state, k, mask)
        alternative = f"{candidate}; {alternative}" if alternative else candidate
    reason = _reason(joint, state, k, decision, gain, spread)
    if decision != "undecided":
        reason += either_words(cost)
    return Decision(
        group,
        state[k],
        decision,
        confidence,
        polarity_confidence(spread) if len(joint.movers[k].signs) > 1 else math.nan,  # of no choice there is no doubt
        cost,
        alternative,
        reason,
        grounds=partial(_grounds, joint, state, k, spread),
    )


def _judged(joint: _Joint, state: Sequence[Change], k: int, mask: NDArray[np.bool_]) -> Judged:
    """Group k's setting as it is judged, in its own cells."""
    near_ms = _near_ms(joint.context, joint.groups[k])
    return Judged(joint.landscape, joint.replicates, tuple(state), k, joint.movers[k], near_ms, mask)


def _grounds(joint: _Joint, state: Sequence[Change], k: int, spread: Spread) -> SumGrounds:
    """What the confidence in group k's setting was made of."""
    context, group = joint.context, joint.groups[k]
    mask = context.audience.own(context.heard(group))
    judged = _judged(joint, state, k, mask)
    cost, other = _other_polarity(joint, state, k, mask)
    polarity = rival(judged, other) if math.isfinite(cost) else None
    next_best = _next_best(joint, state, k, mask, cost, other)
    runner_up = rival(judged, next_best[1]) if next_best else None
    present = Rival(UNCHANGED, joint.gain(state, k, mask), spread.gain_std_db) if state[k] != UNCHANGED else None
    return SumGrounds(
        change=state[k],
        claim=BEST,
        limits=settings_limits(spread),
        scatter_db=float(np.std(spread.regret_db)),
        shortfall_db=float(np.mean(spread.regret_db)),
        model_db=spread.model_db,
        heard_share=spread.heard_share,
        measured_share=spread.measured_share,
        other_polarity=polarity,
        runner_up=runner_up,
        present=present,
        seats=seat_margins(judged, context.responses.positions, polarity, runner_up),
        contradicted=tuple(n for n in group if n in context.contradicted),
    )


def _candidate_words(joint: _Joint, state: Sequence[Change], k: int, mask: NDArray[np.bool_]) -> str:
    """What group k would be set to were it sure: its change, or the best one found where it is left alone."""
    members, mover = joint.context.members(joint.groups[k]), joint.movers[k]
    change = state[k]
    if change == UNCHANGED:
        grid = mover.grid_ms()
        scores = joint.landscape.scan(state, k, grid, mask)[: len(mover.signs)]
        row, j = np.unravel_index(int(np.argmax(scores)), scores.shape)
        change = rounded(members, ((1.0, -1.0)[row], float(grid[j])))
    moved = [change if i == k else c for i, c in enumerate(state)]
    return f"candidate {setting_words(members, change)}, {joint.gain(moved, k, mask):+.1f} dB"


def _near_ms(context: Context, group: Group) -> float:
    return right_within_ms(context.overlap_hz(name, group)[1] for name in group)


def _other_polarity(joint: _Joint, state: Sequence[Change], k: int, mask: NDArray[np.bool_]) -> tuple[float, Change]:
    """What the other polarity at its own best delay would cost in the group's own cells, and which change that is."""
    if len(joint.movers[k].signs) < 2:
        return math.nan, UNCHANGED
    sign, _ = state[k]
    grid = joint.movers[k].grid_ms()
    row = joint.landscape.scan(state, k, grid, mask)[1 if sign > 0 else 0]
    j = int(np.argmax(row))
    return joint.landscape.score(state, mask) - float(row[j]), (-sign, float(grid[j]))


def _runner_up(
    joint: _Joint, state: Sequence[Change], k: int, mask: NDArray[np.bool_], cost: float, other: Change
) -> str:
    """The next-best setting in words, and what it would cost."""
    found = _next_best(joint, state, k, mask, cost, other)
    if found is None:
        return ""
    loss, change = found
    members = joint.context.members(joint.groups[k])
    verb = f"costs {loss:.1f} dB" if loss > EQUAL_DB else "is as good"
    return f"{setting_words(members, rounded(members, change))} {verb}"


def _next_best(
    joint: _Joint, state: Sequence[Change], k: int, mask: NDArray[np.bool_], cost: float, other: Change
) -> tuple[float, Change] | None:
    """What the next-best setting costs, the other polarity or another period of the same one, and which it is."""
    sign, delay_ms = state[k]
    grid = joint.movers[k].grid_ms()
    far = np.abs(grid - delay_ms) > 2.0 * max(_near_ms(joint.context, joint.groups[k]), STEP_MS)
    row = joint.landscape.scan(state, k, grid, mask)[0 if sign > 0 else 1]
    options = [(cost, other)] if math.isfinite(cost) else []
    others = far & tops(row)  # further down the same hump is no other setting
    if others.any():
        j = int(np.flatnonzero(others)[np.argmax(row[others])])
        options.append((joint.landscape.score(state, mask) - float(row[j]), (sign, float(grid[j]))))
    return min(options) if options else None


def _least_known(joint: _Joint, k: int) -> str:
    """Which of the outputs that meet in group k's own cells to record again: those whose replicates scatter most."""
    cells = joint.context.audience
    mask = cells.own(joint.context.heard(joint.groups[k]))
    scatter = np.var(joint.context.replicates, axis=0)  # (output, position, line)
    energy = np.mean(np.abs(joint.context.replicates) ** 2, axis=0)
    share = np.zeros(len(scatter))
    for i in np.flatnonzero(cells.meets[mask].any(axis=0)):
        inside = mask & cells.meets[:, i]
        share[i] = cell_energy(scatter[i], cells)[inside].sum() / cell_energy(energy[i], cells)[inside].sum()
    names = [joint.context.responses.outputs[i] for i in np.flatnonzero(share >= _AS_UNSURE * share.max())]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]} each"


def _reason(joint: _Joint, state: Sequence[Change], k: int, decision: str, gain: float, spread: Spread) -> str:
    """One plain sentence."""
    if decision == "undecided":
        contradicted = [n for n in joint.groups[k] if n in joint.context.contradicted]
        if contradicted:
            return disagreement_words(contradicted)
        doubt = doubt_words(spread, gain if state[k] != UNCHANGED else math.nan)
        return f"{doubt}: record {_least_known(joint, k)} alone again, louder or longer, with noise or a sweep."
    if decision == "change":
        return f"Set it {change_words(state[k])}: {gain:.1f} dB more where it overlaps with others."
    best = search(joint.landscape, joint.movers).score_db - joint.landscape.score(state)
    if best > TIE_DB:
        return f"Keep it: the best other setting would add only {best:.2f} dB, less than can be told for sure."
    return "Keep it: no other setting adds more."
