"""What a box and its crossover do to the phase: the minimum phase that belongs to a measured level.

A second-order (closed) and a fourth-order (vented) high-pass and every low-pass of a crossover turn the phase without
being a delay or a polarity. All of them are minimum-phase, so their phase follows from their level; taking it out
leaves the delay and the sign. The level is pooled over positions (one box, many rooms) and smoothed over a third of
an octave; beyond the measured range its slope goes on.

Source: Bode's gain-phase relation, `phi(f0) = 1/pi * integral dA/du ln coth(|u|/2) du`, `u = ln(f/f0)`, A in nepers
(Bode 1945, Network Analysis and Feedback Amplifier Design, ch. 14; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_PER_OCTAVE = 24
#: Step of the grid in nepers of frequency.
_STEP = float(np.log(2.0)) / _PER_OCTAVE
_LOWEST_HZ, _HIGHEST_HZ = 8.0, 20000.0
_SMOOTHED_OCTAVES = 1.0 / 3.0
#: Lines below this energy ratio of response to its error do not shape the level.
_MIN_SNR = 4.0
#: How far under its maximum a level is followed, in nepers (35 dB).
_RANGE_NEPERS = 4.03
#: Steepest slope that is carried on beyond the measured range: 48 dB per octave.
_STEEPEST = 8.0
#: How much steeper it may become there: one more second-order section, 12 dB per octave.
_STEEPER = 2.0
_SLOPE_OCTAVES = 0.75
_EXTENDED_OCTAVES = 8
#: Where the measured range ends within this of the top (15 dB), noise ended it: the level may be flat beyond.
_SHALLOW_NEPERS = 1.73


@dataclass(frozen=True)
class BoxShape:
    """Level and minimum phase of one output, common to all positions.

    frequency_hz : (point,) logarithmic; level_neper, phase_rad : (point,)
    low_hz, high_hz : range over which the level was measured
    """

    frequency_hz: NDArray[np.float64]
    level_neper: NDArray[np.float64]
    phase_rad: NDArray[np.float64]
    low_hz: float
    high_hz: float

    def at(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Complex response `exp(level + j phase)` at `frequency_hz` (any shape, > 0)."""
        u = np.log(np.maximum(frequency_hz, 1e-3))
        grid = np.log(self.frequency_hz)
        return np.exp(np.interp(u, grid, self.level_neper) + 1j * np.interp(u, grid, self.phase_rad))


