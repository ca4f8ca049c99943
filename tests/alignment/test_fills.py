"""Fills and towers: arrivals at the seats they are for, as late as asked, with the reference's sign."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from alignment_making import N_LINES, Changes, context, responses_of, seats, signs_of

from analyze.alignment.arrivals import Alignment, alignment_of, seats_for
from analyze.alignment.cells import third_octaves
from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.recommend import changes_of, decide_all
from analyze.description import Capture, Output, Setting, Track
from analyze.responses.wiring import Signs

Arrivals = dict[tuple[str, str], tuple[float, float]]

MAIN = Output("main", "main")
SEATS = ["audience 0", "audience 1", "audience 2"]


def tower(delay_ms: float = 30.0, polarity: str = "normal", name: str = "tower", **values: object) -> Output:
    return Output(name, "tower", setting=Setting(delay_ms, polarity), **values)  # type: ignore[arg-type]


def arrivals(late_ms: dict[str, list[float]], std_ms: float = 0.02) -> Arrivals:
    """Arrivals of the main at 40, 60, 80 ms, of the others so much later, seat by seat; NaN where not known."""
    out: Arrivals = {}
    for p, seat in enumerate(SEATS):
        main_ms = 40.0 + 20.0 * p
        out["main", seat] = (main_ms, std_ms)
        for name, late in late_ms.items():
            if p < len(late):
                out[name, seat] = (main_ms + late[p], std_ms)
    return out


def levels(outputs: list[Output], db: dict[str, list[float]] | None = None) -> np.ndarray:
    """Flat responses with a level per output and seat."""
    h = np.ones((len(outputs), 3, N_LINES), dtype=np.complex128)
    for i, output in enumerate(outputs):
        for p, level_db in enumerate((db or {}).get(output.name, [])):
            h[i, p] *= 10.0 ** (level_db / 20.0)
    return h


def hall(
    outputs: list[Output], found: Arrivals, signs: Signs | None = None, db: dict[str, list[float]] | None = None
) -> Context:
    everything = [MAIN, *outputs]
    return context(everything, seats(3), levels(everything, db), arrivals=found, signs=signs)


def decided(found: Context, group: tuple[str, ...] = ("tower",)) -> Decision:
    return decide_all(found)[group]


def change_of(found: Context, group: tuple[str, ...] = ("tower",)) -> tuple[float, float]:
    return decided(found, group).change


# Arrivals


@pytest.mark.parametrize(("late_ms", "later_ms"), [(-7.3, 0.0), (4.21, 0.0), (-7.3, 12.0), (0.9, 0.9), (5.0, -2.5)])
def test_arrivals_line_up_as_late_as_asked(late_ms: float, later_ms: float) -> None:
    output = tower(align_at=("audience 1",), later_ms=later_ms)
    decision = decided(hall([output], arrivals({"tower": [99.0, late_ms, -99.0]})))
    assert decision.change == (1.0, pytest.approx(later_ms - late_ms, abs=0.0051))
    assert decision.decision == ("keep" if late_ms == later_ms else "change")
    assert decision.confidence > 0.9
    present = f"{abs(late_ms):.2f} ms {'after' if late_ms > 0 else 'before'} main at present"
    then = f"{abs(later_ms):g} ms {'after' if later_ms > 0 else 'before'}" if later_ms else "with"
    words = {
        "change": f"At audience 1 it arrives {present}; as recommended {then} it, as asked.",
        "keep": f"At audience 1 it arrives {then} main, as asked.",
    }
    assert decision.reason == words[decision.decision]


def test_a_time_says_no_more_than_is_known() -> None:
    """An arrival known within 0.12 ms, the model's own 0.05 ms included, has no hundredths."""
    found = arrivals({"tower": [0.0, -7.3]})
    found["tower", "audience 1"] = (found["tower", "audience 1"][0], 0.11)
    decision = decided(hall([tower(align_at=("audience 1",))], found))
    assert "arrives 7.3 ms before main at present" in decision.reason


def test_the_mean_over_the_seats_counts() -> None:
    output = tower(align_at=("audience 0", "audience 2"))
    decision = decided(hall([output], arrivals({"tower": [-5.0, 50.0, -8.0]})))
    assert decision.change[1] == pytest.approx(6.5)
    assert "1.5 ms" in decision.reason
    assert decision.reason.startswith("On average over audience 0 and audience 2 it arrives 6.50 ms before main")


