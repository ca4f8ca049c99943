"""Which outputs can be told apart when several sound at once, and the sentence that says what would settle the rest."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import RATE_HZ, delayed, summed

from analyze.description import Output
from analyze.responses.separation import (
    Separation,
    not_separable,
    separation_findings,
    separations,
    share_bands,
    without_reach,
)
from analyze.responses.transfer import responses_of

OUTPUTS = {"out 0": Output("out 0", "main"), "out 1": Output("out 1", "sub"), "wedge": Output("wedge", "monitor")}
ALONE = {"out 0": ("out 0",), "out 1": ("out 1",)}
TOGETHER = {"out 0": ("out 0", "out 1"), "out 1": ("out 0", "out 1")}


def found(common: float, unfed: tuple[str, ...] = (), groups: list[int] | None = None) -> list[Separation]:
    """Two outputs whose feeds share this part of their amplitude, heard by one microphone."""
    rng = np.random.default_rng(1)
    first, second = rng.standard_normal((2, 20 * RATE_HZ))
    feeds: list[NDArray[np.float64]] = [first, common * first + np.sqrt(1.0 - common**2) * second]
    heard = 0.5 * delayed(feeds[0], 0.01) - 0.3 * delayed(feeds[1], 0.02)
    cross = summed(feeds, [heard + 0.01 * rng.standard_normal(len(first))], np.array([[0.01], [0.02]]))
    responses = without_reach(responses_of(cross, rng, groups), OUTPUTS, unfed)
    return separations(cross, responses, OUTPUTS, unfed)


@pytest.mark.parametrize("common", [0.0, 0.6, 0.95])
def test_the_own_share_is_one_minus_the_coherence(common: float) -> None:
    """By chance 27 averages of unrelated feeds have 1/27 of their energy in common (Carter, Knapp & Nuttall 1973)."""
    for s in found(common):
        assert s.own_share == pytest.approx((1.0 - common**2) * (1.0 - 1.0 / 27.0), rel=0.05)
        assert s.untold < 0.01
        assert s.other != s.output
    assert not_separable(found(common)) == {}


def test_shares_by_octave_where_feeds_have_only_their_low_end_in_common() -> None:
    """The same below 100 Hz and nothing above: own share 0 up to the octave of 63 Hz, 1 from 250 Hz on."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(3)
    first, second = rng.standard_normal((2, 40 * RATE_HZ))
    low, high = (butter(8, 105.0, kind, fs=RATE_HZ, output="sos") for kind in ("low", "high"))
    feeds = [first, sosfilt(low, first) + sosfilt(high, second)]
    cross = summed(feeds, [first + 0.01 * second], np.zeros((2, 1)))
    rows = share_bands(cross, responses_of(cross, rng))
    shares = {(r.output, r.band_hz): r.own_share for r in rows}
    assert {r.capture for r in rows} == {cross.capture}
    for name in ("out 0", "out 1"):
        assert shares[name, 31.5] < 0.02
        assert shares[name, 63.0] < 0.1
        assert shares[name, 250.0] > 0.9
        assert shares[name, 500.0] > 0.95


def test_no_share_is_told_where_nothing_is_played() -> None:
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(3)
    low, other = rng.standard_normal((2, 20 * RATE_HZ))
    low = sosfilt(butter(8, 100.0, fs=RATE_HZ, output="sos"), low)
    cross = summed([low, other], [low + other], np.zeros((2, 1)))
    shares = {(r.output, r.band_hz): r.own_share for r in share_bands(cross, responses_of(cross, rng))}
    assert np.isnan(shares["out 0", 500.0])
    assert shares["out 1", 500.0] > 0.9


def test_small_shares_are_said_and_large_ones_not() -> None:
    assert separation_findings(found(0.6), ALONE) == []
    notes = separation_findings(found(0.95), ALONE)
    assert [(f.finding, f.severity, f.track, f.unit) for f in notes] == [
        ("feeds partly alike", "note", name, "%") for name in ("out 0", "out 1")
    ]
    assert notes[0].value == pytest.approx(9.4, abs=0.5)


def test_the_same_signal_cannot_be_told_apart() -> None:
    same = found(1.0)
    assert [s.untold for s in same] == pytest.approx([1.0, 1.0])
    warnings = separation_findings(same, ALONE)
    assert [(f.finding, f.severity) for f in warnings] == [("feeds alike", "warning")] * 2
    for name, reason in not_separable(same).items():
        assert "out 0" in reason
        assert "out 1" in reason
        assert f"Record {name} alone, or the same stretch once more with its polarity flipped, in the" in reason


def test_another_capture_settles_it() -> None:
    both = [*found(1.0), *found(0.0)]
    assert not_separable(both) == {}
    notes = separation_findings(both, ALONE)
    assert [(f.finding, f.severity) for f in notes] == [("feeds alike", "note")] * 2
    assert all(f"{f.track} is told in another capture" in f.detail for f in notes)
    half = separation_findings([*found(1.0), *found(0.0)[:1]], ALONE)
    assert [(f.track, f.severity) for f in half] == [("out 0", "note"), ("out 1", "warning")]


def test_a_group_that_plays_the_same_is_judged_together() -> None:
    same = found(1.0, groups=[3, 3])
    assert not_separable(same) == {}
    notes = separation_findings(same, TOGETHER)
    assert [(f.finding, f.severity) for f in notes] == [("group plays the same", "note")] * 2


def test_a_mix_of_several_others_is_named_as_such() -> None:
    mixed = Separation("take", "fill", "main", 0.6, 0.0, 1.0)
    (reason,) = not_separable([mixed]).values()
    assert reason.startswith("In 'take' what fill plays is a mix of what the others play, most of main")


def test_what_sounds_without_a_feed_spoils_what_it_reaches() -> None:
    """A sub reaches the low bands, anything else all; there nothing is told."""
    spoilt = found(0.0, ("wedge",))
    assert all(s.untold == 1.0 for s in spoilt)
    reasons = not_separable(spoilt)
    assert reasons["out 0"] == "wedge sounded in 'take' without a recorded feed: record out 0 alone."
    (warning,) = separation_findings(spoilt, ALONE)
    assert (warning.finding, warning.track) == ("sounds without a feed", "wedge")


@pytest.mark.parametrize(("unfed", "told_above"), [("out 1", True), ("wedge", False)])
def test_the_reach_of_a_sub_ends(unfed: str, told_above: bool) -> None:
    rng = np.random.default_rng(2)
    feed = rng.standard_normal(10 * RATE_HZ)
    cross = summed([feed], [0.5 * delayed(feed, 0.01)], np.array([[0.01]]))
    whole = responses_of(cross, rng)
    left = without_reach(whole, OUTPUTS, (unfed,))
    above = whole.frequency_hz > 355.0
    assert (left.h[..., ~above] == 0.0).all()
    assert (left.share[..., ~above] == 0.0).all()
    # what is there may be anything up to all that was heard
    assert (left.variance[..., ~above] >= 0.99 * np.abs(whole.h[..., ~above]) ** 2).all()
    assert np.array_equal(left.h[..., above], whole.h[..., above]) is told_above
