"""What a confidence was made of: the decision's own figures, spelled out once more, and what takes most named first."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from alignment_making import N_LINES, N_LOW, Spectrum, closed, context, delay, hall, room, seats, spelled_out_db, turned

from analyze.alignment.arrivals import Alignment
from analyze.alignment.confidence import (
    MODEL,
    MOST,
    NOISE,
    RIGHT_DB,
    SCATTER,
    SHORTFALL,
    Limit,
    Spread,
    alike,
    limits_of,
    margin_limits,
    settings_confidence,
    settings_limits,
)
from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.grounds import SPARES, SumGrounds, TimingGrounds
from analyze.alignment.output_grounds import output_grounds
from analyze.alignment.recommend import changes_of, decide_all, gain_of
from analyze.alignment.timing_grounds import (
    ARRIVAL,
    NOT_TURNED,
    OUT_OF_REACH,
    OWN_WIRING,
    REFERENCE_WIRING,
    timing_grounds,
)
from analyze.description import Output, Setting
from analyze.responses.rows import Arrival
from analyze.responses.wiring import Signs, own_confidence, solve_signs

MAIN = Output("main", "main")
SUB = Output("sub", "sub", setting=Setting(20.0))


def a_hall(seed: int = 3, spread: float = 0.02, std: float = 1e-4) -> tuple[Context, Spectrum]:
    """A main and a sub 6 ms late and turned over, four seats."""
    h, arrivals = hall(seed, 6.0, -1.0, n_seats=4)
    return context([MAIN, SUB], seats(4), h, arrivals=arrivals, spread=spread, std=std), h


def grounds_of(found: Context, name: str = "sub") -> tuple[Decision, SumGrounds]:
    decision = decide_all(found)[name,]
    grounds = decision.grounds()
    assert isinstance(grounds, SumGrounds)
    return decision, grounds


def scores(found: Context, h: Spectrum, change: tuple[float, float], mask: np.ndarray) -> float:
    low = turned(h[..., :N_LOW], list(found.responses.outputs), {found.responses.outputs[1]: change})
    return spelled_out_db(low, found.audience, mask)


# Sums


def test_the_figures_are_those_of_the_decision() -> None:
    found, h = a_hall()
    decision, grounds = grounds_of(found)
    assert decision.decision == "change"
    assert grounds.other_polarity is not None
    assert grounds.present is not None
    assert grounds.change == decision.candidate
    assert grounds.other_polarity.change[0] == -decision.candidate[0]
    assert grounds.other_polarity.margin_db == pytest.approx(decision.cost_if_wrong_db, abs=1e-9)
    gain, _, _ = gain_of(found, ["sub"], changes_of({("sub",): decision}))
    assert grounds.present.margin_db == pytest.approx(gain, abs=1e-6)
    mask = found.audience.own([1])
    for rival in (grounds.other_polarity, grounds.present, grounds.runner_up):
        assert rival is not None
        spelled = scores(found, h, grounds.change, mask) - scores(found, h, rival.change, mask)
        assert rival.margin_db == pytest.approx(spelled, abs=1e-3)  # responses are held in single precision


def test_seats_weighted_by_their_bands_give_the_whole() -> None:
    found, _ = a_hall()
    _, grounds = grounds_of(found)
    assert grounds.other_polarity is not None
    assert grounds.runner_up is not None
    n = np.array([seat.n_cells for seat in grounds.seats.values()])
    assert n.sum() == found.audience.own([1]).sum()
    assert len(set(n)) > 1
    for rival, name in ((grounds.other_polarity, "polarity"), (grounds.runner_up, "runner_up")):
        per_seat = np.array([getattr(seat, f"{name}_margin_db") for seat in grounds.seats.values()])
        assert n @ per_seat / n.sum() == pytest.approx(rival.margin_db, abs=1e-9)


def test_without_a_seat_the_rest_is_judged() -> None:
    """The cost against the best of the other seats, over both polarities and the delays searched, spelled out."""
    found, h = a_hall()
    decision, grounds = grounds_of(found)
    own = found.audience.own([1])
    seat = "audience 2"
    rest = own & (found.audience.position != 2)
    here = scores(found, h, decision.candidate, rest)
    near = np.arange(-12.0, 4.01, 0.2)
    best = max(scores(found, h, (sign, float(d)), rest) for sign in (1.0, -1.0) for d in near)
    assert grounds.seats[seat].left_out_cost_db == pytest.approx(max(best - here, 0.0), abs=0.01)
    assert grounds.seats[seat].holds_left_out is bool(best - here <= RIGHT_DB)


def test_a_seat_that_carries_the_answer_alone_is_told() -> None:
    """A seat of three times the weight asks for the turn, the other for none: without the first the turn is wrong."""
    h = np.zeros((2, 2, N_LINES), dtype=np.complex128)
    for p, sign in enumerate((-1.0, 1.0)):
        h[0, p] = closed(45.0) * delay(20.0)
        h[1, p] = sign * closed(45.0) * delay(20.0)
    positions = seats(2)
    positions[0] = replace(positions[0], weight=3.0)
    fixed = replace(SUB, adjust="polarity")
    found = context([MAIN, fixed], positions, h)
    _, grounds = grounds_of(found)
    first, second = (grounds.seats[f"audience {k}"] for k in (0, 1))
    assert grounds.change == (-1.0, 0.0)
    assert first.polarity_margin_db > 10.0 > 0.0 > second.polarity_margin_db
    assert first.holds_left_out is False
    assert second.holds_left_out is True


def test_one_seat_alone_cannot_be_left_out() -> None:
    h, arrivals = hall(3, 6.0, -1.0, n_seats=1)
    _, grounds = grounds_of(context([MAIN, SUB], seats(1), h, arrivals=arrivals))
    (seat,) = grounds.seats.values()
    assert seat.holds_left_out is None
    assert math.isnan(seat.left_out_cost_db)


def test_a_monitor_has_grounds_on_stage_alone() -> None:
    rng = np.random.default_rng(5)
    h = np.stack([np.stack([s * closed(50.0) * delay(12.0) * room(rng, 0.2) for _ in range(3)]) for s in (1.0, -1.0)])
    h[1, 0] *= 0.05
    wedge = Output("wedge", "monitor", adjust="polarity")
    found = context([MAIN, wedge], [*seats(1), *seats(2, "stage")], h)
    decision, grounds = grounds_of(found, "wedge")
    assert decision.decision == "change"
    assert grounds.other_polarity is not None
    assert grounds.other_polarity.margin_db == pytest.approx(decision.cost_if_wrong_db, abs=1e-9)
    assert set(grounds.seats) == {"stage 0", "stage 1"}


def test_a_price_in_the_audience_has_grounds_there() -> None:
    rng = np.random.default_rng(5)
    h = np.stack([np.stack([s * closed(50.0) * delay(12.0) * room(rng, 0.2) for _ in range(3)]) for s in (1.0, -1.0)])
    h[1, 0] *= -0.5  # at the seat it adds as it is
    wedge = Output("wedge", "monitor", adjust="polarity")
    found = context([MAIN, wedge], [*seats(1), *seats(2, "stage")], h)
    decision, grounds = grounds_of(found, "wedge")
    assert decision.decision == "keep"
    assert grounds.claim == SPARES
    assert set(grounds.seats) == {"audience 0"}
    assert grounds.other_polarity is not None
    assert f"take {grounds.other_polarity.margin_db:.1f} dB" in decision.reason


# What takes most


def spread(regret: list[float], heard_share: float = 1.0) -> Spread:
    return Spread(np.array(regret), np.ones(len(regret)), np.zeros(len(regret)), heard_share)


@pytest.mark.parametrize(
    ("one", "first"),
    [
        (spread([0.0] * 7 + [1.5]), SCATTER),
        (spread([0.45] * 8), SHORTFALL),
        (spread([0.0] * 8, heard_share=0.4), NOISE),
        (spread([0.0, 0.1] * 4), None),
    ],
)
def test_what_takes_most_of_a_setting_comes_first(one: Spread, first: str | None) -> None:
    limits = settings_limits(one)
    assert (limits[0].cause if limits else None) == first
    assert all(limit.without > settings_confidence(one) for limit in limits)
    assert [limit.without for limit in limits] == sorted((limit.without for limit in limits), reverse=True)


def test_without_a_cause_the_confidence_is_what_it_would_be() -> None:
    """Each cause taken out of the resamples themselves: their scatter, their mean, what noise hides."""
    one, noisy = spread([0.1, 0.5] * 4, heard_share=0.9), spread([0.0] * 8, heard_share=0.5)
    found = {limit.cause: limit.without for limit in (*settings_limits(one), *settings_limits(noisy))}
    assert found[SCATTER] == settings_confidence(spread([0.3] * 8, heard_share=0.9))
    assert found[SHORTFALL] == pytest.approx(settings_confidence(spread([-0.2, 0.2] * 4, heard_share=0.9)))
    assert found[NOISE] == settings_confidence(replace(noisy, heard_share=1.0))


def test_what_takes_most_of_a_margin_comes_first() -> None:
    assert margin_limits(0.3, 0.0, 0.6)[0].cause == SCATTER
    assert margin_limits(0.1, 0.4, 0.1)[0].cause == SHORTFALL
    assert margin_limits(0.1, 0.0, 0.0)[0].cause == MODEL
    assert margin_limits(2.0, 0.0, 0.1) == ()


def test_what_takes_next_to_nothing_is_not_named() -> None:
    assert limits_of(0.99, {"a": 0.994, "b": 0.98}) == ()
    assert limits_of(0.7, {"a": 0.8, "b": 0.705}) == (Limit("a", 0.8),)


def test_causes_that_hold_it_down_together_do_not_hide_behind_each_other() -> None:
    assert limits_of(0.7, {"a": 0.701, "b": 0.705, "c": 0.6}) == (Limit("b", 0.705),)
    assert limits_of(0.7, {"a": 0.7, "b": 0.6}) == ()


# Arrivals

SURE = {"main": 0.99, "fill": 0.99}


def alignment_grounds(
    change_ms: float = 0.0, std_ms: float = 0.02, sure: dict[str, float] | None = None, is_right: bool = True
) -> TimingGrounds:
    """Grounds of a fill that needs 2 ms at one seat and 2.4 ms at another, set to `change_ms`."""
    fill = Output("fill", "fill", setting=Setting(5.0))
    signs = Signs({"main": 1, "fill": 1}, {"main": 1, "fill": 1}, sure or SURE, {}, {})
    arrivals = {("main", "audience 0"): (30.0, std_ms), ("fill", "audience 0"): (28.0, std_ms)}
    arrivals |= {("main", "audience 1"): (40.0, std_ms), ("fill", "audience 1"): (37.6, std_ms)}
    h = np.ones((2, 2, N_LINES), dtype=np.complex128)
    found = context([MAIN, fill], seats(2), h, arrivals=arrivals, signs=signs)
    alignment = Alignment(2.2, std_ms, ("audience 0", "audience 1"), 0.2)
    return timing_grounds(found, [fill], alignment, (1.0, change_ms), is_right)


def test_an_alignment_says_how_late_it_comes_out() -> None:
    grounds = alignment_grounds(change_ms=2.35, std_ms=0.12)
    assert grounds.late_ms == pytest.approx(0.15)
    assert grounds.std_ms == pytest.approx(0.13)  # 0.12 and the model's 0.05, root of the sum of squares
    assert {seat: one.late_ms for seat, one in grounds.seats["fill"].items()} == pytest.approx(
        {"audience 0": 0.35, "audience 1": -0.05}
    )
    # without the first seat the other asks for 2.4 ms, without the second for 2.0 ms
    assert [one.holds_left_out for one in grounds.seats["fill"].values()] == [True, False]


@pytest.mark.parametrize(
    ("grounds", "first"),
    [
        (alignment_grounds(2.2, std_ms=0.4), ARRIVAL),
        (alignment_grounds(1.0), OUT_OF_REACH),
        (alignment_grounds(2.2, sure={"main": 0.99, "fill": 0.7}), OWN_WIRING),
        (alignment_grounds(2.2, sure={"main": 0.7, "fill": 0.99}), REFERENCE_WIRING),
        (alignment_grounds(2.2, is_right=False), NOT_TURNED),
        (alignment_grounds(2.2, sure={"main": MOST, "fill": MOST}), None),
    ],
)
def test_what_takes_most_of_an_alignment_comes_first(grounds: TimingGrounds, first: str | None) -> None:
    assert (grounds.limits[0].cause if grounds.limits else None) == first


def test_an_alignment_has_the_figures_of_its_decision() -> None:
    fill = Output("fill", "fill", setting=Setting(5.0), align_at=("audience 0",))
    arrivals = {("main", "audience 0"): (30.0, 0.1), ("fill", "audience 0"): (28.0, 0.1)}
    signs = Signs({"main": 1, "fill": 1}, {"main": 1, "fill": 1}, {"main": 0.97, "fill": 0.9}, {}, {})
    found = context([MAIN, fill], seats(1), np.ones((2, 1, N_LINES)), arrivals=arrivals, signs=signs)
    decision = decide_all(found)["fill",]
    grounds = decision.grounds()
    assert isinstance(grounds, TimingGrounds)
    assert grounds.change == decision.change
    assert grounds.polarity_confidence == decision.polarity_confidence == alike(0.97, 0.9)
    without = {limit.cause: limit.without for limit in grounds.limits}
    timing = decision.confidence / decision.polarity_confidence
    assert without[OWN_WIRING] == pytest.approx(timing * 0.97)


# Per output


def test_every_position_says_what_it_reads_with_its_microphone_taken_out() -> None:
    """Two microphones, the second inverted: what it reads of every output is turned back."""
    evidence = {(o, p): (-6.0 if p == "audience 1" else 6.0) for o in ("main", "sub") for p in _SEATS}
    evidence["sub", "audience 2"] = -1.0
    signs = solve_signs(evidence)
    assert signs.microphone_sign["audience 1"] == -1
    found, _ = a_hall()
    rows = [_heard(o, p) for o, p in evidence] + [_heard("main", "audience 0")]
    main, sub = output_grounds(found.sound_check, {}, evidence, signs, found.arrivals, rows)
    assert [one.is_microphone_inverted for one in main.positions] == [False, True, False, False]
    assert [one.n_captures for one in main.positions] == [2, 1, 1, 1]
    assert {round(one.normal_probability, 9) for one in main.positions} == {round(own_confidence(6.0), 9)}
    assert sub.positions[2].normal_probability == pytest.approx(1.0 - own_confidence(1.0))
    assert main.normal_probability == signs.confidence["main"]
    assert main.setting is None
    assert (sub.positions[0].arrival_ms, sub.positions[0].arrival_std_ms) == found.arrivals["sub", "audience 0"]


_SEATS = tuple(f"audience {k}" for k in range(4))


def _heard(output: str, position: str, level_db: float = -30.0, arrival_ms: float = 10.0) -> Arrival:
    known = {"capture": "take", "output": output, "position": position, "zone": "audience", "level_db": level_db}
    known |= {"arrival_ms": arrival_ms}
    words = dict.fromkeys(("polarity", "own_polarity"), "normal")
    names = [n for n in Arrival.__dataclass_fields__ if n not in known and n not in words]
    return Arrival(**known, **words, **dict.fromkeys(names, 1.0))  # type: ignore[arg-type]


def test_where_an_output_was_not_heard_nothing_is_said() -> None:
    evidence = {("main", "audience 0"): 6.0}
    found, _ = a_hall()
    rows = [_heard("main", "audience 0"), _heard("main", "audience 1", math.nan, math.nan)]
    rows.append(_heard("main", "audience 2", math.nan))  # too faint for any band, and its arrival told
    main, sub = output_grounds(found.sound_check, {}, evidence, solve_signs(evidence), found.arrivals, rows)
    assert [one.position for one in main.positions] == ["audience 0", "audience 2"]
    assert sub.positions == ()
    assert math.isnan(sub.normal_probability)
