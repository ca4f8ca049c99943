"""How much later than the feed a microphone is, to a few milliseconds: what the streaming pass needs to stay coherent.

A Hann frame of 1.4 s read 30 ms off loses 0.3 % of |H| (Seybert & Hamilton 1978: the window's autocorrelation), so
an error of a few milliseconds here costs nothing; the arrival itself is measured later, from the response.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: How much of the recording is looked at, from the first sound on.
LOOK_S = 30.0
#: Range of delays that can be found, later positive.
EARLIEST_S, LATEST_S = -0.05, 1.0
#: Peak energy of the deconvolved response over its median: below this there is no arrival to be seen.
MIN_PEAK_TO_MEDIAN = 12.0

_LINES_SMOOTHED = 9
_ENERGY_SMOOTHED_S = 0.008


def coarse_delays_s(
    feed: NDArray[np.float32], microphones: NDArray[np.float32], sample_rate_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Delay of every microphone behind `feed` and how far its peak stands out.

    Parameters
    ----------
    feed, microphones : (frame,), (frame, position), the same stretch of both
    sample_rate_hz : of both

    Returns
    -------
    delay_s : (position,) positive when the microphone is later, within `EARLIEST_S..LATEST_S`; NaN where no arrival
        stands out
    prominence : (position,) peak over median of the smoothed energy of the response

    Notes
    -----
    Deconvolution by the whole stretch's spectrum, weighted by the coherence over neighbouring lines (the
    maximum-likelihood weighting of Knapp & Carter 1976, table I, without its noise term): bands that the microphone
    does not share with the feed stay out. The energy peak does not depend on polarity.
    """
    from scipy import fft

    n_fft = fft.next_fast_len(len(feed) + round(LATEST_S * sample_rate_hz), real=True)
    x = fft.rfft(feed, n_fft)
    sxx = _smooth(np.abs(x) ** 2, _LINES_SMOOTHED)
    found = [
        _delay_s(x, sxx, fft.rfft(microphones[:, p], n_fft), n_fft, sample_rate_hz) for p in range(microphones.shape[1])
    ]
    return np.array([delay for delay, _ in found]), np.array([prominence for _, prominence in found])


def _delay_s(
    x: NDArray[np.complex64], sxx: NDArray[np.float32], y: NDArray[np.complex64], n_fft: int, sample_rate_hz: float
) -> tuple[float, float]:
    """Delay and prominence of one microphone's spectrum; `sxx` is the feed's smoothed energy."""
    from scipy import fft

    gxy = np.conj(x) * y
    syy, sxy = _smooth(np.abs(y) ** 2, _LINES_SMOOTHED), _smooth(gxy, _LINES_SMOOTHED)
    floor = np.finfo(np.float32).tiny + 1e-9 * float(sxx.max(initial=0.0))
    coherence = np.abs(sxy) ** 2 / (sxx * syy + np.finfo(np.float32).tiny)
    excess = np.clip(coherence - 2.0 / _LINES_SMOOTHED, 0.0, 1.0)
    response = fft.irfft(gxy / (sxx + floor) * excess, n_fft)
    first, last = round(EARLIEST_S * sample_rate_hz), round(LATEST_S * sample_rate_hz)
    energy = np.concatenate([response[first:], response[: last + 1]]) ** 2
    width = max(3, round(_ENERGY_SMOOTHED_S * sample_rate_hz))
    smoothed = _smooth(energy, width)
    centre = int(np.argmax(smoothed))
    near = slice(max(0, centre - width // 2), centre + width // 2 + 1)
    peak = near.start + int(np.argmax(energy[near]))
    prominence = float(smoothed[centre] / max(float(np.median(smoothed)), 1e-30))
    if not prominence >= MIN_PEAK_TO_MEDIAN:
        return float("nan"), prominence
    return (peak + first) / sample_rate_hz, prominence


def _smooth(values: NDArray[Any], n: int) -> NDArray[Any]:
    """Running mean over n neighbours of the last axis, same length and type."""
    from scipy import ndimage

    return np.asarray(ndimage.uniform_filter1d(values, n + 1 - n % 2, mode="constant"))
