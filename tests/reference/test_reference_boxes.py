"""Closed and vented boxes: their phase by the literature, what a pair adds up to, and the phase found from level alone.

A closed box is a second-order high-pass (Small 1972, JAES 20(10), Closed-Box Part I), a vented one in the B4 alignment
a fourth-order one (Thiele 1961, JAES 1971 19(5), alignment 5; Small 1973, JAES 21(5), Vented-Box Part I). All from
memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import CLAIMED_ERROR, is_close, lines_hz, responses_from, sound_check_of
from scipy import signal

from analyze import simulate_boxes
from analyze.alignment.pairs import pair_rows
from analyze.responses.minimum_phase import BoxShape, bode_phase, box_shapes

BUTTERWORTH_Q = math.sqrt(0.5)
#: Frequencies over the corner, and the phase leads there in degrees: scipy 1.17.1, `signal.butter(2)` and `butter(4)`.
RATIO = np.array([0.01, 0.1, 0.5, 1.0, 2.0, 10.0])
CLOSED_DEG = np.array([179.2, 171.9, 136.7, 90.0, 43.3, 8.1])
VENTED_DEG = np.array([358.5, 345.0, 282.0, 180.0, 78.0, 15.0])
APART_DEG = np.array([179.3, 173.1, 145.3, 90.0, 34.7, 6.9])


def lead_deg(response: NDArray[np.complex128]) -> NDArray[np.float64]:
    return np.asarray(np.mod(np.angle(response, deg=True), 360.0), dtype=np.float64)


# Phase of the models


@pytest.mark.parametrize("corner_hz", [31.0, 60.0])
def test_phase_of_closed_and_vented_boxes(corner_hz: float) -> None:
    closed = simulate_boxes.closed_box(corner_hz * RATIO, corner_hz, BUTTERWORTH_Q)
    vented = simulate_boxes.vented_box(corner_hz * RATIO, corner_hz)
    assert is_close(lead_deg(closed), CLOSED_DEG, 0.06)  # rounding of the table
    assert is_close(lead_deg(vented), VENTED_DEG, 0.06)
    assert is_close(lead_deg(vented / closed), APART_DEG, 0.11)
    # what it must not be: half a turn off, lagging, or a corner 5 % off
    assert not is_close(lead_deg(-closed), CLOSED_DEG, 0.06)
    assert not is_close(lead_deg(np.conj(vented)), VENTED_DEG, 0.06)
    assert not is_close(lead_deg(simulate_boxes.vented_box(corner_hz * RATIO, 1.05 * corner_hz)), VENTED_DEG, 0.06)


@pytest.mark.parametrize(("order", "limit_deg"), [(2, 180.0), (4, 360.0)])
def test_phase_far_below_the_corner_is_a_quarter_turn_per_order(order: int, limit_deg: float) -> None:
    # Small 1972, 1973: s^n over a polynomial; a thousandth of the corner is within 0.2 degrees of n x 90.
    box = {
        2: simulate_boxes.closed_box([0.05], 50.0, BUTTERWORTH_Q),
        4: simulate_boxes.vented_box([0.05], 50.0),
    }
    assert is_close(lead_deg(box[order]), [limit_deg], 0.2)
    assert not is_close(lead_deg(box[6 - order]), [limit_deg], 0.2)


@pytest.mark.parametrize(("q", "level_db"), [(0.5, -6.02), (0.707, -3.01), (1.0, 0.0)])
def test_a_closed_box_at_its_corner(q: float, level_db: float) -> None:
    # Small 1972: +90 degrees for every Q, level 20 log10 Q. Library: scipy 1.17.1, `signal.freqs`.
    frequency_hz = np.array([12.0, 41.0, 55.0, 90.0, 700.0])
    ours = simulate_boxes.closed_box(frequency_hz, 55.0, q)
    _, expected = signal.freqs([1.0, 0.0, 0.0], [1.0, 1.0 / q, 1.0], worN=frequency_hz / 55.0)
    assert is_close(ours, expected, 1e-12)
    assert is_close(lead_deg(ours[2:3]), [90.0], 1e-9)
    assert is_close(20.0 * np.log10(np.abs(ours[2])), level_db, 0.005)
    assert not is_close(simulate_boxes.closed_box(frequency_hz, 55.0, 1.05 * q), expected, 1e-3)


def small_vented(
    frequency_hz: NDArray[np.float64], f_s: float, q_t: float, alpha: float, h: float
) -> NDArray[np.complex128]:
    """Small 1973, Vented-Box Part I, eqs. (13), (20)-(24) without losses: driver resonance f_s, total Q q_t.

    alpha : compliance ratio Vas / Vb; h : tuning ratio fb / fs
    """
    s_t0 = 1j * frequency_hz / (f_s * math.sqrt(h))
    a_1, a_2, a_3 = 1.0 / (math.sqrt(h) * q_t), (alpha + 1.0 + h**2) / h, math.sqrt(h) / q_t
    return np.asarray(s_t0**4 / (s_t0**4 + a_1 * s_t0**3 + a_2 * s_t0**2 + a_3 * s_t0 + 1.0), dtype=np.complex128)


def test_the_vented_box_is_thieles_fifth_alignment() -> None:
    # QT 0.3827, alpha 1.4142, h 1, f3 = fs (from memory). Residual 4e-5, the figures of QT and alpha.
    frequency_hz = np.array([4.0, 20.0, 33.0, 41.0, 90.0, 1000.0])
    ours = simulate_boxes.vented_box(frequency_hz, 41.0)
    assert is_close(small_vented(frequency_hz, 41.0, 0.3827, 1.4142, 1.0), ours, 1e-4)
    assert not is_close(small_vented(frequency_hz, 41.0, 1.05 * 0.3827, 1.4142, 1.0), ours, 1e-4)
    assert not is_close(small_vented(frequency_hz, 41.0, 0.3827, 1.4142, 1.05), ours, 1e-4)
    assert is_close(20.0 * np.log10(np.abs(ours[3])), -3.01, 0.005)


# What a closed and a vented box of one corner and one polarity add up to


def test_a_closed_and_a_vented_box_drift_apart_below_their_corner() -> None:
    # From APART_DEG: nearly opposed an octave and more below the corner, where the pair cancels and the inverted pair
    # adds; a quarter turn apart at it, +3.01 dB either way; together an octave above.
    corner_hz, top_hz = 200.0, 2000.0
    frequency_hz = lines_hz(top_hz)
    rows = {
        "closed": simulate_boxes.closed_box(frequency_hz, corner_hz, BUTTERWORTH_Q),
        "vented": simulate_boxes.vented_box(frequency_hz, corner_hz),
    }
    responses = responses_from(rows, top_hz)
    pairs = pair_rows(responses, sound_check_of({"closed": "main", "vented": "sub"}), {}, 3)
    by_band = {row.band_hz: row for row in pairs}
    assert len(by_band) == 20
    # Phases of the table at the centres; they turn by 26 degrees within the third octave of the corner. Residual 1.9.
    for band_hz, expected_deg in ((20.0, -173.1), (100.0, -145.3), (200.0, -90.0), (400.0, -34.7)):
        assert is_close(by_band[band_hz].relative_phase_deg, expected_deg, 2.5)
        assert not is_close(by_band[band_hz].relative_phase_deg, -expected_deg, 2.5)
    assert is_close([by_band[200.0].sum_db, by_band[200.0].flipped_sum_db], [3.01, 3.01], 0.2)
    assert by_band[100.0].sum_db < -1.9
    assert by_band[100.0].flipped_sum_db > 1.7
    assert by_band[400.0].sum_db > 5.4
    assert by_band[400.0].flipped_sum_db < -4.5
    assert [row.sum_db > row.flipped_sum_db for row in pairs] == [row.band_hz > 199.0 for row in pairs]


# Phase from level alone

BOXES = {
    # name: (response of frequency and corner, corner, range in Hz that is looked at, residual x 1.3 in degrees)
    "closed, Q 0.5": (lambda f, c: simulate_boxes.closed_box(f, c, 0.5), 60.0, (20.0, 3000.0), 1.4),
    "closed, Q 0.707": (lambda f, c: simulate_boxes.closed_box(f, c, BUTTERWORTH_Q), 60.0, (20.0, 3000.0), 1.4),
    "closed, Q 1": (lambda f, c: simulate_boxes.closed_box(f, c, 1.0), 60.0, (20.0, 3000.0), 2.9),
    "vented": (simulate_boxes.vented_box, 45.0, (25.0, 3000.0), 5.0),
}


def from_level(response: NDArray[np.complex128], rng: np.random.Generator) -> BoxShape:
    """The likeliest shape from three positions with the box's level and, line by line, a phase drawn at random."""
    level = np.abs(response)
    h = np.stack([gain * level * np.exp(2j * np.pi * rng.random(len(level))) for gain in (1.0, 0.31, 2.2)])
    variance = np.full(h.shape, (CLAIMED_ERROR * level.max()) ** 2, dtype=np.float32)
    return box_shapes(h.astype(np.complex64), variance, lines_hz(6000.0))[0]