def test_seats_where_it_is_not_known_are_left_out() -> None:
    output = tower(align_at=("audience 0", "audience 2"))
    found = arrivals({"tower": [-5.0, 50.0]})
    assert change_of(hall([output], found))[1] == pytest.approx(5.0)
    found["tower", "audience 0"] = (math.nan, math.nan)
    undecided = decided(hall([output], found))
    assert undecided.decision == "undecided"
    assert undecided.change == (1.0, 0.0)
    assert "tower" in undecided.reason


def test_an_alignment_carries_its_spread() -> None:
    """Two seats: variances of both arrivals add, and halve with the mean; the error is the largest deviation."""
    found = {
        ("main", "a"): (10.0, 0.3),
        ("fill", "a"): (8.0, 0.4),
        ("main", "b"): (20.0, 0.6),
        ("fill", "b"): (16.0, 0.8),
    }
    alignment = alignment_of(Output("fill", "fill", later_ms=1.0), "main", ["a", "b", "c"], found)
    assert alignment == Alignment(
        pytest.approx(4.0), pytest.approx(math.sqrt(1.25) / 2.0), ("a", "b"), pytest.approx(1.0)
    )
    assert alignment_of(Output("fill", "fill"), "main", ["c"], found) is None
    sure, unsure = Alignment(1.0, 0.05, ("a",), 0.0), Alignment(1.0, 0.4, ("a",), 0.0)
    assert sure.confidence(sure.change_ms) > 0.99
    assert sure.confidence(sure.change_ms + 0.5) < 0.01  # a coarse step or the end of the range leaves it off
    # erf(0.3 / (0.403 sqrt 2)): within 0.3 ms of what was asked
    assert unsure.confidence(unsure.change_ms) == pytest.approx(0.543, abs=0.002)


@pytest.mark.parametrize(("std_ms", "is_sure"), [(0.05, True), (0.4, False)])
def test_an_arrival_that_is_not_sure_is_undecided(std_ms: float, is_sure: bool) -> None:
    output = tower(align_at=("audience 1",))
    decision = decided(hall([output], arrivals({"tower": [0.0, -7.3]}, std_ms)))
    assert (decision.decision == "change") is is_sure
    if not is_sure:
        assert decision.decision == "undecided"
        assert decision.change == (1.0, 0.0)
        assert decision.candidate[1] == pytest.approx(7.3)
        assert "37.30 ms" in decision.alternative


@pytest.mark.parametrize(("late_ms", "is_kept"), [(0.04, True), (-0.04, True), (0.2, False), (-0.2, False)])
def test_what_is_within_its_own_error_is_kept(late_ms: float, is_kept: bool) -> None:
    decision = decided(hall([tower(align_at=("audience 1",))], arrivals({"tower": [0.0, late_ms]})))
    assert (decision.decision == "keep") is is_kept
    assert (decision.change == (1.0, 0.0)) is is_kept


# Seats


def test_without_a_wish_the_seat_with_the_closest_levels_counts() -> None:
    found = arrivals({"tower": [-3.0, -5.0, -9.0]})
    db = {"tower": [-14.0, -3.0, 6.0]}
    assert change_of(hall([tower()], found, db=db))[1] == pytest.approx(5.0)
    db = {"tower": [-14.0, -12.0, 6.0]}
    assert change_of(hall([tower()], found, db=db))[1] == pytest.approx(9.0)


def test_closest_levels_are_those_of_250_hz_and_up_among_the_audience() -> None:
    h = levels([MAIN, tower()], {"tower": [20.0, 3.0, 0.0]})
    low = np.arange(N_LINES) / 1.4 < 200.0
    h[1, 1, low] *= 30.0
    responses = responses_of(h, ["main", "tower"], SEATS)
    thirds = third_octaves(responses)
    assert seats_for(tower(), "main", responses, thirds, SEATS[:2]) == ("audience 1",)
    assert seats_for(tower(), "main", responses, thirds, SEATS) == ("audience 2",)
    assert seats_for(tower(align_at=("audience 0",)), "main", responses, thirds, SEATS) == ("audience 0",)
    assert seats_for(tower(), "main", responses, thirds, []) == ()
    assert seats_for(tower(name="other"), "main", responses, thirds, SEATS) == ()
    h[1, 1:] = np.nan
    one = responses_of(h, ["main", "tower"], SEATS)
    assert seats_for(tower(), "main", one, third_octaves(one), SEATS) == ("audience 0",)


