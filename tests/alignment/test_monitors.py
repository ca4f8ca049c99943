"""Monitors: their polarity on stage, judged last and together; in doubt left alone; the trick and its price."""

from __future__ import annotations

import math

import numpy as np
import pytest
from alignment_making import (
    N_LOW,
    Spectrum,
    closed,
    context,
    delay,
    low_pass,
    room,
    seats,
    signs_of,
    spelled_out_db,
    turned,
    vented,
)

from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.monitors import decide_monitors, monitor_trick
from analyze.alignment.recommend import decide_all
from analyze.description import Output, Setting

MAIN = Output("main", "main")


def wedge(name: str = "wedge", polarity: str = "normal", adjust: str = "polarity", **values: object) -> Output:
    return Output(name, "monitor", setting=Setting(0.0, polarity), adjust=adjust, **values)  # type: ignore[arg-type]


def stage(signs: list[float], n_stage: int = 3, level: float = 1.0, seed: int = 1) -> Spectrum:
    """A main heard on stage and wedges of these signs, each loud at its own place; one seat in the audience first."""
    rng = np.random.default_rng(seed)
    h = np.zeros((1 + len(signs), 1 + n_stage, len(closed(50.0))), dtype=np.complex128)
    for p in range(1 + n_stage):
        h[0, p] = (1.0 if p else 2.0) * closed(45.0) * delay(12.0) * room(rng, 0.2, longest_ms=20.0)
        for k, sign in enumerate(signs):
            gain = level * (1.2 if p else 0.05) * (1.0 - 0.1 * k)
            h[1 + k, p] = sign * gain * closed(60.0) * delay(11.0) * room(rng, 0.2, longest_ms=20.0)
    return h


def on_stage(h: Spectrum, outputs: list[Output], n_stage: int = 3, **values: object) -> Context:
    return context([MAIN, *outputs], [*seats(1), *seats(n_stage, "stage")], h, **values)  # type: ignore[arg-type]


def decided(found: Context, name: str = "wedge") -> Decision:
    return decide_all(found)[(name,)]


def score_of(found: Context, h: Spectrum, changes: dict[str, tuple[float, float]]) -> float:
    return spelled_out_db(turned(h[..., :N_LOW], list(found.responses.outputs), changes), found.stage)


def test_a_monitor_against_the_mains_is_turned_over() -> None:
    h = stage([-1.0])
    found = on_stage(h, [wedge()])
    decision = decided(found)
    assert (decision.decision, decision.change) == ("change", (-1.0, 0.0))
    gain = score_of(found, h, {"wedge": (-1.0, 0.0)}) - score_of(found, h, {})
    assert gain > 1.0
    assert decision.cost_if_wrong_db == pytest.approx(gain, abs=0.01)
    assert f"{gain:.1f} dB" in decision.reason
    assert decision.confidence > 0.9
    assert decision.polarity_confidence > 0.9


def in_the_audience(h: Spectrum, level: complex) -> Spectrum:
    """The same with the wedge heard at the seat so loud, adding to the main there as it is."""
    out = h.copy()
    out[1, 0] = level * out[0, 0]
    return out


@pytest.mark.parametrize("level", [0.5, 0.8])
def test_the_audience_does_not_pay_for_the_stage(level: float) -> None:
    """Against the mains on stage, with them at the seat: turned over it would take 9.5 and 19.1 dB there."""
    decision = decided(on_stage(in_the_audience(stage([-1.0]), level), [wedge()]))
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))
    assert decision.cost_if_wrong_db < -1.0
    taken_db = float(decision.reason.split(" and take ")[1].split(" dB from the sum in the audience")[0])
    assert taken_db == pytest.approx(20.0 * math.log10((1.0 + level) / (1.0 - level)), abs=0.06)
    assert decision.confidence > 0.95
    assert "if the stage comes first" in decision.alternative


