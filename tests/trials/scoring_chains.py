"""An analysis held against the truth of its case: signs of chains, arrivals, and findings that are not so.

Wiring is the sign from feed to air without the setting; `polarity` of an arrival has the setting in it, and its
`own_polarity` the microphone chain too. What is undecided counts as right when the likelier sign named in words is.
"""

from __future__ import annotations

import math

from analyze.pipeline import Analysis
from analyze.responses.rows import Arrival, Wiring
from tests.trials.cases import Case
from tests.trials.rows import Row, kind_of, row

#: Under this signal to noise, dB, a microphone may well be called noisy or miss an output.
_NOISY_DB = 30.0


def chain_rows(case: Case, analysis: Analysis) -> list[Row]:
    """All rows about chains, arrivals and findings."""
    return [*_wiring(case, analysis), *_polarities(case, analysis), *_chains(case, analysis),
            *_arrivals(case, analysis), *_false_findings(case, analysis)]  # fmt: skip


def _wiring(case: Case, analysis: Analysis) -> list[Row]:
    rows = []
    for w in analysis.wiring:
        is_right = _likelier_is_normal(w) == (case.outputs[case.output(w.output)].wiring > 0)
        known = 1.0 if w.polarity != "undecided" or "Likelier" in w.reason else math.nan
        more = {"claim": w.confidence, "n": w.positions, "n_agreeing": w.positions_agreeing}
        where, kind = w.output, kind_of(case, w.output)
        rows.append(row(case, "wiring", where, kind, w.polarity, is_right=known * is_right, **more))
    return rows


def _likelier_is_normal(w: Wiring) -> bool:
    return w.polarity == "normal" or (w.polarity == "undecided" and "Likelier normal" in w.reason)


def _polarities(case: Case, analysis: Analysis) -> list[Row]:
    """Polarity per output of all its rows of arrivals; own polarity of every row that decides on one."""
    rows = []
    of_output: dict[str, list[tuple[bool, float]]] = {}
    for a in analysis.arrivals:
        output = case.outputs[case.output(a.output)]
        sign = output.wiring * output.sign * _turned(case, a)
        if a.polarity != "undecided":
            claim = (_is(a.polarity, sign), a.polarity_confidence)
            of_output.setdefault(a.output, []).append(claim)
        if a.own_polarity != "undecided":
            is_right = _is(a.own_polarity, sign * case.positions[case.position(a.position)].chain)
            more = {"claim": a.own_confidence, "std": a.arrival_std_ms, "coherence": a.coherence,
                    "averages": a.averages}  # fmt: skip
            where = f"{a.output} at {a.position}"
            rows.append(row(case, "own polarity", where, kind_of(case, a.output), a.own_polarity,
                            is_right=is_right, **more))  # fmt: skip
    for name, claims in of_output.items():
        is_right, claim = all(right for right, _ in claims), max(c for _, c in claims)
        rows.append(row(case, "arrival polarity", name, kind_of(case, name), is_right=is_right, claim=claim))
    return rows


def _is(polarity: str, sign: float) -> bool:
    return (polarity == "normal") == (sign > 0)


def _turned(case: Case, a: Arrival) -> float:
    """-1 where the output was turned over in this capture; a joined one stands at the settings of its first."""
    takes = [take for take in case.captures if take.name == a.capture.partition(" + ")[0]]
    return -1.0 if takes and a.output in takes[0].turned else 1.0


def _chains(case: Case, analysis: Analysis) -> list[Row]:
    """Microphone chains that are inverted, or are said to be."""
    said = {f.track: f.value for f in analysis.findings if f.finding == "microphone chain inverted"}
    rows = []
    for position in case.positions:
        is_named, is_so = position.name in said, position.chain < 0
        if is_named or is_so:
            claim = said.get(position.name, math.nan)
            word = "inverted" if is_named else "not named"
            rows.append(row(case, "chain", position.name, "", word, claim=claim, is_right=is_named == is_so))
    return rows


def _arrivals(case: Case, analysis: Analysis) -> list[Row]:
    """Value: error without its sign, ms, on a recorder of its own re the reference's there; other: the stated std."""
    clocked = {take.name: take.own_clock for take in case.captures}
    errors = {}
    for a in analysis.arrivals:
        true_ms = 1000.0 * case.arrival_s[case.output(a.output), case.position(a.position)]
        errors[a.capture, a.output, a.position] = a.arrival_ms - true_ms
    rows = []
    for a in analysis.arrivals:
        error, first = errors[a.capture, a.output, a.position], case.outputs[0].name
        if a.position in clocked.get(a.capture, {}):
            if a.output == first:
                continue
            error -= errors.get((a.capture, first, a.position), math.nan)
        if math.isfinite(error):
            more = {"value": abs(error), "other": a.arrival_std_ms, "coherence": a.coherence, "averages": a.averages}
            where = f"{a.output} at {a.position}"
            rows.append(row(case, "arrival", where, kind_of(case, a.output), **more))
    return rows


def _false_findings(case: Case, analysis: Analysis) -> list[Row]:
    """Warnings and errors that nothing in the case explains; `decision` is the finding's name."""
    found = {(f.finding, f.capture, f.track) for f in analysis.findings if f.severity != "note"}
    rows = [row(case, "finding", f"{capture}: {track}", "", name, value=1.0) for name, capture, track in found]
    false = {(name, track) for name, _, track in found if not _is_explained(case, name, track)}
    return [*rows, *(row(case, "false finding", track, "", name) for name, track in sorted(false))]


def _is_explained(case: Case, name: str, track: str) -> bool:
    """Whether the case gives a reason for a finding about an output or position (or about all, `track` empty)."""
    outputs, seats = {o.name: o for o in case.outputs}, {p.name: p for p in case.positions}
    traps = {t.name for t in case.traps}
    if name == "output wired inverted":
        return outputs[track].wiring < 0
    if name == "twins wired opposite":
        return len({o.wiring for o in outputs.values() if o.group == outputs[track].group}) > 1
    if name == "microphone chain inverted":
        return seats[track].chain < 0
    if name == "every output reads inverted":
        return all(o.wiring < 0 for o in case.outputs)
    if name == "high section of opposite sign":
        return outputs[track].box.has_opposite_tweeter
    if name == "positions disagree on polarity":
        return any(p.chain < 0 for p in case.positions)
    if name == "clipping":
        return "clipping" in traps or "talk" in traps  # who talks close to a microphone overdrives it
    if name == "noise over the take":
        return "talk" in traps
    if name in ("output not heard", "little level over the noise", "silent track", "delay out of reach"):
        return any(t.endswith("output") for t in traps) or any(p.snr_db < _NOISY_DB for p in case.positions)
    if name == "quieter than its twin":
        return any(t.endswith("output") for t in traps)
    if name == "recorder clock not found":
        return case.family == "own clock"
    return name in ("feeds alike", "feeds partly alike") and case.family in ("flipped", "together", "own clock")
