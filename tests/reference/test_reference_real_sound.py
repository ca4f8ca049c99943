"""Delay and polarity of a recorded sound that was shifted by a known amount, ours and another library's.

Library: pyroomacoustics 0.10.1, `experimental.localization.tdoa`, phase-transform correlation (Knapp & Carter 1976,
IEEE ASSP-24(4)). It takes the largest magnitude, so it knows no polarity. The sound: `data/README.md`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from reference_helpers import delayed, is_close, measured

from analyze.responses.arrival import Evidence, evidence_of
from analyze.responses.wiring import DECIDED, own_confidence
from analyze.spectra.coarse_delay import coarse_delays_s

SOUND = Path(__file__).parent / "data" / "tabla.flac"
#: Gain of the microphone, and noise in it re its sound.
GAIN, NOISE = 0.6, 1e-3
#: Samples of 22.7 microseconds: whole and fractional, the microphone earlier too.
DELAYS = (331.0, 331.25, 331.5, 617.7, 2205.9, 7000.4, 0.0, -12.3)
#: Residual 0.0045 samples, 0.1 microseconds.
TOLERANCE = 0.02
#: Steps of the library's own search, and half of one.
STEPS_PER_SAMPLE = 16
HALF_STEP = 0.5 / STEPS_PER_SAMPLE

Library = Callable[[str], ModuleType]


@lru_cache
def sound() -> tuple[NDArray[np.float64], int]:
    samples, rate_hz = soundfile.read(SOUND)
    return samples, rate_hz


def shifted(delay: float, sign: float) -> NDArray[np.float64]:
    """What a microphone hears: the sound later by `delay` samples, with a little noise of its own."""
    samples, _ = sound()
    heard = sign * GAIN * delayed(samples, delay)
    noise = np.random.default_rng(round(10 * abs(delay))).standard_normal(len(heard))
    return heard + NOISE * np.sqrt(np.mean(heard**2)) * noise


def found(microphone: NDArray[np.float64]) -> Evidence:
    samples, rate_hz = sound()
    shift_s, _ = coarse_delays_s(samples.astype(np.float32), microphone[None].astype(np.float32), rate_hz)
    (evidence,) = evidence_of(measured(samples, {"seat": microphone}, rate_hz, shift_s))
    return evidence


def found_samples(evidence: Evidence, sign: int) -> float:
    return evidence.arrival_for(sign)[0] * sound()[1]


def test_the_sound_is_as_it_was_cut() -> None:
    samples, rate_hz = sound()
    assert (samples.shape, rate_hz) == ((229_320,), 44_100)
    assert 0.25 < np.abs(samples).max() < 0.35


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("delay", DELAYS)
def test_delay_and_polarity(delay: float, sign: int) -> None:
    evidence = found(shifted(delay, sign))
    samples = found_samples(evidence, sign)
    assert is_close(samples, delay, TOLERANCE)
    for wrong in (delay + 0.05, delay - 0.05, 1.05 * delay + 0.05, -delay - 0.05):
        assert not is_close(samples, wrong, TOLERANCE)
    assert np.sign(evidence.evidence) == sign
    assert own_confidence(evidence.evidence) > DECIDED


@pytest.mark.parametrize("sign", [1, -1])
def test_every_fraction_of_a_sample(sign: int) -> None:
    fractions = np.arange(0.0, 1.01, 0.1)
    errors = [found_samples(found(shifted(443.0 + f, sign)), sign) - 443.0 - f for f in fractions]
    assert is_close(errors, np.zeros(11), TOLERANCE)
    assert abs(np.mean(errors)) < 0.002  # to no side


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("delay", DELAYS)
def test_the_phase_transform_says_the_same_delay(library: Library, delay: float, sign: int) -> None:
    localization = library("pyroomacoustics.experimental.localization")
    samples, _ = sound()
    microphone = shifted(delay, sign)
    theirs = localization.tdoa(microphone, samples, interp=STEPS_PER_SAMPLE)
    assert is_close(theirs, delay, HALF_STEP)
    assert is_close(found_samples(found(microphone), sign), theirs, TOLERANCE + HALF_STEP)
    assert not is_close(theirs, delay + 0.1, HALF_STEP)


def test_the_phase_transform_does_not_see_polarity_but_we_do(library: Library) -> None:
    localization = library("pyroomacoustics.experimental.localization")
    samples, _ = sound()
    upright, inverted = shifted(331.25, 1.0), shifted(331.25, -1.0)
    theirs = [localization.tdoa(microphone, samples, interp=STEPS_PER_SAMPLE) for microphone in (upright, inverted)]
    assert theirs[0] == theirs[1]
    assert found(upright).evidence > 0.0 > found(inverted).evidence


def test_a_sound_that_is_not_the_feed_is_not_found() -> None:
    samples, rate_hz = sound()
    other = np.random.default_rng(1).standard_normal(len(samples))
    delays_s, _ = coarse_delays_s(samples.astype(np.float32), other[None].astype(np.float32), rate_hz)
    assert np.isnan(delays_s).all()
