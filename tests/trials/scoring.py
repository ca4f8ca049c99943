"""An analysis held against the truth of its case: one row for everything that was decided or measured.

A row holds family, case, what (setting, polarity, wiring, arrival, chain, finding), where, kind (full-range or sub),
decision, claim (a probability, NaN where none was made), is_right (NaN where it cannot be), value and its unit by name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyze.alignment.rows import Recommendation
from analyze.pipeline import Analysis
from tests.trials.cases import Case
from tests.trials.truth import RIGHT_DB, Settings, Truth, alignment_error_ms, present, truth_of

#: Two polarities this close, dB, are both right; a fill within this of what was asked, ms, is right.
_TIE_DB, _FILL_RIGHT_MS = 0.05, 0.3
#: Findings that name something wrong with the sound check; the others are about how it was recorded.
_ACCUSATIONS = ("output wired inverted", "setting changed", "unequal feeds", "recorder jump", "level moved", "limiter")
_ACCUSATIONS += ("automatic gain", "mains hum", "seats alike", "captures disagree", "noise over the take")


@dataclass(frozen=True)
class Row:
    family: str
    case: int
    what: str
    where: str
    kind: str
    decision: str
    claim: float
    is_right: float
    value: float = math.nan
    other: float = math.nan


def score(case: Case, analysis: Analysis) -> list[Row]:
    """All rows of one case."""
    rows = [*_settings(case, analysis), *_fills(case, analysis), *_wiring(case, analysis), *_arrivals(case, analysis)]
    return [*rows, *_chains(case, analysis), *_accusations(case, analysis)]


def recommended(case: Case, analysis: Analysis) -> Settings:
    """The settings of all outputs after the recommendation."""
    by_name = {r.output: r for r in analysis.recommendations}
    signs = [1.0 if by_name[o.name].recommended_polarity == "normal" else -1.0 for o in case.outputs]
    return Settings(np.array(signs), np.array([by_name[o.name].recommended_delay_ms / 1000.0 for o in case.outputs]))


def _row(
    case: Case, what: str, where: str, kind: str, decision: str, claim: float, is_right: float, **more: float
) -> Row:
    return Row(case.family, case.number, what, where, kind, decision, claim, float(is_right), **more)


def _settings(case: Case, analysis: Analysis) -> list[Row]:
    """The subs' setting: value is the regret in dB, other what leaving it alone would give away."""
    after, before = recommended(case, analysis), present(case)
    truth = truth_of(case, after)
    subs = [r for r in analysis.recommendations if r.kind == "sub"]
    if truth is None or not subs:
        return []
    row, left = subs[0], after.with_group(truth.subs, before.signs[truth.subs[0]], before.delays_s[truth.subs[0]])
    is_right = setting_is_right(truth, after)
    is_polarity = after.signs[truth.subs[0]] == truth.best_sign or truth.polarity_lead_db < _TIE_DB
    decided = row.decision in ("keep", "change")
    claim, polarity = (row.confidence, row.polarity_confidence) if decided else (math.nan, math.nan)
    gain_db = truth.gain_db(left, after)
    rows = [
        _row(case, "setting", row.output, "sub", row.decision, claim, is_right,
             value=truth.regret_db(after), other=truth.regret_db(left)),
        _row(case, "polarity", row.output, "sub", row.decision, polarity, is_polarity, value=truth.polarity_lead_db),
    ]  # fmt: skip
    if row.decision == "change":
        rows.append(
            _row(case, "gain", row.output, "sub", row.decision, math.nan, math.nan, value=abs(row.gain_db - gain_db))
        )
    return rows


def setting_is_right(truth: Truth, settings: Settings) -> bool:
    """As the contract defines it: within 0.5 dB in its own cells, or the best polarity and near enough in time."""
    sub = truth.subs[0]
    is_near = abs(settings.delays_s[sub] - truth.best_delay_s) <= truth.near_s()
    near = is_near and settings.signs[sub] == truth.best_sign
    return bool(near or truth.own_regret_db(settings) <= RIGHT_DB)


