"""Speed of sound against ISO 9613-1 and another library."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from reference_helpers import is_close

from analyze.acoustics import speed_of_sound_simple

TEMPERATURES_C = np.array([-20.0, -3.7, 0.0, 10.0, 20.0, 24.6, 30.0, 50.0])


def ours_m_s(temperatures_c: np.ndarray) -> np.ndarray:
    return np.array([speed_of_sound_simple(float(t)) for t in temperatures_c])


def test_published_values() -> None:
    # ISO 9613-1:1993, eq. (A.5), from memory: 343.2 m/s at 20 degrees, 343.2 sqrt(T / 293.15) elsewhere; values worked
    # out by hand to the last figure shown. Residual: below 0.005, the rounding.
    temperatures_c, expected = np.array([0.0, 10.0, 20.0, 30.0]), np.array([331.29, 337.30, 343.20, 349.00])
    assert is_close(ours_m_s(temperatures_c), expected, 0.005)
    linear = 331.3 + 0.606 * temperatures_c  # the rule of thumb
    assert not is_close(linear, expected, 0.005)


def test_another_library(library: Callable[[str], ModuleType]) -> None:
    # pyfar 0.8.1, `constants.speed_of_sound_simple` (ISO 9613-1, eq. A.5). Residual: 0.
    expected = library("pyfar").constants.speed_of_sound_simple(TEMPERATURES_C)
    assert is_close(ours_m_s(TEMPERATURES_C), expected, 1e-9)
    assert not is_close(ours_m_s(TEMPERATURES_C + 0.01), expected, 1e-9)  # a hundredth of a degree shows


def test_a_long_path_in_warmer_air() -> None:
    # Closed form on eq. (A.5): 30 m take 2.98 ms less at 30 than at 10 degrees, 3.4 % or 1.7 % per 10 K.
    cold, warm = ours_m_s(np.array([10.0, 30.0]))
    assert is_close(1000.0 * (30.0 / cold - 30.0 / warm), 2.98, 0.005)
    assert is_close(np.sqrt(warm / cold), 1.0172, 0.0001)


def test_what_leaving_humidity_out_costs(library: Callable[[str], ModuleType]) -> None:
    # pyfar 0.8.1, `constants.speed_of_sound_cramer` (Cramer 1993, JASA 93(5)): humid air is faster, by 0.78 m/s at
    # 20 degrees and 50 %, by 0.16 when dry. That is 0.23 %: 0.2 ms on a path of 30 m.
    constants = library("pyfar").constants
    excess = [float(constants.speed_of_sound_cramer(20.0, h)) - speed_of_sound_simple(20.0) for h in (0.0, 0.5)]
    assert is_close(excess, [0.157, 0.784], 0.001)


@pytest.mark.parametrize("temperature_c", [-50.1, 60.1, float("nan")])
def test_no_speed_for_air_nobody_plays_in(temperature_c: float) -> None:
    with pytest.raises(ValueError, match="temperature_c"):
        speed_of_sound_simple(temperature_c)
