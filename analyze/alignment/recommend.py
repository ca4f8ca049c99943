"""All decisions of a sound check in their order, and the rows of `recommendations.csv`.

Fills and towers first (their arrivals do not depend on the rest), then mains and subs jointly, then monitors.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.beforehand import decided_beforehand, not_measured_words
from analyze.alignment.context import Context
from analyze.alignment.decision import Decision, said_of, undecided
from analyze.alignment.device import allowed, group_changes, setting_after
from analyze.alignment.fills import decide_fill
from analyze.alignment.mains_subs import Group, decide_mains_subs
from analyze.alignment.monitors import decide_monitors
from analyze.alignment.optional import may_be_left_out
from analyze.alignment.reach import reach
from analyze.alignment.reference_group import cancelling_words, of_the_reference, turned_row
from analyze.alignment.rows import DelayScan, Recommendation
from analyze.alignment.score import UNCHANGED, Change, efficiency_db, mean_score
from analyze.description import Output

_SCAN_STEP_MS = 0.1
#: Resamples that the width of a delay scan is taken from.
_SCAN_REPLICATES = 16
_SCAN_REACH_MS = 20.0


def decide_all(context: Context) -> dict[Group, Decision]:
    """Decisions on every group, in the order of the description."""
    reference = context.sound_check.group_of(context.sound_check.reference)
    decisions: dict[Group, Decision] = {reference: of_the_reference(context, reference)}
    turned = changes_of(decisions)
    changes: dict[Group, Change] = {}
    free = [g for g in context.sound_check.groups if g != reference]
    decisions |= {g: d for g in free if (d := decided_beforehand(context, g)) is not None}
    free = [g for g in free if g not in decisions]
    name = context.sound_check.reference
    if not context.heard([name]) or name in context.blocked:
        why = context.blocked.get(name) or not_measured_words(context, [name])
        why = f"Everything is set against the reference. {why}"
        decisions |= {g: undecided(g, why) for g in free}
        return {g: decisions[g] for g in context.sound_check.groups}
    for group in (g for g in free if _kind(context, g) in ("fill", "tower")):
        decisions[group] = decide_fill(context, group)
        changes[group] = decisions[group].change
    cancels = cancelling_words(context, reference)
    if cancels:
        decisions |= {g: undecided(g, cancels) for g in free if g not in decisions}
        return {g: decisions[g] for g in context.sound_check.groups}
    joint = [g for g in free if _kind(context, g) in ("main", "sub")]
    for decision in decide_mains_subs(context, joint, turned | group_changes(changes)):
        decisions[decision.members] = decision
        changes[decision.members] = decision.change
    monitors = [g for g in free if _kind(context, g) == "monitor"]
    for decision in _monitors_either_way(context, monitors, decisions):
        decisions[decision.members] = decision
    return {g: decisions[g] for g in context.sound_check.groups}


def _monitors_either_way(
    context: Context, monitors: Sequence[Group], decisions: Mapping[Group, Decision]
) -> list[Decision]:
    """Decisions on monitors that hold whether optional changes of mains and subs are typed in or left out.

    Of two that come to the same the less sure one; where they do not, the one that leaves the monitor as it is.
    """
    all_typed, left_out = changes_of(decisions), without_optional(context, decisions)
    found = decide_monitors(context, monitors, all_typed)
    if all_typed == left_out:
        return found
    pairs = zip(found, decide_monitors(context, monitors, left_out), strict=True)
    return [typed if _is_safer(typed, left) else left for typed, left in pairs]


def _is_safer(one: Decision, other: Decision) -> bool:
    """Whether the first of two decisions leaves alone what the other changes, or is the less sure of the same."""
    if one.change != other.change:
        return one.change == UNCHANGED
    return (one.confidence, one.polarity_confidence) < (other.confidence, other.polarity_confidence)


def without_optional(context: Context, decisions: Mapping[Group, Decision]) -> dict[str, Change]:
    """What is typed in by whoever leaves optional changes out, as a change per output."""
    changes = changes_of(decisions)
    optional = {
        name
        for group, decision in decisions.items()
        if may_be_left_out(decision.decision, _kind(context, group), gain_of(context, group, changes)[0])
        for name in group
    }
    return {name: UNCHANGED if name in optional else change for name, change in changes.items()}


def changes_of(decisions: Mapping[Group, Decision]) -> dict[str, Change]:
    """What is to be typed in, as a change per output."""
    turned = {name: (-1.0, 0.0) for d in decisions.values() for name in d.turned}
    return group_changes({g: d.change for g, d in decisions.items()}) | turned


def _kind(context: Context, group: Group) -> str:
    return context.sound_check.outputs[group[0]].kind


def recommendation_rows(context: Context, decisions: Mapping[Group, Decision]) -> list[Recommendation]:
    """Rows of `recommendations.csv`, in the order of the description."""
    changes = changes_of(decisions)
    by_output = {name: d for d in decisions.values() for name in d.members}
    outputs = context.sound_check.outputs
    rows = {name: _row(context, output, by_output[name], changes) for name, output in outputs.items()}
    return [turned_row(context, row) if name in by_output[name].turned else row for name, row in rows.items()]


def _row(context: Context, output: Output, decision: Decision, changes: Mapping[str, Change]) -> Recommendation:
    sign, delay_ms = change = changes.get(output.name, UNCHANGED)
    polarity, recommended_ms = setting_after(output, change)
    alike = [name for name in decision.members if (name in decision.turned) is (output.name in decision.turned)]
    gain, worst, worst_gain = gain_of(context, alike, changes)
    low, high = context.overlap_hz(output.name, decision.members)
    first = context.sound_check.outputs[decision.members[0]]
    return Recommendation(
        output=output.name,
        kind=output.kind,
        group=output.group,
        setting_delay_ms=output.setting.delay_ms,
        setting_polarity=output.setting.polarity,
        recommended_delay_ms=recommended_ms,
        recommended_polarity=polarity,
        delay_change_ms=delay_ms,
        polarity_change="yes" if sign < 0 else "no",
        decision=decision.decision,
        confidence=decision.confidence,
        polarity_confidence=_polarity_confidence(context, output, decision),
        cost_if_wrong_db=decision.cost_if_wrong_db,
        gain_db=gain,
        worst_position=worst,
        worst_gain_db=worst_gain,
        overlap_low_hz=low,
        overlap_high_hz=high,
        alternative=said_of(decision.alternative, first, output),
        reason=said_of(_optional_reason(decision, output, gain), first, output),
    )


def _optional_reason(decision: Decision, output: Output, gain_db: float) -> str:
    """The reason of a decision, which begins otherwise where its change may as well be left out."""
    if not may_be_left_out(decision.decision, output.kind, gain_db):
        return decision.reason
    return f"Optional: {decision.reason[0].lower()}{decision.reason[1:]}"


def _polarity_confidence(context: Context, output: Output, decision: Decision) -> float:
    """How sure the polarity is; in the group of the reference how sure the wiring of each is, for none is turned."""
    if decision.decision == "reference":
        return context.signs.confidence.get(output.name, math.nan)
    return decision.polarity_confidence


def gain_of(context: Context, group: Sequence[str], changes: Mapping[str, Change]) -> tuple[float, str, float]:
    """All as recommended against this group left alone: mean over the group's own audience cells, worst seat, its gain.

    NaN and an empty name where the group has no cell in the audience; of a group that stays no seat is the worst.
    """
    cells = context.audience
    mask = cells.own(context.heard(group)) if len(cells) and context.heard(group) else np.zeros(len(cells), dtype=bool)
    if not mask.any():
        return math.nan, "", math.nan
    if all(changes.get(name, UNCHANGED) == UNCHANGED for name in group):
        return 0.0, "", math.nan
    alone = {name: c for name, c in changes.items() if name not in group}
    difference = efficiency_db(context.changed(changes), cells) - efficiency_db(context.changed(alone), cells)
    per_seat = {int(p): float(difference[mask & (cells.position == p)].mean()) for p in np.unique(cells.position[mask])}
    worst = min(per_seat, key=per_seat.__getitem__)
    return float(mean_score(difference, cells, mask)), context.responses.positions[worst], per_seat[worst]


def delay_scans(context: Context, decisions: Mapping[Group, Decision]) -> list[DelayScan]:
    """Score over delay for both polarities, per group of mains and subs that may move, the rest as recommended."""
    scans = []
    changes = changes_of(decisions)
    if not len(context.audience):
        return []
    for group, decision in decisions.items():
        members = context.members(group)
        mover = allowed(members)
        if _kind(context, group) not in ("main", "sub") or decision.decision == "reference" or not context.heard(group):
            continue
        rest = {name: c for name, c in changes.items() if name not in group}
        centre = decision.candidate[1]
        low, high = max(mover.low_ms, centre - _SCAN_REACH_MS), min(mover.high_ms, centre + _SCAN_REACH_MS)
        if high <= low:
            continue
        grid = np.linspace(low, high, max(2, round((high - low) / _SCAN_STEP_MS) + 1))
        scores = context.landscape([group], rest, context.audience).scan([UNCHANGED], 0, grid)
        std = _scan_std(context, group, rest, grid, decision.candidate)
        order = (0, 1) if members[0].setting.sign > 0 else (1, 0)
        curves = [curve[k] for curve in (scores, std) for k in order]
        at_present_ms, searched = members[0].setting.delay_ms, reach(context, group)
        searched_ms = at_present_ms + searched.low_ms, at_present_ms + searched.high_ms
        scans.append(DelayScan(group, searched_ms, at_present_ms + grid, *curves))
    return scans


def _scan_std(
    context: Context, group: Group, rest: Mapping[str, Change], grid: NDArray[np.float64], at: Change
) -> NDArray[np.float64]:
    """Standard deviation over resamples of the score re that at the change `at`; (sign kept then turned, delay)."""
    apart = []
    for r in range(min(_SCAN_REPLICATES, len(context.replicates))):
        scores = context.landscape([group], rest, context.audience, r).scan([UNCHANGED], 0, grid)
        apart.append(scores - np.interp(at[1], grid, scores[0 if at[0] > 0 else 1]))
    return np.std(apart, axis=0) if apart else np.full((2, len(grid)), np.nan)