def phase_error_deg(shape: BoxShape, response: NDArray[np.complex128], range_hz: tuple[float, float]) -> float:
    """Largest deviation of the shape's phase from a response's within a range."""
    frequency_hz = lines_hz(6000.0)
    inside = (frequency_hz >= range_hz[0]) & (frequency_hz <= range_hz[1])
    ratio = shape.at(frequency_hz[inside]) / response[inside]
    return float(np.abs(np.angle(ratio, deg=True)).max())


@pytest.mark.parametrize("name", BOXES)
def test_the_phase_of_a_box_follows_from_its_level(name: str) -> None:
    # Bode 1945, ch. 14 (from memory): these boxes are minimum-phase. Smoothing over a third of an octave costs 1 to 4
    # degrees around the corner.
    model, corner_hz, range_hz, tolerance_deg = BOXES[name]
    frequency_hz = lines_hz(6000.0)
    box = model(frequency_hz, corner_hz)
    shape = from_level(box, np.random.default_rng(11))
    assert phase_error_deg(shape, box, range_hz) < tolerance_deg
    # the level alone knows no polarity: it is the upright box that comes out
    assert phase_error_deg(shape, -box, range_hz) > 170.0
    # a box with its corner 5 % off, or of the other order, would show
    assert phase_error_deg(
        from_level(model(frequency_hz, 1.05 * corner_hz), np.random.default_rng(11)), box, range_hz
    ) > (tolerance_deg)
    other = simulate_boxes.closed_box if "vented" in name else simulate_boxes.vented_box
    arguments = (corner_hz, BUTTERWORTH_Q) if "vented" in name else (corner_hz,)
    assert phase_error_deg(shape, other(frequency_hz, *arguments), range_hz) > 80.0


