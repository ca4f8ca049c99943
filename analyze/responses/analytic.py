"""The response of one output at one position over time, within a band: its analytic signal.

The phase of the analytic signal at the top of a pulse is the phase of that pulse: 0 for one that pushes, pi for one
that pulls, whatever the band.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analyze.responses.minimum_phase import BoxShape


def analytic_response(
    h: NDArray[np.complex64],
    variance: NDArray[np.float32],
    frequency_hz: NDArray[np.float64],
    band_hz: tuple[float, float],
    box: BoxShape | None,
    edge: float = 0.2,
    oversampling: float = 4.0,
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Analytic response within a band on a fine time axis from -0.2 s on; lines weighted by their error.

    With `box` its level and phase are divided out; the band has cosine edges, `edge` of its width each. The time axis
    has `oversampling` samples (more than 1) per period of the highest frequency.
    """
    from scipy import fft

    low_hz, high_hz = band_hz
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    f = frequency_hz[inside]
    spectrum = np.zeros(len(frequency_hz), dtype=np.complex128)
    spectrum[inside] = h[inside] * band_taper(f, band_hz, edge) * trust(h[inside], variance[inside])
    if box is not None:
        spectrum[inside] /= box.at(f)
    n = fft.next_fast_len(max(int(oversampling * high_hz / (frequency_hz[1] - frequency_hz[0])), 4096))
    signal = fft.ifft(spectrum[: min(n, len(spectrum))], n)
    step_s = 1.0 / (frequency_hz[1] - frequency_hz[0]) / n
    lead = round(0.2 / step_s)
    return (np.arange(n) - lead) * step_s, np.roll(signal, lead)


def band_taper(frequency_hz: NDArray[np.float64], band_hz: tuple[float, float], edge: float) -> NDArray[np.float64]:
    """Weights (line,) of lines within a band: 1, falling as a cosine over the share `edge` of its width at each end."""
    x = (frequency_hz - band_hz[0]) / max(band_hz[1] - band_hz[0], 1e-9)
    return np.sin(np.pi / 2 * np.clip(x / edge, 0, 1)) * np.sin(np.pi / 2 * np.clip((1 - x) / edge, 0, 1))


def trust(h: NDArray[np.complex64], variance: NDArray[np.float32]) -> NDArray[np.float64]:
    """Weight of each line, 0..1, (line,): what is heard against the line's error, as Wiener weighs it.

    What is heard is one number, each line counted by its error: where no feed sounded a line holds error alone, and
    its own energy would not tell.
    """
    error = np.maximum(variance.astype(np.float64), 1e-30)
    heard = np.sum(np.abs(h) ** 2 / error - 1.0) / np.sum(1.0 / error)
    return max(float(heard), 1e-30) / (max(float(heard), 1e-30) + error)


def strongest_s(
    h: NDArray[np.complex64],
    variance: NDArray[np.float32],
    frequency_hz: NDArray[np.float64],
    band_hz: tuple[float, float],
) -> float:
    """Time of the strongest sound within a band: the peak of the response's energy over 10 ms."""
    time_s, signal = analytic_response(h, variance, frequency_hz, band_hz, None)
    energy = np.abs(signal) ** 2
    n = max(1, round(0.01 / (time_s[1] - time_s[0])))
    smooth = np.convolve(energy, np.ones(n) / n, mode="same")
    return float(time_s[int(np.argmax(smooth))])
