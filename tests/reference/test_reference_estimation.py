"""Responses, coherence and their errors: against another library on the same frames, and against published formulas.

g2 is the coherence, n the effective number of averages. Sources, all from memory unless a library is named: Bendat &
Piersol, Random Data, ch. 9; Carter, Knapp & Nuttall 1973, IEEE AU-21(4); Seybert & Hamilton 1978, J. Sound Vib. 60(1).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import delay_phase, delayed, is_close, measured
from scipy import signal

from analyze.responses.bands import band_rows
from analyze.responses.transfer import Responses
from analyze.spectra.cross_spectra import FRAME_S

#: Rate of the simulations: frames of 5600 samples, 2801 lines.
RATE_HZ = 4000
FRAME = round(FRAME_S * RATE_HZ)
#: 62 frames, worth 32 averages.
N_SAMPLES = FRAME + 61 * FRAME // 4
GAIN = -0.5


# Against another library


@pytest.mark.parametrize(("rate_hz", "n", "shift"), [(8000, 61_234, 0), (11_025, 90_001, 137), (8000, 61_234, -53)])
def test_response_and_coherence_on_the_same_frames(rate_hz: int, n: int, shift: int) -> None:
    # scipy 1.17.1, `signal.csd`, `welch`, `coherence`: Hann, same length and hop, no detrending; csd(x, y) is conj(X)
    # Y. Residual 5e-7 of the response, 1.5e-7 of the coherence: single precision.
    rng = np.random.default_rng(1)
    feed = rng.standard_normal(n).astype(np.float32)
    microphones = {
        "loud": (-0.5 * delayed(feed, max(shift, 0) + 0.3) + 0.4 * rng.standard_normal(n)).astype(np.float32),
        "noisy": (0.7 * np.roll(feed, 3) + 2.0 * rng.standard_normal(n)).astype(np.float32),
    }
    responses = measured(feed, microphones, rate_hz, shift / rate_hz)
    for p, microphone in enumerate(microphones.values()):
        frequency_hz, h, coherence = by_scipy(feed, microphone, rate_hz, shift)
        assert is_close(responses.frequency_hz, frequency_hz, 1e-6)
        tolerance = 1e-6 * float(np.sqrt(np.mean(np.abs(h) ** 2)))
        assert is_close(responses.h[0, p], h, tolerance)
        assert is_close(responses.coherence[0, p], coherence, 5e-7)
        for wrong in (np.conj(h), -h, 1.05 * h, h * delay_phase(frequency_hz, 0.05 / rate_hz)):
            assert not is_close(responses.h[0, p], wrong, tolerance)
        _, _, other = by_scipy(feed, microphone, rate_hz, shift, overlap=2)
        assert not is_close(responses.coherence[0, p], other, 5e-7)


def by_scipy(
    feed: NDArray[np.float32], microphone: NDArray[np.float32], rate_hz: int, shift: int, overlap: int = 4
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]:
    """Frequencies, H1 and coherence (line,); the microphone read `shift` samples later, silence before its start."""
    lead, n = max(0, -shift), len(feed) - max(0, shift)
    x = feed[:n].astype(np.float64)
    y = np.concatenate([np.zeros(lead), microphone])[max(0, shift) :][:n].astype(np.float64)
    length = round(FRAME_S * rate_hz)
    frames = {
        "fs": rate_hz,
        "window": "hann",
        "nperseg": length,
        "noverlap": length - length // overlap,
        "detrend": False,
    }
    frequency_hz, gxy = signal.csd(x, y, **frames)
    _, gxx = signal.welch(x, **frames)
    _, coherence = signal.coherence(x, y, **frames)
    return frequency_hz, gxy / gxx * delay_phase(frequency_hz, shift / rate_hz), coherence


# Random errors


@lru_cache
def noisy(g2: float) -> Responses:
    """Eighteen microphones that hear the feed times GAIN, each with noise of its own, at the coherence g2."""
    rng = np.random.default_rng(round(100 * g2))
    feed = rng.standard_normal(N_SAMPLES)
    noise = abs(GAIN) * np.sqrt((1.0 - g2) / g2) if g2 > 0.0 else 1.0
    gain = GAIN if g2 > 0.0 else 0.0
    microphones = {f"seat {p}": gain * feed + noise * rng.standard_normal(N_SAMPLES) for p in range(18)}
    return measured(feed, microphones, RATE_HZ)


def inner_lines(values: NDArray[np.generic]) -> NDArray[np.generic]:
    """Lines away from 0 Hz and the top, where a Hann frame's lines are not complex; (seat, line)."""
    return values[0, :, 4:-4]


