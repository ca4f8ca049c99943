"""Outputs and microphones of the trials: what stands where, which box it is, how it is set and wired. All invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.simulate_boxes import closed_box, linkwitz_riley, two_way_all_pass, vented_box
from tests.trials.venues import Place, Venue

#: Chance that an output is wired inverted, and that a microphone chain is.
_WIRED_INVERTED, _CHAIN_INVERTED = 0.15, 0.07


@dataclass(frozen=True)
class Output:
    """One output; `response_re_air` of its box is drawn with it. wiring : +1 or -1; setting : sign and delay in s."""

    name: str
    kind: str
    group: str
    place_m: Place
    box: Box
    wiring: float
    sign: float
    delay_s: float
    align_at: str = ""
    later_ms: float = 0.0


@dataclass(frozen=True)
class Seat:
    name: str
    zone: str
    place_m: Place
    chain: float


@dataclass(frozen=True)
class Box:
    """Enclosure, crossover in front of it, and the crossover within it.

    order : 2 (closed, with q) or 4 (vented, B4); ways : (kind, corner in Hz, "low" or "high") ahead of it
    two_way_hz : corner of its inner crossover, NaN for none; inner : "LR4", "BW3" or "LR2"
    """

    order: int
    corner_hz: float
    q: float
    gain_db: float
    ways: tuple[tuple[str, float, str], ...]
    two_way_hz: float
    inner: str

    def response(self, f: NDArray[np.float64]) -> NDArray[np.complex128]:
        out = closed_box(f, self.corner_hz, self.q) if self.order == 2 else vented_box(f, self.corner_hz)
        for kind, corner_hz, way in self.ways:
            out = out * _way(f, kind, corner_hz, way)
        if np.isfinite(self.two_way_hz):
            out = out * _inner(f, self.inner, self.two_way_hz)
        return 10.0 ** (self.gain_db / 20.0) * out


def _way(f: NDArray[np.float64], kind: str, corner_hz: float, way: str) -> NDArray[np.complex128]:
    """One way of a crossover: LR2, LR4, or BW3 (Butterworth)."""
    if kind in ("LR2", "LR4"):
        return linkwitz_riley(f, corner_hz, int(kind[2]), "low" if way == "low" else "high")
    s = 1j * f / corner_hz
    return (1.0 if way == "low" else s**3) / ((s + 1.0) * (s**2 + s + 1.0))


def _inner(f: NDArray[np.float64], kind: str, corner_hz: float) -> NDArray[np.complex128]:
    """What a box's own two-way crossover leaves: an all-pass of second order (LR4) or of first (BW3, LR2 turned)."""
    if kind == "LR4":
        return two_way_all_pass(f, corner_hz)
    s = 1j * f / corner_hz
    return (1.0 - s) / (1.0 + s)


def _full_range(
    rng: np.random.Generator, corner: tuple[float, float], gain_db: float, high_hz: float, kind: str
) -> Box:
    ways = ((kind, high_hz, "high"),) if np.isfinite(high_hz) else ()
    order = int(rng.choice([2, 4]))
    inner = str(rng.choice(["LR4", "BW3", "LR2"]))
    q = float(rng.uniform(0.55, 1.0))
    two_way_hz = float(rng.uniform(900.0, 2200.0))
    return Box(order, float(rng.uniform(*corner)), q, gain_db, ways, two_way_hz, inner)


