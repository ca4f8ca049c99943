"""The scorer of the trials: known truths give known regrets, and what is wrong is called wrong."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyze.findings import Finding
from analyze.responses.rows import Arrival, Wiring
from analyze.simulate_feeds import make_feed
from analyze.simulate_truth import make_bench
from tests.situations.takes import Take
from tests.trials.calibration import calibration, verdict_words
from tests.trials.efficiency import Reach, Settings, make_sums
from tests.trials.point_sources import (
    BOX,
    FAR,
    FURTHER,
    LINES_HZ,
    MAIN,
    NEAR,
    analysis_of,
    case_of,
    delayed,
    main_and_sub,
    only,
    recommendation,
)
from tests.trials.rigs import Output
from tests.trials.scoring import score
from tests.trials.tables import wrong_though_sure
from tests.trials.truth import truth_of
from tests.trials.venues import RATE_HZ
from tests.trials.yardsticks import CORRELATION, PEAK, PHASE, readings

#: Bands of the score, lowest and highest frequency, Hz (IEC 61260-1).
EDGES_HZ = 10.0 ** (np.arange(13.5, 26.0) / 10.0)


def loss_db(apart_s: float) -> float:
    """Two equal sources apart by so much: `cos(pi f tau) ** 2` of the energy in every band (any acoustics text)."""
    energy = np.cos(np.pi * LINES_HZ * apart_s) ** 2
    low = np.searchsorted(LINES_HZ, EDGES_HZ)
    bands = [energy[a:b].mean() for a, b in pairwise(low)]
    return float(np.mean(10.0 * np.log10(bands)))


@pytest.mark.parametrize("late_s", [0.0005, 0.001, 0.002])
def test_a_known_misalignment_gives_a_known_regret(late_s: float) -> None:
    # flights of 10 and 15 ms and 10 ms of delay on the main: the sub belongs at 5 ms
    main = Output("main", "main", "", (NEAR, 0.0, 0.0), BOX, delay_s=0.010)
    truth = truth_of(case_of(main, Output("sub", "sub", "", (FAR, 0.0, 0.0), BOX, delay_s=0.004)))
    after = truth.present().changed([1], 1.0, 0.001 + late_s)
    best = truth.best(after)
    assert best.delays_s[1] == pytest.approx(0.005, abs=1e-5)
    assert best.signs[1] == 1.0
    assert truth.sums.score_db(best) == pytest.approx(0.0, abs=1e-3)
    regret_db = truth.sums.score_db(best) - truth.sums.score_db(after)
    assert regret_db == pytest.approx(-loss_db(late_s), abs=2e-3)
    assert regret_db != pytest.approx(-loss_db(1.05 * late_s), abs=2e-3)


def test_the_score_is_that_of_the_demo_s_own_bench() -> None:
    """`analyze/simulate_truth.py` was written apart: cells alike, scores to rounding, best within its step."""
    rng = np.random.default_rng(2)
    shape = (4, 3, len(LINES_HZ))
    levels = 10.0 ** (rng.uniform(-1.0, 0.0, (4, 3, 1)) + 0.3 * np.sin(LINES_HZ / 40.0 + rng.uniform(0, 6, (4, 3, 1))))
    h = levels * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    sums, bench = make_sums(LINES_HZ, h), make_bench(LINES_HZ, h)
    np.testing.assert_array_equal(sums.cells, bench.cells)
    assert 5 < sums.cells.sum() < sums.cells.size
    settings = Settings(np.array([1.0, -1.0, 1.0, 1.0]), np.array([0.0, 0.003, 0.011, 0.002]))
    expected_db = bench.score_db(settings.signs, settings.delays_s)
    assert sums.score_db(settings) == pytest.approx(expected_db, abs=1e-9)
    assert sums.score_db(settings, sums.own([2])) == pytest.approx(
        bench.score_db(settings.signs, settings.delays_s, [2]), abs=1e-9
    )
    choice = max(bench.best(settings.signs, settings.delays_s, [1, 2], (0.011, 0.031)), key=lambda c: c.score_db)
    level = Settings(settings.signs * [1, -1, 1, 1], np.array([0.0, 0.011, 0.011, 0.002]))
    found = sums.best(level, [[1, 2]], [Reach(0.0, 0.02)])
    assert sums.score_db(found) == pytest.approx(choice.score_db, abs=2e-3)


def test_two_groups_are_searched_jointly() -> None:
    """Either group alone is stuck between the other two outputs; together they find the known alignment."""
    h = np.stack([[delayed(0.02)], [delayed(0.012, -1.0)], [delayed(0.007)]])
    sums = make_sums(LINES_HZ, h)
    now = Settings(np.ones(3), np.zeros(3))
    best = sums.best(now, [[1], [2]], [Reach(0.0, 0.03), Reach(0.0, 0.03)])
    assert sums.score_db(best) == pytest.approx(0.0, abs=1e-3)
    np.testing.assert_allclose(best.delays_s, [0.0, 0.008, 0.013], atol=2e-5)
    np.testing.assert_array_equal(best.signs, [1.0, -1.0, 1.0])


def test_a_right_setting_is_right_and_a_turned_one_is_not() -> None:
    case = main_and_sub(wiring=-1.0)
    right = recommendation("sub", "sub", 3.0, "inverted")
    rows = score(case, analysis_of(MAIN, right))
    assert only(rows, "setting").is_right == 1.0
    assert only(rows, "polarity").is_right == 1.0
    assert only(rows, "regret").value == pytest.approx(0.0, abs=1e-6)
    wrong = recommendation("sub", "sub", 3.0, "normal")
    rows = score(case, analysis_of(MAIN, wrong))
    assert only(rows, "setting").is_right == 0.0
    assert only(rows, "regret").value > 1.0
    frame = pd.DataFrame([vars(r) for r in rows])
    assert set(wrong_though_sure(frame).what) == {"setting", "polarity"}


def test_the_predicted_gain_is_held_against_the_true_one() -> None:
    case = main_and_sub()
    truth = truth_of(case)
    now = truth.present()
    true_db = truth.sums.score_db(now.changed([1], 1.0, -0.001)) - truth.sums.score_db(now)
    row = recommendation("sub", "sub", 3.0, "normal", gain_db=true_db + 0.3)
    rows = score(case, analysis_of(MAIN, row))
    assert only(rows, "gain").value == pytest.approx(0.3, abs=1e-6)


def test_of_an_undecided_setting_the_candidate_is_judged_and_the_present_scored() -> None:
    case = main_and_sub(wiring=-1.0)
    words = "candidate inverted, 3.00 ms, +2.1 dB; normal, 9.00 ms costs 0.4 dB"
    row = recommendation("sub", "sub", 4.0, "normal", decision="undecided", confidence=0.7, alternative=words)
    rows = score(case, analysis_of(MAIN, row))
    assert only(rows, "setting").is_right == 1.0
    assert only(rows, "regret").value == pytest.approx(only(rows, "regret").other)
    silent = recommendation("sub", "sub", 4.0, "normal", decision="undecided", confidence=0.0)
    rows = score(case, analysis_of(MAIN, silent))
    assert np.isnan(only(rows, "setting").is_right)


@pytest.mark.parametrize(
    ("delay_ms", "polarity", "is_right"), [(5.2, "normal", 1), (5.4, "normal", 0), (5.0, "inverted", 0)]
)
def test_a_fill_is_judged_by_arrival_and_leading_edge(delay_ms: float, polarity: str, is_right: int) -> None:
    """15 ms of flight against 20 of the main, asked to come on time: 5 ms of delay."""
    fill = Output("fill", "fill", "", (FAR, 0.0, 0.0), BOX, align_at="seat 2")
    case = case_of(Output("main", "main", "", (FURTHER, 0.0, 0.0), BOX), fill)
    main, row = recommendation("main", "main", 0.0, "normal"), recommendation("fill", "fill", delay_ms, polarity)
    rows = score(case, analysis_of(main, row))
    assert only(rows, "fill").value == pytest.approx(abs(delay_ms - 5.0), abs=1e-6)
    assert only(rows, "fill").is_right == is_right


def test_a_fill_that_would_need_less_than_no_delay_is_no_matter_of_confidence() -> None:
    fill = Output("fill", "fill", "", (FURTHER, 0.0, 0.0), BOX, align_at="seat 1")
    case = case_of(Output("main", "main", "", (FAR, 0.0, 0.0), BOX), fill)
    rows = score(
        case, analysis_of(recommendation("main", "main", 0.0, "normal"), recommendation("fill", "fill", 0.0, "normal"))
    )
    assert only(rows, "fill out of reach").value == pytest.approx(5.0, abs=1e-6)
    assert "fill" not in [r.what for r in rows]


def test_a_group_wired_against_itself_has_no_right_setting() -> None:
    main = Output("main", "main", "", (NEAR, 0.0, 0.0), BOX)
    subs = [Output(f"sub {w:+.0f}", "sub", "subs", (FAR, w, 0.0), BOX, wiring=w) for w in (1.0, -1.0)]
    rows = score(
        case_of(main, *subs), analysis_of(*(recommendation(o.name, o.kind, 0.0, "normal") for o in (main, *subs)))
    )
    assert only(rows, "opposed").where == "sub +1"
    assert not {"setting", "regret"} & {r.what for r in rows}


def arrival(output: str, position: str, arrival_ms: float, **more: object) -> Arrival:
    given = {
        "capture": "one", "output": output, "position": position, "zone": "audience", "arrival_ms": arrival_ms,
        "arrival_std_ms": 0.1, "distance_m": np.nan, "polarity": "normal", "polarity_confidence": 0.9,
        "own_polarity": "normal", "own_confidence": 0.9, "level_db": 0.0, "band_low_hz": 20.0, "band_high_hz": 9e3,
        "coherence": 0.9, "averages": 20.0,
    }  # fmt: skip
    return Arrival(**{**given, **more})


def test_signs_and_arrivals_are_held_against_what_was_built() -> None:
    outputs = (
        Output("main", "main", "", (NEAR, 0.0, 0.0), BOX),
        Output("sub", "sub", "", (FAR, 0.0, 0.0), BOX, wiring=-1.0),
    )
    own = Take("one", {}, own_clock={"seat 2": (0.0, 0.0)})
    case = case_of(*outputs, captures=(own,), chains=(1.0, -1.0))
    wiring = (
        Wiring("main", "normal", 0.99, 2, 2, ""),
        Wiring("sub", "undecided", 0.6, 2, 1, "Likelier normal, but 1 of 2 positions agree"),
    )
    arrivals = (
        arrival("main", "seat 1", 2.1 + 10.0 + 0.2),
        arrival("main", "seat 2", 112.1 + 0.1, own_polarity="inverted"),
        arrival("sub", "seat 2", 117.1 + 0.4, polarity="inverted", own_polarity="normal"),
    )
    findings = (
        Finding("output wired inverted", "warning", "", track="sub"),
        Finding("output wired inverted", "warning", "", track="main"),
        Finding("microphone chain inverted", "warning", "", track="seat 2", value=0.98),
        Finding("limiter working", "warning", "", track="main"),
        Finding("few seats", "note", ""),
    )
    settings = (recommendation("main", "main", 0.0, "normal"), recommendation("sub", "sub", 0.0, "normal"))
    rows = score(case, analysis_of(*settings, wiring=wiring, arrivals=arrivals, findings=findings))
    assert [r.is_right for r in rows if r.what == "wiring"] == [1.0, 0.0]
    assert [r.is_right for r in rows if r.what == "own polarity"] == [1.0, 1.0, 1.0]
    assert only(rows, "arrival", "main at seat 1").value == pytest.approx(0.2, abs=1e-6)
    assert only(rows, "arrival", "sub at seat 2").value == pytest.approx(0.3, abs=1e-6)  # re the main there
    assert only(rows, "chain").is_right == 1.0
    assert [(r.decision, r.where) for r in rows if r.what == "false finding"] == [
        ("limiter working", "main"),
        ("output wired inverted", "main"),
    ]


@pytest.mark.parametrize(("second", "n_false"), [(-1.0, 0), (1.0, 2)])
def test_twins_called_opposite_are_held_against_their_wiring(second: float, n_false: int) -> None:
    main, sub = main_and_sub(wiring=1.0).outputs
    twins = [replace(sub, name=name, group="subs", wiring=w) for name, w in (("sub 1", 1.0), ("sub 2", second))]
    case = case_of(main, *twins)
    found = tuple(Finding("twins wired opposite", "warning", "", track=one.name) for one in twins)
    settings = [recommendation(o.name, o.kind, 0.0, "normal") for o in case.outputs]
    rows = score(case, analysis_of(*settings, findings=found))
    assert [r.what for r in rows].count("false finding") == n_false


def test_the_yardsticks_read_time_and_sign_off_clean_recordings(tmp_path: Path) -> None:
    """Point sources without box or room, where both must be right to a sample."""
    rng = np.random.default_rng(4)
    feeds = [make_feed("noise", 4 * RATE_HZ, RATE_HZ, rng) for _ in range(2)]
    case = main_and_sub(wiring=-1.0)
    takes = tuple(Take(o.name, {o.name: feed}) for o, feed in zip(case.outputs, feeds, strict=True))
    case = case_of(*case.outputs, captures=takes)
    case.write(tmp_path)
    for reading in readings(case, tmp_path).values():
        np.testing.assert_allclose(reading.time_s, case.arrival_s, atol=0.6 / RATE_HZ)
        assert [reading.polarity(case, i) for i in (0, 1)] == [1.0, -1.0]
        settings = reading.settings(case)
        assert settings.signs[1] == -1.0
        assert settings.delays_s[1] == pytest.approx(0.003, abs=0.6 / RATE_HZ)
    assert set(readings(case, tmp_path)) == {CORRELATION, PHASE, PEAK}


@pytest.mark.parametrize(("right", "verdict"), [(0.97, "yes"), (0.80, "no")])
def test_claims_that_do_not_hold_are_seen(right: float, verdict: str) -> None:
    rng = np.random.default_rng(0)
    rows = pd.DataFrame(
        {
            "family": "solo",
            "seed": 1,
            "case": np.arange(1000) // 10,
            "what": "wiring",
            "claim": 0.97,
            "is_right": (rng.random(1000) < right).astype(float),
        }
    )
    (tenth,) = calibration(rows).itertuples(index=False)
    assert tenth[-1] == verdict
    assert verdict_words(rows) == f"0.9 {verdict} (0.970 claimed, {rows.is_right.mean():.3f} right, N=1000)"
    assert tenth.low < right < tenth.high
