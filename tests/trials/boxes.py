"""Boxes of the trials: enclosure, processing in front of it, and the crossover within it, with corners and Q drawn.

Every model tends to +1 in the pass band of its lowest driver, which is what the wiring is about; a tweeter way may be
of the other sign, as second-order crossovers want it. Second-order sections as Small 1972 (from memory), crossovers as
`analyze/simulate_boxes.py` and Butterworth of third order (Small 1971, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.simulate_boxes import closed_box, linkwitz_riley

Response = NDArray[np.complex128]
_CROSSOVERS = ("LR2", "LR4", "BW3")


@dataclass(frozen=True)
class Filter:
    """LR2, LR4, BW2, BW3 `low` or `high`, or an all-pass AP2 of second order (`way` unused)."""

    family: str
    corner_hz: float
    way: str = ""

    def response(self, f: NDArray[np.float64]) -> Response:
        s = 1j * f / self.corner_hz
        if self.family in ("LR2", "LR4"):
            return linkwitz_riley(f, self.corner_hz, int(self.family[2]), self.way)
        if self.family == "AP2":
            return (s**2 - s + 1.0) / (s**2 + s + 1.0)
        order = int(self.family[2])
        poles = s**2 + np.sqrt(2.0) * s + 1.0 if order == 2 else (s + 1.0) * (s**2 + s + 1.0)
        return (1.0 if self.way == "low" else s**order) / poles


@dataclass(frozen=True)
class TwoWay:
    """The crossover within a box; the tweeter way has `tweeter_sign` re the woofer's."""

    family: str
    corner_hz: float
    tweeter_sign: float

    def response(self, f: NDArray[np.float64]) -> Response:
        low, high = (Filter(self.family, self.corner_hz, way).response(f) for way in ("low", "high"))
        return low + self.tweeter_sign * high


@dataclass(frozen=True)
class Box:
    """sections : (corner in Hz, Q) of the second-order high-passes that make the enclosure: one closed, two vented."""

    sections: tuple[tuple[float, float], ...]
    gain_db: float
    filters: tuple[Filter, ...] = ()
    two_way: TwoWay | None = None

    @property
    def has_opposite_tweeter(self) -> bool:
        return self.two_way is not None and self.two_way.tweeter_sign < 0

    def response(self, f: NDArray[np.float64]) -> Response:
        """On axis without delay, (line,)."""
        out = np.full(len(f), 10.0 ** (self.gain_db / 20.0), dtype=np.complex128)
        for corner_hz, q in self.sections:
            out = out * closed_box(f, corner_hz, q)
        for part in (*self.filters, *((self.two_way,) if self.two_way else ())):
            out = out * part.response(f)
        return out


def draw_enclosure(corner_hz: float, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Closed with a Q of 0.5 to 1.1, or vented about the fourth-order Butterworth's Q of 0.54 and 1.31."""
    if rng.random() < 0.5:
        return ((corner_hz, float(rng.uniform(0.5, 1.1))),)
    apart = float(rng.uniform(0.9, 1.1))
    return ((corner_hz * apart, float(rng.uniform(0.5, 0.65))), (corner_hz / apart, float(rng.uniform(1.0, 1.5))))


def draw_two_way(rng: np.random.Generator) -> TwoWay:
    """LR4, LR2 with the tweeter turned, BW3 either way; one LR4 in twenty has its tweeter connected wrongly."""
    family = str(rng.choice(_CROSSOVERS))
    sign = {"LR2": -1.0, "LR4": -1.0 if rng.random() < 0.05 else 1.0, "BW3": float(rng.choice([1.0, -1.0]))}[family]
    return TwoWay(family, float(rng.uniform(800.0, 2500.0)), sign)


def draw_full_range(
    corner_hz: tuple[float, float], gain_db: float, high_pass: Filter | None, rng: np.random.Generator
) -> Box:
    """A two-way box whose drivers give up somewhere; one in seven has an all-pass in its processing."""
    filters = (Filter("BW2", float(rng.uniform(9e3, 18e3)), "low"), *((high_pass,) if high_pass else ()))
    if rng.random() < 0.15:
        filters = (*filters, Filter("AP2", float(rng.uniform(90.0, 400.0))))
    enclosure = draw_enclosure(float(rng.uniform(*corner_hz)), rng)
    return Box(enclosure, gain_db, filters, draw_two_way(rng))


def draw_sub(low_pass: Filter, rng: np.random.Generator) -> Box:
    """A sub behind its low-pass; half of them have a subsonic filter too."""
    filters = (low_pass,)
    if rng.random() < 0.5:
        filters = (*filters, Filter("BW2", float(rng.uniform(18.0, 28.0)), "high"))
    return Box(draw_enclosure(float(rng.uniform(26.0, 40.0)), rng), float(rng.uniform(-2.0, 8.0)), filters)


def draw_crossover(rng: np.random.Generator) -> tuple[Filter | None, Filter]:
    """High-pass of the mains (none in one of seven) and low-pass of the subs, corners not quite the same."""
    family, corner_hz = str(rng.choice(_CROSSOVERS)), float(rng.uniform(75.0, 110.0))
    high = Filter(family, corner_hz * float(rng.uniform(0.85, 1.1)), "high")
    low = Filter(family, corner_hz * float(rng.uniform(0.9, 1.25)), "low")
    return (high if rng.random() < 0.85 else None), low
