"""What a loudspeaker box adds to its feed: textbook transfer functions, evaluated at given frequencies.

Conventions: time dependence exp(+j 2 pi f t), so a delay is a falling phase; every model tends to +1 in its pass band:
positive polarity. All are minimum-phase but the two-way all-pass, which is what a fourth-order crossover leaves.

Sources: Small 1972, JAES 20(10) (closed box); Thiele 1961, JAES 1971 19(5), and Small 1973, JAES 21(5) (vented box);
Linkwitz 1976, JAES 24(1) (crossovers). All four cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Coefficients of the fourth-order Butterworth polynomial, which the B4 vented alignment shares (Thiele 1961).
B4_COEFFICIENTS = (1.0, 2.6131259298, 3.4142135624, 2.6131259298, 1.0)

#: Where the drivers and converters of the demo give up, Hz: common practice, no source.
_TOP_HZ = 17_000.0

Enclosure = Literal["closed", "vented"]


def closed_box(frequency_hz: ArrayLike, corner_hz: float, q: float) -> NDArray[np.complex128]:
    """Closed box: second-order high-pass with system quality factor `q` (any shape of frequencies).

    `G(s) = s^2 / (s^2 + s/Q + 1)`, s = j f / corner (Small 1972, Closed-Box Part I): +90 degrees at the corner.
    """
    s = _normalised(frequency_hz, corner_hz)
    return np.asarray(s**2 / (s**2 + s / q + 1.0), dtype=np.complex128)


def vented_box(frequency_hz: ArrayLike, corner_hz: float) -> NDArray[np.complex128]:
    """Vented box in the B4 alignment: fourth-order Butterworth high-pass, 180 degrees at the corner (Thiele 1961)."""
    s = _normalised(frequency_hz, corner_hz)
    return np.asarray(s**4 / np.polyval(B4_COEFFICIENTS, s), dtype=np.complex128)


def linkwitz_riley(
    frequency_hz: ArrayLike, corner_hz: float, order: Literal[2, 4], way: Literal["low", "high"]
) -> NDArray[np.complex128]:
    """One way of a Linkwitz-Riley crossover: a Butterworth filter of half the order, squared (Linkwitz 1976).

    Both ways are -6.02 dB at the corner; there they are in phase for order 4, opposed for order 2.
    """
    s = _normalised(frequency_hz, corner_hz)
    damping = 0.0 if order == 2 else math.sqrt(2.0)
    half = 1.0 + s if order == 2 else s**2 + damping * s + 1.0
    numerator = 1.0 if way == "low" else s**order
    return np.asarray(numerator / half**2, dtype=np.complex128)


def two_way_all_pass(frequency_hz: ArrayLike, corner_hz: float) -> NDArray[np.complex128]:
    """Sum of both ways of a fourth-order Linkwitz-Riley crossover: a second-order all-pass of Q 0.707.

    `(1 + s^4) / (s^2 + sqrt(2) s + 1)^2 = (s^2 - sqrt(2) s + 1) / (s^2 + sqrt(2) s + 1)`.
    """
    s = _normalised(frequency_hz, corner_hz)
    root = math.sqrt(2.0)
    return np.asarray((s**2 - root * s + 1.0) / (s**2 + root * s + 1.0), dtype=np.complex128)


def low_pass_second_order(frequency_hz: ArrayLike, corner_hz: float) -> NDArray[np.complex128]:
    """Second-order Butterworth low-pass: the upper end of drivers and converters."""
    s = _normalised(frequency_hz, corner_hz)
    return np.asarray(1.0 / (s**2 + math.sqrt(2.0) * s + 1.0), dtype=np.complex128)


@dataclass(frozen=True)
class Crossover:
    """One way of a Linkwitz-Riley crossover in front of a box."""

    corner_hz: float
    order: Literal[2, 4]
    way: Literal["low", "high"]


@dataclass(frozen=True)
class Box:
    """A loudspeaker box with its processing, and how it beams.

    enclosure, corner_hz, q : closed (second order, `q`) or vented (fourth order, B4; `q` unused)
    crossover : the way it is fed through, if any
    two_way_hz : corner of its internal two-way crossover, NaN for one driver
    beam_hz : where ka = 1, f = c / (2 pi a) (Beranek, Acoustics, from memory); below it radiates all round
    back_gain : what is left of the high frequencies straight behind it, as an amplitude ratio
    gain_db : level at 1 m on axis in the pass band, full scale out per full scale in
    """

    enclosure: Enclosure
    corner_hz: float
    q: float
    gain_db: float
    beam_hz: float
    back_gain: float
    crossover: Crossover | None = None
    two_way_hz: float = math.nan

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """On-axis response at 1 m without the flight, at any shape of frequencies."""
        if self.enclosure == "closed":
            response = closed_box(frequency_hz, self.corner_hz, self.q)
        else:
            response = vented_box(frequency_hz, self.corner_hz)
        if self.crossover is not None:
            part = self.crossover
            response = response * linkwitz_riley(frequency_hz, part.corner_hz, part.order, part.way)
        if not math.isnan(self.two_way_hz):
            response = response * two_way_all_pass(frequency_hz, self.two_way_hz)
        top = low_pass_second_order(frequency_hz, _TOP_HZ)
        return np.asarray(10.0 ** (self.gain_db / 20.0) * response * top, dtype=np.complex128)

    def beam_weights(self, frequency_hz: ArrayLike) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Shares (all round, beamed) that add to 1: a first-order split at `beam_hz`.

        A direction of gain g gets `(1 + g s) / (1 + s)`, s = j f / beam_hz: a minimum-phase shelf for g > 0.
        """
        s = _normalised(frequency_hz, self.beam_hz)
        low = 1.0 / (1.0 + s)
        return low, 1.0 - low

    def beam_gain(self, cos_angle: NDArray[np.float64]) -> NDArray[np.float64]:
        """High-frequency amplitude ratio (any shape) towards directions at the given cosine off axis, 1 on axis."""
        return np.asarray(self.back_gain + (1.0 - self.back_gain) * 0.5 * (1.0 + cos_angle), dtype=np.float64)


def _normalised(frequency_hz: ArrayLike, corner_hz: float) -> NDArray[np.complex128]:
    """The complex frequency s = j f / corner."""
    if corner_hz <= 0.0:
        raise ValueError(f"corner_hz {corner_hz} is not positive")
    return np.asarray(1j * np.asarray(frequency_hz, dtype=np.float64) / corner_hz, dtype=np.complex128)
