"""Bands of single outputs: level, phase and group delay of what is known, errors that cover the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from response_making import N_LINES, RATE_HZ, delay, delayed, responses, summed

from analyze.acoustics import band_centres_hz, band_edges_hz
from analyze.alignment.cells import bands
from analyze.responses.bands import band_rows, phase_slope_ms
from analyze.responses.rows import Band
from analyze.responses.transfer import Responses, responses_of
from analyze.spectra.cross_spectra import line_hz

FREQUENCY_HZ = line_hz(N_LINES)
#: No error at any line.
EXACT = np.zeros(N_LINES)
ZONES = {"seat 0": "audience", "seat 1": "stage"}


def two_outputs(std: float = 1e-4) -> Responses:
    """Pure gains and delays, the second output inverted; fractions of a sample at any usual rate."""
    gains, delays_s = [[0.5, 0.25], [-2.0, -0.1]], [[0.01234, 0.02], [0.0312, 0.0171]]
    h = [[g * delay(FREQUENCY_HZ, d) for g, d in zip(*row, strict=True)] for row in zip(gains, delays_s, strict=True)]
    return responses(np.array(h), std=std)


def rows_of(rows: list[Band], output: str, position: str) -> list[Band]:
    return [r for r in rows if (r.output, r.position) == (output, position)]


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_a_pure_delay_has_a_flat_level_and_one_group_delay(fraction: int) -> None:
    rows = band_rows(two_outputs(), ZONES, {"seat 0": 12.34, "seat 1": 20.0}, fraction)
    first = rows_of(rows, "out 0", "seat 0")
    centre = band_centres_hz(fraction, 19.0, 17_000.0)
    low, high = band_edges_hz(centre, fraction)
    assert [r.band_low_hz for r in first] == pytest.approx(low[high <= 20_000.0])
    assert [r.band_high_hz for r in first] == pytest.approx(high[high <= 20_000.0])
    assert np.abs(np.array([r.level_db for r in first]) - 20.0 * math.log10(0.5)).max() < 1e-5
    assert np.abs([r.phase_deg for r in first]).max() < 1e-4
    assert np.abs([r.group_delay_ms for r in first if r.band_hz > 30.0]).max() < 1e-4
    assert {r.zone for r in first} == {"audience"}
    assert {r.zone for r in rows_of(rows, "out 1", "seat 1")} == {"stage"}
    assert {r.capture for r in rows} == {"take"}


def test_phase_and_delay_are_against_the_reference_and_later_is_positive() -> None:
    """Output 1 at seat 0: inverted, 18.86 ms after the reference."""
    rows = rows_of(band_rows(two_outputs(), ZONES, {"seat 0": 12.34}, 3), "out 1", "seat 0")
    for row in (r for r in rows if r.band_hz in (50.0, 125.0, 1000.0)):
        assert row.group_delay_ms == pytest.approx(18.86, abs=2e-3)
        assert row.level_db == pytest.approx(20.0 * math.log10(2.0), abs=2e-3)
    (low,) = (r for r in rows if r.band_hz == 20.0)
    inside = FREQUENCY_HZ[slice(*np.searchsorted(FREQUENCY_HZ, [low.band_low_hz, low.band_high_hz]))]
    vector = -np.exp(-2j * np.pi * inside * 0.01886).mean()
    assert low.phase_deg == pytest.approx(math.degrees(np.angle(vector)), abs=0.05)
    unknown = rows_of(band_rows(two_outputs(), ZONES, {"seat 0": math.nan}, 3), "out 1", "seat 0")
    (mid,) = (r for r in unknown if r.band_hz == 125.0)
    assert mid.group_delay_ms == pytest.approx(31.2, abs=2e-3)


def test_a_band_in_the_noise_has_no_level_and_no_phase() -> None:
    rng = np.random.default_rng(2)
    h = np.where(FREQUENCY_HZ < 300.0, 1.0, 0.0)[None, None] * np.ones((1, 2, 1))
    rows = band_rows(responses(h, std=0.1, rng=rng, coherence=0.3), ZONES, {}, 3)
    for row in rows:
        known = row.band_high_hz < 300.0
        if known or row.band_low_hz > 300.0:
            for value in (row.level_db, row.phase_deg, row.phase_std_deg):
                assert math.isfinite(value) is known
            assert known or math.isnan(row.group_delay_ms)
        assert row.coherence == pytest.approx(0.3)
        assert row.averages == 20.0


def test_the_noise_is_taken_off_the_level() -> None:
    """Noise 6 dB under the sound would read 0.97 dB too loud."""
    rng = np.random.default_rng(3)
    rows = band_rows(responses(np.full((1, 2, N_LINES), 0.4), std=0.2, rng=rng), ZONES, {}, 1)
    levels_db = np.array([r.level_db for r in rows if r.band_hz >= 500.0])
    assert np.abs(levels_db - 20.0 * math.log10(0.4)).max() < 0.3


@pytest.mark.parametrize("kind", ["noise", "short noise"])
def test_the_claimed_error_of_the_phase_covers_the_truth(kind: str) -> None:
    """Phase of thirds from 63 to 500 Hz over 40 takes: squared error over claimed variance has the mean 1."""
    ratios = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        n = 14 * RATE_HZ if kind == "noise" else 7 * RATE_HZ + 1
        feed = rng.standard_normal(n)
        heard = [
            0.5 * delayed(feed, 0.02) + 0.25 * rng.standard_normal(n),
            -0.2 * delayed(feed, 0.03) + 0.2 * rng.standard_normal(n),
        ]
        found = responses_of(summed([feed], heard, np.array([[0.02, 0.03]])), rng)
        for row in band_rows(found, ZONES, {"seat 0": 20.0, "seat 1": 30.0}, 3):
            if 60.0 < row.band_hz < 520.0:
                true_deg = 0.0 if row.position == "seat 0" else 180.0
                off_deg = (row.phase_deg - true_deg + 180.0) % 360.0 - 180.0
                ratios.append((off_deg / row.phase_std_deg) ** 2)
    # 800 bands: the mean of squares is known to 6 %.
    assert 0.8 < np.mean(ratios) < 1.25


def test_what_was_not_measured_has_no_rows() -> None:
    whole = two_outputs()
    h = whole.h.copy()
    h[1, 0] = np.nan
    rows = band_rows(responses(h), ZONES, {}, 3)
    assert {(r.output, r.position) for r in rows} == {("out 0", "seat 0"), ("out 0", "seat 1"), ("out 1", "seat 1")}


@pytest.mark.parametrize(("rate_hz", "top_hz"), [(4000, 1778.28), (22_050, 8912.51), (32_000, 14125.38)])
def test_bands_end_where_the_lines_do(rate_hz: int, top_hz: float) -> None:
    h = np.ones((1, 2, round(0.7 * rate_hz) + 1))
    tops = [r.band_high_hz for r in band_rows(responses(h), ZONES, {}, 3)]
    assert max(tops) == pytest.approx(top_hz, abs=0.01)


@pytest.mark.parametrize("delay_ms", [0.0, 0.013, -7.4, 250.0, -600.0])
def test_the_slope_of_the_phase_is_the_delay(delay_ms: float) -> None:
    """Unambiguous to half the frame: 1 / (2 df) = 700 ms."""
    b = bands(FREQUENCY_HZ, 3, 25.0, 4000.0)
    spectrum = -0.3 * delay(FREQUENCY_HZ, delay_ms / 1000.0)
    assert phase_slope_ms(spectrum, EXACT, FREQUENCY_HZ, b) == pytest.approx(delay_ms, abs=1e-6)


def test_a_band_of_one_line_has_no_slope() -> None:
    b = bands(FREQUENCY_HZ, 12, 10.0, 100.0)
    slope = phase_slope_ms(delay(FREQUENCY_HZ, 0.004), EXACT, FREQUENCY_HZ, b)
    single = b.stop - b.first == 1
    assert single.any()
    assert np.isnan(slope[single]).all()
    assert slope[~single] == pytest.approx(4.0, abs=1e-6)


def test_bands_do_not_borrow_from_their_neighbours() -> None:
    """Two delays that change at a band edge: the bands on both sides show their own alone."""
    b = bands(FREQUENCY_HZ, 3, 90.0, 450.0)
    border = int(b.first[3])
    spectrum = delay(FREQUENCY_HZ, 0.002)
    spectrum[border:] = delay(FREQUENCY_HZ, 0.009)[border:]
    slope = phase_slope_ms(spectrum, EXACT, FREQUENCY_HZ, b)
    assert slope[:3] == pytest.approx(2.0, abs=1e-6)
    assert slope[3:] == pytest.approx(9.0, abs=1e-6)


def test_a_delay_that_noise_decides_is_not_told() -> None:
    """The error grows with frequency: told below, not above; what is told is within 3 of its allowed deviations."""
    rng = np.random.default_rng(6)
    b = bands(FREQUENCY_HZ, 3, 90.0, 4000.0)
    std = np.where(FREQUENCY_HZ < 1000.0, 1e-4, 0.5)
    noise = std / math.sqrt(2.0) * (rng.standard_normal(N_LINES) + 1j * rng.standard_normal(N_LINES))
    slope = phase_slope_ms(delay(FREQUENCY_HZ, 0.004) + noise, std**2, FREQUENCY_HZ, b)
    is_clean = b.high_hz < 1000.0
    assert slope[is_clean] == pytest.approx(4.0, abs=0.1)
    assert np.isnan(slope[b.low_hz > 1000.0]).all()


def test_the_error_of_a_delay_is_that_of_simulated_noise() -> None:
    """Unequal lines: where the scatter over 400 draws is the largest that is told, half of the draws are told."""
    rng = np.random.default_rng(8)
    b = bands(FREQUENCY_HZ, 12, 50.0, 52.0)
    few = FREQUENCY_HZ[: int(b.stop[0]) + 1]  # the lines above say nothing of this band
    h = delay(few, 0.004) * (1.0 + 0.4 * np.cos(few * 3.0))
    largest_ms = 250.0 / few[b.first[0]]

    def draws(std: float, variance: float) -> np.ndarray:
        noise = (
            std / math.sqrt(2.0) * (rng.standard_normal((400, len(few))) + 1j * rng.standard_normal((400, len(few))))
        )
        return np.array([phase_slope_ms(h + n, np.full(len(few), variance), few, b)[0] for n in noise])

    std = 0.02
    std *= largest_ms / float(np.std(draws(std, 0.0)))
    scatter_ms = float(np.std(draws(std, 0.0)))
    assert scatter_ms == pytest.approx(largest_ms, rel=0.1)
    for factor, told in ((0.85, 1.0), (1.2, 0.0)):
        share = np.isfinite(draws(std, (factor * std) ** 2)).mean()
        assert share == pytest.approx(told, abs=0.12), factor
