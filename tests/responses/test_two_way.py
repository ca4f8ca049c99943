"""What crossover is inside a box, and when its direct sound arrives: families, corners, holes, and boxes of none.

Sums of both ways written out here: Linkwitz 1976, JAES 24(1) (orders 2, 4, 8), Small 1971 (order 3), all from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import N_LINES, Spectrum, closed, delay, responses, top

from analyze.responses.analytic import analytic_response
from analyze.responses.arrival import evidence_of
from analyze.responses.two_way import CANDIDATES, EDGE, Crossover, DirectSound, Pulse, direct_sounds
from analyze.spectra.cross_spectra import line_hz

FREQUENCY_HZ = line_hz(N_LINES)
DELAYS_S = (0.0203, 0.0317, 0.0451)
#: Reflections of a room (gain, later by s), the first two within the stretch that is looked at.
ROOM = ((0.3, 0.0009), (-0.3, 0.0011), (0.6, 0.0052))


def poles(order: int, corner_hz: float) -> Spectrum:
    """Butterworth polynomial of an order."""
    s = 1j * FREQUENCY_HZ / corner_hz
    parts = {1: s + 1, 2: s**2 + math.sqrt(2) * s + 1, 3: (s + 1) * (s**2 + s + 1)}
    parts[4] = (s**2 + 0.76536686 * s + 1) * (s**2 + 1.84775907 * s + 1)
    return np.asarray(parts[order])


def ways(family: str, corner_hz: float) -> Spectrum:
    """Both ways of a crossover as it wants to be connected, or with the upper way the wrong way round."""
    s = 1j * FREQUENCY_HZ / corner_hz
    return {
        "none": np.ones_like(s),
        "second order": (1 - s**2) / poles(1, corner_hz) ** 2,
        "second order, hole": (1 + s**2) / poles(1, corner_hz) ** 2,
        "third order": (1 + s**3) / poles(3, corner_hz),
        "fourth order": (1 + s**4) / poles(2, corner_hz) ** 2,
        "fourth order, hole": (1 - s**4) / poles(2, corner_hz) ** 2,
        "eighth order": (1 + s**8) / poles(4, corner_hz) ** 2,
    }[family]


def found(
    box: Spectrum, room: tuple[tuple[float, float], ...] = (), sign: float = 1.0
) -> tuple[Crossover, list[DirectSound]]:
    """What is read at three positions, the top of the envelope taken 20 microseconds late."""
    pulses = []
    for k, direct_s in enumerate(DELAYS_S):
        path = delay(FREQUENCY_HZ, direct_s)
        for gain, later_s in room:
            path = path + gain * delay(FREQUENCY_HZ, direct_s + later_s * (1.0 + 0.13 * k))
        h = (sign * box * path).astype(np.complex64)
        variance = np.full(N_LINES, 1e-6, dtype=np.float32)
        band = (1000.0, 12_000.0)
        pulses.append(Pulse(*analytic_response(h, variance, FREQUENCY_HZ, band, None, EDGE), band, direct_s + 20e-6))
    return direct_sounds(pulses)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("corner_hz", [1100.0, 1800.0, 2600.0])
@pytest.mark.parametrize("family", sorted({c.family for c in CANDIDATES}))
def test_a_crossover_of_a_family_is_named(family: str, corner_hz: float, sign: float) -> None:
    """Measured: corners within 3 %, half a step of the search; arrivals within 0.6 microseconds, 0.15 in the median."""
    crossover, sounds = found(ways(family, corner_hz), sign=sign)
    assert crossover.family == family
    if family != "none":
        assert abs(math.log(crossover.corner_hz / corner_hz)) < 0.04
    for sound, true_s in zip(sounds, DELAYS_S, strict=True):
        assert abs(sound.arrival_s - true_s) < 1e-6
        assert sound.lower == sign
        assert sound.rest_rad < 0.05


@pytest.mark.parametrize("candidate", CANDIDATES[1::7], ids=lambda c: f"{c.family} {c.corner_hz:.0f}")
def test_candidates_are_the_sums_of_both_ways(candidate: Crossover) -> None:
    assert np.allclose(candidate.response(FREQUENCY_HZ), ways(candidate.family, candidate.corner_hz), atol=1e-6)
    high = candidate.response(np.array([1e7]))[0]
    assert high.real == pytest.approx(candidate.upper, abs=1e-2)


@pytest.mark.parametrize("family", ["second order", "third order", "fourth order"])
def test_reflections_right_behind_do_not_turn_it(family: str) -> None:
    """Two reflections within 1.2 ms at 30 %, different at each position: measured 0.3 microseconds at most."""
    crossover, sounds = found(ways(family, 1800.0), ROOM)
    assert crossover.family == family
    for sound, true_s in zip(sounds, DELAYS_S, strict=True):
        assert abs(sound.arrival_s - true_s) < 1e-6


def unlike_any(rng: np.random.Generator) -> tuple[Spectrum, int, float]:
    """A box of no family: slopes, corners and gains of its ways differ, one is behind; sign and delay of the upper."""
    order, upper_order = rng.choice([2, 3, 4], 2).tolist()
    corner_hz = float(rng.uniform(800.0, 2500.0))
    upper_hz, behind_s = corner_hz * float(rng.uniform(0.9, 1.25)), float(rng.uniform(-6e-5, 6e-5))
    s = 1j * FREQUENCY_HZ / upper_hz
    low = 1.0 / poles(order, corner_hz)
    high = (
        10.0 ** rng.uniform(-0.1, 0.1) * s**upper_order / poles(upper_order, upper_hz) * delay(FREQUENCY_HZ, behind_s)
    )
    at = int(np.argmin(np.abs(FREQUENCY_HZ - math.sqrt(corner_hz * upper_hz))))
    upper = 1 if abs(low[at] + high[at]) > abs(low[at] - high[at]) else -1
    return low + upper * high, upper, behind_s


def test_boxes_of_no_family_show_their_upper_way() -> None:
    """What is heard first and highest is the upper way: its sign is read, and its arrival, whatever lies below.

    Measured over 40 boxes at two positions: every sign right; arrivals 0.6 microseconds off in the median, 13 at most.
    """
    rng = np.random.default_rng(11)
    errors_s: list[float] = []
    for _ in range(40):
        box, upper, behind_s = unlike_any(rng)
        box = box * closed(FREQUENCY_HZ, 65.0, 0.7) * top(FREQUENCY_HZ, float(rng.uniform(11e3, 18e3)))
        h = np.stack([box * delay(FREQUENCY_HZ, d) for d in DELAYS_S[:2]])
        for e, direct_s in zip(evidence_of(responses(h[None], std=2e-2, rng=rng)), DELAYS_S[:2], strict=True):
            assert math.cos(e.high_phase_rad) == upper
            errors_s.append(e.sharp_s - direct_s - behind_s)
    assert np.median(np.abs(errors_s)) < 2e-6
    assert np.max(np.abs(errors_s)) < 2e-5


@pytest.mark.parametrize("corner_hz", [2000.0, 4000.0, 8000.0])
def test_an_output_that_ends_within_the_band_keeps_the_top_of_its_envelope(corner_hz: float) -> None:
    """The upper end of a mid behind a fourth-order crossover: measured 9.5 microseconds at most; 40 are claimed."""
    box = closed(FREQUENCY_HZ, 62.0, 0.7) / poles(2, corner_hz) ** 2
    (e,) = evidence_of(
        responses((box * delay(FREQUENCY_HZ, 0.0237))[None, None], std=1e-3, rng=np.random.default_rng(2))
    )
    assert abs(e.sharp_s - 0.0237) < 1.5e-5
    assert e.sharp_std_s == pytest.approx(4e-5)


def test_a_fall_too_small_to_be_seen_is_in_the_spread() -> None:
    """Flat up to 12 kHz: a second-order fall of 0.43 dB there could hide, which delays by 11 microseconds."""
    f = line_hz(round(12_000 * 1.4))
    h = closed(f, 62.0, 0.7) * delay(f, 0.0237)
    (e,) = evidence_of(responses(h[None, None], std=1e-3, rng=np.random.default_rng(2)))
    assert abs(e.sharp_s - 0.0237) < 5e-7
    hidden_hz = 11_000.0 / (math.exp(2 * 0.05) - 1.0) ** 0.25
    assert e.sharp_std_s == pytest.approx(math.sqrt(2.0) / (2.0 * math.pi * hidden_hz), rel=0.15)


@pytest.mark.parametrize("level", [0.03, 1.0])
def test_noise_alone_has_no_crossover(level: float) -> None:
    """Noise in place of a direct sound is not taken for one that is sure: what the fit leaves says so."""
    rng = np.random.default_rng(4)
    noise: NDArray[np.complex128] = level * (rng.standard_normal(N_LINES) + 1j * rng.standard_normal(N_LINES))
    variance = np.full(N_LINES, 1e-6, dtype=np.float32)
    band = (1000.0, 12_000.0)
    time_s, signal = analytic_response(noise.astype(np.complex64), variance, FREQUENCY_HZ, band, None, EDGE)
    _, (sound,) = direct_sounds([Pulse(time_s, signal, band, 0.05)])
    assert sound.rest_rad > 0.5