def box_shapes(
    h: NDArray[np.complex64], variance: NDArray[np.float32], frequency_hz: NDArray[np.float64]
) -> list[BoxShape]:
    """Level and minimum phase of an output from its responses at several positions, as far as they are known.

    The first is the likeliest: the slopes at both ends of the measured range go on. In the others the roll-off steepens
    beyond that range or, where noise ended it early, stays flat: what is hidden there turns the phase inside it.

    Parameters
    ----------
    h, variance : (position, line) response and its variance
    frequency_hz : (line,)

    Returns
    -------
    The shapes; none where no point stands over the noise
    """
    centre_hz = _LOWEST_HZ * 2.0 ** (np.arange(round(np.log2(_HIGHEST_HZ / _LOWEST_HZ) * _PER_OCTAVE)) / _PER_OCTAVE)
    centre_hz = centre_hz[centre_hz * 2.0 ** (_SMOOTHED_OCTAVES / 2.0) <= frequency_hz[-1]]
    energy, error = (_smoothed(values, frequency_hz, centre_hz) for values in (np.abs(h) ** 2, variance))
    signal = energy - error
    carried = signal > (_MIN_SNR - 1.0) * error  # (position, point)
    if not carried.any():
        return []
    scale = np.array([row[ok].max() if ok.any() else np.inf for row, ok in zip(signal, carried, strict=True)])
    count = carried.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        pooled = np.where(carried, signal / scale[:, None], 0.0).sum(axis=0) / count
        level = 0.5 * np.log(pooled)
    first, last = _run_around_maximum(level, count >= max(1, int(np.isfinite(scale).sum()) // 2))
    if last - first < _PER_OCTAVE // 3:
        return []
    inside = level[first : last + 1]
    below, above = _slopes(inside), _slopes(inside[::-1])
    pairs = [(below[0], above[0]), *((b, above[0]) for b in below[1:]), *((below[0], a) for a in above[1:])]
    pairs.append((below[1], above[1]))
    return [_shape(centre_hz[first : last + 1], inside, b, a) for b, a in pairs]


def _slopes(level: NDArray[np.float64]) -> list[float]:
    """Slopes that may go on outside the first point of a level given inwards: likeliest, steeper, and maybe flat.

    In nepers per neper of frequency, not negative. Flat is possible only near the top of the level.
    """
    n = min(len(level) - 1, round(_SLOPE_OCTAVES * _PER_OCTAVE))
    measured = float(np.clip((level[n] - level[0]) / (n * _STEP), 0.0, _STEEPEST))
    shallow = level[0] > level.max() - _SHALLOW_NEPERS
    return [measured, measured + _STEEPER, *([0.0] if shallow and measured > 0.0 else [])]


def _shape(centre_hz: NDArray[np.float64], level: NDArray[np.float64], below: float, above: float) -> BoxShape:
    """The shape with these slopes carried on for `_EXTENDED_OCTAVES` each way, rising below and falling above."""
    k = np.arange(1, _EXTENDED_OCTAVES * _PER_OCTAVE + 1)
    low_hz, high_hz = centre_hz[0] * 2.0 ** (-k[::-1] / _PER_OCTAVE), centre_hz[-1] * 2.0 ** (k / _PER_OCTAVE)
    low, high = level[0] - below * _STEP * k[::-1], level[-1] - above * _STEP * k
    grid_hz, extended = np.concatenate([low_hz, centre_hz, high_hz]), np.concatenate([low, level, high])
    return BoxShape(grid_hz, extended, bode_phase(extended), float(centre_hz[0]), float(centre_hz[-1]))


def low_end_of(box: BoxShape, up_to_hz: float) -> BoxShape:
    """What a box does at its low end, flat from `up_to_hz` on: errors of the level above would turn into phase."""
    f, level = box.frequency_hz, box.level_neper.copy()
    level[f > up_to_hz] = np.interp(up_to_hz, f, level)
    return BoxShape(f, level, bode_phase(level), box.low_hz, box.high_hz)


def bode_phase(level_neper: NDArray[np.float64]) -> NDArray[np.float64]:
    """Minimum phase in radians of a level in nepers on a grid of 24 points per octave, both (point,).

    The slopes at both ends are taken to go on.
    """
    step = _STEP
    slope = np.diff(level_neper) / step  # at half steps
    reach = len(slope)
    padded = np.concatenate([np.full(reach, slope[0]), slope, np.full(reach, slope[-1])])
    u = (np.arange(-reach, reach) + 0.5) * step
    kernel = np.log(1.0 / np.tanh(np.abs(u) / 2.0)) * step / np.pi
    kernel *= (np.pi / 2.0) / kernel.sum()  # the kernel's integral is pi/2: a slope of one turns 90 degrees
    # point k lies between slopes k - 1 and k: offsets -0.5 and +0.5
    return np.correlate(padded, kernel, mode="valid")


def _smoothed(
    values: NDArray[np.floating], frequency_hz: NDArray[np.float64], centre_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Mean over a third of an octave around each centre; (position, line) -> (position, point)."""
    half = 2.0 ** (_SMOOTHED_OCTAVES / 2.0)
    low = np.searchsorted(frequency_hz, centre_hz / half)
    high = np.minimum(np.searchsorted(frequency_hz, centre_hz * half), len(frequency_hz))
    low = np.minimum(low, len(frequency_hz) - 1)
    high = np.maximum(high, low + 1)
    sums = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values.astype(np.float64), axis=1)], axis=1)
    return np.asarray((sums[:, high] - sums[:, low]) / (high - low), dtype=np.float64)


def _run_around_maximum(level: NDArray[np.float64], ok: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last point of the run of usable points around the maximum that stays within the range followed."""
    usable = np.where(ok & np.isfinite(level), level, -np.inf)
    peak = int(np.argmax(usable))
    inside = usable > usable[peak] - _RANGE_NEPERS
    first = last = peak
    while first > 0 and inside[first - 1]:
        first -= 1
    while last < len(level) - 1 and inside[last + 1]:
        last += 1
    return first, last
