"""A proof to try by ear: what is foretold is what a flipped output does, and nothing is foretold that is not sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from alignment_making import CENTRES_HZ, FREQUENCY_HZ, N_LINES, N_LOW, Spectrum, context, delay, seats

from analyze.acoustics import nominal_hz
from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.proof import proofs
from analyze.alignment.rows import Proof
from analyze.alignment.score import UNCHANGED, Change
from analyze.description import Output, Position

MAIN, SUB = Output("main", "main"), Output("sub", "sub")
#: A sub 3 dB under the main from 70 to 141 Hz, 40 dB under it elsewhere.
LEVEL = np.where((FREQUENCY_HZ > 70.0) & (FREQUENCY_HZ < 141.0), 10.0 ** (-3.0 / 20.0), 0.01)


def found(context_: Context, change: Change = UNCHANGED, decision: str = "keep") -> list[Proof]:
    decisions = {
        ("main",): Decision(("main",), UNCHANGED, "reference", 1.0, 1.0),
        ("sub",): Decision(("sub",), change, decision, 0.99, 0.99),
    }
    return proofs(context_, decisions, [{"sub": change} if decision == "change" else {}])


def two(turned_ms: float = 0.0, sign: float = 1.0, **how: float) -> Context:
    """Main and sub at two seats; in step at the first, half in step at the second."""
    flat = np.ones(N_LINES, dtype=np.complex128)
    off = np.exp(-1j * np.pi / 3.0)
    sub: Spectrum = sign * LEVEL * delay(turned_ms)
    h = np.stack([np.stack([flat, flat]), np.stack([sub, off * sub])])
    return context([MAIN, SUB], seats(2), h, **how)


def test_the_drop_is_that_of_the_flipped_sum() -> None:
    """In step and 3 dB apart: 20 log of (1 + a) / (1 - a) = 15.3 dB, by hand; three thirds are as good as one."""
    (proof,) = found(two())
    a = 10.0 ** (-3.0 / 20.0)
    assert proof.outputs == ("sub",)
    assert (proof.position, proof.zone, proof.silent) == (seats(2)[0].name, "audience", ())
    assert (proof.low_hz, proof.high_hz) == (80.0, 125.0)
    assert proof.drop_db == pytest.approx(20.0 * np.log10((1.0 + a) / (1.0 - a)), abs=0.06)
    assert 0.0 <= proof.drop_db - proof.sure_drop_db < 0.5


@pytest.mark.parametrize(("zone", "kind", "is_told"), [("audience", "sub", True), ("stage", "monitor", False)])
def test_nobody_listens_to_a_monitor_in_the_lowest_bands(zone: str, kind: str, is_told: bool) -> None:
    """Main and output in step from 28 to 56 Hz alone: a check for a sub, and none for a wedge."""
    level = np.where((FREQUENCY_HZ > 28.0) & (FREQUENCY_HZ < 56.0), 10.0 ** (-3.0 / 20.0), 0.01)
    h = np.stack([np.ones((1, N_LINES)), level[None]]).astype(np.complex128)
    low = context([MAIN, Output("low", kind)], seats(1, zone), h)
    decisions = {("low",): Decision(("low",), UNCHANGED, "keep", 0.99, 0.99)}
    assert bool(proofs(low, decisions, [{}])) is is_told


def test_it_holds_for_the_settings_that_are_recommended() -> None:
    """6 ms late and turned over; with the change typed in, everything is as in the case before."""
    changed = found(two(6.0, -1.0), (-1.0, -6.0), "change")
    (plain,) = found(two())
    assert len(changed) == 1
    assert replace(changed[0], drop_db=0.0, sure_drop_db=0.0) == replace(plain, drop_db=0.0, sure_drop_db=0.0)
    assert changed[0].drop_db == pytest.approx(plain.drop_db, abs=0.3)


def test_bands_are_named_by_their_nominal_centres() -> None:
    (proof,) = found(two())
    assert {proof.low_hz, proof.high_hz} <= {nominal_hz(float(f), 3) for f in CENTRES_HZ}


def test_pink_noise_weighs_bands_alike() -> None:
    """A third of drop and two of none: the run's energies before and after are means of its bands, by hand."""
    (proof,) = found(two())
    first, last = (int(np.argmin(np.abs(CENTRES_HZ - f))) for f in (proof.low_hz, proof.high_hz))
    before = after = 0.0
    for centre in CENTRES_HZ[first : last + 1]:
        lines = (FREQUENCY_HZ[:N_LOW] >= centre / 10**0.05) & (FREQUENCY_HZ[:N_LOW] < centre * 10**0.05)
        level = LEVEL[:N_LOW][lines]
        before, after = before + np.mean((1.0 + level) ** 2), after + np.mean((1.0 - level) ** 2)
    assert proof.drop_db == pytest.approx(10.0 * np.log10(before / after), abs=0.05)


def test_nothing_is_foretold_that_would_not_be_heard() -> None:
    """A quarter turn apart flipping changes nothing."""
    h = np.stack([np.ones((2, N_LINES)), 1j * LEVEL * np.ones((2, 1))]).astype(np.complex128)
    assert found(context([MAIN, SUB], seats(2), h)) == []


def test_nothing_is_foretold_that_resamples_do_not_agree_on() -> None:
    assert found(two(), decision="keep")
    assert found(two(spread=3.0)) == []


@pytest.mark.parametrize("decision", ["undecided", "reference"])
def test_only_what_is_decided_has_a_proof(decision: str) -> None:
    assert found(two(), decision=decision) == []


def test_an_output_that_was_not_measured_there_must_be_off() -> None:
    h = np.stack([np.ones((2, N_LINES)), LEVEL * np.ones((2, 1)), np.full((2, N_LINES), np.nan)]).astype(np.complex128)
    (proof,) = found(context([MAIN, SUB, Output("fill", "fill")], seats(2), h))
    assert proof.silent == ("fill",)


def test_a_monitor_is_tried_on_stage() -> None:
    wedge = Output("sub", "monitor")
    places = [*seats(1), Position("drummer", "stage")]
    h = np.stack([np.ones((2, N_LINES)), LEVEL * np.ones((2, 1))]).astype(np.complex128)
    (proof,) = found(context([MAIN, wedge], places, h))
    assert (proof.position, proof.zone) == ("drummer", "stage")


def test_a_proof_holds_for_every_setting_that_may_be_typed() -> None:
    """An optional change that moves the sub by 1 ms: the drop is the lesser of both; turned over it would rise."""
    kept = {("sub",): Decision(("sub",), UNCHANGED, "keep", 0.99, 0.99)}
    plain, later = {}, {"sub": (1.0, 1.0)}
    drops_db = [proofs(two(), kept, [typed])[0].drop_db for typed in (plain, later)]
    (both,) = proofs(two(), kept, [plain, later])
    assert both.drop_db <= min(drops_db) + 1e-9
    assert both.drop_db > 3.0
    assert proofs(two(), kept, [plain, {"sub": (-1.0, 0.0)}]) == []
