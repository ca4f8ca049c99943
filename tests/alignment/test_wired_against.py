"""Members of one group that are wired against each other: nothing is set for what cancels, nor against it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from alignment_making import N_LINES, Spectrum, closed, context, delay, low_pass, room, seats, signs_of, vented

from analyze.alignment.recommend import decide_all
from analyze.description import Output, Setting

POSITIONS = seats(3)
ARRIVALS = {("left", position.name): (20.0 + 15.0 * p, 0.02) for p, position in enumerate(POSITIONS)}


def main_and_sub() -> tuple[Spectrum, Spectrum]:
    """A main and a sub that is set wrong, each (1, position, line)."""
    rng = np.random.default_rng(1)
    h = np.zeros((2, 1, len(POSITIONS), N_LINES), dtype=np.complex128)
    for p in range(len(POSITIONS)):
        there_ms = 20.0 + 15.0 * p
        h[0, 0, p] = closed(48.0) * delay(there_ms) * room(rng, 0.3)
        h[1, 0, p] = -2.5 * vented(35.0) * low_pass(100.0) * delay(there_ms + 6.0) * room(rng, 0.3)
    return h[0], h[1]


def test_members_of_a_group_that_are_wired_opposite_are_undecided() -> None:
    subs = [Output(n, "sub", group="subs", setting=Setting(3.0)) for n in ("a", "b")]
    main, sub = main_and_sub()
    h = np.concatenate([main, sub, 0.9 * sub])
    outputs = [Output("left", "main"), *subs]
    same = context(outputs, POSITIONS, h, arrivals=ARRIVALS, signs=signs_of({"left": 1, "a": -1, "b": -1}))
    assert decide_all(same)["a", "b"].decision != "undecided"
    apart = context(outputs, POSITIONS, h, arrivals=ARRIVALS, signs=signs_of({"left": 1, "a": -1, "b": 1}))
    decision = decide_all(apart)["a", "b"]
    assert (decision.decision, decision.change) == ("undecided", (1.0, 0.0))
    assert "a" in decision.reason
    made_up = [dataclasses.replace(subs[0], setting=Setting(3.0, "inverted")), subs[1]]
    signs = signs_of({"left": 1, "a": -1, "b": 1})
    settled = context([outputs[0], *made_up], POSITIONS, h, arrivals=ARRIVALS, signs=signs)
    assert decide_all(settled)["a", "b"].decision != "undecided"


@pytest.mark.parametrize(
    ("opposite", "second", "is_decided"), [(0.9, "normal", False), (0.7, "normal", True), (0.9, "inverted", True)]
)
def test_twins_wired_opposite_of_which_either_may_be_wrong_are_undecided(
    opposite: float, second: str, is_decided: bool
) -> None:
    """Unless their settings make up for it."""
    subs = [Output(n, "sub", group="subs", setting=Setting(3.0, p)) for n, p in (("a", "normal"), ("b", second))]
    main, sub = main_and_sub()
    h = np.concatenate([main, sub, 0.9 * sub])
    signs = dataclasses.replace(signs_of({"left": 1, "a": 0, "b": 0}), opposite={("a", "b"): opposite})
    outputs = [Output("left", "main"), *subs]
    decision = decide_all(context(outputs, POSITIONS, h, arrivals=ARRIVALS, signs=signs))["a", "b"]
    assert (decision.decision != "undecided") is is_decided
    assert decision.reason.startswith("a and b are wired opposite to each other") is not is_decided
    assert "until then" not in decision.reason.lower()  # with the other one turned over it may be as wrong


def test_nothing_is_set_against_subs_of_the_reference_that_cancel() -> None:
    subs = [Output(n, "sub", group="subs") for n in ("a", "b")]
    main, sub = main_and_sub()
    h = np.concatenate([sub, 0.9 * sub, main])
    signs = dataclasses.replace(signs_of({"a": 0, "b": 0, "left": 1}), opposite={("a", "b"): 0.9})
    outputs = [*subs, Output("left", "main")]
    decisions = decide_all(context(outputs, POSITIONS, h, arrivals=ARRIVALS, signs=signs, reference="a"))
    assert decisions["a", "b"].decision == "reference"
    assert decisions["left",].decision == "undecided"
    assert "find out which of them is inverted" in decisions["left",].reason
