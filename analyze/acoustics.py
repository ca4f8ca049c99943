"""Speed of sound, decibels and band edges: small, pure, each with its standard.

Conventions: temperatures in degrees Celsius, frequencies in hertz, levels in dB. Sources stand at each function.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: dB per factor in amplitude and in energy.
_AMPLITUDE, _ENERGY = 20.0, 10.0

#: Octave ratio of the base-ten system, IEC 61260-1:2014 eq. (1).
OCTAVE_RATIO = 10.0**0.3

#: Reference frequency of the exact mid-band frequencies, IEC 61260-1:2014, 5.3.
REFERENCE_HZ = 1000.0

# Nominal third-octave mid-band frequencies of one decade, IEC 61260-1:2014 Annex E (table E.1).
_NOMINAL_THIRDS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def speed_of_sound_simple(temperature_c: float) -> float:
    """Speed of sound in dry air, m/s, for a temperature in degrees Celsius.

    `c = 343.2 * sqrt(T / 293.15)`, ISO 9613-1:1993 eq. (A.5), T in kelvin. Humidity is left out: +0.8 m/s at 20 degrees
    and 50 %.

    Raises ValueError below -50 or above 60 degrees Celsius.

    >>> round(speed_of_sound_simple(20.0), 1)
    343.2
    """
    if not -50.0 <= temperature_c <= 60.0:
        raise ValueError(f"temperature_c {temperature_c} is outside -50..60")
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


def energy_db(ratio: ArrayLike) -> NDArray[np.float64]:
    """Level in dB of an energy ratio (any shape, not negative); -inf for 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(_ENERGY * np.log10(np.asarray(ratio)), dtype=np.float64)


def db_to_amplitude(level_db: ArrayLike) -> NDArray[np.float64]:
    """Amplitude ratio of a level in dB (any shape)."""
    return np.asarray(10.0 ** (np.asarray(level_db) / _AMPLITUDE), dtype=np.float64)


def band_centres_hz(fraction: int, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Exact mid-band frequencies of the 1/`fraction`-octave bands whose centres lie in low_hz..high_hz.

    IEC 61260-1:2014 eqs. (2) and (3): `f_m = f_r G^(x/b)` for odd b, `f_r G^((2x+1)/(2b))` for even b.

    >>> [round(f, 2) for f in band_centres_hz(3, 50, 101).tolist()]
    [50.12, 63.1, 79.43, 100.0]
    """
    offset = 0.0 if fraction % 2 else 0.5
    scale = fraction / math.log(OCTAVE_RATIO)
    first = math.ceil(scale * math.log(low_hz / REFERENCE_HZ) - offset - 1e-9)
    last = math.floor(scale * math.log(high_hz / REFERENCE_HZ) - offset + 1e-9)
    index = np.arange(first, last + 1) + offset
    return np.asarray(REFERENCE_HZ * OCTAVE_RATIO ** (index / fraction), dtype=np.float64)


def band_edges_hz(centre_hz: ArrayLike, fraction: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lower and upper band-edge frequencies, `f_m G^(-1/2b)` and `f_m G^(+1/2b)` (IEC 61260-1:2014 eqs. (4), (5))."""
    centre = np.asarray(centre_hz, dtype=np.float64)
    half = OCTAVE_RATIO ** (1.0 / (2 * fraction))
    return centre / half, centre * half


def nominal_hz(centre_hz: float, fraction: int) -> float:
    """Nominal mid-band frequency: tabled for octaves and thirds, rounded to three figures for finer bands.

    IEC 61260-1:2014 Annex E: E.1 (table) for fractions 1 and 3, E.3 (three significant figures for a leading digit of
    1 to 4, two for 5 to 9) for finer bands.

    >>> nominal_hz(63.0957, 3), nominal_hz(31.62, 1), nominal_hz(1059.25, 12)
    (63.0, 31.5, 1060.0)
    """
    decade = 10.0 ** math.floor(math.log10(centre_hz) + 1e-9)
    mantissa = centre_hz / decade
    if fraction in (1, 3):
        steps = round(10.0 * math.log10(mantissa)) % 10
        carry = 10.0 if round(10.0 * math.log10(mantissa)) == 10 else 1.0
        return round(_NOMINAL_THIRDS[steps] * carry * decade, 6)
    digits = 2 if mantissa < 5.0 else 1
    return round(round(mantissa, digits) * decade, 6)
