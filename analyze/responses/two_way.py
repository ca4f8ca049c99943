"""When the direct sound of a box arrives, and which crossover is inside it: the phase of its high frequencies.

A crossover inside a box is one fact, however many microphones heard it. Over three and a half octaves the
phase of the direct sound is held against crossovers of the usual families at every corner; the one that leaves least
at all positions together is taken, and each position then keeps its own delay and sign: what a crossover adds is no
delay.

Every candidate is seen through the same band and the same stretch of time as what was measured, so that the edges of
both leave no bias. All tend to +1 at low frequencies: the sign that is found is that of the lower way.

Sources: Linkwitz 1976, JAES 24(1) (second, fourth and eighth order); Small 1971, IREE (third order). Both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analyze.responses.analytic import band_taper

#: The direct sound alone: reflections come later than this behind it.
_BEFORE_S, _AFTER_S = 0.0005, 0.0012
#: Edge of the band, as a share of its width: outside it the phase is not looked at.
EDGE = 0.05
#: Ratio of the highest to the lowest frequency that is looked at.
BAND_RATIO = 12.0
_N_POINTS = 48
#: How far around the top of the envelope the arrival may lie, in periods of the highest frequency.
_REACH_PERIODS, _N_DELAYS = 0.8, 41
#: Corners a crossover may have.
_CORNERS_HZ = np.geomspace(500.0, 5000.0, 20)
#: The likeliest few are looked at again with corners this much higher or lower, a step of the above at most.
_N_LIKELY, _BETWEEN = 4, 10.0 ** (np.linspace(-1.0, 1.0, 9) / 19.0)
#: Phase that any fit leaves, rad: smaller rests are no better.
_SMALLEST_REST_RAD = 0.02
#: How much likelier, in nepers, a crossover must be than none.
_LEAST_GAIN = 1.0

#: Corners that the fall of the drivers may have, re the highest frequency looked at.
_FALL_CORNERS = 2.0 ** np.arange(-0.5, 1.5, 0.05)
#: An output that falls further than this in nepers (6 dB) ends within the band.
_DEEPEST_FALL = 0.7
#: A fall is one from this many nepers at the top (0.4 dB) on, and this many times what it leaves unexplained.
_LEAST_FALL, _FALL_OVER_REST = 0.05, 3.0


@dataclass(frozen=True)
class Crossover:
    """A crossover inside a box.

    family : one of `_FAMILIES`; corner_hz : NaN for none
    upper : sign of the upper way re the lower; in a family with a hole both cancel at the corner
    """

    family: str
    corner_hz: float
    upper: int

    def response(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Sum of both ways, 1 far below the corner, at any shape of frequencies."""
        if self.family == "none":
            return np.ones(np.shape(frequency_hz), dtype=np.complex128)
        s = np.asarray(1j * np.asarray(frequency_hz) / self.corner_hz, dtype=np.complex128)
        out = np.ones_like(s)
        for q in _FAMILIES[self.family].all_passes:
            out = out * ((1.0 - s) / (1.0 + s) if math.isinf(q) else (s**2 - s / q + 1.0) / (s**2 + s / q + 1.0))
        return out * self._hole(s)

    def _hole(self, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """What is left of the sum where the upper way is connected the wrong way round."""
        if self.family == "second order, hole":
            return np.asarray((1.0 + s**2) / (1.0 + s) ** 2)
        if self.family == "fourth order, hole":
            return np.asarray((1.0 - s**4) / (s**2 + math.sqrt(2.0) * s + 1.0) ** 2)
        return np.ones_like(s)


@dataclass(frozen=True)
class _Family:
    """all_passes : Q of each all-pass of second order it leaves, infinite for one of first order."""

    all_passes: tuple[float, ...]
    upper: int


#: A third-order Butterworth leaves a first-order all-pass one way round and one of second order and Q 1 the other.
_FAMILIES = {
    "second order": _Family((math.inf,), -1),
    "third order": _Family((1.0,), 1),
    "fourth order": _Family((math.sqrt(0.5),), 1),
    "eighth order": _Family((0.5411961, 1.3065630), 1),
    "second order, hole": _Family((), 1),
    "fourth order, hole": _Family((), -1),
}
_NONE = Crossover("none", math.nan, 1)
CANDIDATES = (
    _NONE,
    *(
        Crossover(name, corner_hz, family.upper)
        for name, family in _FAMILIES.items()
        for corner_hz in _CORNERS_HZ.tolist()
    ),
)


@dataclass(frozen=True)
class Pulse:
    """An output at one position: what is around the top of its first arrival.

    time_s, signal : (time,) analytic response within `band_hz`, what box and drivers do at both ends divided out
    top_s : top of the envelope of the first arrival
    """

    time_s: NDArray[np.float64]
    signal: NDArray[np.complex128]
    band_hz: tuple[float, float]
    top_s: float


@dataclass(frozen=True)
class DirectSound:
    """The direct sound of an output at one position.

    arrival_s : pure delay; lower : sign of the lower way, +1 or -1
    rest_rad : phase that delay, sign and crossover leave, root mean square
    unseen_s : delay that a fall of the drivers may add which is too small to be seen in their level; NaN where the
        output ends within the band
    """

    arrival_s: float
    lower: int
    rest_rad: float
    unseen_s: float = 0.0


def direct_sounds(pulses: Sequence[Pulse]) -> tuple[Crossover, list[DirectSound]]:
    """The crossover inside an output and its direct sound at each position (at least one).

    Notes
    -----
    Maximum likelihood with an unknown variance of the phase per position: the sum over positions of the logarithm of
    the mean square rest, which lets a position that a reflection blurs say little.
    """
    best = _likeliest(pulses)
    sounds = [_refined(pulse, best) for pulse in pulses]
    corner_hz, is_seen = _fall_hz(pulses, sounds, best)
    if is_seen and math.isfinite(corner_hz):
        return best, [_refined(pulse, best, corner_hz) for pulse in pulses]
    unseen_s = math.sqrt(2.0) / (2.0 * math.pi * corner_hz)  # what such a low-pass delays
    return best, [replace(sound, unseen_s=unseen_s) for sound in sounds]


def _likeliest(pulses: Sequence[Pulse]) -> Crossover:
    """The crossover that fits all positions best; none where no other is plainly better."""
    costs = _costs(pulses, CANDIDATES)
    likely = [CANDIDATES[i] for i in np.argsort(costs)[:_N_LIKELY] if CANDIDATES[i] != _NONE]
    closer = [replace(c, corner_hz=c.corner_hz * ratio) for c in likely for ratio in _BETWEEN.tolist()]
    closer_costs = _costs(pulses, closer)
    best = int(np.argmin(closer_costs))
    return _NONE if closer_costs[best] > costs[0] - _LEAST_GAIN else closer[best]


def _costs(pulses: Sequence[Pulse], crossovers: Sequence[Crossover]) -> NDArray[np.float64]:
    """Half the logarithm of the likelihood per independent phase, negative: (crossover,)."""
    rests = np.array([_fitted(pulse, pulse.top_s, crossovers)[2] for pulse in pulses])  # (position, crossover)
    return np.asarray(np.log(rests**2 + _SMALLEST_REST_RAD**2).sum(axis=0))


def _refined(pulse: Pulse, crossover: Crossover, fall_hz: float = math.inf) -> DirectSound:
    """The fit of one crossover, looked at again where it puts the arrival."""
    at_s = pulse.top_s
    for _ in range(2):
        later_s, sign, rest = _fitted(pulse, at_s, [crossover], fall_hz)
        at_s += float(later_s[0])
    return DirectSound(at_s, int(sign[0]), float(rest[0]))


def _fitted(
    pulse: Pulse, at_s: float, crossovers: Sequence[Crossover], fall_hz: float = math.inf
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Delay behind `at_s`, sign and rest in radians of crossovers, (crossover,) each.

    The delay of the largest likeness on a grid, then the weighted least-squares slope of the phase that is left.
    """
    f, seen = _seen(pulse.band_hz, crossovers)
    delays_s = np.linspace(-1.0, 1.0, _N_DELAYS) * _REACH_PERIODS / pulse.band_hz[1]
    turns = np.exp(2j * np.pi * np.outer(delays_s, f))
    product = (seen * _fall(f, fall_hz)).conj() * _spectrum(pulse, at_s, f)
    likeness = (turns @ product.T).real  # (delay, crossover)
    best = np.argmax(np.abs(likeness), axis=0)
    sign = np.sign(likeness[best, np.arange(len(product))])
    turned = product * turns[best] * sign[:, None]
    weight, phase, slope = np.abs(turned), np.angle(turned), -2.0 * np.pi * f
    more_s = (weight * slope * phase).sum(axis=1) / (weight * slope**2).sum(axis=1)
    rest = phase - more_s[:, None] * slope
    return delays_s[best] + more_s, sign, np.sqrt((weight * rest**2).sum(axis=1) / weight.sum(axis=1))


def _fall(frequency_hz: NDArray[np.float64], corner_hz: float | NDArray[np.float64]) -> NDArray[np.complex128]:
    """Where drivers give up: a second-order Butterworth low-pass; frequencies and corners broadcast."""
    s = 1j * frequency_hz / corner_hz
    return np.asarray(1.0 / (s**2 + math.sqrt(2.0) * s + 1.0))


def _fall_hz(pulses: Sequence[Pulse], sounds: Sequence[DirectSound], crossover: Crossover) -> tuple[float, bool]:
    """Corner of the fall that the level of the direct sound shows, all positions together, and True.

    Where it shows none: the lowest that could hide in what the level leaves unexplained, and False. NaN where the
    output ends within the band: that is a crossover, and of an order that the level alone does not tell.
    """
    top_hz = float(np.median([pulse.band_hz[1] for pulse in pulses]))
    f = np.linspace(top_hz / 4.0, top_hz * (1.0 - 2.0 * EDGE), _N_POINTS)
    level, weights = np.zeros(len(f)), 0.0
    for pulse, sound in zip(pulses, sounds, strict=True):
        if pulse.band_hz[1] < top_hz * (1.0 - EDGE):
            continue
        points_hz, seen = _seen(pulse.band_hz, [crossover])
        heard = np.log(np.abs(_spectrum(pulse, sound.arrival_s, points_hz) / seen[0]))
        weight = 1.0 / (sound.rest_rad**2 + _SMALLEST_REST_RAD**2)
        level += weight * np.interp(f, points_hz, heard)
        weights += weight
    level /= weights
    if np.mean(level[: _N_POINTS // 3]) - np.mean(level[-_N_POINTS // 12 :]) > _DEEPEST_FALL:
        return math.nan, True
    corners_hz = top_hz * _FALL_CORNERS
    falls = -np.log(np.abs(_fall(f, corners_hz[:, None])))  # (corner, point)
    rests = np.std(level + falls, axis=1)
    best = int(np.argmin(rests))
    least = max(_LEAST_FALL, _FALL_OVER_REST * float(rests[best]))
    if falls[best, -1] < least:
        return float(corners_hz[np.argmin(np.abs(falls[:, -1] - least))]), False
    return float(corners_hz[best]), True


def _spectrum(pulse: Pulse, at_s: float, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Spectrum (point,) of the stretch around `at_s`, time counted from there."""
    first, last = np.searchsorted(pulse.time_s, [at_s - _BEFORE_S, at_s + _AFTER_S])
    x = pulse.time_s[first:last] - at_s
    turns = np.exp(-2j * np.pi * np.outer(x, frequency_hz))
    return np.asarray((pulse.signal[first:last] * _window(x)) @ turns)


def _window(x_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weight of times re the arrival: a cosine on both sides."""
    return 0.5 + 0.5 * np.cos(np.pi * np.clip(np.where(x_s < 0.0, x_s / _BEFORE_S, x_s / _AFTER_S), -1.0, 1.0))


def _seen(
    band_hz: tuple[float, float], crossovers: Sequence[Crossover]
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Points (point,) within a band, and crossovers there (crossover, point) seen as a pulse is, at delay 0."""
    points_hz, f, view = _view(*band_hz)
    if crossovers is CANDIDATES:
        return points_hz, _all_seen(*band_hz)
    return points_hz, np.stack([c.response(f) for c in crossovers]) @ view.T


@lru_cache(maxsize=64)
def _all_seen(low_hz: float, high_hz: float) -> NDArray[np.complex128]:
    """All candidates (candidate, point): the same for every pulse of a band."""
    _, f, view = _view(low_hz, high_hz)
    return np.stack([c.response(f) for c in CANDIDATES]) @ view.T


@lru_cache(maxsize=64)
def _view(low_hz: float, high_hz: float) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.complex128]]:
    """Points (point,) within a band, lines (line,) of it, and what each line becomes at each point (point, line)."""
    edge_hz = EDGE * (high_hz - low_hz)
    points_hz = np.linspace(low_hz + edge_hz, high_hz - edge_hz, _N_POINTS)
    f = np.arange(low_hz, high_hz, 0.04 / _AFTER_S)  # fine enough for the stretch to hold what each line becomes
    time_s = np.arange(-_BEFORE_S, _AFTER_S, 1.0 / (3.0 * high_hz))
    sounds = np.exp(2j * np.pi * np.outer(time_s, f)) * _window(time_s)[:, None]
    view = np.exp(-2j * np.pi * np.outer(points_hz, time_s)) @ sounds * band_taper(f, (low_hz, high_hz), EDGE)
    return points_hz, f, view / np.abs(view.sum(axis=1)).max()
