"""How much later than the feed a microphone is, from a short look at both.

To a few milliseconds of what is loudest: what the streaming pass needs to stay coherent.

A Hann frame of 1.4 s read 30 ms off loses 0.3 % of |H| (Seybert & Hamilton 1978: the window's autocorrelation), so
an error of a few milliseconds here costs nothing; the arrival itself is measured later, from the response.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.threads import for_each

#: How much of the recording is looked at, from the first sound on.
LOOK_S = 30
#: Range of delays that can be found, later positive.
EARLIEST_S, LATEST_S = -0.05, 1.0
#: A peak counts when noise alone would reach it less often than once in a million windows (standard normal deviate).
_RARE_Z = 4.8

# Where one feed alone was recorded so much of the look is enough for a microphone at which it stands out so many times
# more than noise ever does.
_SHORT_S, _CLEARLY = 8, 4.0
_LINES_SMOOTHED = 9
_LINES_AVERAGED = 401
_LEAST_COHERENCE = 0.002
_ENERGY_SMOOTHED_S = 0.008

# A look is faded in and out: where a sound is cut off at both at once, it would seem to arrive without delay.
_FADE_S = 0.1
# The first arrival lies 12 dB under the loudest at the most: of 252 in seven demo halls it was the right one with 10 to
# 15 dB, where the loudest was a reflection in 23. Energy is that of a millisecond.
_FIRST, _FIRST_SMOOTHED_S = 0.063, 0.001
# What a microphone hears is flattened over so much for it: finer, what comes twice would be flattened to once.
_FLATTENED_HZ = 290.0
# Without so much of the loudest over the median, what comes first may be noise.
_FIRST_OVER_NOISE = 40.0


def coarse_delays_s(
    feed: NDArray[np.float32],
    microphones: NDArray[np.float32],
    sample_rate_hz: float,
    range_s: tuple[float, float] = (EARLIEST_S, LATEST_S),
    *,
    is_alone: bool = False,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Delay of every microphone behind `feed` and how far its peak stands out.

    Parameters
    ----------
    feed, microphones : (frame,), (position, frame), the same stretch of both
    sample_rate_hz : of both
    range_s : of the delays looked for
    is_alone : no other feed was recorded, so that a part of the stretch will do where that leaves no doubt

    Returns
    -------
    delay_s : (position,) positive when the microphone is later; NaN where no arrival stands out within the range
    prominence : (position,) peak over median of the smoothed energy of the response

    Notes
    -----
    Cross-correlation with both spectra flattened (the smoothed coherence transform) and weighted by the coherence of
    the stretch, as in Knapp & Carter 1976, table I: bands that the microphone does not share with the feed stay out.
    The coherence over 9 lines is 1/9 where there is none; that bias is taken off its mean over 401 lines. The energy
    peak does not depend on polarity.
    """
    n_short = round(_SHORT_S * sample_rate_hz)
    if not is_alone or len(feed) < 2 * n_short:
        found = _delays(feed, microphones, sample_rate_hz, range_s)
        return found[:, 0], found[:, 1]
    found = _delays(feed[:n_short], microphones[:, :n_short], sample_rate_hz, range_s)
    doubtful = ~(found[:, 2] >= _CLEARLY)
    if doubtful.any():
        found[doubtful] = _delays(feed, microphones[doubtful], sample_rate_hz, range_s)
    return found[:, 0], found[:, 1]


def _delays(
    feed: NDArray[np.float32],
    microphones: NDArray[np.float32],
    sample_rate_hz: float,
    range_s: tuple[float, float],
) -> NDArray[np.float64]:
    """Delay, prominence, and how many times that is what noise hardly ever reaches: (position, 3)."""
    from scipy import fft

    first, last = (round(limit_s * sample_rate_hz) for limit_s in range_s)
    n_fft = fft.next_fast_len(len(feed) + max(last, -first), real=True)
    x = fft.rfft(feed, n_fft)
    sxx = _smooth(np.abs(x) ** 2, _LINES_SMOOTHED)

    def of_one(microphone: NDArray[np.float32]) -> tuple[float, float, float]:
        return _delay_s(x, sxx, fft.rfft(microphone, n_fft), n_fft, sample_rate_hz, (first, last))

    return np.array(for_each(of_one, microphones)).reshape(len(microphones), 3)