# Polarity


@pytest.mark.parametrize("reference", [(1, "normal"), (-1, "normal"), (1, "inverted"), (-1, "inverted")])
@pytest.mark.parametrize("own", [(1, "normal"), (-1, "normal"), (1, "inverted"), (-1, "inverted")])
def test_wiring_times_setting_is_that_of_the_reference(reference: tuple[int, str], own: tuple[int, str]) -> None:
    setting = {"normal": 1, "inverted": -1}
    main = Output("main", "main", setting=Setting(0.0, reference[1]))
    output = tower(polarity=own[1], align_at=("audience 1",))
    signs = signs_of({"main": reference[0], "tower": own[0]})
    found = context(
        [main, output], seats(3), levels([main, output]), arrivals=arrivals({"tower": [0, -4.0]}), signs=signs
    )
    sign, delay_ms = change_of(found)
    assert sign * own[0] * setting[own[1]] == reference[0] * setting[reference[1]]
    assert delay_ms == pytest.approx(4.0)


def test_a_polarity_alone_is_changed_without_a_delay() -> None:
    signs = signs_of({"main": 1, "tower": -1})
    decision = decided(hall([tower(align_at=("audience 1",))], arrivals({"tower": [0.0, 0.0]}), signs))
    assert (decision.decision, decision.change) == ("change", (-1.0, 0.0))


@pytest.mark.parametrize("unsure", ["main", "tower"])
def test_a_wiring_that_is_not_known_is_undecided(unsure: str) -> None:
    signs = signs_of({"main": 1, "tower": 1} | {unsure: 0})
    decision = decided(hall([tower(align_at=("audience 1",))], arrivals({"tower": [0.0, -4.0]}), signs))
    assert decision.decision == "undecided"
    assert decision.polarity_confidence == pytest.approx(0.6 * 0.99 + 0.4 * 0.01)
    assert decision.change == (1.0, 0.0)
    known = "Its arrival is: 4.0 ms later lines it up there; which polarity adds then is told by ear."
    assert decision.reason.endswith(known)
    for late_ms, std_ms in ((-4.0, 0.4), (0.0, 0.02)):  # not known either, or in time already
        found = arrivals({"tower": [0.0, late_ms]}, std_ms)
        assert known[:20] not in decided(hall([tower(align_at=("audience 1",))], found, signs)).reason


# Devices


@pytest.mark.parametrize(
    ("values", "late_ms", "expected_ms"),
    [
        ({"delay_step_ms": 0.5}, -7.3, 7.5),
        ({"max_delay_ms": 33.0}, -3.1, 3.0),
        ({"min_delay_ms": 28.0}, 2.1, -2.0),
        ({"adjust": "delay"}, -7.3, 7.3),
    ],
)
def test_the_device_limits_and_rounds(values: dict[str, object], late_ms: float, expected_ms: float) -> None:
    output = tower(align_at=("audience 1",), **values)
    decision = decided(hall([output], arrivals({"tower": [0.0, late_ms]})))
    assert decision.change == (1.0, pytest.approx(expected_ms))


@pytest.mark.parametrize(
    ("values", "late_ms"),
    [({"max_delay_ms": 33.0}, -7.3), ({"min_delay_ms": 28.0}, 7.0), ({"adjust": "polarity"}, 5.0)],
)
def test_what_is_out_of_reach_is_said(values: dict[str, object], late_ms: float) -> None:
    """Nothing that does not line up is called right; how much too early or late it is stands in the reason."""
    output = tower(align_at=("audience 1",), **values)
    decision = decided(hall([output], arrivals({"tower": [0.0, late_ms]})))
    assert decision.confidence < 0.8
    assert decision.decision == "undecided"
    assert f"{abs(late_ms):.2f} ms" in decision.reason
    assert ("early" if late_ms < 0 else "late") in decision.reason


def test_what_can_only_be_earlier_names_the_reference_s_delay() -> None:
    """At its shortest delay still 4 ms late: the reference would have to be 4 ms later."""
    output = tower(0.0, align_at=("audience 1",))
    decision = decided(hall([output], arrivals({"tower": [0.0, 4.0]})))
    assert "4.00 ms" in decision.alternative
    assert "main" in decision.alternative


