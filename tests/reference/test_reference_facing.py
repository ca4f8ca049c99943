"""Closed and vented boxes add up at low frequencies whichever way the monitor faces.

Common practice, no source: a monitor and a main wired alike add from about 1.2 times the higher of their corners up,
and cancel there when one is inverted, whether the monitor faces the microphone or looks away; facing shifts only its
acoustic centre. Shown with a cap on a rigid sphere, whose sound does depend on facing, in level and delay: a point
source could not fail. The box's own response stands in front of it.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import delay_phase, is_close, lines_hz, responses_from, sound_check_of
from scipy import special
from sphere_cap import Cap

from analyze.alignment.pairs import pair_rows
from analyze.alignment.rows import Pair
from analyze.responses.arrival import evidence_of
from analyze.responses.transfer import Responses
from analyze.responses.wiring import solve_signs
from analyze.simulate_boxes import closed_box, vented_box

SPEED_M_S = 343.2
#: A monitor as large as a sphere of 20 cm radius, with a cap of 35 degrees: a cone of 23 cm across. ka = 1 at 273 Hz.
MONITOR = Cap(0.2, np.radians(35.0), SPEED_M_S)
DISTANCE_M = 3.0
FACING_DEG = (0.0, 45.0, 90.0, 135.0, 180.0)
TOP_HZ = 6000.0
#: Corners in Hz of the closed monitor and the vented main: either the higher one, or both alike.
CORNERS_HZ = ((70.0, 55.0), (60.0, 60.0), (50.0, 70.0))
FLIGHT_S = 0.02


@lru_cache
def directivity(facing_deg: float) -> NDArray[np.complex128]:
    """Sound of the monitor re a point source at its centre, (line,); 1 at 0 Hz."""
    frequency_hz = lines_hz(TOP_HZ)
    out = np.ones(len(frequency_hz), dtype=np.complex128)
    out[1:] = MONITOR.directivity(frequency_hz[1:], DISTANCE_M, np.radians(facing_deg))
    return out


def open_backed(facing_deg: float) -> NDArray[np.complex128]:
    """What a box without a back does instead: its sound turns over behind it, and nothing goes sideways."""
    return np.full(len(lines_hz(TOP_HZ)), np.cos(np.radians(facing_deg)) + 0j)


def centre_s(facing_deg: float) -> float:
    """Delay by the acoustic centre: three quarters of (1 + cos alpha) radii towards the front."""
    forward_m = 0.75 * (1.0 + np.cos(MONITOR.half_angle_rad)) * MONITOR.radius_m
    return -float(forward_m * np.cos(np.radians(facing_deg)) / SPEED_M_S)


def main_and_monitor(corners_hz: tuple[float, float], shape: NDArray[np.complex128], sign: float = 1.0) -> Responses:
    """A vented main, and the monitor whose centre is as far from the seat as the main's."""
    frequency_hz = lines_hz(TOP_HZ)
    flight = delay_phase(frequency_hz, FLIGHT_S) / DISTANCE_M
    monitor = sign * closed_box(frequency_hz, corners_hz[0], 0.7) * shape * flight
    return responses_from({"main": vented_box(frequency_hz, corners_hz[1]) * flight, "monitor": monitor}, TOP_HZ)


def aligned_pairs(responses: Responses, corners_hz: tuple[float, float], centre: float) -> list[Pair]:
    """Rows from 1.2 times the higher corner up to ka = 1; the recommended sum has the centre's delay taken out."""
    check = sound_check_of({"main": "main", "monitor": "monitor"})
    rows = pair_rows(responses, check, {"monitor": (1.0, -1000.0 * centre)}, 3)
    lowest, highest = 1.2 * max(corners_hz) * 10.0**0.05, 1.0 / MONITOR.ka(1.0)
    inside = [row for row in rows if lowest < row.band_hz < highest]
    assert len(inside) >= 4
    return inside


# The sphere itself


def test_the_surface_moves_where_the_cap_is() -> None:
    # The series adds up to 1 on the cap and to 0 beside it; Lanczos' factors damp the overshoot. Residual 0.0012.
    n_terms = 120
    theta = np.radians([0.0, 10.0, 20.0, 28.0, 42.0, 60.0, 90.0, 150.0])
    velocity = np.zeros(len(theta))
    for n in range(n_terms):
        velocity += MONITOR.velocity(n) * np.sinc(n / n_terms) * special.eval_legendre(n, np.cos(theta))
    assert is_close(velocity, np.where(theta < MONITOR.half_angle_rad, 1.0, 0.0), 0.005)


