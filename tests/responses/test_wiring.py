"""Wiring from the evidence of many positions: outputs and microphone chains, and what cannot be told."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from analyze.findings import Finding
from analyze.responses.wiring import (
    DECIDED,
    MICROPHONE_PRIOR,
    OUTPUT_PRIOR,
    all_inverted,
    disagreeing,
    own_confidence,
    polarity_word,
    solve_signs,
    wiring_rows,
)

Evidence = dict[tuple[str, str], float]


def evidence_for(outputs: dict[str, float], positions: dict[str, float], strength: float = 8.0) -> Evidence:
    """Evidence of every output (sign) at every position (sign of its microphone chain), not quite equally strong."""
    return {
        (o, p): strength * os * ps * (1.0 + 0.1 * k)
        for k, ((o, os), (p, ps)) in enumerate(product(outputs.items(), positions.items()))
    }


def names(findings: list[Finding]) -> list[tuple[str, str]]:
    return [(f.finding, f.track) for f in findings]


def test_all_normal() -> None:
    evidence = evidence_for({"main": 1.0, "sub": 1.0}, {"a": 1.0, "b": 1.0, "c": 1.0})
    signs = solve_signs(evidence)
    assert signs.output_sign == {"main": 1, "sub": 1}
    assert signs.microphone_sign == {"a": 1, "b": 1, "c": 1}
    assert min(signs.confidence.values()) > 0.98
    rows, findings = wiring_rows(evidence, signs, {})
    assert findings == []
    assert [(r.output, r.polarity, r.positions, r.positions_agreeing) for r in rows] == [
        ("main", "normal", 3, 3),
        ("sub", "normal", 3, 3),
    ]
    assert rows[0].reason == "First arrival reads normal: 3 of 3 positions agree."


def test_an_inverted_output() -> None:
    evidence = evidence_for({"main": 1.0, "sub": -1.0}, {"a": 1.0, "b": 1.0})
    signs = solve_signs(evidence)
    assert signs.output_sign == {"main": 1, "sub": -1}
    rows, findings = wiring_rows(evidence, signs, {})
    assert [r.polarity for r in rows] == ["normal", "inverted"]
    assert names(findings) == [("output wired inverted", "sub")]
    assert findings[0].value > 0.99
    assert findings[0].detail.startswith("sub is wired inverted: its lowest driver")
    _, (described,) = wiring_rows(evidence, signs, {}, {"sub"})
    assert described.detail.startswith("sub is described as set inverted, and sounds normal. Look at the processor")
    assert findings[0].severity == "warning"
    assert "If its processor was set inverted" in findings[0].detail
    _, (behind,) = wiring_rows(evidence, signs, {}, (), {"sub"})
    assert "If its feed was recorded ahead of the processor, or came in upside down" in behind.detail
    assert "processor was set inverted" not in behind.detail


def test_a_microphone_that_reads_other_than_it_is_described() -> None:
    evidence = evidence_for({"main": 1.0, "sub": 1.0, "fill": 1.0}, {"a": 1.0, "b": 1.0, "c": -1.0})
    signs = solve_signs(evidence)
    for declared, said in (("", "or declare polarity"), ("normal", "described as normal"), ("inverted", "declared")):
        _, (found,) = wiring_rows(evidence, signs, {"c": declared})
        assert found.finding == "microphone chain inverted"
        assert said in found.detail


@pytest.mark.parametrize("inverted", ["a", "b", "c"])
def test_an_inverted_microphone(inverted: str) -> None:
    """Outputs that read inverted at one position only: that chain is inverted, the outputs are not."""
    positions = {p: -1.0 if p == inverted else 1.0 for p in "abc"}
    evidence = evidence_for({"main": 1.0, "sub": 1.0, "fill": -1.0}, positions)
    signs = solve_signs(evidence)
    assert signs.output_sign == {"main": 1, "sub": 1, "fill": -1}
    assert signs.microphone_sign == {p: int(s) for p, s in positions.items()}
    assert signs.microphone_confidence[inverted] > 0.95
    rows, findings = wiring_rows(evidence, signs, {})
    assert [r.positions_agreeing for r in rows] == [3, 3, 3]
    turned = "3 of 3 positions agree, 1 of them with a microphone that is taken for inverted."
    assert all(r.reason.endswith(turned) for r in rows)
    assert names(findings) == [("output wired inverted", "fill"), ("microphone chain inverted", inverted)]
    assert 'polarity = "inverted"' in findings[1].detail
    declared = wiring_rows(evidence, signs, {inverted: "inverted"})[1][1]
    assert "take the declaration out" in declared.detail
    assert disagreeing(evidence, signs) == []


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("n_outputs", [1, 2, 3])
def test_one_position_cannot_tell_microphone_from_output(sign: float, n_outputs: int) -> None:
    """What all outputs read there may be the microphone's: nobody is convicted, or the reason names it."""
    evidence = evidence_for({f"out {k}": sign for k in range(n_outputs)}, {"a": 1.0}, 20.0)
    rows, findings = wiring_rows(evidence, solve_signs(evidence), {})
    for row in rows:
        assert row.positions == 1
        assert row.polarity == "undecided" or "microphone" in row.reason
        if sign > 0:
            assert row.polarity == "normal"
    for finding in findings:
        assert finding.finding == "microphone chain inverted" or "microphone" in finding.detail