def draw_outputs(venue: Venue, seats: list[Seat], rng: np.random.Generator) -> list[Output]:
    """Mains and subs always, fills, a tower and wedges sometimes; the reference is `main left`."""
    length, width, height = venue.size_m
    stage_x = 0.14 * length
    kind, corner_hz = str(rng.choice(["LR4", "LR2", "BW3"])), float(rng.uniform(75.0, 110.0))
    is_crossed = rng.random() < 0.85
    high_hz = corner_hz * float(rng.uniform(0.85, 1.1)) if is_crossed else float("nan")
    main = _full_range(rng, (42.0, 62.0), 0.0, high_hz, kind)
    sub_gain_db, sub_corner_hz = float(rng.uniform(-2.0, 8.0)), float(rng.uniform(26.0, 38.0))
    sub_order, low_hz = int(rng.choice([2, 4])), corner_hz * float(rng.uniform(0.9, 1.25))
    sub = Box(sub_order, sub_corner_hz, 0.7, sub_gain_db, ((kind, low_hz, "low"),), float("nan"), "")
    mains_z = float(rng.uniform(0.4, 0.7)) * height
    main_delay_s = float(rng.choice([0.0, rng.uniform(0.0, 0.012)]))
    sub_delay_s, sub_sign = float(rng.choice([0.0, rng.uniform(0.0, 0.02)])), float(rng.choice([1.0, 1.0, -1.0]))
    places = [("main left", 0.22), ("main right", 0.78)]
    out = [
        _output(name, "main", "mains", (stage_x, y * width, mains_z), main, 1.0, main_delay_s, rng)
        for name, y in places
    ]
    if rng.random() < 0.3:
        out = out[:1]
    if rng.random() < 0.5:
        spots = [("sub left", 0.25), ("sub right", 0.75)]
    else:
        spots = [("sub", float(rng.uniform(0.35, 0.65)))]
    out += [
        _output(n, "sub", "subs", (stage_x + 0.6, y * width, 0.5), sub, sub_sign, sub_delay_s, rng) for n, y in spots
    ]
    audience = [s for s in seats if s.zone == "audience"]
    if rng.random() < 0.35:
        box, front = _full_range(rng, (70.0, 95.0), -12.0, 120.0, "LR4"), min(audience, key=lambda s: s.place_m[0])
        place = (stage_x + 0.8, 0.5 * width, 1.2)
        delay_s = float(rng.uniform(0.0, 0.02))
        out.append(_output("front fill", "fill", "", place, box, 1.0, delay_s, rng, front.name))
    if rng.random() < 0.35:
        back = max(audience, key=lambda s: s.place_m[0])
        place = (back.place_m[0] - 0.18 * length, 0.45 * width, 0.45 * height)
        box = _full_range(rng, (50.0, 70.0), -4.0, 95.0, "LR4")
        flight_s = 0.5 * length / venue.speed_m_s
        delay_s = flight_s + float(rng.choice([0.0, rng.uniform(-0.02, 0.02)]))
        out.append(_output("tower", "tower", "", place, box, 1.0, max(0.0, delay_s), rng, back.name, 5.0))
    if any(s.zone == "stage" for s in seats):
        box = _full_range(rng, (65.0, 90.0), -8.0, float("nan"), "LR4")
        place, sign = (0.6 * stage_x, 0.5 * width, 1.3), float(rng.choice([1.0, 1.0, -1.0]))
        out.append(_output("wedge", "monitor", "", place, box, sign, 0.0, rng))
    return out


def _output(
    name: str,
    kind: str,
    group: str,
    place_m: Place,
    box: Box,
    sign: float,
    delay_s: float,
    rng: np.random.Generator,
    align_at: str = "",
    later_ms: float = 0.0,
) -> Output:
    moved = tuple(float(x + rng.uniform(-0.15, 0.15)) for x in place_m)
    wiring = -1.0 if rng.random() < _WIRED_INVERTED else 1.0
    delay_s = round(delay_s, 5)
    return Output(name, kind, group, (moved[0], moved[1], moved[2]), box, wiring, sign, delay_s, align_at, later_ms)


def draw_seats(venue: Venue, rng: np.random.Generator) -> list[Seat]:
    """Three to six seats, sometimes two places on stage."""
    length, width, _ = venue.size_m
    n = int(rng.integers(3, 7))
    depths = np.linspace(0.3, 0.85, n) + rng.uniform(-0.03, 0.03, n)
    seats = [("audience", f"seat {k + 1}", x * length, rng.uniform(0.25, 0.75) * width) for k, x in enumerate(depths)]
    if rng.random() < 0.3:
        seats += [("stage", f"stage {k + 1}", 0.07 * length, y * width) for k, y in enumerate((0.42, 0.6))]
    return [
        Seat(name, zone, (float(x), float(y), 1.6), -1.0 if rng.random() < _CHAIN_INVERTED else 1.0)
        for zone, name, x, y in seats
    ]
