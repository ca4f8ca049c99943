"""Sums of several captures as one, at present settings, whatever the settings and shifts they were made with."""

from __future__ import annotations

import numpy as np
import pytest
from response_making import RATE_HZ, delay, delayed, summed

from analyze.responses.joint import joined
from analyze.responses.transfer import responses_of
from analyze.spectra.cross_spectra import CrossSpectra

GAINS, DELAYS_S = np.array([[0.5], [-0.3]]), np.array([[0.0123], [0.0271]])


def take(seed: int, sign: float, later_s: float, shift_s: float = 0.0, same: bool = True) -> CrossSpectra:
    """Two outputs heard by one microphone, the second turned by `sign` and `later_s`; feeds alike or not."""
    rng = np.random.default_rng(seed)
    first, second = rng.standard_normal((2, 12 * RATE_HZ))
    feeds = [first, first if same else second]
    heard = GAINS[0, 0] * delayed(feeds[0], DELAYS_S[0, 0])
    heard = heard + sign * GAINS[1, 0] * delayed(feeds[1], DELAYS_S[1, 0] + later_s)
    heard = heard + 0.003 * rng.standard_normal(len(first))
    return summed(feeds, [heard], DELAYS_S + shift_s)


def off(cross: CrossSpectra) -> float:
    """Largest error of the responses at present settings re the softer gain."""
    found = responses_of(cross, np.random.default_rng(1))
    truth = GAINS[..., None] * np.stack([[delay(found.frequency_hz, d) for d in row] for row in DELAYS_S])
    return float(np.abs(found.h - truth)[..., 50:1200].max() / 0.3)


def test_a_flipped_take_separates_identical_feeds() -> None:
    """Either take alone says nothing of its outputs; measured error of both together: 0.02."""
    plain, flipped = take(1, 1.0, 0.0), take(2, -1.0, 0.0)
    assert (responses_of(plain, np.random.default_rng(1)).share == 0.0).all()
    cross = joined([(plain, {}), (flipped, {"out 1": (-1.0, 0.0)})], "both", ("out 0", "out 1"))
    assert cross.capture == "both"
    # by chance two takes differ in level from line to line
    assert responses_of(cross, np.random.default_rng(1)).share[..., 50:1200].mean() > 0.95
    assert off(cross) < 0.04


@pytest.mark.parametrize("shift_s", [0.0, 0.004, -0.0023])
def test_settings_and_shifts_are_taken_out(shift_s: float) -> None:
    """A take with 3.7 ms more delay and one read at other shifts; to the wrong side it would be off by 1 and more."""
    first, second = take(1, 1.0, 0.0, same=False), take(2, -1.0, 0.0037, shift_s, same=False)
    change = {"out 1": (-1.0, -3.7)}
    assert off(joined([(first, {}), (second, change)], "both", ("out 0", "out 1"))) < 0.08
    wrong = {"out 1": (-1.0, 3.7)}
    assert off(joined([(first, {}), (second, wrong)], "both", ("out 0", "out 1"))) > 0.5


def test_outputs_keep_their_places() -> None:
    """A capture that lacks a feed adds nothing to it; the order of the result is the one asked for."""
    both, one = take(1, 1.0, 0.0, same=False), take(3, 1.0, 0.0, same=False)
    turned = joined([(both, {})], "turned", ("out 1", "out 0"))
    straight = joined([(both, {})], "straight", ("out 0", "out 1"))
    assert np.array_equal(turned.gxx[:, ::-1, ::-1], straight.gxx)
    assert np.array_equal(turned.gxy[::-1], straight.gxy)
    assert np.array_equal(turned.low_gxx[:, :, ::-1, ::-1], straight.low_gxx)
    wide = joined([(one, {})], "wide", ("out 0", "out 1", "out 2"))
    assert (wide.gxx[:, 2] == 0.0).all()
    assert (wide.gxy[2] == 0.0).all()
    assert np.array_equal(wide.gxx[:, :2, :2], joined([(one, {})], "one", ("out 0", "out 1")).gxx)


def test_groups_stay_apart_for_the_spread() -> None:
    a, b = take(1, 1.0, 0.0), take(2, -1.0, 0.0)
    cross = joined([(a, {}), (b, {"out 1": (-1.0, 0.0)})], "both", ("out 0", "out 1"))
    assert len(cross.n_frames) == len(a.n_frames) + len(b.n_frames)
    assert cross.n_effective == pytest.approx(a.n_effective + b.n_effective)
    assert (
        np.abs(cross.low_gxx.sum(axis=0) - cross.gxx[..., : cross.low_gxx.shape[-1]]).max()
        < 1e-9 * np.abs(cross.gxx).max()
    )


def test_captures_of_different_microphones_are_refused() -> None:
    a = take(1, 1.0, 0.0)
    b = summed(
        [np.random.default_rng(1).standard_normal(12 * RATE_HZ)] * 2, [np.ones(12 * RATE_HZ)] * 2, np.zeros((2, 2))
    )
    with pytest.raises(ValueError, match="cannot be joined"):
        joined([(a, {}), (b, {})], "both", ("out 0", "out 1"))
