"""Mains and subs: the joint decision against brute force, what the device allows, ties, what is not worth it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from alignment_making import (
    N_LINES,
    N_LOW,
    Spectrum,
    closed,
    context,
    delay,
    hall,
    low_pass,
    room,
    seats,
    spelled_out_db,
    turned,
)
from mains_subs_making import MAIN, best_of, decided, score_of, sub

from analyze.alignment.mains_subs import decide_mains_subs
from analyze.alignment.reach import aligned_change_ms
from analyze.description import Output, Position, Setting

# The best there is


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("late_ms", "sign"), [(6.3, -1.0), (-4.1, 1.0)])
def test_nothing_is_given_away(seed: int, late_ms: float, sign: float) -> None:
    """Against the best of all settings within reach: ties, steps and what is not worth a change cost under 0.06 dB.

    A polarity that is hardly better than the other one stays as it is, for less than 0.3 dB.
    """
    h, arrivals = hall(seed, late_ms, sign)
    found = context([MAIN, sub()], seats(3), h, arrivals=arrivals)
    decision = decided(found)
    regret = best_of(found, h, -20.0, 20.0) - score_of(found, h, {"sub": decision.change})
    assert decision.decision == ("keep" if decision.change == (1.0, 0.0) else "change")
    assert decision.confidence > 0.9
    assert -0.01 < regret < (0.06 if decision.polarity_confidence > 0.8 else 0.3)
    own = best_of(found, h, -20.0, 20.0, (decision.change[0],))
    assert own - score_of(found, h, {"sub": decision.change}) < 0.06
    assert decision.change[1] == pytest.approx(round(decision.change[1], 2), abs=1e-9)
    if decision.decision == "change":
        direction = "earlier" if decision.change[1] < 0 else "later"
        assert f"{abs(decision.change[1]):.2f} ms {direction}" in decision.reason
        assert ("the other polarity" in decision.reason) is (decision.change[0] < 0)


def test_of_a_polarity_that_cannot_be_set_no_confidence_is_claimed() -> None:
    h, arrivals = hall(1, 6.3, -1.0)
    fixed = decided(context([MAIN, sub(can_invert=False)], seats(3), h, arrivals=arrivals))
    assert math.isnan(fixed.polarity_confidence)
    assert 0.0 < decided(context([MAIN, sub()], seats(3), h, arrivals=arrivals)).polarity_confidence < 1.0


def test_two_groups_of_subs_are_set_together() -> None:
    """Against brute force over both delays and all signs."""
    h, arrivals = hall(7, 5.0, -1.0, n_seats=2, n_subs=2)
    found = context([MAIN, sub(12.0), sub(9.0, name="sub 1")], seats(2), h, arrivals=arrivals)
    decisions = decide_mains_subs(found, [("sub",), ("sub 1",)], {})
    changes = {d.members[0]: d.change for d in decisions}
    grid = np.arange(-9.0, 4.0, 0.5)
    best = max(
        score_of(found, h, {"sub": (s1, float(d1)), "sub 1": (s2, float(d2))})
        for d1 in grid
        for d2 in grid
        for s1 in (1.0, -1.0)
        for s2 in (1.0, -1.0)
    )
    assert score_of(found, h, changes) > best - 0.02
    assert [d.members for d in decisions] == [("sub",), ("sub 1",)]


def test_what_else_is_recommended_is_taken_into_account() -> None:
    """A fill that moves changes the sum the subs are set against."""
    rng = np.random.default_rng(3)
    h, arrivals = hall(3, 6.3, -1.0)
    fill = np.stack([1.2 * closed(45.0) * delay(20.0) * room(rng, 0.5) for _ in range(3)])[None]
    h = np.concatenate([h, fill])
    found = context([MAIN, sub(), Output("fill", "fill")], seats(3), h, arrivals=arrivals)
    moved = {"fill": (-1.0, 7.5)}
    for fixed in ({}, moved):
        decision = decide_mains_subs(found, [("sub",)], fixed)[0]
        scores = [
            score_of(found, h, {**fixed, "sub": (s, float(d))}) for s in (1.0, -1.0) for d in np.arange(-20, 20, 0.2)
        ]
        assert score_of(found, h, {**fixed, "sub": decision.change}) > max(scores) - 0.05


@pytest.mark.parametrize("seed", [0, 1])
def test_what_the_other_polarity_would_cost(seed: int) -> None:
    h, arrivals = hall(seed, 6.3, -1.0)
    found = context([MAIN, sub()], seats(3), h, arrivals=arrivals)
    decision = decided(found)
    own = found.audience.own([1])
    here = spelled_out_db(turned(h[..., :N_LOW], ["main", "sub"], {"sub": decision.change}), found.audience, own)
    other = max(
        spelled_out_db(turned(h[..., :N_LOW], ["main", "sub"], {"sub": (-decision.change[0], d)}), found.audience, own)
        for d in np.arange(-26.0, 20.0, 0.1)
    )
    assert decision.cost_if_wrong_db == pytest.approx(here - other, abs=0.01)


# Ranges and devices


@pytest.mark.parametrize(
    ("values", "signs", "span"),
    [
        ({"adjust": "polarity"}, (1.0, -1.0), (0.0, 0.05)),
        ({"adjust": "delay"}, (1.0,), (-20.0, 20.0)),
        ({"can_invert": False}, (1.0,), (-20.0, 20.0)),
        ({"max_delay_ms": 21.5, "min_delay_ms": 18.25}, (1.0, -1.0), (-1.75, 1.5)),
    ],
)
def test_what_the_device_allows(values: dict[str, object], signs: tuple[float, ...], span: tuple[float, float]) -> None:
    h, arrivals = hall(0, 6.3, -1.0)
    found = context([MAIN, sub(**values)], seats(3), h, arrivals=arrivals)
    decision = decided(found)
    sign, delay_ms = decision.candidate
    assert sign in signs
    assert span[0] <= delay_ms <= span[1]
    best = best_of(found, h, span[0], span[1], signs)
    assert score_of(found, h, {"sub": decision.candidate}) > best - 0.05


def test_the_step_of_the_device_is_kept() -> None:
    h, arrivals = hall(0, 6.3, -1.0)
    found = context([MAIN, sub(20.0, delay_step_ms=0.7)], seats(3), h, arrivals=arrivals)
    decision = decided(found)
    steps = (20.0 + decision.change[1]) / 0.7
    assert steps == pytest.approx(round(steps), abs=1e-6)


@pytest.mark.parametrize(
    ("aligned_ms", "sub_ms", "low", "high"),
    [(0.0, 100.0, -20.0, 20.0), (-30.0, 100.0, -40.0, -10.0), (75.0, 100.0, 55.0, 95.0), (30.0, 5.0, 10.0, 40.0)],
)
def test_the_search_stays_near_present_and_aligned(aligned_ms: float, sub_ms: float, low: float, high: float) -> None:
    """Within 40 ms of the present setting and 20 of aligned arrivals; the second alone where they are further apart.

    The response says that any delay is as good: what is asked is only where the candidate lies.
    """
    rng = np.random.default_rng(5)
    for seed in range(3):
        h, _ = hall(seed, -aligned_ms + float(rng.uniform(-30.0, 30.0)), 1.0)
        arrivals = {("main", "audience 0"): (40.0, 0.02), ("sub", "audience 0"): (40.0 - aligned_ms, 0.4)}
        found = context([MAIN, sub(sub_ms)], seats(3), h, arrivals=arrivals)
        decision = decided(found)
        if decision.candidate != (1.0, 0.0):
            assert low - 1e-9 <= decision.candidate[1] <= high + 1e-9
        best = best_of(found, h, low, high)
        if decision.decision == "change":
            assert score_of(found, h, {"sub": decision.change}) > best - 0.05


def test_aligned_arrivals_are_means_over_groups_and_seats() -> None:
    outputs = [Output("l", "main", group="m"), Output("r", "main", group="m"), sub(name="s1"), sub(name="s2")]
    positions = [Position("a", "audience"), Position("b", "audience", weight=3.0), Position("c", "stage")]
    arrivals = {
        ("l", "a"): (10.0, 0.1),
        ("r", "a"): (14.0, 0.1),
        ("s1", "a"): (7.0, 0.1),
        ("l", "b"): (20.0, 0.1),
        ("s1", "b"): (25.0, 0.1),
        ("s2", "b"): (27.0, 0.1),
        ("l", "c"): (0.0, 0.1),
        ("s1", "c"): (99.0, 0.1),
    }
    found = context(outputs, positions, np.ones((4, 3, N_LINES)), arrivals=arrivals)
    expected = (1.0 * (12.0 - 7.0) + 3.0 * (20.0 - 26.0)) / 4.0
    assert aligned_change_ms(found, ("s1", "s2")) == pytest.approx(expected)
    assert math.isnan(aligned_change_ms(context(outputs, positions, np.ones((4, 3, N_LINES))), ("s1",)))


@pytest.mark.parametrize("early_ms", [6.0, 11.0])
def test_a_delay_below_zero_is_mentioned(early_ms: float) -> None:
    """A sub that is late at its shortest delay: what the reference would have to be delayed by."""
    h = np.stack([closed(50.0) * delay(20.0), 1.5 * closed(38.0) * delay(20.0 + early_ms)])[:, None]
    found = context([MAIN, sub(0.0, can_invert=False)], seats(1), h)
    decision = decided(found)
    best = float(max(np.arange(0.2, 19.8, 0.2), key=lambda d: score_of(found, h, {"sub": (1.0, -float(d))})))
    assert f"{best:.2f} ms" in decision.alternative
    assert "shortest delay" in decision.alternative
    may = context([MAIN, sub(30.0, can_invert=False)], seats(1), h)
    assert "shortest delay" not in decided(may).alternative


@pytest.mark.parametrize("main_ms", [0.0, 12.0])
def test_a_delay_over_what_the_device_has_is_mentioned(main_ms: float) -> None:
    """A sub that is early at its longest delay: by how much all others would have to be earlier, if they can."""
    h = np.stack([closed(50.0) * delay(20.0), 1.5 * closed(38.0) * delay(11.0)])[:, None]
    main = dataclasses.replace(MAIN, setting=Setting(main_ms))
    found = context([main, sub(5.0, can_invert=False, max_delay_ms=5.0)], seats(1), h)
    decision = decided(found)
    best = float(max(np.arange(0.2, 19.8, 0.2), key=lambda d: score_of(found, h, {"sub": (1.0, float(d))})))
    assert f"cannot go higher: everything else {best:.2f} ms earlier" in decision.alternative
    assert "longest delay" in decision.alternative
    assert ("which the range of main does not allow" in decision.alternative) is (main_ms < best)
    may = context([main, sub(5.0, can_invert=False)], seats(1), h)
    assert "longest delay" not in decided(may).alternative


# Ties


def symmetric(tau_ms: float = 4.0) -> Spectrum:
    """Two seats, the sub early at one by as much as it is late at the other: +delay and -delay are as good."""
    box = low_pass(90.0) * closed(40.0)
    return np.stack([np.stack([box, box]), np.stack([box * delay(tau_ms), box * delay(-tau_ms)])])


def test_the_symmetric_case_has_two_best_delays() -> None:
    h = symmetric()
    found = context([MAIN, sub(can_invert=False)], seats(2), h)
    scores = {d: score_of(found, h, {"sub": (1.0, d)}) for d in np.arange(-20.0, 20.1, 0.5).round(1)}
    for d, score in scores.items():
        assert score == pytest.approx(scores[-d], abs=1e-6)
    best = max(scores, key=scores.__getitem__)
    assert abs(best) > 1.0
    assert scores[best] > scores[0.0] + 0.2


@pytest.mark.parametrize("aligned_ms", [-3.5, 3.5])
def test_ties_go_to_the_nearest_aligned_arrivals(aligned_ms: float) -> None:
    h = symmetric()
    arrivals = {("main", "audience 0"): (20.0, 0.02), ("sub", "audience 0"): (20.0 - aligned_ms, 0.3)}
    found = context([MAIN, sub(can_invert=False)], seats(2), h, arrivals=arrivals, spread=0.05)
    decision = decided(found)
    assert decision.candidate[1] * aligned_ms > 0.0
    others = context([MAIN, sub(can_invert=False)], seats(2), h, spread=0.05)
    best = abs(decided(others).candidate[1])
    assert abs(decision.candidate[1]) == pytest.approx(best, abs=1.5)


@pytest.mark.parametrize(("weight", "is_in_step"), [(1.02, True), (1.08, False)])
def test_of_tops_as_good_the_one_in_step_counts(weight: float, is_in_step: bool) -> None:
    """However well known: a seat that counts a little more puts the far top ahead by less than anybody hears."""
    h = symmetric()
    seat = [dataclasses.replace(one, weight=w) for one, w in zip(seats(2), (1.0, weight), strict=True)]
    far = decided(context([MAIN, sub(can_invert=False)], seat, h)).candidate[1]
    arrivals = {("main", "audience 0"): (20.0, 0.02), ("sub", "audience 0"): (20.0 + far, 0.3)}
    found = context([MAIN, sub(can_invert=False)], seat, h, arrivals=arrivals)
    gives_away = score_of(found, h, {"sub": (1.0, far)}) - score_of(found, h, {"sub": (1.0, -far)})
    assert gives_away > 0.03  # no tie
    assert (gives_away < 0.1) == is_in_step
    assert (decided(found).candidate[1] * far < 0.0) is is_in_step


def test_ties_go_to_the_present_setting() -> None:
    """A quarter turn apart both polarities add alike: none is worth a change."""
    box = closed(40.0)
    h = np.stack([box * delay(10.0), 1j * box * delay(10.0)])[:, None] * np.array([1.0, 0.8])[:, None]
    for polarity in ("normal", "inverted"):
        found = context([MAIN, sub(5.0, polarity, adjust="polarity")], seats(2), h)
        decision = decided(found)
        assert decision.candidate == (1.0, 0.0)
        assert decision.decision == "keep"
        assert decision.reason.startswith("Keep it")
        assert decision.polarity_confidence == pytest.approx(0.5, abs=0.05)


def test_the_best_setting_in_force_is_kept() -> None:
    h, arrivals = hall(1, 6.3, -1.0)
    first = context([MAIN, sub()], seats(3), h, arrivals=arrivals)
    change = decided(first).change
    h[1] = h[1] * change[0] * delay(change[1])
    found = context([MAIN, sub(20.0 + change[1])], seats(3), h, arrivals=arrivals)
    decision = decided(found)
    assert decision.decision == "keep"
    assert decision.change == (1.0, 0.0)
    assert decision.reason.startswith("Keep it")
    assert decision.confidence > 0.9


@pytest.mark.parametrize(("off_ms", "is_changed"), [(0.2, False), (0.5, True)])
def test_a_gain_that_is_not_worth_it_is_left(off_ms: float, is_changed: bool) -> None:
    """Under 0.05 dB nothing is changed, however sure it is."""
    box = closed(50.0)
    h = np.stack([box * delay(10.0), 0.9 * box * delay(10.0 + off_ms)])[:, None]
    found = context([MAIN, sub()], seats(1), h, spread=0.0)
    gain = score_of(found, h, {"sub": (1.0, -off_ms)}) - score_of(found, h, {})
    assert (gain > 0.05) == is_changed
    assert gain > 0.03
    decision = decided(found)
    assert (decision.decision == "change") is is_changed
    if is_changed:
        assert decision.change[1] == pytest.approx(-off_ms, abs=0.2)


@pytest.mark.parametrize(("off_ms", "is_moved"), [(0.2, False), (0.5, True)])
def test_a_delay_beside_a_turned_polarity_has_to_be_worth_it_too(off_ms: float, is_moved: bool) -> None:
    """Upside down and a little late: the polarity is turned, the delay moved only where that gains 0.05 dB more."""
    box = closed(50.0)
    h = np.stack([box * delay(10.0), -0.9 * box * delay(10.0 + off_ms)])[:, None]
    found = context([MAIN, sub()], seats(1), h, spread=0.0)
    more = score_of(found, h, {"sub": (-1.0, -off_ms)}) - score_of(found, h, {"sub": (-1.0, 0.0)})
    assert (more > 0.05) == is_moved
    assert more > 0.005
    decision = decided(found)
    assert decision.decision == "change"
    assert decision.change == pytest.approx((-1.0, -off_ms if is_moved else 0.0), abs=0.2 if is_moved else 1e-9)
