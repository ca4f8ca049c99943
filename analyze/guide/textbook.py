"""What the guide's page `polarity` draws and tabulates: two outputs by textbook models, nothing measured.

Conventions: `H = Y/X`, a delay is a falling phase; levels in dB re what each function says.
Sources: Beranek, Acoustics, ch. 4 (piston, sums); `simulate_boxes` has those of boxes and crossovers. From memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from analyze.acoustics import energy_db, speed_of_sound_simple
from analyze.alignment.cells import DEPTH_DB, HIGHEST_HZ, LOWEST_HZ, MEETS_DB, Cells, band_mean, bands
from analyze.alignment.score import possible_energy
from analyze.alignment.search import Landscape
from analyze.simulate_boxes import linkwitz_riley, low_pass_second_order, vented_box
from analyze.spectra.cross_spectra import line_hz

#: The cone of a driver is this much of its nominal size (common practice, no source).
_CONE = 0.83
_INCH_M = 0.0254
#: Corners in Hz of the example: a vented main, a vented sub with its low-pass.
MAIN_HZ, SUB_HZ, LOW_PASS_HZ = 55.0, 32.0, 90.0
#: Lines of the example and of the crossovers: up to 714 Hz.
_N_LINES = 1000
#: Samples and rate of a click.
_N_CLICK, _CLICK_RATE_HZ = 1 << 15, 8000.0
#: What a click is held to, Hz, so that a first movement can be seen.
_CLICK_TOP_HZ = 400.0


def cone_radius_m(inches: float) -> float:
    """Radius of the cone of a driver of a nominal size."""
    return _CONE * inches * _INCH_M / 2.0


def ka_one_hz(inches: float) -> float:
    """Frequency at which ka = 1: the cone's circumference is one wavelength; `f = c / (2 pi a)`."""
    return float(speed_of_sound_simple(20.0) / (2.0 * np.pi * cone_radius_m(inches)))


def beside_db(frequency_hz: ArrayLike, inches: float) -> NDArray[np.float64]:
    """Level at 90 degrees re straight ahead, a piston in a wall: `2 J1(ka) / ka`; any shape of frequencies over 0."""
    ka = np.asarray(frequency_hz, dtype=np.float64) / ka_one_hz(inches)
    return energy_db((2.0 * special.j1(ka) / ka) ** 2)


def turned_db(phase_deg: ArrayLike) -> NDArray[np.float64]:
    """Sum of two equal sounds so far apart in phase, re one of them: `20 log10(2 |cos(phi / 2)|)`; any shape."""
    return energy_db(np.abs(1.0 + np.exp(1j * np.radians(phase_deg))) ** 2)


def unequal_db(difference_db: ArrayLike, sign: float) -> NDArray[np.float64]:
    """Sum with a second sound so much softer, of one polarity or the other, re the first; any shape."""
    return energy_db((1.0 + sign * 10.0 ** (-np.asarray(difference_db) / 20.0)) ** 2)


def click(response: NDArray[np.complex128]) -> NDArray[np.float64]:
    """What a box makes of a positive click below 400 Hz, (sample,), its largest movement 1.

    response : (line,) at `click_lines_hz`
    """
    heard = np.fft.irfft(response * low_pass_second_order(click_lines_hz(), _CLICK_TOP_HZ))
    return np.asarray(heard / np.abs(heard).max(), dtype=np.float64)


def click_lines_hz() -> NDArray[np.float64]:
    """Frequencies of a click's transform, (line,)."""
    return np.asarray(np.fft.rfftfreq(_N_CLICK, 1.0 / _CLICK_RATE_HZ), dtype=np.float64)


def click_ms(n: int) -> NDArray[np.float64]:
    """Times of the first samples of a click, (n,)."""
    return np.asarray(np.arange(n) * 1000.0 / _CLICK_RATE_HZ, dtype=np.float64)


def lines_hz() -> NDArray[np.float64]:
    """Frequencies at which two ways or two outputs are added up, (line,)."""
    return line_hz(_N_LINES)


def main_and_sub() -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """The example: a vented main, and a vented sub behind a low-pass of 24 dB per octave, arrivals aligned."""
    frequency_hz = lines_hz()
    sub = vented_box(frequency_hz, SUB_HZ) * linkwitz_riley(frequency_hz, LOW_PASS_HZ, 4, "low")
    return vented_box(frequency_hz, MAIN_HZ), sub


def scores_db(
    first: NDArray[np.complex128], second: NDArray[np.complex128], delay_ms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The program's own score at one seat over the delay of the second output; (polarity as it is then other, delay).

    first, second : (line,) at `lines_hz`
    """
    h = np.stack([first, second])[:, None]  # (output, position, line)
    cells = _cells(h)
    return Landscape(h[0], h[1:], possible_energy(h, cells), cells, lines_hz()).scan([(1.0, 0.0)], 0, delay_ms)


def _cells(h: NDArray[np.complex128]) -> Cells:
    """Third octaves in which both are heard, by the rule of `alignment.cells`, of responses without error."""
    b = bands(lines_hz(), 3, LOWEST_HZ, HIGHEST_HZ)
    energy = band_mean(np.abs(h[:, 0]) ** 2, b)  # (output, band)
    loudest = energy.max(axis=0)
    meets = energy >= loudest * 10.0 ** (-MEETS_DB / 10.0)
    used = np.flatnonzero(meets.all(axis=0) & (loudest >= loudest.max() * 10.0 ** (-DEPTH_DB / 10.0)))
    seat, weight = np.zeros(len(used), dtype=np.int64), np.ones(len(used))
    return Cells(seat, b.centre_hz[used], b.first[used], b.stop[used], weight, meets[:, used].T)