# Allowed relative deviation. Residuals: 5.1 % for the phase at g2 = 0.2, where the formula for small errors is known to
# read low (0.265 simulated for 0.250 at n = 32), else up to 1.9 %.
ALLOWED = {0.2: 0.075, 0.5: 0.03, 0.8: 0.03, 0.95: 0.03}


@pytest.mark.parametrize("g2", ALLOWED)
def test_random_error_of_phase_and_level(g2: float) -> None:
    # E1, E2: sqrt(1 - g2) / (|g| sqrt(2 n)) radians, and the same relative to |H| (Bendat & Piersol, ch. 9).
    responses = noisy(g2)
    relative = inner_lines(responses.h) / GAIN
    expected = np.sqrt((1.0 - g2) / (2.0 * g2 * responses.averages[0, 0]))
    assert is_close(np.std(np.angle(relative)) / expected, 1.0, ALLOWED[g2])
    assert is_close(np.std(np.abs(relative)) / expected, 1.0, ALLOWED[g2])
    assert abs(np.mean(np.angle(relative))) < 0.05 * expected  # of no side: GAIN's sign is not in it
    # as many averages as frames, or one of the two factors of 2 left out, would show
    frames = responses.averages[0, 0] / 0.52
    assert not is_close(np.std(np.angle(relative)) / np.sqrt((1.0 - g2) / (2.0 * g2 * frames)), 1.0, ALLOWED[g2])
    assert not is_close(np.std(np.abs(relative)) / (np.sqrt(2.0) * expected), 1.0, ALLOWED[g2])


@pytest.mark.parametrize("g2", ALLOWED)
def test_the_variance_that_responses_claim(g2: float) -> None:
    # E|dH|^2 = |H|^2 (1 - g2) / (g2 n): twice the square of E1. Residual 2.4 % against what is seen, 3.7 % against the
    # formula, which leaves out that Gxx is an estimate too (1 / (n - 1) for 1 / n, 3 %).
    responses = noisy(g2)
    actual = float(np.mean(np.abs(inner_lines(responses.h) - GAIN) ** 2))
    claimed = float(np.mean(inner_lines(responses.variance)))
    assert is_close(actual / claimed, 1.0, 0.035)
    assert is_close(claimed / (GAIN**2 * (1.0 - g2) / (g2 * responses.averages[0, 0])), 1.0, 0.05)
    for off in (1.05, 0.95):  # 5 % of the standard deviation
        assert not is_close(off**2 * actual / claimed, 1.0, 0.035)


@pytest.mark.parametrize("g2", [0.0, 0.2, 0.5, 0.8, 0.95])
def test_mean_of_the_coherence_estimate(g2: float) -> None:
    # g2 + (1 - g2)^2 / n; unrelated signals read 1 / n (Carter, Knapp & Nuttall 1973). Residual 0.0016.
    responses = noisy(g2)
    bias = (1.0 - g2) ** 2 / responses.averages[0, 0]
    mean = float(np.mean(inner_lines(responses.coherence)))
    assert is_close(mean, g2 + bias, 0.0025)
    assert g2 > 0.5 or not is_close(mean, g2, 0.0025)  # the bias is there
    assert not is_close(mean, 1.05 * (g2 + bias) + 0.002, 0.0025)


def test_spread_of_the_coherence_estimate() -> None:
    # 2 g2 (1 - g2)^2 / n (Bendat & Piersol, ch. 9), for many averages. Residual 4.6 %.
    responses = noisy(0.5)
    variance = float(np.var(inner_lines(responses.coherence)))
    expected = 2.0 * 0.5 * 0.25 / responses.averages[0, 0]
    assert is_close(variance / expected, 1.0, 0.07)
    assert not is_close(1.05**2 * variance / (2.0 * expected), 1.0, 0.07)


