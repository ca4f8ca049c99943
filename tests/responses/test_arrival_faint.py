"""An arrival under so much noise that no third octave shows the output, and all lines together do."""

from __future__ import annotations

import numpy as np
import pytest
from response_making import N_LINES, delay, responses

from analyze.responses.arrival import Evidence, evidence_of
from analyze.spectra.cross_spectra import line_hz

FREQUENCY_HZ = line_hz(N_LINES)
#: Noise of every line re the sound, as large as one that a band shows not at all: 1 is 0 dB.
STD = 1.2


def found(*delays_s: float, std: float = STD, low_alone: tuple[str, ...] = ()) -> list[Evidence]:
    """Evidence of boxes at one position, each flat and so much later, every line in noise of this deviation."""
    rng = np.random.default_rng(2)
    h = np.stack([delay(FREQUENCY_HZ, at_s) for at_s in delays_s])[:, None]
    noise = rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape)
    outputs = tuple(f"out {k}" for k in range(len(delays_s)))
    return evidence_of(
        responses(h + std * np.sqrt(0.5) * noise, outputs=outputs, positions=("mix",), std=std), low_alone
    )


def test_all_lines_together_show_what_no_band_does() -> None:
    (one,) = found(0.0231)
    assert np.isnan(one.band_low_hz)
    assert one.sharp_s == pytest.approx(0.0231, abs=2e-6)  # a flat box leaves nothing in it
    assert one.sharp_std_s == pytest.approx(1e-4)
    assert one.evidence == 0.0  # which way up it is, nothing says


def test_noise_alone_shows_no_arrival() -> None:
    (one,) = found(0.0231, std=30.0)
    assert np.isnan(one.sharp_s)


def test_what_a_sub_seems_to_do_above_is_not_its_own() -> None:
    (one,) = found(0.0231, low_alone=("out 0",))
    assert np.isnan(one.sharp_s)


@pytest.mark.parametrize(("apart_s", "is_told"), [(0.0003, False), (0.0009, True)])
def test_at_the_time_of_another_output_it_may_be_what_is_missing_of_that(apart_s: float, is_told: bool) -> None:
    one, other = found(0.0231, 0.0231 + apart_s)
    assert np.isfinite(one.sharp_s) == np.isfinite(other.sharp_s) == is_told