def test_confidence_at_one_position_keeps_room_for_the_microphone() -> None:
    """However strong the evidence, a lone reading is no surer than the prior on its microphone chain."""
    one = solve_signs({("main", "a"): -1000.0})
    five = solve_signs(evidence_for({"main": -1.0}, {p: 1.0 for p in "abcde"}, 1000.0))
    assert 0.5 < one.confidence["main"] < 0.95
    assert five.confidence["main"] > 0.99
    assert five.output_sign["main"] == -1


def test_no_more_is_claimed_than_can_be_known() -> None:
    signs = solve_signs(evidence_for({"main": 1.0, "sub": -1.0}, {p: 1.0 for p in "abcdefgh"}, 1000.0))
    assert max(signs.confidence.values()) <= 0.995
    assert max(signs.microphone_confidence.values()) <= 0.995


def test_probabilities_are_those_of_all_combinations() -> None:
    """Spelled out: every set of signs weighed by priors and evidence, evidence tempered to 0.7 and cut at 6."""
    rng = np.random.default_rng(3)
    outputs, positions = ["x", "y", "z"], ["a", "b"]
    evidence = {(o, p): float(v) for (o, p), v in zip(product(outputs, positions), rng.normal(0, 4, 6), strict=True)}
    del evidence["z", "a"]
    total = 0.0
    normal = dict.fromkeys(outputs, 0.0)
    upright = dict.fromkeys(positions, 0.0)
    for output_signs in product((1, -1), repeat=3):
        for mic_signs in product((1, -1), repeat=2):
            log_weight = OUTPUT_PRIOR / 2 * sum(output_signs) - MICROPHONE_PRIOR * sum(m < 0 for m in mic_signs)
            for (o, p), value in evidence.items():
                limited = min(6.0, max(-6.0, 0.7 * value))
                log_weight += output_signs[outputs.index(o)] * mic_signs[positions.index(p)] * limited / 2
            total += (weight := np.exp(log_weight))
            for o, s in zip(outputs, output_signs, strict=True):
                normal[o] += weight * (s > 0)
            for p, s in zip(positions, mic_signs, strict=True):
                upright[p] += weight * (s > 0)
    signs = solve_signs(evidence)
    for o in outputs:
        expected = max(normal[o], total - normal[o]) / total
        assert signs.confidence[o] == pytest.approx(min(expected, 0.995), rel=1e-9)
        assert signs.likelier[o] == (1 if normal[o] >= total / 2 else -1)
        assert signs.output_sign[o] == (signs.likelier[o] if expected >= DECIDED else 0)
    for p in positions:
        expected = max(upright[p], total - upright[p]) / total
        assert signs.microphone_confidence[p] == pytest.approx(min(expected, 0.995), rel=1e-9)


def test_weak_evidence_is_undecided() -> None:
    evidence = {("sub", "a"): -1.2, ("sub", "b"): -0.6, ("main", "a"): 9.0, ("main", "b"): 9.0}
    signs = solve_signs(evidence)
    assert signs.output_sign["sub"] == 0
    assert signs.output_sign["main"] == 1
    rows, findings = wiring_rows(evidence, signs, {})
    (sub,) = (r for r in rows if r.output == "sub")
    assert sub.polarity == "undecided"
    assert 0.5 <= sub.confidence < DECIDED
    assert "recording it with one more microphone, close to it, would settle it" in sub.reason
    assert findings == []


def test_many_weak_positions_make_a_strong_one() -> None:
    one = solve_signs({("sub", "a"): -2.0})
    many = solve_signs({("sub", p): -2.0 for p in "abcdefg"})
    assert one.output_sign["sub"] == 0
    assert many.output_sign["sub"] == -1