def test_of_two_the_one_that_costs_nothing_is_turned() -> None:
    """Two wedges, each against the mains at a place of its own on stage; one of them adds at the seat."""
    h = in_the_audience(stage([-1.0, -1.0]), 0.5)
    h[1, 2:], h[2, 1] = 0.0, 0.0
    decisions = decide_all(on_stage(h, [wedge("one"), wedge("two")]))
    assert decisions["one",].decision == "keep"
    assert decisions["two",].change == (-1.0, 0.0)


def test_a_small_loss_in_the_audience_is_in_doubt() -> None:
    """0.12 dB at the seats, just over what may be lost: the model may be wrong by more; the reason says the mend."""
    decision = decided(on_stage(in_the_audience(stage([-1.0]), 0.5 * np.exp(1j * np.radians(89.0))), [wedge()]))
    assert (decision.decision, decision.change) == ("undecided", (1.0, 0.0))
    assert "Record wedge at the seats again" in decision.reason


def test_nothing_is_said_of_an_audience_that_does_not_hear_it() -> None:
    assert "audience" not in decided(on_stage(in_the_audience(stage([-1.0]), 0.0), [wedge()])).reason


def test_a_monitor_that_adds_is_left() -> None:
    h = stage([1.0])
    found = on_stage(h, [wedge()])
    decision = decided(found)
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))
    cost = score_of(found, h, {}) - score_of(found, h, {"wedge": (-1.0, 0.0)})
    assert decision.cost_if_wrong_db == pytest.approx(cost, abs=0.01)
    assert cost > 1.0


def test_the_present_setting_is_what_is_turned() -> None:
    """A monitor set inverted that adds as it is stays inverted."""
    decision = decided(on_stage(stage([1.0]), [wedge(polarity="inverted")]))
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))


def quarter(gain_db: float) -> Spectrum:
    """A monitor a quarter turn off, tilted so that turning it over gains this much, on stage and level alike."""
    box = closed(45.0)
    low, high = -40.0, 40.0
    h = np.zeros((2, 4, len(box)), dtype=np.complex128)
    for _ in range(60):
        off = 0.5 * (low + high)
        h[0], h[1] = box, -box * np.exp(1j * np.radians(90.0 + off))
        ahead = np.abs(h[0, 0, 80] - h[1, 0, 80]) / np.abs(h[0, 0, 80] + h[1, 0, 80])
        low, high = (off, high) if 20.0 * math.log10(ahead) > gain_db else (low, off)
    return h


@pytest.mark.parametrize(("gain_db", "is_turned"), [(0.3, False), (0.45, False), (0.7, True), (2.0, True)])
def test_only_what_counts_is_changed(gain_db: float, is_turned: bool) -> None:
    """More than half a decibel, which counts as right anyway."""
    h = quarter(gain_db)
    found = on_stage(h, [wedge()], spread=0.0)
    assert score_of(found, h, {"wedge": (-1.0, 0.0)}) - score_of(found, h, {}) == pytest.approx(gain_db, abs=0.01)
    decision = decided(found)
    assert (decision.change == (-1.0, 0.0)) is is_turned
    assert decision.decision == ("change" if is_turned else "keep")


def test_in_doubt_it_is_left() -> None:
    """A gain of 1 dB, but the resampled takes disagree on its sign."""
    h = quarter(1.0)
    found = on_stage(h, [wedge()], spread=0.0)
    replicates = found.replicates.copy()
    replicates[::2, 1] *= -1.0
    object.__setattr__(found, "replicates", replicates)
    assert decided(found).change == (1.0, 0.0)


def test_monitors_are_judged_together() -> None:
    """Two wedges that meet each other and the mains; the best of all four states is found."""
    for signs in ([1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, 1.0]):
        h = stage(signs)
        outputs = [wedge("one"), wedge("two")]
        found = on_stage(h, outputs)
        decisions = decide_all(found)
        changes = {n: decisions[(n,)].change for n in ("one", "two")}
        states = [{"one": (a, 0.0), "two": (b, 0.0)} for a in (1.0, -1.0) for b in (1.0, -1.0)]
        best = max(states, key=lambda state: score_of(found, h, state))
        assert changes == best
        assert [changes["one"][0], changes["two"][0]] == signs


