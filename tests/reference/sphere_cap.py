"""A loudspeaker box as a textbook has it: a vibrating cap on a rigid sphere, whose sound differs with facing.

Time dependence exp(+j w t), outgoing waves `h_n = j_n - j y_n`. The cap moves with one radial velocity, the rest of the
sphere is still: `u(theta) = sum U_n P_n(cos theta)`, `U_n = (P_(n-1)(cos alpha) - P_(n+1)(cos alpha)) / 2`, and
`p(r, theta) = -j rho c sum U_n P_n(cos theta) h_n(k r) / h_n'(k a)`.

Source: Morse & Ingard, Theoretical Acoustics, ch. 7 (radiation from a sphere); Beranek, Acoustics, ch. 4. From memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

#: Terms beyond ka that are summed: the rest is below 1e-9 of the sum at two radii and more.
_EXTRA_TERMS = 12


@dataclass(frozen=True)
class Cap:
    """A sphere of `radius_m` with a cap of the half angle `half_angle_rad`; `speed_m_s` of sound around it."""

    radius_m: float
    half_angle_rad: float
    speed_m_s: float

    def ka(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Radius in wavelengths times 2 pi."""
        return np.asarray(2.0 * np.pi * np.asarray(frequency_hz) * self.radius_m / self.speed_m_s, dtype=np.float64)

    def directivity(self, frequency_hz: ArrayLike, distance_m: float, angle_rad: float) -> NDArray[np.complex128]:
        """Pressure (frequency,) re a small source of the same volume velocity at the centre of the sphere, all > 0 Hz.

        distance_m : from the centre; angle_rad : off the cap's axis. 1 at low frequencies, facing or not.
        """
        ka = self.ka(frequency_hz)
        kr = ka * distance_m / self.radius_m
        total = np.zeros(ka.shape, dtype=np.complex128)
        for n in range(int(ka.max()) + _EXTRA_TERMS):
            used = n < ka + _EXTRA_TERMS
            total[used] += (
                self.velocity(n)
                * special.eval_legendre(n, np.cos(angle_rad))
                * _hankel(n, kr[used])
                / _hankel(n, ka[used], derivative=True)
            )
        # over j w rho a^2 U_0 exp(-j k r) / r, with -j rho c of the series
        small = ka * self.radius_m / distance_m * self.velocity(0) * np.exp(-1j * kr)
        return np.asarray(-total / small, dtype=np.complex128)

    def velocity(self, n: int) -> float:
        """`U_n` for a cap that moves at 1; P_(-1) is 1."""
        x = np.cos(self.half_angle_rad)
        before = 1.0 if n == 0 else special.eval_legendre(n - 1, x)
        return float(before - special.eval_legendre(n + 1, x)) / 2.0


def _hankel(n: int, x: NDArray[np.float64], *, derivative: bool = False) -> NDArray[np.complex128]:
    """Spherical Hankel function of the second kind, or its derivative; the shape of x."""
    return np.asarray(
        special.spherical_jn(n, x, derivative) - 1j * special.spherical_yn(n, x, derivative), dtype=np.complex128
    )
