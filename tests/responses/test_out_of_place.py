"""Arrivals that fit boxes and microphones in space or do not, from a rig whose places are known."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import procrustes
from scipy.spatial.distance import cdist

from analyze.acoustics import speed_of_sound_simple
from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track
from analyze.responses.out_of_place import out_of_place
from analyze.responses.places import Ways, fitted

#: Kind, delay in ms and place in m of every output; the subs are one group.
BOXES = {
    "main left": ("main", 5.0, (0.0, -6.1, 4.2)),
    "main right": ("main", 5.0, (0.1, 6.0, 4.1)),
    "sub left": ("sub", 6.3, (0.6, -4.2, 0.4)),
    "sub right": ("sub", 6.3, (0.5, 4.4, 0.4)),
    "front fill": ("fill", 16.0, (0.2, 0.7, 1.2)),
    "delay tower": ("tower", 52.0, (13.0, -0.9, 4.6)),
    "wedge": ("monitor", 8.0, (-1.7, -0.4, 0.7)),
}
SEATS = {
    "mix": (11.0, 1.2, 1.3),
    "row two": (4.1, -1.0, 1.2),
    "aisle": (7.9, -4.7, 1.25),
    "last row": (22.3, 2.6, 1.4),
    "singer": (-2.6, 0.3, 1.7),
    "keys": (-4.3, -3.6, 1.9),
}
STD_MS = {kind: 0.15 if kind == "sub" else 0.01 for kind, _, _ in BOXES.values()}
LATENCY_MS, C_M_MS = 3.1, speed_of_sound_simple(20.0) / 1000.0


def rig() -> SoundCheck:
    outputs = {
        name: Output(name, kind, setting=Setting(delay_ms), group="subs" if kind == "sub" else "")
        for name, (kind, delay_ms, _) in BOXES.items()
    }
    mics = {name: Track("a.wav", k) for k, name in enumerate(SEATS, 2)}
    takes = tuple(
        Capture(f"{name} alone", (name,), feeds={name: Track("a.wav", 1)}, mics=mics, settings={name: output.setting})
        for name, output in outputs.items()
    )
    positions = {name: Position(name, "stage" if name == "singer" else "audience") for name in SEATS}
    return SoundCheck(Path("a"), Path(), "", "", 20.0, "main left", outputs, positions, takes)


def arrivals(seed: int = 0, later_ms: dict[str, float] | None = None) -> dict[tuple[str, str], tuple[float, float]]:
    """As heard: geometry, latency, settings, and an error of each."""
    rng, found = np.random.default_rng(seed), {}
    for name, (kind, delay_ms, box_m) in BOXES.items():
        for seat, place_m in SEATS.items():
            ms = delay_ms + LATENCY_MS + math.dist(box_m, place_m) / C_M_MS + (later_ms or {}).get(name, 0.0)
            found[name, seat] = (ms + rng.normal(0.0, STD_MS[kind]), STD_MS[kind])
    return found


def exchanged(heard, output: str, p: str, q: str):
    return heard | {(output, p): heard[output, q], (output, q): heard[output, p]}


def test_places_are_found_from_ways_alone() -> None:
    """Against scipy's distances and its Procrustes analysis: the plan is right but for where it lies and turns."""
    boxes, seats = (np.array(list(places)) for places in ([b for _, _, b in BOXES.values()], SEATS.values()))
    way_m = cdist(boxes, seats) + 1.0
    found = fitted(Ways(way_m, np.full(way_m.shape, 0.01), (1.5, 1.0)))
    assert found.latency_m == pytest.approx(1.0, abs=0.2)
    assert np.abs(found.left_m).max() < 0.05  # what a box is off a point
    _, _, disparity = procrustes(np.vstack([boxes, seats])[:, :2], np.vstack([found.box_m, found.microphone_m])[:, :2])
    assert disparity < 1e-3  # of 1 for nothing in common


@pytest.mark.parametrize("seed", range(3))
def test_a_rig_as_described_says_nothing(seed: int) -> None:
    assert out_of_place(rig(), arrivals(seed), (), ()) == []