def test_what_was_not_heard_anywhere_says_so() -> None:
    evidence = {("sub", "a"): 0.0, ("sub", "b"): 0.0, ("main", "a"): 9.0, ("main", "b"): 9.0}
    rows, _ = wiring_rows(evidence, solve_signs(evidence), {})
    (sub,) = (r for r in rows if r.output == "sub")
    assert (sub.polarity, sub.positions) == ("undecided", 0)
    assert "presumed of any output: record it alone or, if it was, louder, with one more microphone" in sub.reason


@pytest.mark.parametrize("n", [10, 11, 14])
def test_many_microphones(n: int) -> None:
    """Over ten microphones each is weighed with the others normal: one inverted chain is found all the same."""
    positions = {f"seat {k}": -1.0 if k == 3 else 1.0 for k in range(n)}
    evidence = evidence_for({"main": 1.0, "sub": -1.0}, positions)
    signs = solve_signs(evidence)
    assert signs.output_sign == {"main": 1, "sub": -1}
    assert [p for p, s in signs.microphone_sign.items() if s < 0] == ["seat 3"]
    assert signs.microphone_confidence["seat 3"] > DECIDED
    assert names(wiring_rows(evidence, signs, {})[1]) == [
        ("output wired inverted", "sub"),
        ("microphone chain inverted", "seat 3"),
    ]


def test_positions_that_contradict_one_another_are_named() -> None:
    """An open-backed box among others: its microphone is upright, so the two readings stand against each other."""
    evidence = evidence_for({"main": 1.0, "fill": 1.0, "dipole": 1.0}, {"front": 1.0, "back": 1.0})
    evidence["dipole", "back"] = -9.0
    signs = solve_signs(evidence)
    assert signs.microphone_sign["back"] == 1
    (found,) = disagreeing(evidence, signs)
    assert (found.finding, found.severity, found.track) == ("positions disagree on polarity", "warning", "dipole")
    assert "normal at front and inverted at back" in found.detail


@pytest.mark.parametrize("strength", [6.0, 12.0])
def test_contradictions_of_a_lone_output_are_named_too(strength: float) -> None:
    """One output cannot convict a microphone chain; that its two positions disagree is said, not explained away."""
    evidence = {("dipole", "front"): strength, ("dipole", "back"): -strength}
    signs = solve_signs(evidence)
    assert signs.output_sign["dipole"] == 0
    rows, findings = wiring_rows(evidence, signs, {})
    assert findings == []
    assert rows[0].positions_agreeing == 1
    assert [f.track for f in disagreeing(evidence, signs)] == ["dipole"]


@pytest.mark.parametrize(("wiring", "is_found"), [((-1, -1), True), ((-1, 1), False), ((1, 1), False)])
def test_when_every_output_reads_inverted_the_microphones_are_named(wiring: tuple[int, int], is_found: bool) -> None:
    evidence = evidence_for(dict(zip(("main", "sub"), wiring, strict=True)), {p: 1.0 for p in "abcdef"})
    found = all_inverted(solve_signs(evidence))
    assert [f.finding for f in found] == ["every output reads inverted"] * is_found
    assert all_inverted(solve_signs(evidence_for({"main": -1.0}, {p: 1.0 for p in "abcdef"}))) == []


def test_weak_contradictions_are_none() -> None:
    evidence = evidence_for({"main": 1.0, "sub": 1.0}, {"a": 1.0, "b": 1.0, "c": 1.0})
    evidence["sub", "b"] = -3.0
    assert disagreeing(evidence, solve_signs(evidence)) == []


def test_the_order_of_rows_changes_nothing() -> None:
    rng = np.random.default_rng(5)
    evidence = {(o, p): float(rng.normal(1, 3)) for o in "xyz" for p in "abc"}
    turned = dict(reversed(evidence.items()))
    one, other = solve_signs(evidence), solve_signs(turned)
    assert one.confidence == pytest.approx(other.confidence)
    assert one.microphone_confidence == pytest.approx(other.microphone_confidence)
    assert one.output_sign == other.output_sign


def test_own_confidence() -> None:
    """Logistic in the evidence, the same for both signs, never above that of 6; sure only where a tempered one is."""
    assert own_confidence(0.0) == 0.5
    assert own_confidence(1.0) == pytest.approx(1.0 / (1.0 + np.exp(-1.5)))
    assert own_confidence(3.0) == 0.94
    assert own_confidence(5.0) == pytest.approx(1.0 / (1.0 + np.exp(-3.5)))
    assert own_confidence(-2.0) == own_confidence(2.0)
    assert own_confidence(1e9) == pytest.approx(1.0 / (1.0 + np.exp(-6.0)))


def test_words() -> None:
    assert [polarity_word(s) for s in (1, -1, 0)] == ["normal", "inverted", "undecided"]
    with pytest.raises(KeyError):
        polarity_word(2)
