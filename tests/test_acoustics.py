"""Speed of sound, decibels and band edges against their standards and against another library."""

from __future__ import annotations

import numpy as np
import pyfar
import pytest

from analyze.acoustics import (
    OCTAVE_RATIO,
    band_centres_hz,
    band_edges_hz,
    db_to_amplitude,
    energy_db,
    nominal_hz,
    speed_of_sound_simple,
)

# Nominal mid-band frequencies as printed on every meter (IEC 61260-1:2014 table E.1, from memory).
NOMINAL_THIRDS = (
    "12.5 16 20 25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1000 1250 1600 2000 2500 3150 4000 5000 "
    "6300 8000 10000 12500 16000 20000"
)


@pytest.mark.parametrize(
    ("temperature_c", "speed_m_s"), [(0.0, 331.29), (10.0, 337.30), (20.0, 343.20), (30.0, 349.00)]
)
def test_speed_of_sound(temperature_c: float, speed_m_s: float) -> None:
    """ISO 9613-1:1993 eq. (A.5), clause from memory; values to the two decimals printed."""
    assert speed_of_sound_simple(temperature_c) == pytest.approx(speed_m_s, abs=0.005)


@pytest.mark.parametrize("temperature_c", [-19.5, -3.0, 12.25, 20.0, 41.0])
def test_speed_of_sound_is_that_of_another_library(temperature_c: float) -> None:
    """pyfar (live), the same equation."""
    expected = pyfar.constants.speed_of_sound_simple(temperature_c)
    assert speed_of_sound_simple(temperature_c) == pytest.approx(float(expected), rel=1e-6)


@pytest.mark.parametrize("temperature_c", [-50.1, 60.1, float("nan")])
def test_speed_of_sound_has_its_range(temperature_c: float) -> None:
    with pytest.raises(ValueError, match=r"outside -50\.\.60"):
        speed_of_sound_simple(temperature_c)
    assert speed_of_sound_simple(-50.0) < speed_of_sound_simple(60.0)


def test_decibels() -> None:
    """10 log10 of energies, 20 log10 of amplitudes: closed form."""
    assert energy_db([1.0, 2.0, 10.0]) == pytest.approx([0.0, 3.0103, 10.0], abs=1e-4)
    assert energy_db(0.0) == -np.inf
    assert np.isnan(energy_db(np.nan))
    assert db_to_amplitude([6.0206, -20.0, 0.0]) == pytest.approx([2.0, 0.1, 1.0], rel=1e-5)
    levels_db = np.linspace(-120.0, 40.0, 33)
    assert energy_db(db_to_amplitude(levels_db) ** 2) == pytest.approx(levels_db, abs=1e-9)


def test_octaves() -> None:
    """Exact mid-band frequencies of octaves, IEC 61260-1:2014 eq. (2), to three decimals."""
    expected = [31.623, 63.096, 125.893, 251.189, 501.187, 1000.0, 1995.262, 3981.072, 7943.282, 15848.932]
    assert band_centres_hz(1, 31.0, 16000.0) == pytest.approx(expected, abs=5e-4)
    assert pytest.approx(1.995262315, abs=1e-9) == OCTAVE_RATIO


def test_the_third_octave_at_1_khz() -> None:
    """IEC 61260-1:2014 eqs. (4), (5)."""
    low, high = band_edges_hz(1000.0, 3)
    assert (float(low), float(high)) == pytest.approx((891.251, 1122.018), abs=5e-4)


@pytest.mark.parametrize("fraction", [1, 3])
def test_bands_are_those_of_another_library(fraction: int) -> None:
    """pyfar (live): centres and both edges; it gives base-ten bands within the range of nominal centres."""
    exact, low, high = pyfar.constants.fractional_octave_frequencies_exact(fraction, (25, 16000))
    centre = band_centres_hz(fraction, 25.0, 16000.0)
    assert centre == pytest.approx(exact, rel=1e-6)
    edges = band_edges_hz(centre, fraction)
    assert edges[0] == pytest.approx(low, rel=1e-6)
    assert edges[1] == pytest.approx(high, rel=1e-6)


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_bands_touch_and_none_is_missing(fraction: int) -> None:
    centre = band_centres_hz(fraction, 20.0, 16000.0)
    assert np.diff(np.log10(centre)) == pytest.approx(0.3 / fraction, rel=1e-9)
    low, high = band_edges_hz(centre, fraction)
    assert low[1:] == pytest.approx(high[:-1], rel=1e-12)
    assert np.sqrt(low * high) == pytest.approx(centre, rel=1e-12)
    assert centre[0] >= 20.0 > centre[0] * OCTAVE_RATIO ** (-1.0 / fraction)
    assert centre[-1] <= 16000.0 < centre[-1] * OCTAVE_RATIO ** (1.0 / fraction)


@pytest.mark.parametrize(("fraction", "is_centre"), [(1, True), (3, True), (6, False), (12, False)])
def test_1_khz_is_a_centre_of_odd_fractions_and_an_edge_of_even_ones(fraction: int, is_centre: bool) -> None:
    """IEC 61260-1:2014 eqs. (2) and (3)."""
    centre = band_centres_hz(fraction, 500.0, 2000.0)
    low, _ = band_edges_hz(centre, fraction)
    assert (np.abs(centre / 1000.0 - 1.0).min() < 1e-9) == is_centre
    assert (np.abs(low / 1000.0 - 1.0).min() < 1e-9) != is_centre


def test_limits_that_are_exact_centres_count() -> None:
    centre = 1000.0 * 10.0**-1.2
    assert band_centres_hz(3, centre, centre) == pytest.approx([centre])


def test_nominal_frequencies() -> None:
    expected = [float(word) for word in NOMINAL_THIRDS.split()]
    assert [nominal_hz(float(f), 3) for f in band_centres_hz(3, 12.0, 20100.0)] == expected
    octaves = [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0]
    assert [nominal_hz(float(f), 1) for f in band_centres_hz(1, 30.0, 16000.0)] == octaves


@pytest.mark.parametrize(
    ("exact_hz", "nominal"), [(1059.2537, 1060.0), (944.0609, 940.0), (529.6, 530.0), (26.607, 26.6), (4.9659, 4.97)]
)
def test_nominal_frequencies_of_fine_bands(exact_hz: float, nominal: float) -> None:
    """IEC 61260-1:2014 E.3 (from memory): three figures up to a leading 4, two from 5 on."""
    assert nominal_hz(exact_hz, 12) == nominal


@pytest.mark.parametrize("fraction", [3, 6, 12])
def test_nominal_frequencies_are_close_and_in_order(fraction: int) -> None:
    exact = band_centres_hz(fraction, 20.0, 16000.0)
    nominal = np.array([nominal_hz(float(f), fraction) for f in exact])
    assert (np.diff(nominal) > 0.0).all()
    assert np.abs(nominal / exact - 1.0).max() < 0.011
