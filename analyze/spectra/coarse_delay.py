"""How much later than the feed a microphone is, to a few milliseconds: what the streaming pass needs to stay coherent.

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

_LINES_SMOOTHED = 9
_LINES_AVERAGED = 401
_LEAST_COHERENCE = 0.002
_ENERGY_SMOOTHED_S = 0.008


def coarse_delays_s(
    feed: NDArray[np.float32],
    microphones: NDArray[np.float32],
    sample_rate_hz: float,
    range_s: tuple[float, float] = (EARLIEST_S, LATEST_S),
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Delay of every microphone behind `feed` and how far its peak stands out.

    Parameters
    ----------
    feed, microphones : (frame,), (position, frame), the same stretch of both
    sample_rate_hz : of both
    range_s : of the delays looked for

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
    from scipy import fft

    first, last = (round(limit_s * sample_rate_hz) for limit_s in range_s)
    n_fft = fft.next_fast_len(len(feed) + max(last, -first), real=True)
    x = fft.rfft(feed, n_fft)
    sxx = _smooth(np.abs(x) ** 2, _LINES_SMOOTHED)

    def of_one(microphone: NDArray[np.float32]) -> tuple[float, float]:
        return _delay_s(x, sxx, fft.rfft(microphone, n_fft), n_fft, sample_rate_hz, (first, last))

    found = for_each(of_one, microphones)
    return np.array([delay for delay, _ in found]), np.array([prominence for _, prominence in found])


def _delay_s(
    x: NDArray[np.complex64],
    sxx: NDArray[np.float32],
    y: NDArray[np.complex64],
    n_fft: int,
    sample_rate_hz: float,
    within: tuple[int, int],
) -> tuple[float, float]:
    """Delay, within so many samples, and prominence of one microphone's spectrum; `sxx`: the feed's smoothed energy."""
    from scipy import fft

    gxy = np.conj(x) * y
    syy, sxy = _smooth(np.abs(y) ** 2, _LINES_SMOOTHED), _smooth(gxy, _LINES_SMOOTHED)
    power = sxx * syy
    power = np.maximum(power, np.finfo(np.float32).tiny + 1e-14 * float(power.max(initial=0.0)))
    coherence = _smooth(np.abs(sxy) ** 2 / power, _LINES_AVERAGED) - 1.0 / _LINES_SMOOTHED
    weight = np.clip(coherence, _LEAST_COHERENCE, 1.0)
    response = fft.irfft(gxy / np.sqrt(power) * weight, n_fft)
    first, last = within
    energy = np.concatenate([response[first:], response[: last + 1]]) ** 2
    width = max(3, round(_ENERGY_SMOOTHED_S * sample_rate_hz))
    smoothed = _smooth(energy, width)
    centre = int(np.argmax(smoothed))
    near = slice(max(0, centre - width // 2), centre + width // 2 + 1)
    peak = near.start + int(np.argmax(energy[near]))
    prominence = float(smoothed[centre] / max(float(np.median(smoothed)), 1e-30))
    if not prominence >= _rare_ratio(weight, sample_rate_hz / n_fft):
        return float("nan"), prominence
    return (peak + first) / sample_rate_hz, prominence


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