def first_arrivals_s(
    feed: NDArray[np.float32], microphones: NDArray[np.float32], sample_rate_hz: float
) -> NDArray[np.float64]:
    """When a feed is first heard at every microphone, (position,) in s after it; NaN where nothing stands out.

    Parameters
    ----------
    feed, microphones : (frame,), (position, frame), the same stretch of both

    Notes
    -----
    Behind a loudspeaker what a wall returns is louder than what comes straight, so the loudest is not the first.
    """
    from scipy import fft

    feed, microphones = _faded(feed, sample_rate_hz), _faded(microphones, sample_rate_hz)
    latest = round(LATEST_S * sample_rate_hz)
    n_fft = fft.next_fast_len(len(feed) + latest, real=True)
    x = fft.rfft(feed, n_fft)
    sxx = _smooth(np.abs(x) ** 2, _LINES_SMOOTHED)
    lines_flattened = round(_FLATTENED_HZ * n_fft / sample_rate_hz)

    def of_one(microphone: NDArray[np.float32]) -> float:
        response, _ = _response(x, sxx, fft.rfft(microphone, n_fft), n_fft, lines_flattened)
        energy = _smooth(response[: latest + 1] ** 2, max(3, round(_FIRST_SMOOTHED_S * sample_rate_hz)))
        loudest = float(energy.max())
        if not loudest > _FIRST_OVER_NOISE * float(np.median(energy)):
            return float("nan")
        first = int(np.argmax(energy >= _FIRST * loudest))
        near = response[first : first + round(2.0 * _FIRST_SMOOTHED_S * sample_rate_hz)]
        return (first + int(np.argmax(near**2))) / sample_rate_hz

    return np.array(for_each(of_one, microphones))


def _faded(samples: NDArray[np.float32], sample_rate_hz: float) -> NDArray[np.float32]:
    """Samples (..., frame) with both ends faded."""
    n = min(round(_FADE_S * sample_rate_hz), samples.shape[-1] // 2)
    ramp = np.square(np.sin(0.5 * np.pi * np.arange(n) / max(n, 1))).astype(np.float32)
    envelope = np.ones(samples.shape[-1], dtype=np.float32)
    envelope[:n], envelope[len(envelope) - n :] = ramp, ramp[::-1]
    return samples * envelope


def _delay_s(
    x: NDArray[np.complex64],
    sxx: NDArray[np.float32],
    y: NDArray[np.complex64],
    n_fft: int,
    sample_rate_hz: float,
    within: tuple[int, int],
) -> tuple[float, float, float]:
    """Delay, within so many samples, and prominence of one microphone's spectrum; `sxx`: the feed's smoothed energy.

    Last comes how many times the prominence is what noise hardly ever reaches.
    """
    response, weight = _response(x, sxx, y, n_fft, _LINES_SMOOTHED)
    first, last = within
    energy = np.concatenate([response[first:], response[: last + 1]]) ** 2
    width = max(3, round(_ENERGY_SMOOTHED_S * sample_rate_hz))
    smoothed = _smooth(energy, width)
    centre = int(np.argmax(smoothed))
    near = slice(max(0, centre - width // 2), centre + width // 2 + 1)
    peak = near.start + int(np.argmax(energy[near]))
    prominence = float(smoothed[centre] / max(float(np.median(smoothed)), 1e-30))
    times = prominence / _rare_ratio(weight, sample_rate_hz / n_fft)
    return (peak + first) / sample_rate_hz if times >= 1.0 else float("nan"), prominence, times


def _response(
    x: NDArray[np.complex64], sxx: NDArray[np.float32], y: NDArray[np.complex64], n_fft: int, lines_flattened: int
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """The flattened and weighted cross-correlation, (frame,), and the weight of its lines."""
    from scipy import fft

    gxy, energy = np.conj(x) * y, np.abs(y) ** 2
    sxy = _smooth(gxy, _LINES_SMOOTHED)
    power = _over_nothing(sxx * _smooth(energy, _LINES_SMOOTHED))
    coherence = _smooth(np.abs(sxy) ** 2 / power, _LINES_AVERAGED) - 1.0 / _LINES_SMOOTHED
    weight = np.clip(coherence, _LEAST_COHERENCE, 1.0)
    if lines_flattened != _LINES_SMOOTHED:
        power = _over_nothing(sxx * _smooth(energy, lines_flattened))
    return fft.irfft(gxy / np.sqrt(power) * weight, n_fft), weight


def _over_nothing(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """What can be divided by."""
    return np.maximum(power, np.finfo(np.float32).tiny + 1e-14 * float(power.max(initial=0.0)))


def _rare_ratio(weight: NDArray[np.floating], line_spacing_hz: float) -> float:
    """Ratio to its median that the smoothed energy of noise with this spectrum hardly ever reaches.

    Chi-squared with `2 B T` degrees of freedom, by the cube-root approximation of Wilson & Hilferty 1931.
    """
    squared = weight.astype(np.float64) ** 2
    bandwidth_hz = float(squared.sum() ** 2 / (squared**2).sum()) * line_spacing_hz
    k = 2.0 / (9.0 * max(1.0, 2.0 * bandwidth_hz * _ENERGY_SMOOTHED_S))
    return float(((1.0 - k + _RARE_Z * k**0.5) / (1.0 - k)) ** 3)


def _smooth(values: NDArray[Any], n: int) -> NDArray[Any]:
    """Running mean over n neighbours of the last axis, same length and type."""
    from scipy import ndimage

    return np.asarray(ndimage.uniform_filter1d(values, n + 1 - n % 2, mode="constant"))