def _fills(case: Case, analysis: Analysis) -> list[Row]:
    """Fills and towers: value is how far they are from arriving as asked after the recommendation, ms."""
    rows, after = [], recommended(case, analysis)
    for r in analysis.recommendations:
        if r.kind not in ("fill", "tower"):
            continue
        i = _index(case, r)
        error_ms = alignment_error_ms(case, i, after.delays_s[i])
        leading = after.signs[[0, i]] * np.array([case.outputs[k].wiring for k in (0, i)])
        is_right = error_ms <= _FILL_RIGHT_MS and leading[0] == leading[1]
        claim = r.confidence if r.decision in ("keep", "change") else math.nan
        rows.append(_row(case, "fill", r.output, "full-range", r.decision, claim, is_right, value=error_ms))
    return rows


def _index(case: Case, r: Recommendation) -> int:
    return [o.name for o in case.outputs].index(r.output)


def _wiring(case: Case, analysis: Analysis) -> list[Row]:
    """Wiring of every output, and the polarity that single rows of arrivals show."""
    rows = []
    truth = {o.name: o for o in case.outputs}
    for w in analysis.wiring:
        kind = "sub" if truth[w.output].kind == "sub" else "full-range"
        is_right = (w.polarity == "normal") == (truth[w.output].wiring > 0)
        claim = w.confidence if w.polarity != "undecided" else math.nan
        rows.append(_row(case, "wiring", w.output, kind, w.polarity, claim, is_right))
    chains = {p.name: p.chain for p in case.positions}
    turned_in = {c.name: c.turned for c in case.captures}
    for a in analysis.arrivals:
        if a.own_polarity == "undecided":
            continue
        output = truth[a.output]
        turned = -1.0 if a.output in turned_in.get(a.capture, ()) else 1.0
        true = output.wiring * output.sign * turned * chains[a.position]
        kind = "sub" if output.kind == "sub" else "full-range"
        is_right = (a.own_polarity == "normal") == (true > 0)
        where = f"{a.output} at {a.position}"
        rows.append(_row(case, "own polarity", where, kind, a.own_polarity, a.own_confidence, is_right))
    return rows


def _arrivals(case: Case, analysis: Analysis) -> list[Row]:
    """Arrivals: value is the error without its sign, ms; on a recorder of its own re the reference's; other the std."""
    outputs, positions = [o.name for o in case.outputs], [p.name for p in case.positions]
    clocked = {c.name: set(c.own_clock) for c in case.captures}
    errors = {
        (a.capture, a.output, a.position): a.arrival_ms
        - 1000.0 * case.arrival_s[outputs.index(a.output), positions.index(a.position)]
        for a in analysis.arrivals
    }
    rows = []
    for a in analysis.arrivals:
        error = errors[a.capture, a.output, a.position]
        if a.position in clocked.get(a.capture, ()):
            if a.output == outputs[0]:
                continue
            error -= errors.get((a.capture, outputs[0], a.position), math.nan)
        if not math.isfinite(error):
            continue
        kind = "sub" if case.outputs[outputs.index(a.output)].kind == "sub" else "full-range"
        where = f"{a.output} at {a.position}"
        rows.append(
            _row(case, "arrival", where, kind, "", math.nan, math.nan, value=abs(error), other=a.arrival_std_ms)
        )
    return rows


def _chains(case: Case, analysis: Analysis) -> list[Row]:
    """Microphone chains that are inverted, or are said to be."""
    said = {f.track: f.value for f in analysis.findings if f.finding == "microphone chain inverted"}
    rows = []
    for position in case.positions:
        named = position.name in said
        if named or position.chain < 0:
            decision = "inverted" if named else "not named"
            claim = said.get(position.name, math.nan)
            rows.append(_row(case, "chain", position.name, "", decision, claim, named == (position.chain < 0)))
    return rows


def _accusations(case: Case, analysis: Analysis) -> list[Row]:
    """Findings that name something which is not so."""
    wired = {o.name: o.wiring for o in case.outputs}
    rows = []
    for f in analysis.findings:
        if f.severity == "note" or not f.finding.startswith(_ACCUSATIONS):
            continue
        is_so = f.finding == "output wired inverted" and wired[f.track] < 0
        is_so = is_so or (f.finding == "noise over the take" and "talk" in case.traps)
        if not is_so:
            rows.append(_row(case, "false finding", f"{f.finding}: {f.track}", "", f.finding, math.nan, 0.0))
    return rows
