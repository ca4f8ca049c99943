"""The rig of the demo: an invented warehouse hall, its loudspeaker outputs and its microphone positions.

Coordinates as in `simulate_venue.py`. Everything is made up; sizes and corners are those of common equipment (common
practice, no source). A random generator moves the microphones, the boxes and the weather a little.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analyze.simulate_boxes import Box, Crossover
from analyze.simulate_feeds import FeedKind
from analyze.simulate_venue import Hall, Vector

Kind = Literal["main", "sub", "fill", "tower", "monitor"]
Tap = Literal["before", "after"]

#: How far a seat and a box may stand from where they were meant to, along each horizontal axis and upwards, m.
_SEAT_JITTER_M, _BOX_JITTER_M = (0.3, 0.3, 0.05), (0.08, 0.08, 0.02)


@dataclass(frozen=True)
class Output:
    """One loudspeaker output: where it stands, what it is aimed at, what box it is, and what the description says."""

    name: str
    kind: Kind
    group: str
    box: Box
    place_m: Vector
    target_m: Vector
    feed: FeedKind
    channel: str
    feed_tap: Tap = "before"
    align_at: str = ""
    later_ms: float = 0.0


@dataclass(frozen=True)
class Position:
    """One microphone position; zone as in the description."""

    name: str
    zone: Literal["audience", "stage"]
    place_m: Vector


@dataclass(frozen=True)
class Rig:
    """The hall, the outputs, the positions and the latency common to all outputs, s."""

    hall: Hall
    outputs: tuple[Output, ...]
    positions: tuple[Position, ...]
    latency_s: float


def draw_rig(rng: np.random.Generator, *, overlapping: bool = False) -> Rig:
    """One rig, its subs and mains crossed over with Linkwitz-Riley filters.

    Of the fourth order at one corner, which adds up with equal polarity; or `overlapping`, of the second order and far
    into one another, which adds up with one polarity inverted (Linkwitz 1976, JAES 24(1), from memory).
    """
    corner_hz = round(float(rng.uniform(86.0, 98.0)), 1)
    high, low = Crossover(corner_hz, 4, "high"), Crossover(corner_hz, 4, "low")
    if overlapping:
        high, low = Crossover(0.82 * corner_hz, 2, "high"), Crossover(1.3 * corner_hz, 2, "low")
    boxes = _boxes(rng, high, low)
    outputs = tuple(_moved_output(output, rng) for output in _outputs(boxes))
    positions = tuple(Position(seat.name, seat.zone, moved(seat.place_m, _SEAT_JITTER_M, rng)) for seat in _POSITIONS)
    return Rig(_draw_hall(rng), outputs, positions, round(float(rng.uniform(2.2, 4.2)), 2) * 1e-3)


def _draw_hall(rng: np.random.Generator) -> Hall:
    """Hall of 34 x 22 x 9 m: brick walls behind drapes, a plank floor, a sheet roof."""
    back, front, left, right = (float(rng.uniform(0.56, 0.66)) for _ in range(4))
    return Hall(
        size_m=(34.0, 22.0, 9.0),
        reflection=(back, front, left, right, float(rng.uniform(0.66, 0.74)), float(rng.uniform(0.56, 0.66))),
        temperature_c=round(float(rng.uniform(14.0, 27.0)), 1),
        reverberation_low_s=float(rng.uniform(1.3, 1.6)),
        reverberation_high_s=float(rng.uniform(1.0, 1.2)),
        tail_energy=float(rng.uniform(0.002, 0.004)),
    )


def _boxes(rng: np.random.Generator, high: Crossover, low: Crossover) -> dict[str, Box]:
    """Boxes by type, their corners a few per cent off the data sheet."""

    def about(value: float) -> float:
        return value * float(rng.uniform(0.96, 1.04))

    return {
        "main": Box("vented", about(44.0), 0.7, 0.0, 432.0, 0.12, high, about(1600.0)),
        "sub": Box("vented", about(33.0), 0.7, 4.0, 288.0, 0.3, low),
        "fill": Box("closed", about(75.0), about(0.75), -14.0, 650.0, 0.2, Crossover(120.0, 4, "high"), about(2200.0)),
        "tower": Box("vented", about(55.0), 0.7, -6.0, 432.0, 0.12, Crossover(95.0, 4, "high"), about(1600.0)),
        "wedge": Box("closed", about(78.0), about(0.8), -12.0, 432.0, 0.2, None, about(1500.0)),
        "side": Box("vented", about(56.0), 0.7, -10.0, 345.0, 0.15, None, about(1400.0)),
    }


def _outputs(boxes: dict[str, Box]) -> tuple[Output, ...]:
    """The outputs where they were meant to stand."""
    main, sub, seats = boxes["main"], boxes["sub"], (21.0, 11.0, 1.6)
    return (
        Output("main left", "main", "mains", main, (8.8, 4.5, 3.6), seats, "noise", "1"),
        Output("main right", "main", "mains", main, (8.8, 17.5, 3.6), seats, "sweep", "2"),
        Output("sub left", "sub", "subs", sub, (9.0, 4.9, 0.5), (30.0, 4.9, 0.5), "noise", "3"),
        Output("sub right", "sub", "subs", sub, (9.0, 17.1, 0.5), (30.0, 17.1, 0.5), "sweep", "4"),
        Output(
            "front fill", "fill", "", boxes["fill"], (8.9, 11.0, 1.3), (13.0, 11.0, 1.6), "sweep", "5",
            feed_tap="after", align_at="front",
        ),
        Output(
            "delay tower", "tower", "", boxes["tower"], (21.5, 11.2, 4.5), (29.0, 12.0, 1.6), "noise", "6",
            align_at="back", later_ms=8.0,
        ),
        Output("wedge", "monitor", "", boxes["wedge"], (7.2, 10.7, 1.4), (5.8, 11.0, 2.8), "groove", "7"),
        Output("side fill", "monitor", "", boxes["side"], (5.6, 6.1, 2.2), (5.6, 13.0, 2.6), "groove", "8"),
    )  # fmt: skip


_POSITIONS = (
    Position("mix", "audience", (19.0, 11.7, 1.7)),
    Position("front", "audience", (11.8, 10.3, 1.6)),
    Position("left", "audience", (16.0, 6.0, 1.6)),
    Position("back", "audience", (29.3, 12.8, 1.6)),
    Position("centre", "stage", (5.8, 11.0, 2.8)),
    Position("drummer", "stage", (3.0, 11.5, 2.5)),
)


def moved(place_m: Vector, jitter_m: Vector, rng: np.random.Generator) -> Vector:
    """The place, moved by up to the jitter along each axis, to the centimetre."""
    x, y, z = (round(p + float(rng.uniform(-j, j)), 2) for p, j in zip(place_m, jitter_m, strict=True))
    return x, y, z


def _moved_output(output: Output, rng: np.random.Generator) -> Output:
    return replace(output, place_m=moved(output.place_m, _BOX_JITTER_M, rng))
