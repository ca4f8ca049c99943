"""How much later than the feed a microphone is, to a few milliseconds: what the streaming pass needs to stay coherent.

A Hann frame of 1.4 s read 30 ms off loses 0.3 % of |H| (Seybert & Hamilton 1978: the window's autocorrelation), so
an error of a few milliseconds here costs nothing; the arrival itself is measured later, from the response.
"""

from __future__ import annotations

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


def coarse_delay_s(
    feed: NDArray[np.float32], microphone: NDArray[np.float32], sample_rate_hz: float
) -> tuple[float, float]:
    """Delay of `microphone` behind `feed` and how far its peak stands out.

    Parameters
    ----------
    feed, microphone : (frame,) the same stretch of both
    sample_rate_hz : of both

    Returns
    -------
    delay_s : positive when the microphone is later, within `EARLIEST_S..LATEST_S`; NaN where no arrival stands out
    prominence : peak over median of the smoothed energy of the response

    Notes
    -----
    Deconvolution by the whole stretch's spectrum, weighted by the coherence over neighbouring lines (the
    maximum-likelihood weighting of Knapp & Carter 1976, table I, without its noise term): bands that the microphone
    does not share with the feed stay out. The energy peak does not depend on polarity.
    """
    from scipy import fft

    n = len(feed)
    n_fft = fft.next_fast_len(n + round(LATEST_S * sample_rate_hz), real=True)
    x = fft.rfft(feed, n_fft)
    y = fft.rfft(microphone, n_fft)
    gxx, gyy, gxy = np.abs(x) ** 2, np.abs(y) ** 2, np.conj(x) * y
    sxx, syy, sxy = (_smooth(g, _LINES_SMOOTHED) for g in (gxx, gyy, gxy))
    floor = np.finfo(np.float32).tiny + 1e-9 * float(gxx.max(initial=0.0))
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
    prominence = float(smoothed[centre] / max(float(np.median(smoothed)), 1e-300))
    if not prominence >= MIN_PEAK_TO_MEDIAN:
        return float("nan"), prominence
    return (peak + first) / sample_rate_hz, prominence


def _smooth(values: NDArray[np.generic], n: int) -> NDArray[np.generic]:
    """Running mean over n neighbours of the last axis, same length."""
    n += 1 - n % 2
    padded = np.pad(values.astype(np.complex128 if np.iscomplexobj(values) else np.float64), (n // 2 + 1, n // 2))
    sums = np.cumsum(padded)
    out: NDArray[np.generic] = (sums[n:] - sums[:-n]) / n
    return out