@pytest.mark.parametrize("ka", [0.3, 1.0, 5.0])
def test_the_power_of_the_cap_arrives_far_away(ka: float) -> None:
    # Conservation of energy: pressure in phase with the velocity over the cap, against squared pressure over a far
    # sphere, both re rho c. Residual 6e-7.
    frequency_hz = np.array([ka / MONITOR.ka(1.0)])
    far_m = 1000.0 * MONITOR.radius_m

    def pressure(distance_m: float, x: float) -> complex:
        """At the cosine x off axis, over rho c and the cap's velocity."""
        small = 1j * ka * MONITOR.radius_m * MONITOR.velocity(0) / distance_m
        turn = np.exp(-1j * ka * distance_m / MONITOR.radius_m)
        return complex(MONITOR.directivity(frequency_hz, distance_m, float(np.arccos(x)))[0] * small * turn)

    nodes, weights = np.polynomial.legendre.leggauss(48)
    edge = np.cos(MONITOR.half_angle_rad)
    on_cap = 0.5 * (1.0 + edge) + 0.5 * (1.0 - edge) * nodes
    sent = (
        0.5 * (1.0 - edge) * sum(w * pressure(MONITOR.radius_m, x).real for w, x in zip(weights, on_cap, strict=True))
    )
    arrived = sum(w * abs(pressure(far_m, x)) ** 2 for w, x in zip(weights, nodes, strict=True))
    assert is_close(arrived * (far_m / MONITOR.radius_m) ** 2 / sent, 1.0, 1e-5)


@pytest.mark.parametrize("facing_deg", FACING_DEG)
def test_at_low_frequencies_the_centre_moves_and_nothing_else(facing_deg: float) -> None:
    # The series to first order in ka: exp(j ka cos(theta) 3/4 (1 + cos alpha)). For a small cap front and back differ
    # by 3 a / c, which is Kuhn 1977, JASA 62(1), for a head seen from its side (from memory). Far away, at ka = 0.1.
    frequency_hz = np.array([0.1 / MONITOR.ka(1.0)])
    (shape,) = MONITOR.directivity(frequency_hz, 1000.0, np.radians(facing_deg))
    delay_s = -np.angle(shape) / (2.0 * np.pi * frequency_hz[0])
    assert is_close(20.0 * np.log10(abs(shape)), 0.0, 0.05)
    assert is_close(1e6 * delay_s, 1e6 * centre_s(facing_deg), 6.0)
    assert facing_deg == 90.0 or not is_close(1e6 * delay_s, 1.05 * 1e6 * centre_s(facing_deg), 6.0)
    small = Cap(MONITOR.radius_m, np.radians(1.0), SPEED_M_S)
    front, back = (np.angle(small.directivity(frequency_hz, 1000.0, t))[0] for t in (0.0, np.pi))
    between_s = (front - back) / (2.0 * np.pi * frequency_hz[0])
    assert is_close(between_s / (3.0 * MONITOR.radius_m / SPEED_M_S), 1.0, 0.01)


def test_at_high_frequencies_facing_changes_the_level() -> None:
    # So the checks below can fail: at ka = 8 the sound behind is 14 dB down, at ka = 1 nowhere by more than 4.
    def level_db(ka: float, facing_deg: float) -> float:
        (shape,) = MONITOR.directivity(np.array([ka / MONITOR.ka(1.0)]), 1000.0, np.radians(facing_deg))
        return float(20.0 * np.log10(abs(shape)))

    assert level_db(8.0, 180.0) - level_db(8.0, 0.0) < -12.0
    assert max(abs(level_db(1.0, facing) - level_db(1.0, 0.0)) for facing in FACING_DEG) < 4.5


# What the project makes of it


