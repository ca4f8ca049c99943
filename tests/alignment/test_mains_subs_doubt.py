"""Mains and subs: what is not worth it, what is not sure, what is not there."""

from __future__ import annotations

import numpy as np
import pytest
from alignment_making import (
    FREQUENCY_HZ,
    N_LINES,
    N_LOW,
    closed,
    context,
    delay,
    hall,
    low_pass,
    seats,
)
from mains_subs_making import MAIN, decided, score_of, sub, wavering

from analyze.alignment.mains_subs import decide_mains_subs
from analyze.alignment.recommend import changes_of, decide_all
from analyze.description import Output


def test_of_seats_that_were_lost_nothing_is_claimed() -> None:
    """The same hall with responses at two of its four seats: the same setting, less surely."""
    h, arrivals = hall(1, 6.3, -1.0)
    h = np.concatenate([h, h[:, :1]], axis=1)
    lost = h.copy()
    lost[:, 2:] = np.nan
    whole, part = (context([MAIN, sub()], seats(4), values, arrivals=arrivals, spread=0.0) for values in (h, lost))
    assert (whole.measured_share(("sub",)), part.measured_share(("sub",))) == (1.0, 0.5)
    assert decided(part).decision == decided(whole).decision == "change"
    assert decided(part).confidence < 0.9 < 0.95 < decided(whole).confidence


def test_a_gain_only_far_under_the_others_is_left() -> None:
    """Where the sub meets the mains it is right; 12 dB under them it is not, and more bands would gain than lose."""
    tail = FREQUENCY_HZ > 100.0
    of_sub = np.where(tail, -0.25, 1.5).astype(np.complex128)
    h = np.stack([np.ones(N_LINES), np.ones(N_LINES), of_sub])[:, None].repeat(2, axis=1)
    mains = [Output("main", "main", group="mains"), Output("right", "main", group="mains")]
    found = context([*mains, sub()], seats(2), h)
    own = found.audience.own([2])
    assert 0.4 < own.mean() < 0.6
    later = {"sub": (1.0, 2.5)}
    assert score_of(found, h, later) > score_of(found, h, {}) + 0.2
    decision = decided(found)
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))


def test_a_gain_within_its_uncertainty_is_left() -> None:
    """The best setting gains 0.7 dB, but resampled takes waver by as much as it moves: nothing is changed."""
    box = closed(50.0)
    h = np.stack([box * delay(10.0), 0.9 * box * delay(10.8)])[:, None]
    sure = decided(wavering(h, 0.02, [MAIN, sub()]))
    unsure = decided(wavering(h, 0.8, [MAIN, sub()]))
    assert sure.decision == "change"
    assert unsure.change == (1.0, 0.0)
    assert unsure.decision in ("keep", "undecided")


# In doubt


def test_what_is_not_sure_is_undecided_and_keeps_its_setting() -> None:
    """Resampled takes in which the sub is early and late by 2.5 ms in turn: a candidate, and what would settle it."""
    h = np.stack([closed(50.0) * delay(10.0), -1.5 * closed(38.0) * low_pass(200.0) * delay(12.0)])[:, None]
    decision = decided(wavering(h, 2.5, [MAIN, sub()]))
    assert decision.decision == "undecided"
    assert decision.confidence < 0.8
    assert decision.change == (1.0, 0.0)
    assert decision.candidate != (1.0, 0.0)
    assert decision.alternative.startswith("candidate ")
    assert "record sub alone again" in decision.reason


def test_one_doubtful_group_does_not_hold_up_the_other() -> None:
    """It keeps its setting, and the other is set against it as it is."""
    h, arrivals = hall(2, 5.0, -1.0, n_subs=2)
    h[2] *= 0.5
    outputs = [MAIN, sub(12.0), sub(9.0, name="sub 1")]
    found = context(outputs, seats(3), h, arrivals=arrivals, spread=0.0)
    replicates = found.replicates.copy()
    for r in range(len(replicates)):
        replicates[r, 2] *= delay(4.0 * (-1.0) ** r)[:N_LOW]
    object.__setattr__(found, "replicates", replicates)
    first, second = decide_mains_subs(found, [("sub",), ("sub 1",)], {})
    assert second.decision == "undecided"
    assert first.decision == "change"
    assert [d.grounds().change for d in (first, second)] == [first.candidate, second.candidate]  # type: ignore[union-attr]
    alone = max(score_of(found, h, {"sub": (s, float(d))}) for s in (1.0, -1.0) for d in np.arange(-12.0, 20.0, 0.2))
    assert score_of(found, h, {"sub": first.change}) > alone - 0.05


# Nothing to decide


def test_what_was_not_measured_is_undecided() -> None:
    h, arrivals = hall(0, 6.3, -1.0, n_subs=2)
    h[2] = np.nan
    found = context([MAIN, sub(), sub(name="sub 1")], seats(3), h, arrivals=arrivals)
    assert decided(found).decision == "change"
    second = decided(found, ("sub 1",))
    assert (second.decision, second.change) == ("undecided", (1.0, 0.0))
    assert np.isnan(second.confidence)
    assert "sub 1" in second.reason


def test_a_group_measured_in_part_is_undecided() -> None:
    h, arrivals = hall(0, 6.3, -1.0, n_subs=2)
    members = [sub(20.0, group="subs"), sub(20.0, name="sub 1", group="subs")]
    whole = decided(context([MAIN, *members], seats(3), h, arrivals=arrivals), ("sub", "sub 1"))
    h[2] = np.nan
    part = decided(context([MAIN, *members], seats(3), h, arrivals=arrivals), ("sub", "sub 1"))
    assert whole.confidence > 0.9
    assert part.decision == "undecided"
    assert part.change == (1.0, 0.0)


@pytest.mark.parametrize("missing", [None, "sub", "main"])
def test_what_is_not_to_be_adjusted_is_never_undecided(missing: str | None) -> None:
    """Measured or not, with or without a reference."""
    h, arrivals = hall(0, 6.3, -1.0)
    if missing is not None:
        h[["main", "sub"].index(missing)] = np.nan
    found = context([MAIN, sub(adjust="none")], seats(3), h, arrivals=arrivals)
    decision = decided(found)
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))


def test_what_meets_nothing_does_not_matter() -> None:
    h, arrivals = hall(0, 6.3, -1.0)
    h[1] *= 0.01
    found = context([MAIN, sub()], seats(3), h, arrivals=arrivals)
    decision = decided(found)
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))
    assert "Meets no other output" in decision.reason


def test_the_order_of_groups_is_kept() -> None:
    h, arrivals = hall(2, 5.0, -1.0, n_subs=2)
    found = context([MAIN, sub(12.0), sub(9.0, name="sub 1")], seats(3), h, arrivals=arrivals)
    for order in ([("sub",), ("sub 1",)], [("sub 1",), ("sub",)]):
        assert [d.members for d in decide_mains_subs(found, order, {})] == order
    assert changes_of(decide_all(found)).keys() <= {"sub", "sub 1"}
