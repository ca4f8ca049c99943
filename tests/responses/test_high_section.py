"""A high section connected the other way round than the lowest driver, and crossovers that are built so.

Which way an upper way must be connected to add without a hole: Linkwitz 1976, JAES 24(1), from memory: fourth order
alike, second order turned over.
"""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import N_LINES, Spectrum, closed, delay, responses, top, vented

from analyze.responses.arrival import evidence_of
from analyze.responses.high_section import opposite_high_sections
from analyze.spectra.cross_spectra import line_hz

FREQUENCY_HZ = line_hz(N_LINES)
BOXES = {"closed": closed(FREQUENCY_HZ, 62.0, 0.7), "vented": vented(FREQUENCY_HZ, 48.0)}
#: Reflections of a room (gain, later by s), the first within the window that is looked at.
ROOM = ((0.4, 0.0011), (-0.6, 0.0071), (0.5, 0.0133))


def ways(frequency_hz: NDArray[np.float64], corner_hz: float, order: int, upper: float) -> Spectrum:
    """Sum of both ways of a Linkwitz-Riley crossover, the upper one with a sign."""
    s = 1j * frequency_hz / corner_hz
    half = 1.0 + s if order == 2 else s**2 + math.sqrt(2.0) * s + 1.0
    return (1.0 + upper * s**order) / half**2


def phases(box: Spectrum, sign: float, room: tuple[tuple[float, float], ...] = ()) -> list[float]:
    """Phase of the high section in radians at three positions, of an output wired with a sign."""
    rows = []
    for k, direct_s in enumerate((0.0237, 0.04113, 0.0655)):
        path = delay(FREQUENCY_HZ, direct_s)
        for gain, later_s in room:
            path = path + gain * delay(FREQUENCY_HZ, direct_s + later_s * (1.0 + 0.13 * k))
        rows.append(sign * box * path * 0.8**k)
    heard = responses(np.array([rows]), std=1e-3, rng=np.random.default_rng(3))
    return [e.high_phase_rad for e in evidence_of(heard)]


@pytest.mark.parametrize("name", BOXES)
@pytest.mark.parametrize("corner_hz", [900.0, 1600.0, 2200.0])
@pytest.mark.parametrize(("order", "upper"), [(4, 1.0), (4, -1.0), (2, -1.0), (2, 1.0)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_upper_way_shows_its_sign(name: str, corner_hz: float, order: int, upper: float, sign: float) -> None:
    """Measured: within 6.8 degrees of 0 or 180, with the hole of the wrong connection or without."""
    box = BOXES[name] * top(FREQUENCY_HZ) * ways(FREQUENCY_HZ, corner_hz, order, upper)
    for phase in phases(box, sign):
        assert math.cos(phase) * upper * sign > math.cos(math.radians(8.0))


@pytest.mark.parametrize("upper", [1.0, -1.0])
def test_a_room_does_not_turn_it(upper: float) -> None:
    """Where an early reflection blurs it, it is not told; where it is told, it is right."""
    box = BOXES["vented"] * top(FREQUENCY_HZ) * ways(FREQUENCY_HZ, 1600.0, 4, upper)
    told = [p for p in phases(box, 1.0, ROOM) if math.isfinite(p)]
    assert all(math.cos(p) * upper > 0.7 for p in told)
    assert [p for p in phases(box, 1.0, ROOM[1:]) if math.isfinite(p)]


def test_one_driver_has_no_high_section_of_its_own() -> None:
    for phase in phases(BOXES["closed"] * top(FREQUENCY_HZ), -1.0):
        assert math.cos(phase) < -0.95


KINDS = {"main left": "main", "main right": "main", "fill": "fill", "wedge": "monitor"}


def test_a_finding_names_the_output_and_where_it_shows() -> None:
    found = opposite_high_sections({"main left": [0.1, -0.2, 0.0], "wedge": [3.0, -2.9, 3.1, 0.4], "fill": []}, KINDS)
    assert [(f.finding, f.severity, f.track, f.value) for f in found] == [
        ("high section of opposite sign", "warning", "wedge", 3.0)
    ]
    assert re.search("at most positions that tell", found[0].detail)
    (whole,) = opposite_high_sections({"wedge": [3.0, -2.9]}, KINDS)
    assert re.search("at all positions that tell", whole.detail)


def test_both_boxes_of_a_pair_say_the_same() -> None:
    """So that a report says it once: the detail names neither box nor figure."""
    one, other = opposite_high_sections({"main left": [3.0, -2.9, 3.1], "main right": [3.0, -2.9]}, KINDS)
    assert one.detail == other.detail
    assert (one.track, other.track) == ("main left", "main right")


def test_what_all_boxes_of_a_kind_show_is_a_note() -> None:
    mains = {"main left": [3.0, -2.9, 3.1], "main right": [3.0, -2.9]}
    found = opposite_high_sections(mains | {"fill": [3.0], "wedge": [0.1]}, KINDS)
    assert [(f.track, f.severity) for f in found] == [
        ("main left", "note"),
        ("main right", "note"),
        ("fill", "warning"),
    ]
    assert "Every main that could be told shows it" in found[0].detail
    assert "compare it with another box of its kind" in found[2].detail
    one_of_two = opposite_high_sections(mains | {"main right": [0.1, 0.2]}, KINDS)
    assert [(f.track, f.severity) for f in one_of_two] == [("main left", "warning")]


@pytest.mark.parametrize("upper", [1.2, 1.6, 2.0])
def test_a_phase_in_between_is_no_finding(upper: float) -> None:
    assert opposite_high_sections({"main left": [upper, -upper]}, KINDS) == []


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize("corner_hz", [900.0, 1500.0, 2200.0])
@pytest.mark.parametrize(("order", "upper"), [(2, -1.0), (4, 1.0)])
def test_the_arrival_is_free_of_what_the_crossover_leaves(box: str, corner_hz: float, order: int, upper: float) -> None:
    """Up to 12 kHz, as the trials have it: 9 to 30 microseconds at the top of the envelope, measured 1.6 at most."""
    f = line_hz(round(12_000 * 1.4))
    direct_s = np.array([0.0237, 0.04113])
    h = np.stack(
        [np.interp(f, FREQUENCY_HZ, BOXES[box]) * ways(f, corner_hz, order, upper) * delay(f, d) for d in direct_s]
    )
    found = evidence_of(responses(h[None], std=1e-4, rng=np.random.default_rng(1)))
    errors_s = [e.arrival_for(1)[0] - d for e, d in zip(found, direct_s, strict=True)]
    assert np.abs(errors_s).max() < 2.5e-6