def test_the_phase_error_of_a_band() -> None:
    # E1 for the mean over a band's lines. In a Hann frame the error of a line is shared by its neighbours: white feed
    # and noise are related by 2/3 and 1/6 over one and two lines, their product by 4/9 and 1/36, so the mean over many
    # lines has the variance of independent ones times 1 + 2 (4/9 + 1/36) = 1.94. Claimed and seen must agree.
    rate_hz, g2 = 30_000, 0.8
    n = round(FRAME_S * rate_hz) * 10
    z = []
    for seed in range(3):
        rng = np.random.default_rng(seed)
        feed = rng.standard_normal(n)
        noise = np.sqrt((1.0 - g2) / g2)
        microphones = {f"seat {p}": feed + noise * rng.standard_normal(n) for p in range(8)}
        responses = measured(feed, microphones, rate_hz)
        rows = band_rows(responses, dict.fromkeys(microphones, "audience"), {}, 3)
        z += [row.phase_deg / row.phase_std_deg for row in rows if row.band_hz > 99.0]
    assert len(z) == 3 * 8 * 22
    assert is_close(np.sqrt(np.mean(np.square(z))), 1.0, 0.1)


# Misalignment


#: Rate and frames of these: 701 lines, 400 frames.
SLOW_HZ, MANY_FRAMES = 1000, 400


@pytest.mark.parametrize(("share", "loss"), [(0.125, 0.902), (0.25, 0.659), (0.5, 0.167)])
def test_a_delay_within_the_frame_costs_what_the_window_says(share: float, loss: float) -> None:
    # E5: |H| is scaled by the window's autocorrelation at the delay, coherence by its square (Seybert & Hamilton 1978);
    # Hann, delays of 1/8, 1/4, 1/2 of a frame. Mean of eight takes. Residual 0.0015, a bias that falls with their
    # length: overlapping frames hold the late sound in a neighbour.
    delay = round(share * FRAME_S * SLOW_HZ)
    scale, coherence = np.mean([misaligned(delay, 0.0, seed) for seed in range(8)], axis=0)
    expected = loss**2 + (1.0 - loss**2) ** 2 / (0.52 * MANY_FRAMES)  # with the bias of so many averages
    assert is_close([scale, coherence], [loss, expected], 0.003)
    assert not is_close(scale, 1.05 * loss, 0.003)
    assert not is_close(scale, 1.0 - share, 0.003)  # that holds for a rectangular window


@pytest.mark.parametrize("share", [0.125, 0.25, 0.5])
def test_reading_the_microphone_later_costs_nothing(share: float) -> None:
    # The same delays, the microphone read later by them: residual 2e-8. A millisecond beside it costs 1e-5.
    delay = round(share * FRAME_S * SLOW_HZ)
    assert is_close(misaligned(delay, delay / SLOW_HZ, 3), [1.0, 1.0], 1e-6)
    assert is_close(misaligned(delay, delay / SLOW_HZ + 0.001, 3), [1.0, 1.0], 2e-5)
    assert not is_close(misaligned(delay, delay / SLOW_HZ + 0.01, 3), [1.0, 1.0], 2e-5)


def misaligned(delay: int, shift_s: float, seed: int) -> tuple[float, float]:
    """Means over the lines of H, the delay turned back and GAIN taken out, and of the coherence."""
    frame = round(FRAME_S * SLOW_HZ)
    n = frame + (MANY_FRAMES - 1) * frame // 4
    feed = np.random.default_rng(seed).standard_normal(n + frame)
    late = np.concatenate([np.zeros(delay), feed])[: len(feed)]
    n += round(shift_s * SLOW_HZ)
    responses = measured(feed[:n], {"seat": GAIN * late[:n]}, SLOW_HZ, shift_s)
    turned_back = inner_lines(responses.h)[0] / delay_phase(responses.frequency_hz[4:-4], delay / SLOW_HZ) / GAIN
    return float(np.mean(turned_back.real)), float(np.mean(inner_lines(responses.coherence)))