def test_a_device_that_cannot_invert_is_not_told_to() -> None:
    signs = signs_of({"main": 1, "tower": -1})
    output = tower(align_at=("audience 1",), can_invert=False)
    decision = decided(hall([output], arrivals({"tower": [0.0, -4.0]}), signs))
    assert decision.candidate[0] == 1.0
    assert decision.confidence < 0.8


def test_what_is_not_to_be_adjusted_is_kept() -> None:
    for found in (arrivals({"tower": [0.0, -4.0]}), arrivals({})):
        decision = decided(hall([tower(adjust="none")], found))
        assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))


# Groups


def test_a_group_moves_as_one() -> None:
    """Two fills 4 and 5 ms early: both 4.5 ms later."""
    fills = [
        Output("l", "fill", group="fills", align_at=("audience 0",), setting=Setting(10.0)),
        Output("r", "fill", group="fills", align_at=("audience 2",), setting=Setting(12.0)),
    ]
    found = hall(fills, arrivals({"l": [-4.0, 0.0, 77.0], "r": [77.0, 0.0, -5.0]}))
    decisions = decide_all(found)
    assert decisions["l", "r"].change == (1.0, pytest.approx(4.5))
    changes: Changes = changes_of(decisions)
    assert changes == {"l": (1.0, pytest.approx(4.5)), "r": (1.0, pytest.approx(4.5))}


@pytest.mark.parametrize("recorded", [("left",), ("left", "right")])
def test_a_member_that_was_recorded_and_not_heard_leaves_the_group_undecided(recorded: tuple[str, ...]) -> None:
    """One side measured for both is common practice, no source; one side drowned in noise is not known."""
    pair = [tower(name=name, group="towers", align_at=("audience 1",)) for name in ("left", "right")]
    found = hall(pair, arrivals({"left": [0.0, -7.3]}))
    feeds = {name: Track("take.wav", k + 1) for k, name in enumerate(recorded)}
    captures = (Capture("alone", recorded, feeds=feeds, settings=dict.fromkeys(recorded, Setting(0.0, "normal"))),)
    decision = decided(replace(found, sound_check=replace(found.sound_check, captures=captures)), ("left", "right"))
    assert decision.candidate[1] == pytest.approx(7.3)
    if recorded == ("left",):
        assert decision.decision == "change"
    else:
        assert decision.decision == "undecided"
        assert decision.reason.startswith("right could not be heard at audience 1")
        assert "record right alone again" in decision.reason


def test_the_reference_is_the_named_output_not_its_group() -> None:
    mains = [Output("l", "main", group="m"), Output("r", "main", group="m")]
    output = tower(align_at=("audience 1",))
    found = {
        ("l", "audience 1"): (60.0, 0.02),
        ("r", "audience 1"): (70.0, 0.02),
        ("tower", "audience 1"): (50.0, 0.02),
    }
    everything = [*mains, output]
    for reference, expected_ms in (("l", 10.0), ("r", 20.0)):
        one = context(everything, seats(3), levels(everything), arrivals=found, reference=reference)
        assert change_of(one)[1] == pytest.approx(expected_ms)


def test_a_sub_as_reference_says_what_would_settle_it() -> None:
    """Its arrival is known to half a millisecond only: louder captures would not help, a main would."""
    found = {("sub", "audience 0"): (40.0, 0.45), ("tower", "audience 0"): (45.0, 0.02)}
    for mains, mend in (([], "Record a main alone where tower is heard"), ([MAIN], "Name main as reference")):
        everything = [Output("sub", "sub"), tower(align_at=("audience 0",)), *mains]
        decision = decided(context(everything, seats(3), levels(everything), arrivals=found))
        assert decision.decision == "undecided"
        assert mend in decision.reason


def test_captures_that_disagree_are_the_reason() -> None:
    everything = [MAIN, tower(align_at=("audience 0",))]
    found = arrivals({"tower": [5.0]}, std_ms=0.5)
    hall_of = context(everything, seats(3), levels(everything), arrivals=found, contradicted=frozenset({"tower"}))
    decision = decided(hall_of)
    assert decision.decision == "undecided"
    assert "Two captures of tower disagree" in decision.reason