def test_as_few_as_the_stage_asks_for() -> None:
    """Of two states that are as good to half a decibel the one with fewer changes is taken."""
    h = stage([-1.0, -1.0])
    h[2, 1:] = 1j * h[1, 1:] * 0.35  # a quarter turn off: its polarity hardly counts
    found = on_stage(h, [wedge("one"), wedge("two")])
    decisions = decide_all(found)
    assert decisions["one",].change == (-1.0, 0.0)
    assert decisions["two",].change == (1.0, 0.0)


def test_mains_and_subs_stand_as_recommended() -> None:
    """A sub that is turned over by the recommendation is what the monitor is judged against."""
    box = vented(40.0) * low_pass(160.0)
    h = np.zeros((3, 4, len(box)), dtype=np.complex128)
    h[0] = 0.05 * closed(45.0)
    h[1], h[2] = -box, -box
    outputs = [Output("sub", "sub"), wedge()]
    found = on_stage(h, outputs)
    alone = decide_monitors(found, [("wedge",)], {})[0]
    against = decide_monitors(found, [("wedge",)], {"sub": (-1.0, 0.0)})[0]
    assert alone.change == (1.0, 0.0)
    assert against.change == (-1.0, 0.0)


def test_what_does_no_harm_in_the_audience_is_turned() -> None:
    """A wedge that the seats hear far off in time, adding neither way up, and that fights the mains on stage."""
    h = stage([-1.0])
    h[1, 0] = 0.01 * closed(45.0) * delay(12.0)
    assert decided(on_stage(h, [wedge()])).change == (-1.0, 0.0)


def test_delays_where_they_are_allowed() -> None:
    """`adjust = "both"`: the best pair on stage; `polarity` alone never moves."""
    rng = np.random.default_rng(4)
    h = np.zeros((2, 3, len(closed(50.0))), dtype=np.complex128)
    for p in range(3):
        h[0, p] = closed(45.0) * delay(15.0) * room(rng, 0.2)
        h[1, p] = 1.2 * closed(60.0) * delay(11.0) * room(rng, 0.2)
    found = on_stage(h, [wedge(adjust="both")], 2)
    sign, delay_ms = decided(found).change
    best = max(score_of(found, h, {"wedge": (s, float(d))}) for s in (1.0, -1.0) for d in np.arange(0.0, 30.0, 0.1))
    assert score_of(found, h, {"wedge": (sign, delay_ms)}) > best - 0.05
    assert delay_ms > 1.0
    assert decided(on_stage(h, [wedge()], 2)).change[1] == 0.0


# Nothing to judge


def test_what_is_not_to_be_adjusted_is_kept() -> None:
    for h in (stage([-1.0]), np.where(np.arange(2)[:, None, None] == 1, np.nan, stage([-1.0]))):
        decision = decided(on_stage(h, [wedge(adjust="none")]))
        assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))


def test_what_was_not_measured_is_undecided() -> None:
    h = stage([-1.0])
    h[1] = np.nan
    decision = decided(on_stage(h, [wedge()]))
    assert (decision.decision, decision.change) == ("undecided", (1.0, 0.0))
    assert np.isnan(decision.confidence)
    assert "wedge" in decision.reason


def test_what_meets_nothing_on_stage_is_kept() -> None:
    h = stage([-1.0, 1.0])
    h[1] *= 0.01
    decision = decided(on_stage(h, [wedge(), wedge("other")]))
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))
    assert "Meets no other output" in decision.reason


def test_without_a_microphone_on_stage_nothing_is_turned() -> None:
    h = stage([-1.0])[:, :1]
    h[1] *= 20.0
    found = context([MAIN, wedge()], seats(1), h)
    assert decided(found).change == (1.0, 0.0)
    assert decided(found).decision == "keep"


