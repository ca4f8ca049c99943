"""What `normal` means: positive sample in, positive pressure, positive sample out.

AES26-2001 (r2016) and IEC 60268-12 (from memory): positive pressure at a microphone gives a positive voltage, a
positive voltage at a loudspeaker pushes the cone outward and makes positive pressure. So a positive pulse comes back as
a positive pulse, whatever the box adds after it; boxes and crossover are digital filters (scipy 1.17.1,
`signal.butter`).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import cross_spectra
from scipy import signal

from analyze.responses.arrival import evidence_of
from analyze.responses.transfer import impulse_responses, responses_of
from analyze.responses.wiring import DECIDED, polarity_word, solve_signs

RATE_HZ = 8000
DELAY = 123

Filters = tuple[NDArray[np.float64], ...]


def sections(order: int, corner_hz: float, kind: str) -> NDArray[np.float64]:
    return np.asarray(signal.butter(order, corner_hz, kind, fs=RATE_HZ, output="sos"), dtype=np.float64)


BOXES: dict[str, Filters] = {
    "nothing": (),
    "closed box": (sections(2, 70.0, "highpass"),),
    "vented box": (sections(4, 50.0, "highpass"),),
    # a crossover of order 4: twice a second-order Butterworth
    "vented box behind a crossover": (sections(4, 45.0, "highpass"), *2 * (sections(2, 110.0, "highpass"),)),
    "vented sub": (sections(4, 38.0, "highpass"), *2 * (sections(2, 90.0, "lowpass"),)),
    "closed sub": (sections(2, 40.0, "highpass"), *2 * (sections(2, 90.0, "lowpass"),)),
}


def pulses(sign: float) -> NDArray[np.float64]:
    """Single samples of one sign at irregular times, over 12 s."""
    out = np.zeros(12 * RATE_HZ)
    at = np.cumsum(np.random.default_rng(2).integers(RATE_HZ // 10, RATE_HZ // 3, 60))
    out[at[at < len(out) - RATE_HZ]] = sign * 0.5
    return out


def microphone(feed: NDArray[np.float64], box: Filters, sign: float, later: int = 0) -> NDArray[np.float64]:
    """The feed through a box, later by DELAY samples and more, and 60 dB under it some noise."""
    heard = np.roll(feed, DELAY + later)
    for part in box:
        heard = signal.sosfilt(part, heard)
    noise = np.random.default_rng(3).standard_normal(len(feed))
    return np.asarray(sign * heard + 1e-3 * np.sqrt(np.mean(heard**2)) * noise, dtype=np.float64)


@pytest.mark.parametrize("feed_sign", [1.0, -1.0])
@pytest.mark.parametrize("box", BOXES)
def test_a_positive_pulse_that_comes_back_positive_is_normal(box: str, feed_sign: float) -> None:
    feed = pulses(feed_sign)
    for sign, word in ((1.0, "normal"), (-1.0, "inverted")):
        seats = {"near": microphone(feed, BOXES[box], sign), "far": microphone(feed, BOXES[box], sign, 77)}
        evidence = evidence_of(responses_of(cross_spectra(feed, seats, RATE_HZ), np.random.default_rng(0)))
        assert [np.sign(e.evidence) for e in evidence] == [sign, sign]
        signs = solve_signs({(e.output, e.position): e.evidence for e in evidence})
        assert polarity_word(signs.output_sign["main"]) == word
        assert signs.confidence["main"] > DECIDED


@pytest.mark.parametrize("box", BOXES)
def test_the_impulse_response_starts_positive(box: str) -> None:
    feed = pulses(1.0)
    for sign in (1.0, -1.0):
        cross = cross_spectra(feed, {"seat": microphone(feed, BOXES[box], sign)}, RATE_HZ)
        (impulse,) = impulse_responses(cross, {})
        early = sign * impulse.samples[DELAY : DELAY + RATE_HZ // 200]
        loud = np.abs(early) > 0.2 * np.abs(impulse.samples).max()
        assert loud.any()
        assert early[np.flatnonzero(loud)[0]] > 0.0
        (turned,) = impulse_responses(cross, {"main": (-1.0, 0.0)})
        assert np.array_equal(turned.samples, -impulse.samples)


def test_low_frequencies_lead_without_an_inversion() -> None:
    # Small 1972 (from memory): a closed box leads by 90 degrees at its corner and by more below, where half a turn is
    # near: read there, the phase alone would say `inverted`.
    feed = pulses(1.0)
    cross = cross_spectra(feed, {"seat": microphone(feed, BOXES["closed box"], 1.0)}, RATE_HZ, DELAY / RATE_HZ)
    responses = responses_of(cross, np.random.default_rng(0))
    line = int(np.argmin(np.abs(responses.frequency_hz - 15.0)))
    turned_back = responses.h[0, 0, line] * np.exp(2j * np.pi * responses.frequency_hz[line] * DELAY / RATE_HZ)
    assert np.cos(np.angle(turned_back)) < -0.8
    (evidence,) = evidence_of(responses)
    assert evidence.evidence > 0.0
