"""An analysis held against the truth of its case: settings of subs, mains, fills, towers and monitors.

A group's setting is right as `reports/columns.py` declares `confidence`: with the others as recommended it has the best
polarity and a delay within a sixth of a period at the top of the overlap, or it costs 0.5 dB at most in the group's own
cells; fills and towers: polarity of the leading edge as the reference's and arrivals within 0.3 ms of what was asked; a
monitor: the other polarity is better by 0.5 dB at most in its own cells on stage, or the audience pays for it. A
polarity is right when it is the better one at its own best delay, or within 0.05 dB of it. Of a group there is one row:
it has one setting; where its members are wired against each other no setting is right, and `opposed` says what was
decided.
"""

from __future__ import annotations

import math
import re

import numpy as np

from analyze.alignment.rows import Recommendation
from analyze.pipeline import Analysis
from tests.trials.cases import Case
from tests.trials.efficiency import Settings
from tests.trials.rows import Row, kind_of, row
from tests.trials.scoring_chains import chain_rows
from tests.trials.truth import RIGHT_DB, TIE_DB, Truth, is_opposed, late_ms, stage_score_db, truth_of

_FILL_RIGHT_MS = 0.3
#: What a monitor may take from the audience, dB.
_SPARED_DB = 0.1
_CANDIDATE = re.compile(r"candidate (normal|inverted), ([0-9.]+) ms")


def score(case: Case, analysis: Analysis) -> list[Row]:
    """All rows of one case."""
    after = recommended(case, analysis)
    truth = truth_of(case)
    rows = [*_regret(truth, after), *chain_rows(case, analysis)]
    by_name = {r.output: r for r in analysis.recommendations}
    for group in case.groups[1:]:
        r = by_name[case.outputs[group[0]].name]
        if is_opposed(case, group):
            rows.append(row(case, "opposed", r.output, kind_of(case, r.output), r.decision, claim=r.confidence))
            continue
        make = {"fill": _fill, "tower": _fill, "monitor": _monitor}.get(r.kind, _setting)
        rows += make(truth, group, r, after)
    return rows


def recommended(case: Case, analysis: Analysis) -> Settings:
    """The settings of all outputs as recommended."""
    by_name = {r.output: r for r in analysis.recommendations}
    signs = [1.0 if by_name[o.name].recommended_polarity == "normal" else -1.0 for o in case.outputs]
    return Settings(np.array(signs), np.array([by_name[o.name].recommended_delay_ms / 1000.0 for o in case.outputs]))


def _regret(truth: Truth, after: Settings) -> list[Row]:
    """What the recommended settings of mains and subs give away, jointly; other: leaving them alone."""
    if not truth.sums.cells.any() or not truth.movable:
        return []
    left = truth.left(after)
    best_db = truth.sums.score_db(truth.best(after, [left]))
    regret, as_is = best_db - truth.sums.score_db(after), best_db - truth.sums.score_db(left)
    is_moved = "change" if regret != as_is else "keep"
    return [row(truth.case, "regret", decision=is_moved, value=regret, other=as_is)]


def _considered(group: list[int], r: Recommendation, after: Settings) -> Settings | None:
    """The settings a confidence is about: as recommended, or with the candidate of an undecided group; None: none."""
    if r.decision != "undecided":
        return after
    found = _CANDIDATE.search(r.alternative)
    if found is None:
        return None
    first = group[0]
    sign = (1.0 if found[1] == "normal" else -1.0) * after.signs[first]
    return after.changed(group, sign, float(found[2]) / 1000.0 - after.delays_s[first])


def _evidence(r: Recommendation) -> dict[str, float]:
    return {"gain_db": r.gain_db, "cost_db": r.cost_if_wrong_db, "overlap_hz": r.overlap_high_hz}