@pytest.mark.parametrize(("sign", "decision"), [(-1.0, "change"), (1.0, "keep")])
def test_a_monitor_that_is_wired_inverted_is_to_be_mended(sign: float, decision: str) -> None:
    """Whether turning it over helps or not, the reason names the wiring."""
    found = on_stage(stage([sign]), [wedge()], signs=signs_of({"main": 1, "wedge": -1}))
    assert decided(found).decision == decision
    assert "wired inverted" in decided(found).reason
    upright = on_stage(stage([sign]), [wedge()], signs=signs_of({"main": 1, "wedge": 1}))
    assert "wired inverted" not in decided(upright).reason


def test_a_monitor_is_not_turned_against_another_one_that_is_to_be_mended() -> None:
    """Two wedges far louder than the main fight, for one is wired inverted, and its device cannot turn it over.

    Turning the other one adds now what it takes once that is mended; with the first wired right it is turned.
    """
    h = stage([-1.0, 1.0], level=8.0)
    h[2, 1:] = 1.1 * h[1, 1:] * -1.0
    pair = [wedge("a", can_invert=False), wedge("b")]
    upright = decided(on_stage(h, pair, signs=signs_of({"main": 1, "a": 1, "b": 1})), "b")
    assert (upright.decision, upright.change) == ("change", (-1.0, 0.0))
    found = on_stage(h, pair, signs=signs_of({"main": 1, "a": -1, "b": 1}))
    decision = decided(found, "b")
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))
    now = score_of(found, h, {"b": (-1.0, 0.0)}) - score_of(found, h, {})
    mended = {"a": (-1.0, 0.0)}
    once = score_of(found, h, {**mended, "b": (-1.0, 0.0)}) - score_of(found, h, mended)
    assert once < -1.0 < 1.0 < now
    assert f"would add {now:.1f} dB of low end on stage, and take {-once:.1f} dB once a is mended." in decision.reason
    assert decision.alternative.endswith("as long as a is not mended")
    assert decision.confidence > 0.9


def test_a_monitor_that_is_right_with_or_without_the_wire_of_another_one_is_turned() -> None:
    h = stage([-1.0, -1.0], level=0.7)
    h[2, 1:] *= 1.0 - 0.97 * (np.arange(3) == 0)[:, None]  # each is loud at a place of its own
    h[1, 2:] *= 0.03
    found = on_stage(h, [wedge("a", can_invert=False), wedge("b")], signs=signs_of({"main": 1, "a": -1, "b": 1}))
    assert decided(found, "b").decision == "change"


@pytest.mark.parametrize(("wired", "words"), [(-1, "if it was, mend its wiring and set normal"), (1, "")])
def test_a_monitor_that_is_set_inverted_is_not_for_that_wired_so(wired: int, words: str) -> None:
    found = on_stage(stage([1.0]), [wedge(polarity="inverted")], signs=signs_of({"main": 1, "wedge": wired}))
    assert decided(found).decision == "keep"
    assert words in decided(found).reason
    assert ("sounds normal" in decided(found).reason) is (wired < 0)
    assert "Yet" not in decided(found).reason


# The trick


def level_db(found: Context, h: Spectrum, sign: float, fader_db: float) -> float:
    """Mean level on stage in the wedge's cells, by loops."""
    cells = found.stage
    own = np.flatnonzero(cells.own([1]))
    moved = h.copy()
    moved[1] *= sign * 10.0 ** (fader_db / 20.0)
    energy = [(np.abs(moved[:, cells.position[c], cells.first[c] : cells.stop[c]].sum(axis=0)) ** 2).sum() for c in own]
    return float(np.mean(10.0 * np.log10(energy)))


