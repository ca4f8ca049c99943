"""Stage inputs of the trials: a few stages come out as built, the scorer sees what is wrong, a case is its numbers'."""

from __future__ import annotations

import dataclasses
from functools import cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analyze.findings import Finding
from analyze.responses.rows import InputPair
from tests.trials.rows import Row
from tests.trials.run import run_case
from tests.trials.stage_cases import STAGE, StageCase, make_stage_case
from tests.trials.stage_kit import NOT_NAMED, Input, Pair, Path, heard
from tests.trials.stage_scoring import stage_score, stage_yardstick_rows
from tests.trials.stage_sounds import HOW, RATE_HZ, played
from tests.trials.tables import STAGE_MEASURES, of, table_of, wrong_though_sure
from tests.trials.yardsticks import CORRELATION, PEAK, PHASE

#: Seed, and cases with the instruments one by one and together.
SEED, CASES = 11, (0, 1, 2)
#: Fewest polarities decided of twelve, measured 10; median error of delays, ms, measured 0.045.
RIGHT, DELAY_MS = 9, 0.09


@cache
def rows() -> pd.DataFrame:
    return pd.DataFrame([dataclasses.asdict(row) for number in CASES for row in run_case(STAGE, SEED, number)])


def test_stages_come_out_as_they_were_built() -> None:
    polarity = of(rows(), "stage polarity")
    named = polarity[polarity.kind != NOT_NAMED]
    assert len(named) == 4 * len(CASES)
    assert len(polarity) == 7 * len(CASES)
    decided = named[named.decision != "undecided"]
    assert (decided.is_right == 1.0).all()
    assert len(decided) >= RIGHT
    assert wrong_though_sure(rows()).empty
    assert of(rows(), "stage delay").value.median() <= DELAY_MS
    assert of(rows(), "false finding").empty


def test_the_table_has_every_measure() -> None:
    table = table_of(rows(), STAGE)
    assert list(table.index) == list(STAGE_MEASURES)
    assert table.reached["failed"] == "0"


def test_a_stage_is_that_of_its_numbers() -> None:
    first, again, other = (make_stage_case(STAGE, SEED, number) for number in (3, 3, 4))
    assert first.pairs == again.pairs != other.pairs
    for name, track in first.tracks.items():
        np.testing.assert_array_equal(track, again.tracks[name])
        assert np.abs(track).max() <= 1.0
    assert {first.how, other.how} == set(HOW)


def case_of(pair: Pair, tracks: dict[str, np.ndarray]) -> StageCase:
    return StageCase(STAGE, 0, 1, HOW[0], tracks, (pair,), ("a",))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_yardsticks_read_an_input_that_is_another_one_later(sign: float) -> None:
    """Without colour: right to half a sample, which turned or late answers are not."""
    sounds = played(HOW[1], np.random.default_rng(2))
    inputs = [
        Input(name, {"snare": Path(delay_ms, 0.0)}, chain, np.array([[1.0, 0, 0, 1, 0, 0]]), np.ones(1), -80.0)
        for name, delay_ms, chain in (("a", 1.0, 1.0), ("b", 2.5, sign))
    ]
    tracks = heard(inputs, sounds, np.random.default_rng(3))
    for truth, is_right, error_ms in ((sign, 1.0, 0.0), (-sign, 0.0, 0.0)):
        pair = Pair("b", "a", "snare", truth, (1.5,))
        found = stage_yardstick_rows(case_of(pair, tracks), None)
        assert [r.decision for r in found] == [CORRELATION, PHASE, PEAK]
        assert [r.is_right for r in found] == [is_right] * 3
        np.testing.assert_allclose([r.value for r in found], error_ms, atol=500.0 / RATE_HZ + 0.001)
    late = stage_yardstick_rows(case_of(Pair("b", "a", "snare", sign, (1.7, 1.4)), tracks), None)
    np.testing.assert_allclose([r.value for r in late], 0.1, atol=500.0 / RATE_HZ + 0.001)  # the nearer of the two


def compared(polarity: str, confidence: float, delay_ms: float, reason: str = "") -> InputPair:
    return InputPair("one", "b", "a", delay_ms, 0.05, polarity, confidence, 0.0, "normal", 0.0, "keep", reason)


def scored(*inputs: InputPair, findings: tuple[Finding, ...] = ()) -> list[Row]:
    pair = Pair("b", "a", "snare", -1.0, (0.5,))
    return stage_score(case_of(pair, {}), SimpleNamespace(inputs=inputs, findings=findings))


def test_a_wrong_polarity_is_wrong_and_an_undecided_one_is_judged_by_its_words() -> None:
    right = scored(compared("inverted", 0.97, 0.6))
    assert (right[0].what, right[0].is_right) == ("stage polarity", 1.0)
    assert right[1].value == pytest.approx(0.1)
    wrong = pd.DataFrame([dataclasses.asdict(r) for r in scored(compared("normal", 0.97, 0.5))])
    assert wrong_though_sure(wrong)[["what", "where"]].to_numpy().tolist() == [["stage polarity", "b against a"]]
    (likelier,) = scored(compared("undecided", 0.7, 0.5, "Likelier normal (0.70), but the evidence does not agree"))
    (silent,) = scored(compared("undecided", 0.5, np.nan, "b holds no sound"))
    assert (likelier.is_right, np.isnan(silent.is_right)) == (0.0, True)


def test_findings_without_a_reason_are_counted() -> None:
    said = (Finding("clipping", "warning", "", track="a"), Finding("clipping", "warning", "", track="b"))
    (false,) = [r for r in scored(findings=said) if r.what == "false finding"]
    assert (false.where, false.decision) == ("b", "clipping")