@pytest.mark.parametrize("output", ["main left", "sub right", "delay tower", "wedge"])
def test_an_exchange_at_the_cable_is_named_without_a_tape(output: str) -> None:
    """Of all pairs more than 6 ms apart, which is 2 m, most; never another pair, never another output."""
    heard = arrivals()
    apart = [pair for pair in combinations(SEATS, 2) if _apart_ms(heard, output, *pair) > 6.0][::3]
    named = [(pair, found) for pair in apart for found in out_of_place(rig(), exchanged(heard, output, *pair), (), ())]
    for (p, q), found in named:
        assert found.capture == f"{output} alone"
        assert f"microphones {p} and {q} are exchanged" in found.detail
    first = [(pair, found) for pair, found in named if found.finding == "microphones exchanged"]
    for pair, found in first:
        assert found.value == pytest.approx(_apart_ms(heard, output, *pair), abs=1e-6)
    assert len(first) >= 0.6 * len(apart) >= 2


def _apart_ms(heard, output: str, p: str, q: str) -> float:
    return abs(heard[output, p][0] - heard[output, q][0])


@pytest.mark.parametrize(
    ("outputs", "off_ms"), [(("sub left", "sub right"), 7.0), (("front fill",), -20.0), (("delay tower",), 20.0)]
)
def test_a_delay_that_was_not_in_force_is_named_with_how_far_off_it_is(outputs, off_ms) -> None:
    (found,) = out_of_place(rig(), arrivals(later_ms=dict.fromkeys(outputs, -off_ms)), (), ())
    assert found.finding == "delay contradicted"
    assert " and ".join(outputs) in found.detail
    assert found.value == pytest.approx(-off_ms, abs=1.5)
    assert ("shorter" if off_ms > 0 else "longer") in found.detail


def test_another_latency_is_none_once_it_is_described() -> None:
    later, described = arrivals(later_ms={"wedge": -6.0}), rig()
    assert [one.finding for one in out_of_place(described, later, (), ())] == ["delay contradicted"]
    known = {"main left": LATENCY_MS, "main right": LATENCY_MS, "wedge": LATENCY_MS - 6.0}
    outputs = {n: replace(o, latency_ms=known.get(n, math.nan)) for n, o in described.outputs.items()}
    assert out_of_place(replace(described, outputs=outputs), later, (), ()) == []


def test_two_faults_at_once_are_blamed_on_nobody() -> None:
    heard = exchanged(exchanged(arrivals(), "main left", "mix", "row two"), "delay tower", "last row", "aisle")
    assert out_of_place(rig(), heard, (), ()) == []


def test_too_few_ways_and_those_that_mean_nothing_say_nothing() -> None:
    heard = exchanged(arrivals(), "main left", "mix", "row two")
    assert out_of_place(rig(), heard, (), {"main left"}) == []
    assert out_of_place(rig(), heard, {("main left", "mix")}, ()) == []
    four = {key: one for key, one in heard.items() if key[1] not in ("singer", "keys")}
    assert out_of_place(rig(), four, (), ()) == []
    assert out_of_place(rig(), {}, (), ()) == []


def test_what_cannot_be_placed_is_no_error() -> None:
    """An arrival without an error, microphones in one row, arrivals that are no geometry at all."""
    heard = exchanged(arrivals(), "main left", "mix", "last row")
    (found,) = out_of_place(rig(), heard | {("wedge", "keys"): (20.0, math.nan)}, (), ())
    assert "microphones mix and last row are exchanged" in found.detail
    row = {
        (name, seat): (delay_ms + math.dist(box_m, (3.0 * k, 0.0, 1.2)) / C_M_MS, 0.01)
        for name, (_, delay_ms, box_m) in BOXES.items()
        for k, seat in enumerate(SEATS)
    }
    assert out_of_place(rig(), row, (), ()) == []
    rng = np.random.default_rng(4)
    for scale_ms in (1.0, 1e3, 1e7):
        chance = {key: (float(rng.normal(0.0, scale_ms)), 0.0) for key in heard}
        assert out_of_place(rig(), chance, (), ()) == []
    assert out_of_place(rig(), dict.fromkeys(heard, (10.0, 0.01)), (), ()) == []