def test_the_trick_is_shown_with_its_price() -> None:
    """What it takes from the low end, what a fader move of 3 dB up or down leaves of it, what it does to the seats."""
    h = stage([1.0])
    h[1, 0] = 0.6 * h[0, 0]
    found = on_stage(h, [wedge()])
    trick = monitor_trick(found, ("wedge",), {})
    assert trick is not None
    assert trick.output == "wedge"
    thinner = level_db(found, h, -1.0, 0.0) - level_db(found, h, 1.0, 0.0)
    assert trick.thinner_db == pytest.approx(thinner, abs=0.01)
    assert thinner < -3.0
    after = max(level_db(found, h, -1.0, f) - level_db(found, h, 1.0, f) for f in (3.0, -3.0))
    assert trick.after_fader_db == pytest.approx(after, abs=0.01)
    low = h[..., :N_LOW]
    audience = spelled_out_db(turned(low, ["main", "wedge"], {"wedge": (-1.0, 0.0)}), found.audience)
    assert trick.audience_db == pytest.approx(audience - spelled_out_db(low, found.audience), abs=0.01)


def test_the_trick_of_two_equal_outputs_is_fragile() -> None:
    """Closed form: inverted against equal and a fader 3 dB off, 20 log10((1 - r) / (1 + r)) = -15.3 dB is left."""
    h = np.ones((2, 4, len(closed(50.0))), dtype=np.complex128)
    trick = monitor_trick(on_stage(h, [wedge()]), ("wedge",), {})
    assert trick is not None
    assert trick.thinner_db < -80.0
    assert trick.after_fader_db == pytest.approx(-15.337, abs=0.01)


def test_there_is_no_trick_where_it_meets_nothing() -> None:
    assert monitor_trick(on_stage(stage([1.0], level=0.01), [wedge()]), ("wedge",), {}) is None
    assert monitor_trick(context([MAIN, wedge()], seats(1), stage([1.0])[:, :1]), ("wedge",), {}) is None
    only_stage = context([MAIN, wedge()], seats(3, "stage"), stage([1.0])[:, 1:])
    trick = monitor_trick(only_stage, ("wedge",), {})
    assert trick is not None
    assert math.isnan(trick.audience_db)


@pytest.mark.parametrize("is_sub_there", [True, False])
def test_without_the_subs_on_stage_nothing_is_turned(is_sub_there: bool) -> None:
    """The low end on stage is largely theirs: a monitor that is judged against the mains alone is left."""
    h = stage([-1.0])
    sub = np.full((1, *h.shape[1:]), np.nan, dtype=np.complex128)
    sub[0, 0] = 1.5 * vented(35.0) * low_pass(100.0) * delay(12.0)
    if is_sub_there:
        sub[0, 1:] = 0.3 * sub[0, 0]
    decision = decided(on_stage(np.concatenate([h, sub]), [wedge(), Output("sub", "sub")]))
    assert decision.decision == ("change" if is_sub_there else "keep")
    assert ("not measured on stage" in decision.reason) is not is_sub_there


def test_where_one_sub_of_two_was_not_measured_on_stage_nothing_is_turned() -> None:
    h = stage([-1.0])
    sub = np.full((2, *h.shape[1:]), np.nan, dtype=np.complex128)
    sub[:, 0] = 1.5 * vented(35.0) * low_pass(100.0) * delay(12.0)
    sub[0, 1:] = 0.3 * sub[0, 0]
    outputs = [wedge(), Output("sub left", "sub"), Output("sub right", "sub")]
    decision = decided(on_stage(np.concatenate([h, sub]), outputs))
    assert decision.decision == "keep"
    assert decision.reason.startswith("Kept: sub right was not measured on stage, ")


def test_a_monitor_that_no_stage_microphone_was_in_a_take_of_says_so() -> None:
    """As where its take calls the position otherwise: louder would not help."""
    h = stage([1.0])
    h[1, 1:] = np.nan  # heard in the audience alone; another monitor stands where it was
    other = np.concatenate([h, stage([1.0])[1:]])
    rig = [wedge(), Output("wedge two", "monitor")]
    decision = decided(on_stage(other, rig))
    assert decision.decision == "keep"
    assert "no microphone on stage (" in decision.reason
    assert "is in a take of wedge" in decision.reason
