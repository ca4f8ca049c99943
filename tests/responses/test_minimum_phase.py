"""Minimum phase from the level alone, against the closed forms of boxes and crossovers."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import N_LINES, Spectrum, closed, crossover_low, delay, top, vented

from analyze.responses.minimum_phase import bode_phase, box_shapes
from analyze.spectra.cross_spectra import line_hz

FREQUENCY_HZ = line_hz(N_LINES)
#: 24 points per octave over ten octaves from 8 Hz.
GRID_HZ = 8.0 * 2.0 ** (np.arange(241) / 24.0)

BOXES = {
    "closed, full range": closed(FREQUENCY_HZ, 62.0, 0.7) * top(FREQUENCY_HZ),
    "closed, peaky": closed(FREQUENCY_HZ, 62.0, 1.1) * top(FREQUENCY_HZ),
    "vented, full range": vented(FREQUENCY_HZ, 48.0) * top(FREQUENCY_HZ),
    "closed sub": closed(FREQUENCY_HZ, 35.0, 0.7) * crossover_low(FREQUENCY_HZ, 90.0),
    "vented sub": vented(FREQUENCY_HZ, 34.0) * crossover_low(FREQUENCY_HZ, 95.0),
}


def levels_of(box: Spectrum, seed: int = 1) -> Spectrum:
    """The box at three positions, louder and softer, its phase replaced by chance: only the level is left."""
    rng = np.random.default_rng(seed)
    return box * np.exp(2j * np.pi * rng.random((3, len(box)))) * np.array([[1.0], [0.3], [2.0]])


def phase_error_deg(found: Spectrum, truth: Spectrum) -> NDArray[np.float64]:
    return np.abs(np.degrees(np.angle(found / truth)))


# The integral


@pytest.mark.parametrize("order", [-4, -1, 0, 1, 2])
def test_a_slope_turns_90_degrees_per_order(order: int) -> None:
    """Bode 1945, ch. 14 (from memory): a level of `order` times 6.02 dB per octave turns the phase by order x 90."""
    assert np.degrees(bode_phase(order * np.log(GRID_HZ))) == pytest.approx(90.0 * order, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "response"),
    [
        ("first order", 1j * GRID_HZ / 60.0 / (1.0 + 1j * GRID_HZ / 60.0)),
        ("closed box", closed(GRID_HZ, 60.0, 0.7)),
        ("closed box, peaky", closed(GRID_HZ, 60.0, 1.3)),
        ("vented box", vented(GRID_HZ, 60.0)),
        ("crossover", crossover_low(GRID_HZ, 300.0)),
        ("vented box and crossover", vented(GRID_HZ, 40.0) * crossover_low(GRID_HZ, 900.0)),
    ],
)
@pytest.mark.parametrize("n", [241, 240])
def test_phases_of_filters_follow_from_their_levels(name: str, response: Spectrum, n: int) -> None:
    """Closed forms; measured residual 0.11 to 0.74 degrees, the largest at the ends of the grid."""
    phase_rad = bode_phase(np.log(np.abs(response[:n])))
    assert phase_rad.shape == (n,)
    assert phase_error_deg(np.exp(1j * phase_rad), response[:n]).max() < 1.0, name


def test_landmarks() -> None:
    """A closed box has +90 degrees at its corner whatever its Q (Small 1972), a B4 vented box 180; from memory."""
    corner = np.flatnonzero(np.isclose(GRID_HZ, 64.0))
    for q in (0.5, 0.7071, 1.0):
        assert np.degrees(bode_phase(np.log(np.abs(closed(GRID_HZ, 64.0, q)))))[corner] == pytest.approx(90.0, abs=0.7)
    assert np.degrees(bode_phase(np.log(np.abs(vented(GRID_HZ, 64.0)))))[corner] == pytest.approx(180.0, abs=0.7)


# From measured levels


@pytest.mark.parametrize("n_lines", [N_LINES, 5601])
@pytest.mark.parametrize("name", BOXES)
def test_boxes_are_recovered_from_their_level(name: str, n_lines: int) -> None:
    """Down to 30 dB under the maximum, from 20 to 320 Hz; measured: 4.6 degrees full range, 9.6 for subs.

    Smoothing over a third of an octave leaves that much. A polarity is 180 degrees, a box that is not taken out 90.
    """
    box = BOXES[name][:n_lines]
    shape = box_shapes(levels_of(box), np.full((3, n_lines), 1e-8), FREQUENCY_HZ[:n_lines])[0]
    frequency_hz = FREQUENCY_HZ[:n_lines]
    loud = (np.abs(box) > 0.03 * np.abs(box).max()) & (frequency_hz > 20.0) & (frequency_hz < 320.0)
    found = shape.at(frequency_hz[loud])
    assert phase_error_deg(found, box[loud]).max() < (12.0 if "sub" in name else 6.0)
    level_db = 20.0 * np.log10(np.abs(found / box[loud]))
    assert np.ptp(level_db) < 1.6
    assert shape.low_hz < 20.0
    assert shape.high_hz == pytest.approx(250.0, rel=0.2) if "sub" in name else shape.high_hz > 3500.0


def test_delay_polarity_and_level_do_not_count() -> None:
    box = BOXES["closed sub"][:2000]
    frequency_hz = FREQUENCY_HZ[:2000]
    h = np.stack([box, -0.2 * box * delay(frequency_hz, 0.1), 7.0 * box * delay(frequency_hz, 0.0123)])
    variance = np.abs(h[:, [70]]) ** 2 * np.full((1, 2000), 1e-6)
    together = box_shapes(h, variance, frequency_hz)
    alone = box_shapes(h[:1], variance[:1], frequency_hz)
    for shape, same in zip(together, alone, strict=True):
        assert shape.phase_rad == pytest.approx(same.phase_rad, abs=1e-9)
        assert shape.frequency_hz == pytest.approx(same.frequency_hz)


def test_what_the_roll_off_may_do_beyond_the_range_is_allowed_for() -> None:
    """The level within is one; a steeper roll-off below turns the phase ahead, above it turns it back."""
    box = BOXES["vented sub"][:2000]
    first, *others = box_shapes(levels_of(box), np.full((3, 2000), 1e-4), FREQUENCY_HZ[:2000])
    inside = np.linspace(first.low_hz * 1.1, first.high_hz / 1.1, 50)
    turns = []
    for other in others:
        assert (other.low_hz, other.high_hz) == (first.low_hz, first.high_hz)
        assert np.abs(other.at(inside)) == pytest.approx(np.abs(first.at(inside)))
        turns.append(np.degrees(np.angle(other.at(inside) / first.at(inside))))
    below, above, both = turns
    assert below.min() > 0.0 > above.max()
    assert below[0] > 3.0 * below[-1]
    assert above[-1] < 3.0 * above[0]
    assert both == pytest.approx(below + above, abs=0.5)


def test_noise_does_not_shape_the_level() -> None:
    """A sub in noise 25 dB under it: the range ends where the noise begins, the phase within holds."""
    rng = np.random.default_rng(3)
    box = BOXES["vented sub"][:5601]
    std = 0.05
    noise = rng.standard_normal((3, 5601)) + 1j * rng.standard_normal((3, 5601))
    shape = box_shapes(box + std * np.sqrt(0.5) * noise, np.full((3, 5601), std**2), FREQUENCY_HZ[:5601])[0]
    assert 15.0 < shape.low_hz < 26.0
    assert 150.0 < shape.high_hz < 240.0
    band = slice(40, 140)
    assert phase_error_deg(shape.at(FREQUENCY_HZ[band]), box[band]).max() < 35.0


def test_nothing_is_made_of_noise() -> None:
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((2, 3000)) + 1j * rng.standard_normal((2, 3000))
    assert box_shapes(noise, np.full((2, 3000), 2.0), FREQUENCY_HZ[:3000]) == []
    tone = np.where(np.abs(FREQUENCY_HZ[:3000] - 100.0) < 1.0, 100.0, 1e-3)[None] * np.ones((2, 1))
    assert box_shapes(tone, np.full((2, 3000), 300.0), FREQUENCY_HZ[:3000]) == []