@pytest.mark.parametrize("name", BOXES)
def test_the_phase_at_and_below_the_corner_tells_the_orders_apart(name: str) -> None:
    # Tables above: closed +90 at the corner for every Q, vented +180; an octave below +137 (Q 0.707) and +282.
    model, corner_hz, _, tolerance_deg = BOXES[name]
    shape = from_level(model(lines_hz(6000.0), corner_hz), np.random.default_rng(12))
    found_deg = np.degrees(np.interp(np.log([0.5 * corner_hz, corner_hz]), np.log(shape.frequency_hz), shape.phase_rad))
    assert is_close(found_deg[1], 180.0 if name == "vented" else 90.0, tolerance_deg)
    if name in ("vented", "closed, Q 0.707"):
        assert is_close(found_deg[0], 282.0 if name == "vented" else 136.7, tolerance_deg)


@pytest.mark.parametrize("order", [-4.0, 1.0, 2.0])
def test_a_constant_slope_turns_a_quarter_per_order(order: float) -> None:
    # Bode 1945 (from memory): 6.02 dB per octave is 90 degrees.
    log_frequency = np.arange(24 * 9) * np.log(2.0) / 24.0
    assert is_close(np.degrees(bode_phase(order * log_frequency)), np.full(24 * 9, 90.0 * order), 1e-6)
    assert not is_close(np.degrees(bode_phase(1.05 * order * log_frequency)), np.full(24 * 9, 90.0 * order), 1e-6)
