"""Seats alike: positions at known distances in a diffuse field, against the coherence that is known of one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import responses

from analyze.responses.seats import _likeness, alike_seats
from analyze.responses.transfer import Responses
from analyze.spectra.cross_spectra import line_hz

SPEED_M_S = 343.2
N_LINES, N_WAVES = 520, 1500


def field(places_m: list[float], n_outputs: int = 5, seed: int = 1) -> NDArray[np.complex128]:
    """Pressure (output, position, line) of plane waves from all directions at places along a line, per output anew."""
    rng = np.random.default_rng(seed)
    f, out = line_hz(N_LINES), []
    for _ in range(n_outputs):
        along = rng.uniform(-1.0, 1.0, N_WAVES)  # cosine of the angle with the line
        wave = np.exp(2j * np.pi * rng.uniform(0.0, 1.0, N_WAVES)) / np.sqrt(N_WAVES)
        # every line has waves of its own phase: their times of arrival spread over a second
        late = np.exp(-2j * np.pi * f[:, None] * rng.uniform(0.0, 1.0, N_WAVES)) * wave
        steps = [np.exp(-2j * np.pi * f[:, None] * x / SPEED_M_S * along) for x in places_m]
        out.append([(late * step).sum(axis=1) for step in steps])
    return np.array(out)


def zones(made: Responses, zone: str = "audience") -> dict[str, str]:
    return dict.fromkeys(made.positions, zone)


@pytest.mark.parametrize("distance_m", [0.1, 0.3, 0.6])
def test_likeness_is_that_of_a_diffuse_field(distance_m: float) -> None:
    """`sin(k d) / (k d)`, octaves weighing alike (Cook et al. 1955, from memory). Measured: 0.02 off at most."""
    made = responses(field([0.0, distance_m]))
    f = line_hz(N_LINES)
    f = f[(f >= 22.4) & (f <= 355.0)]
    expected = np.average(np.sinc(2.0 * f * distance_m / SPEED_M_S), weights=1.0 / f)
    assert _likeness(made, 0, 1) == pytest.approx(expected, abs=0.06)


def test_seats_some_metres_apart_are_several() -> None:
    made = responses(field([0.0, 1.0, 3.0, 7.0]))
    assert alike_seats(made, zones(made)) == []


def test_two_microphones_a_hand_apart_are_one_seat() -> None:
    made = responses(field([0.0, 4.0, 0.1]), positions=("left", "right", "left again"))
    (found,) = alike_seats(made, zones(made))
    assert (found.finding, found.severity, found.track, found.unit) == ("seats alike", "warning", "left", "coherence")
    assert 0.9 < found.value <= 1.0
    assert found.detail.startswith("left and left again hear nearly the same of every output: they count as one seat")


def test_three_in_one_place_are_named_together() -> None:
    made = responses(field([0.0, 0.1, 4.0, 0.05, 4.05]))
    findings = alike_seats(made, zones(made))
    assert [f.track for f in findings] == ["seat 0", "seat 2"]
    assert "seat 0, seat 1 and seat 3 hear" in findings[0].detail
    assert "seat 2 and seat 4 hear" in findings[1].detail


def test_a_delay_and_a_sign_of_the_chain_do_not_hide_it() -> None:
    h = field([0.0, 0.0])
    h[:, 1] *= -np.exp(-2j * np.pi * line_hz(N_LINES) * 0.004)
    (found,) = alike_seats(responses(h), zones(responses(h)))
    assert found.value == pytest.approx(1.0, abs=1e-3)


def test_a_delay_that_differs_from_output_to_output_is_another_seat() -> None:
    h = field([0.0, 0.0])
    for output in range(len(h)):
        h[output, 1] *= np.exp(-2j * np.pi * line_hz(N_LINES) * 0.002 * output)
    assert alike_seats(responses(h), zones(responses(h))) == []


def test_the_gain_of_a_chain_does_not_hide_it() -> None:
    h = field([0.0, 0.1])
    h[:, 1] *= 0.1
    assert len(alike_seats(responses(h), zones(responses(h)))) == 1


def test_positions_of_different_zones_are_not_compared() -> None:
    made = responses(field([0.0, 0.05]))
    assert alike_seats(made, {"seat 0": "audience", "seat 1": "stage"}) == []


def test_what_is_not_known_does_not_count() -> None:
    """An output that is all error at one of them, another that was not measured there: the rest decides."""
    h, apart = field([0.0, 0.05]), field([0.0, 9.0], seed=2)
    h[0], h[1, 1] = apart[0], np.nan
    made = responses(h)
    variance = made.variance.copy()
    variance[0] = 1.0
    assert len(alike_seats(replace(made, variance=variance), zones(made))) == 1
    assert alike_seats(replace(made, variance=np.full_like(variance, 10.0)), zones(made)) == []


def test_noise_of_the_responses_hides_little() -> None:
    """10 dB under them: the lines that stand over it still say so."""
    made = responses(field([0.0, 0.02]), std=0.2, rng=np.random.default_rng(4))
    assert len(alike_seats(made, zones(made))) == 1
