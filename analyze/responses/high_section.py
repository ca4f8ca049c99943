"""Does the high section of a box push when its lowest driver does?

A two-way crossover that adds without a hole leaves an all-pass: far above the crossover its phase is a whole turn less
`b / f`, or half a turn where the order asks for the upper way to be turned over (Linkwitz 1976, JAES 24(1), from
memory). So the phase of the first arrival, extrapolated to where `b / f` has died away, is 0 or pi: the sign of the
upper way against the feed. Set against the wiring, which is the lowest driver's, it tells a driver that is connected
the wrong way round, or a crossover that wants it so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.findings import Finding

#: The first arrival alone: reflections come later than this behind it.
_BEFORE_S, _AFTER_S = 0.0005, 0.0012
#: Share of the band left out at each end, where the band's own edge shapes the phase, and points in between.
_EDGE, _N_POINTS = 0.15, 40
#: An arrival that a fit would move by more than this is no clean first arrival.
_LARGEST_SHIFT_S = 4e-5
#: Phase that the fit may leave, root mean square over the band.
_LARGEST_REST_RAD = 0.5
#: The same where the fit shall say when it arrives.
_CLEAN_REST_RAD = 0.2
#: Mean cosine to the lowest driver's sign below which the high section is called opposite.
_OPPOSITE = -0.5


@dataclass(frozen=True)
class HighFit:
    """The first arrival's highest frequencies.

    phase_rad : within -pi..pi, what the highest frequencies tend to; later_s : how much later than the top of the
    envelope the pure delay lies, never above 0, for an all-pass only delays: what comes out later is a reflection close
    behind. Both NaN where reflections or noise blur them.
    """

    phase_rad: float = math.nan
    later_s: float = math.nan


def high_fit(
    time_s: NDArray[np.float64], signal: NDArray[np.complex128], band_hz: tuple[float, float], arrival_s: float
) -> HighFit:
    """Phase and pure delay of the first arrival's highest frequencies.

    Parameters
    ----------
    time_s, signal : (time,) analytic response within `band_hz`, the box's minimum phase divided out
    arrival_s : top of the envelope of the first arrival

    Notes
    -----
    Least squares over the band, weighted by magnitude: `phase = theta - 2 pi f tau + b / f`. Without knowing theta the
    three go together, but theta can only be 0 or pi: with the nearer of them tau is free of what the crossover's
    all-pass adds: 8 to 35 microseconds at the top of the envelope for crossovers from 0.9 to 2.2 kHz, then 1.2 or less.
    """
    x = time_s - arrival_s
    inside = np.flatnonzero((x > -_BEFORE_S) & (x < _AFTER_S))
    x = x[inside]
    window = 0.5 + 0.5 * np.cos(np.pi * np.where(x < 0, x / _BEFORE_S, x / _AFTER_S))
    f = np.linspace(band_hz[0] * (1.0 + _EDGE), band_hz[1] * (1.0 - _EDGE), _N_POINTS)
    spectrum = (signal[inside] * window) @ np.exp(-2j * np.pi * np.outer(x, f))
    phase, weight = np.unwrap(np.angle(spectrum)), np.abs(spectrum)
    terms = np.stack([np.ones_like(f), -2.0 * np.pi * f, f[0] / f], axis=1)
    (theta, shift_s, _), rest = _fitted(terms, phase, weight)
    if abs(shift_s) > _LARGEST_SHIFT_S or rest > _LARGEST_REST_RAD:
        return HighFit()
    (later_s, _), rest = _fitted(terms[:, 1:], phase - np.pi * round(theta / np.pi), weight)
    is_clean = -_LARGEST_SHIFT_S <= later_s <= 0.0 and rest <= _CLEAN_REST_RAD
    return HighFit(float(np.angle(np.exp(1j * theta))), float(later_s) if is_clean else math.nan)


def _fitted(
    terms: NDArray[np.float64], phase: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Weighted least squares (parameter,), and what it leaves, root mean square."""
    fitted, *_ = np.linalg.lstsq(terms * weight[:, None], phase * weight, rcond=None)
    rest = np.sqrt(np.sum((weight * (phase - terms @ fitted)) ** 2) / np.sum(weight**2))
    return np.asarray(fitted, dtype=np.float64), float(rest)


def opposite_high_sections(phases_rad: Mapping[str, Sequence[float]]) -> list[Finding]:
    """A finding for every output whose high section is of the opposite sign to its lowest driver.

    phases_rad : per output, phases of its high section re its lowest driver wherever they could be told
    """
    findings = []
    for output, phases in phases_rad.items():
        if not phases:
            continue
        cosine = np.cos(phases)
        if float(np.mean(cosine)) > _OPPOSITE:
            continue
        n = int(np.sum(cosine < 0.0))
        detail = (
            f"The high section of {output} pulls where its lowest driver pushes, at {n} of {len(phases)} positions. "
            "Some crossovers (second order) are built so; else one driver in the box is connected the wrong way "
            "round: compare it with another box of its kind."
        )
        findings.append(
            Finding("high section of opposite sign", "warning", detail, track=output, value=float(n), unit="positions")
        )
    return findings
