"""Band centres, edges and nominal frequencies against the standard's table and two other libraries."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import is_close, lines_hz

from analyze.acoustics import band_centres_hz, band_edges_hz, nominal_hz
from analyze.alignment.cells import bands
from analyze.spectra.cross_spectra import FRAME_S

# IEC 61260-1:2014, Annex E (from memory): exact mid-band frequencies of the base-ten system to five figures, and the
# nominal ones; one-third-octave bands, every third one an octave band.
THIRDS = {
    25: 25.119, 31.5: 31.623, 40: 39.811, 50: 50.119, 63: 63.096, 80: 79.433, 100: 100.00, 125: 125.89, 160: 158.49,
    200: 199.53, 250: 251.19, 315: 316.23, 400: 398.11, 500: 501.19, 630: 630.96, 800: 794.33, 1000: 1000.0,
    1250: 1258.9, 1600: 1584.9, 2000: 1995.3, 2500: 2511.9, 3150: 3162.3, 4000: 3981.1, 5000: 5011.9, 6300: 6309.6,
    8000: 7943.3, 10000: 10000.0, 12500: 12589.0, 16000: 15849.0, 20000: 19953.0,
}  # fmt: skip
OCTAVES = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
#: Half a unit of the fifth figure, relative.
ROUNDING = 5e-5


def test_thirds_of_the_published_table() -> None:
    centre_hz = band_centres_hz(3, 24.0, 20000.0)
    exact = np.array(list(THIRDS.values()))
    assert is_close(centre_hz / exact, np.ones(30), ROUNDING)
    assert [nominal_hz(f, 3) for f in centre_hz] == list(THIRDS)
    # nominal frequencies are no exact ones, nor are those of the base-two system
    assert not is_close(np.array(list(THIRDS)) / exact, np.ones(30), ROUNDING)
    assert not is_close(1000.0 * 2.0 ** (np.arange(-16, 14) / 3.0) / exact, np.ones(30), ROUNDING)


def test_octaves_of_the_published_table() -> None:
    centre_hz = band_centres_hz(1, 30.0, 16000.0)
    assert is_close(centre_hz / np.array([THIRDS[f] for f in OCTAVES]), np.ones(10), ROUNDING)
    assert [nominal_hz(f, 1) for f in centre_hz] == list(OCTAVES)


def test_published_edges() -> None:
    # IEC 61260-1:2014, eqs. (4), (5) (from memory) for 1 kHz: third octave 891.251 and 1122.018, octave 707.946 and
    # 1412.538.
    assert is_close(np.concatenate(band_edges_hz([1000.0], 3)), [891.251, 1122.018], 5e-4)
    assert is_close(np.concatenate(band_edges_hz([1000.0], 1)), [707.946, 1412.538], 5e-4)


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_edges_of_pyfar(library: Callable[[str], ModuleType], fraction: int) -> None:
    # pyfar 0.8.1, `constants.fractional_octave_frequencies_exact`: all bands that overlap with the range. Residual
    # 2e-15.
    expected = np.array(library("pyfar").constants.fractional_octave_frequencies_exact(fraction, (30.0, 15000.0)))
    centre_hz = band_centres_hz(fraction, 0.999 * expected[0, 0], 1.001 * expected[0, -1])
    ours = np.array([centre_hz, *band_edges_hz(centre_hz, fraction)])
    assert is_close(ours / expected, np.ones(expected.shape), 1e-12)
    assert not is_close(_base_two(ours) / expected, np.ones(expected.shape), 1e-12)


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_edges_and_names_of_pyoctaveband(library: Callable[[str], ModuleType], fraction: int) -> None:
    # PyOctaveBand 2.0.0, `getansifrequencies`: centres, edges, and nominal frequencies as text. Residual 2e-15.
    *columns, names = library("pyoctaveband").getansifrequencies(fraction, [30.0, 15000.0])
    expected = np.array(columns)
    centre_hz = band_centres_hz(fraction, 0.999 * expected[0, 0], 1.001 * expected[0, -1])
    ours = np.array([centre_hz, *band_edges_hz(centre_hz, fraction)])
    assert is_close(ours / expected, np.ones(expected.shape), 1e-12)
    assert [nominal_hz(f, fraction) for f in centre_hz] == [_number(name) for name in names]


@pytest.mark.parametrize("fraction", [1, 3])
def test_names_of_two_libraries(library: Callable[[str], ModuleType], fraction: int) -> None:
    # pyfar 0.8.1, `constants.fractional_octave_frequencies_nominal`; PyOctaveBand 2.0.0, `normalizedfreq`.
    ours = [nominal_hz(f, fraction) for f in band_centres_hz(fraction, 22.0, 20000.0)]
    assert ours == list(library("pyfar").constants.fractional_octave_frequencies_nominal(fraction, (25.0, 20000.0)))
    assert ours == [f for f in library("pyoctaveband").normalizedfreq(fraction) if f >= 25.0]


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_every_line_belongs_to_one_band(fraction: int) -> None:
    # IEC 61260-1:2014, eqs. (4), (5): the upper edge of a band is the lower edge of the next.
    frequency_hz = lines_hz(20000.0)
    b = bands(frequency_hz, fraction, 100.0, 12000.0)
    assert (b.first[1:] == b.stop[:-1]).all()
    assert (frequency_hz[b.first] >= b.low_hz).all()
    assert (frequency_hz[b.stop - 1] < b.high_hz).all()
    assert (frequency_hz[b.first - 1] < b.low_hz).all()
    # shares of the lines: as wide as the bands are, within one line
    assert is_close(b.stop - b.first, (b.high_hz - b.low_hz) * FRAME_S, 1.0)


def _base_two(frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same bands with octaves of 2 instead of 10^0.3."""
    return np.asarray(1000.0 * 2.0 ** (np.log(frequencies_hz / 1000.0) / np.log(10.0**0.3)), dtype=np.float64)


def _number(name: str) -> float:
    """63 from `63`, 1250 from `1.25k`."""
    return round(1000.0 * float(name[:-1]), 6) if name.endswith("k") else float(name)
