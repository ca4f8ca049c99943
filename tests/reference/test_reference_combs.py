"""Comb filters: nulls of two sounds a delay apart, measured from noise through the whole pass.

First null at 1 / (2 dt), the next ones 1 / dt further; inverted, nulls at 0 and at every 1 / dt (any acoustics text,
from memory). Library: `scipy.signal.freqz` of [1, 0, ..., 0, +-1].
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import is_close, measured, responses_from, sound_check_of
from scipy import signal

from analyze.alignment.pairs import pair_rows
from analyze.alignment.rows import Pair
from analyze.responses.transfer import Responses
from analyze.spectra.cross_spectra import FRAME_S

RATE_HZ = 8000
#: 1 ms, 7.625 ms and 20.125 ms: teeth wider and narrower than a third octave, even and odd numbers of samples.
DELAYS = (8, 61, 161)
#: Residual 2e-6 dB, the rounding of single precision.
TOLERANCE_DB = 1e-5


def comb(delay: int, sign: float) -> Responses:
    """Response of a microphone that hears the feed, and the feed again `delay` samples later."""
    feed = np.random.default_rng(delay).standard_normal(12 * RATE_HZ + 1)
    again = np.concatenate([np.zeros(delay), feed[:-delay]])
    return measured(feed, {"seat": feed + sign * again}, RATE_HZ)


def expected_response(delay: int, sign: float, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    taps = np.zeros(delay + 1)
    taps[0], taps[-1] = 1.0, sign
    return np.asarray(signal.freqz(taps, worN=frequency_hz, fs=RATE_HZ)[1], dtype=np.complex128)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("delay", DELAYS)
def test_every_line_is_that_of_the_comb(delay: int, sign: float) -> None:
    # The frame cuts the repeat off at its edges: residual 2.2e-4 per sample of delay, the largest of 5601 lines.
    responses = comb(delay, sign)
    expected = expected_response(delay, sign, responses.frequency_hz)
    tolerance = 2.8e-4 * delay
    assert is_close(responses.h[0, 0], expected, tolerance)
    for wrong in (expected_response(delay, -sign, responses.frequency_hz), np.conj(expected), 1.05 * expected):
        assert not is_close(responses.h[0, 0], wrong, tolerance)


def nulls_hz(responses: Responses, depth_db: float) -> NDArray[np.float64]:
    level_db = 20.0 * np.log10(np.abs(responses.h[0, 0]) + 1e-12)
    at, _ = signal.find_peaks(-level_db, height=depth_db, distance=round(0.5 * 1000.0 * FRAME_S))
    return np.asarray(responses.frequency_hz[at], dtype=np.float64)


def test_nulls_of_a_millisecond() -> None:
    # 500, 1500, 2500 and 3500 Hz; 1000, 2000 and 3000 Hz when the repeat is inverted. All lie on a line.
    assert is_close(nulls_hz(comb(8, 1.0), 40.0), [500.0, 1500.0, 2500.0, 3500.0], 1e-6)
    upside_down = comb(8, -1.0)
    assert is_close(nulls_hz(upside_down, 40.0), [1000.0, 2000.0, 3000.0], 1e-6)
    assert abs(upside_down.h[0, 0, 0]) < 0.01  # at 0 Hz


def test_peaks_of_a_millisecond() -> None:
    # Half-way between the nulls both sounds add to +6.02 dB.
    for sign, peaks_hz in ((1.0, (1000.0, 2000.0, 3000.0)), (-1.0, (500.0, 1500.0, 2500.0))):
        level = np.abs(comb(8, sign).h[0, 0, [round(f * FRAME_S) for f in peaks_hz]])
        assert is_close(20.0 * np.log10(level), np.full(3, 6.02), 0.02)


@pytest.mark.parametrize("fraction", [3, 12])
@pytest.mark.parametrize("delay", DELAYS)
def test_bands_of_two_sounds_measured_apart(delay: int, fraction: int) -> None:
    # Closed form: mean energy of 2 +- 2 cos(2 pi f dt) over a band's lines, re one of them; the first is the earlier.
    feed = np.random.default_rng(delay).standard_normal(6 * RATE_HZ + 1)
    late, delay_s = np.concatenate([np.zeros(delay), feed[:-delay]]), delay / RATE_HZ
    near, far = measured(feed, {"seat": feed}, RATE_HZ), measured(feed, {"seat": late}, RATE_HZ, delay_s)
    both = responses_from({"near": near.h[0], "far": far.h[0]}, float(near.frequency_hz[-1]))
    rows = pair_rows(both, sound_check_of({"near": "main", "far": "tower"}), {}, fraction)
    rows = [row for row in rows if row.band_hz > 99.0]
    sums = np.array([[row.sum_db, row.flipped_sum_db] for row in rows])
    expected = np.stack([expected_db(rows, delay_s, sign, fraction) for sign in (1.0, -1.0)], axis=1)
    audible = (expected > -30.0).all(axis=1)  # below, rounding of single precision is all there is
    assert audible.sum() > 10
    assert is_close(sums[audible], expected[audible], TOLERANCE_DB)
    assert not is_close(sums[audible], expected[audible, ::-1], TOLERANCE_DB)  # inverted
    longer = expected_db(rows, 1.05 * delay_s, 1.0, fraction)
    assert not is_close(sums[audible, 0], longer[audible], TOLERANCE_DB)
    assert is_close([row.relative_delay_ms for row in rows], np.full(len(rows), -1000.0 * delay_s), 1e-3)


def expected_db(rows: list[Pair], delay_s: float, sign: float, fraction: int) -> NDArray[np.float64]:
    """Band sums by the closed form on the lines of each band; its exact centre is the one nearest to the nominal.

    NaN where a line lies on an edge: which side it is on is then a matter of rounding.
    """
    out = []
    offset = 0.0 if fraction % 2 else 0.5  # IEC 61260-1:2014, eqs. (2), (3)
    for row in rows:
        index = round(fraction * math.log(row.band_hz / 1000.0) / math.log(10.0**0.3) - offset) + offset
        low_hz, high_hz = (1000.0 * 10.0 ** (0.3 * (index + side) / fraction) for side in (-0.5, 0.5))
        if any(abs(edge_hz * FRAME_S - round(edge_hz * FRAME_S)) < 1e-6 for edge_hz in (low_hz, high_hz)):
            out.append(math.nan)
            continue
        line_hz = np.arange(math.ceil(low_hz * FRAME_S), math.ceil(high_hz * FRAME_S)) / FRAME_S
        out.append(10.0 * math.log10(np.mean(2.0 + sign * 2.0 * np.cos(2.0 * np.pi * line_hz * delay_s)) + 1e-9))
    return np.array(out)
