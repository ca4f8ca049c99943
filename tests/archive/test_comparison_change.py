"""One response against another: delays, signs, levels and air put in by formula, and read back."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, freqs

from analyze.archive.comparison_change import Heard, response_change
from analyze.archive.opening import Impulse

RATE_HZ, N = 24_000, 33_600
#: Reflections after the direct sound: delay in ms and gain.
REFLECTIONS = ((4.3, 0.5), (7.9, -0.4), (13.1, 0.45), (21.7, 0.3), (33.2, -0.25))


def response(
    at_ms: float, gain: float = 1.0, *, stretch: float = 1.0, sub: bool = False, rate_hz: int = RATE_HZ
) -> Impulse:
    """A box in a room: band-limited pulses at `latency 2 ms + flight * stretch`; the box does not stretch."""
    n = round(1.4 * rate_hz)
    f = np.fft.rfftfreq(n, 1.0 / rate_hz)
    h = np.zeros(len(f), dtype=complex)
    for later_ms, strength in ((0.0, 1.0), *REFLECTIONS):
        h += gain * strength * np.exp(-2j * np.pi * f * 1e-3 * (2.0 + (at_ms - 2.0 + later_ms) * stretch))
    band_rad_s = 2.0 * np.pi * np.array([30.0, 100.0] if sub else [90.0, 8000.0])
    box = freqs(*butter(4, band_rad_s, "bandpass", analog=True), worN=2.0 * np.pi * f)[1]
    return Impulse(np.fft.irfft(box * h, n), rate_hz)


def heard(impulse: Impulse, at_ms: float, *, sub: bool = False, setting: tuple[float, int] = (0.0, 1)) -> Heard:
    low_hz, high_hz = (28.18, 112.2) if sub else (89.13, 7943.28)
    return Heard(impulse, *setting, 2.0, at_ms - setting[0], low_hz, high_hz, 20.0)


@pytest.mark.parametrize("sub", [False, True])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("later_ms", [0.0, 0.0137, 0.4, -2.31])
def test_delay_sign_and_gain_are_read_back(later_ms: float, sign: int, sub: bool) -> None:
    older = heard(response(20.0, sub=sub), 20.0, sub=sub)
    newer = heard(response(20.0 + later_ms, 1.5 * sign, sub=sub), 20.3, sub=sub)  # where it was thought to arrive
    change = response_change(older, newer, None, 1.0)
    assert change is not None
    # measured 0.0001 ms full range and 0.002 ms for the sub: parabola through three samples of 3.8 microseconds
    assert change.delay_ms == pytest.approx(later_ms, abs=0.005)
    assert change.sign == sign
    assert change.level_db == pytest.approx(20.0 * np.log10(1.5), abs=0.05)
    assert change.likeness > 0.99
    assert change.sign_evidence > 5.0


def test_settings_are_taken_out() -> None:
    older = heard(response(20.0), 20.0)
    newer = heard(response(23.0, -1.0), 23.0, setting=(3.0, -1))
    change = response_change(older, newer, None, 1.0)
    assert change is not None
    assert (change.delay_ms, change.sign) == (pytest.approx(0.0, abs=0.005), 1)


@pytest.mark.parametrize("ratio", [1.017, 0.99])
def test_air_stretches_what_lies_behind_the_latency(ratio: float) -> None:
    # flight 38 ms: 0.646 and -0.38 ms by c1 / c2 - 1
    older = heard(response(40.0), 40.0)
    newer = heard(response(40.0, stretch=ratio), 2.0 + 38.0 * ratio)
    change = response_change(older, newer, None, ratio)
    assert change is not None
    assert change.air_ms == pytest.approx(38.0 * (ratio - 1.0))
    # measured 0.003 ms: without its minimum phase the box is stretched as well
    assert change.delay_ms == pytest.approx(0.0, abs=0.01)
    plain = response_change(older, newer, None, 1.0)
    assert plain is not None
    assert plain.delay_ms == pytest.approx(change.air_ms, abs=0.02)
    assert plain.likeness < change.likeness


def test_rates_may_differ() -> None:
    older, newer = heard(response(20.0), 20.0), heard(response(20.25, rate_hz=48_000), 20.25)
    change = response_change(older, newer, None, 1.0)
    assert change is not None
    assert change.delay_ms == pytest.approx(0.25, abs=0.01)


def test_a_band_that_changed_stands_out_of_its_level() -> None:
    impulse = response(20.0)
    f = np.fft.rfftfreq(N, 1.0 / RATE_HZ)
    lifted = np.fft.irfft(np.fft.rfft(impulse.samples) * np.where((f > 891.25) & (f < 1122.0), 2.0, 1.0), N)
    change = response_change(heard(impulse, 20.0), heard(Impulse(lifted, RATE_HZ), 20.0), None, 1.0)
    assert change is not None
    at = int(np.argmin(np.abs(change.band_hz - 1000.0)))
    assert change.band_level_db[at] == pytest.approx(6.02, abs=0.6)  # 20 log 2, blurred by the window; measured 5.8
    others = np.delete(change.band_level_db, [at - 1, at, at + 1])
    assert np.nanmax(np.abs(others)) < 0.3


def test_unlike_responses_have_a_wide_error_and_no_sign() -> None:
    rng = np.random.default_rng(3)
    noise = [Impulse(rng.standard_normal(N), RATE_HZ) for _ in range(2)]
    change = response_change(heard(noise[0], 20.0), heard(noise[1], 20.0), None, 1.0)
    assert change is not None
    assert change.likeness < 0.3
    assert change.sign_evidence == 0.0
    assert change.delay_std_ms > 1.0


def test_without_a_range_in_common_nothing_is_compared() -> None:
    assert response_change(heard(response(20.0), 20.0), heard(response(20.0), float("nan")), None, 1.0) is None
    sub, main = heard(response(20.0, sub=True), 20.0, sub=True), heard(response(20.0), 20.0)
    narrow = Heard(sub.impulse, 0.0, 1, 2.0, 20.0, 28.0, 80.0, 20.0)
    assert response_change(narrow, main, None, 1.0) is None
