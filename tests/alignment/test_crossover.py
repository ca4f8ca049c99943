"""Where subs hand over to mains, on crossovers designed by scipy.signal."""

from __future__ import annotations

import numpy as np
import pytest
from alignment_making import FREQUENCY_HZ, responses_of
from scipy import signal

from analyze.alignment.crossover import crossover_hz


def ways(corner_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """High and low way of Linkwitz-Riley, order 4: Butterworth of order 2 twice; equally loud at the corner."""
    w = 2.0 * np.pi * FREQUENCY_HZ
    high, low = (
        signal.freqs(*signal.butter(2, 2.0 * np.pi * corner_hz, kind, analog=True), w)[1] ** 2
        for kind in ("high", "low")
    )
    return high, low


@pytest.mark.parametrize("corner_hz", [63.0, 90.0, 125.0, 160.0])
def test_at_equal_levels_it_is_the_corner_of_the_filters(corner_hz) -> None:
    """Within 1 % of an octave: means over thirds lean to where a slope is louder, by 0.8 % at the most."""
    high, low = ways(corner_hz)
    found = crossover_hz(responses_of(np.array([[high], [low]]), ["main", "sub"], ["mix"]), [0], [1])
    assert abs(np.log2(found[0] / corner_hz)) < 0.01


def test_louder_subs_move_it_up_by_what_the_slopes_ask() -> None:
    """Low way over high way falls by 24 dB an octave at every frequency: 6 dB are a quarter of one."""
    high, low = ways(90.0)
    gain = 10.0 ** (6.0 / 20.0)
    h = np.array([[high, high], [low, gain * low]])
    level, louder = crossover_hz(responses_of(h, ["main", "sub"], ["mix", "row 5"]), [0], [1])
    assert np.log2(louder / level) == pytest.approx(0.25, abs=0.01)


def test_outputs_of_a_kind_count_together() -> None:
    """Two mains of 3 dB less are one of the level, whatever their phases; what one seat does not hear is left out."""
    high, low = ways(90.0)
    half, nothing = high / np.sqrt(2.0), np.full(len(high), np.nan)
    h = np.array([[half, high], [-half, nothing], [low, low]])
    found = crossover_hz(responses_of(h, ["left", "right", "sub"], ["mix", "row 5"]), [0, 1], [2])
    alone = crossover_hz(responses_of(np.array([[high], [low]]), ["main", "sub"], ["mix"]), [0], [1])
    assert found == pytest.approx([alone[0]] * 2, rel=1e-6)


def test_where_a_main_is_hidden_by_what_plays_alike_nothing_is_told() -> None:
    """Its level is not none: subs would seem to reach higher than they do."""
    high, low = ways(90.0)
    h = np.array([[high, high], [high, 0.0 * high], [low, low]])
    found = crossover_hz(responses_of(h, ["left", "right", "sub"], ["mix", "row 5"]), [0, 1], [2])
    assert np.isfinite(found).tolist() == [True, False]


def test_what_does_not_cross_or_is_not_heard_has_none() -> None:
    high, low = ways(90.0)
    quiet = responses_of(np.array([[high], [1e-4 * low]]), ["main", "sub"], ["mix"])
    assert np.isnan(crossover_hz(quiet, [0], [1])[0])
    assert np.isnan(crossover_hz(quiet, [0], [])[0])
    loud = responses_of(np.array([[1e-9 * high], [low]]), ["main", "sub"], ["mix"], std=1e-4)
    assert np.isnan(crossover_hz(loud, [0], [1])[0])