def _setting(truth: Truth, group: list[int], r: Recommendation, after: Settings) -> list[Row]:
    """Mains and subs. Setting: value, regret in own cells; other, that of leaving it. Gain: error of the prediction."""
    case, settings = truth.case, _considered(group, r, after)
    verdict = truth.verdict(group, settings or after)
    if verdict is None:
        return []
    left = truth.verdict(group, after.with_those_of(group, truth.present()))
    is_known = settings is not None
    kind, evidence = kind_of(case, r.output), _evidence(r)
    rows = [
        row(case, "setting", r.output, kind, r.decision, claim=r.confidence,
            is_right=verdict.is_right if is_known else math.nan, value=verdict.regret_db,
            other=left.regret_db if left else math.nan, **evidence),
        row(case, "polarity", r.output, kind, r.decision, claim=r.polarity_confidence,
            is_right=verdict.is_best_polarity if is_known else math.nan, value=verdict.lead_db, **evidence),
    ]  # fmt: skip
    if r.decision == "change":
        rows.append(row(case, "gain", r.output, kind, value=abs(r.gain_db - truth.gain_db(group, after))))
    return rows


def _fill(truth: Truth, group: list[int], r: Recommendation, after: Settings) -> list[Row]:
    """Fills and towers: value is how far they are from arriving as asked, ms; other, before."""
    case, settings = truth.case, _considered(group, r, after)
    judged, first = settings or after, group[0]
    late, before_ms = (late_ms(case, group, d) for d in (judged.delays_s, truth.present().delays_s))
    error_ms = abs(late)
    leading = judged.signs[[0, first]] * np.array([case.outputs[i].wiring for i in (0, first)])
    is_polarity = leading[0] == leading[1]
    if not _is_within_reach(case, first, judged.delays_s[first] - late / 1000.0, judged.signs[0]):
        return [row(case, "fill out of reach", r.output, "full-range", r.decision, value=error_ms)]
    is_right = is_polarity and error_ms <= _FILL_RIGHT_MS
    known = 1.0 if settings is not None else math.nan
    evidence = {"gain_db": r.gain_db}
    return [
        row(case, "fill", r.output, "full-range", r.decision, claim=r.confidence, is_right=known * is_right,
            value=error_ms, other=abs(before_ms), **evidence),
        row(case, "fill polarity", r.output, "full-range", r.decision, claim=r.polarity_confidence,
            is_right=known * is_polarity, **evidence),
    ]  # fmt: skip


def _is_within_reach(case: Case, i: int, delay_s: float, reference_sign: float) -> bool:
    """Whether output i's device offers about this delay, and the polarity that makes leading edges agree."""
    output = case.outputs[i]
    sign = reference_sign * case.outputs[0].wiring * output.wiring
    is_delay = 0.0 <= delay_s <= output.device.max_delay_s
    return is_delay and (output.device.can_invert or sign == output.sign)


def _monitor(truth: Truth, group: list[int], r: Recommendation, after: Settings) -> list[Row]:
    """Monitors: value is what the other polarity would cost on stage, dB.

    One that the audience would pay for is no better one, and a change that it pays for is not right.
    """
    case, settings = truth.case, _considered(group, r, after)
    if settings is None or not math.isfinite(r.confidence) or not case.outputs[group[0]].device.can_invert:
        return []
    turned = settings.signs.copy()
    turned[group] *= -1.0
    here, other = (stage_score_db(case, group[0], signs, settings) for signs in (settings.signs, turned))
    if not math.isfinite(here):
        return []
    cost = here - other
    spared = truth.sums.score_db(settings) - truth.sums.score_db(Settings(turned, settings.delays_s))
    is_paid_for, is_harm = spared > _SPARED_DB, r.decision == "change" and spared < -RIGHT_DB
    more = {"value": cost, "cost_db": r.cost_if_wrong_db}
    return [
        row(case, "monitor", r.output, "full-range", r.decision, claim=r.confidence,
            is_right=(cost >= -RIGHT_DB or is_paid_for) and not is_harm, **more),
        row(case, "monitor polarity", r.output, "full-range", r.decision, claim=r.polarity_confidence,
            is_right=(cost >= -TIE_DB or is_paid_for) and not is_harm, **more),
    ]  # fmt: skip