@pytest.mark.parametrize("facing_deg", FACING_DEG)
@pytest.mark.parametrize("corners_hz", CORNERS_HZ)
def test_wired_alike_they_add_whichever_way_the_monitor_faces(
    corners_hz: tuple[float, float], facing_deg: float
) -> None:
    shape, centre = directivity(facing_deg), centre_s(facing_deg)
    alike = aligned_pairs(main_and_monitor(corners_hz, shape), corners_hz, centre)
    inverted = aligned_pairs(main_and_monitor(corners_hz, shape, -1.0), corners_hz, centre)
    for row, turned in zip(alike, inverted, strict=True):
        assert row.recommended_sum_db > 3.0
        assert turned.recommended_sum_db < 3.0


@pytest.mark.parametrize("facing_deg", [135.0, 180.0])
@pytest.mark.parametrize("corners_hz", CORNERS_HZ)
def test_an_open_backed_monitor_does_not(corners_hz: tuple[float, float], facing_deg: float) -> None:
    rows = aligned_pairs(main_and_monitor(corners_hz, open_backed(facing_deg)), corners_hz, 0.0)
    assert all(row.sum_db < row.flipped_sum_db for row in rows)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("facing_deg", FACING_DEG)
def test_facing_changes_neither_the_sign_nor_the_low_level(facing_deg: float, sign: int) -> None:
    corners_hz = CORNERS_HZ[0]
    responses = main_and_monitor(corners_hz, directivity(facing_deg), sign)
    evidence = {e.output: e.evidence for e in evidence_of(responses)}
    signs = solve_signs({(name, "seat"): value for name, value in evidence.items()})
    assert signs.output_sign == {"main": 1, "monitor": sign}
    hz, level_db = monitor_level_db(responses)
    _, facing_db = monitor_level_db(main_and_monitor(corners_hz, directivity(0.0), sign))
    # Up to 100 Hz (ka = 0.37) 1.7 dB at most, the centre's 0.5 m of 3 m; above 2 kHz behind it 19 dB and more.
    assert np.abs(level_db - facing_db)[hz < 101.0].max() < 2.0
    assert facing_deg < 100.0 or (level_db - facing_db)[hz > 1900.0].max() < -15.0


def monitor_level_db(responses: Responses) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bands in Hz, and the monitor's level in them re the main."""
    rows = pair_rows(responses, sound_check_of({"main": "main", "monitor": "monitor"}), {}, 3)
    return np.array([row.band_hz for row in rows]), -np.array([row.level_difference_db for row in rows])


def test_an_open_backed_monitor_reads_inverted_from_behind() -> None:
    for facing_deg, sign in ((0.0, 1), (45.0, 1), (135.0, -1), (180.0, -1)):
        evidence = {e.output: e for e in evidence_of(main_and_monitor(CORNERS_HZ[0], open_backed(facing_deg)))}
        assert np.sign(evidence["monitor"].evidence) == sign
        assert np.sign(evidence["main"].evidence) == 1


@pytest.mark.parametrize("facing_deg", FACING_DEG)
def test_the_arrival_is_the_shortest_way_round_the_box(facing_deg: float) -> None:
    # Closed form: straight from the nearest point of the cap, or round the sphere and off it along a tangent. Residual
    # 38 microseconds (13 mm), late, as the way is not taken by the longer waves.
    evidence = {e.output: e for e in evidence_of(main_and_monitor(CORNERS_HZ[0], directivity(facing_deg)))}
    main_s, monitor_s = (evidence[name].arrival_for(1)[0] - FLIGHT_S for name in ("main", "monitor"))
    assert is_close(1e6 * main_s, 0.0, 1.0)
    assert is_close(1e6 * monitor_s, 1e6 * shortest_s(facing_deg), 50.0)
    assert facing_deg == 90.0 or not is_close(1e6 * monitor_s, 1e6 * shortest_s(180.0 - facing_deg), 50.0)


def shortest_s(facing_deg: float) -> float:
    """Way from the cap to the seat less the way from the centre, in seconds."""
    radius_m, angle = MONITOR.radius_m, max(0.0, np.radians(facing_deg) - MONITOR.half_angle_rad)
    seen = np.arccos(radius_m / DISTANCE_M)
    if angle <= seen:
        way_m = np.sqrt(DISTANCE_M**2 + radius_m**2 - 2.0 * DISTANCE_M * radius_m * np.cos(angle))
    else:
        way_m = np.sqrt(DISTANCE_M**2 - radius_m**2) + radius_m * (angle - seen)
    return float((way_m - DISTANCE_M) / SPEED_M_S)
