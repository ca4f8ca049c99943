"""Outputs and microphones of the trials: what stands where, which box it is, how it is set and wired. All invented."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tests.trials.boxes import Box, Filter, draw_crossover, draw_full_range, draw_sub
from tests.trials.venues import Place, Venue

#: Chance that an output, or a group as a whole, is wired inverted; that one of a group is against the others; that a
#: microphone chain is inverted.
_WIRED_INVERTED, _AGAINST, _CHAIN_INVERTED = 0.15, 0.05, 0.07


@dataclass(frozen=True)
class Device:
    """What an output's processor can do."""

    max_delay_s: float = 0.5
    step_s: float = 1e-5
    can_invert: bool = True

    @property
    def signs(self) -> tuple[float, ...]:
        """Changes of polarity that are possible."""
        return (1.0, -1.0) if self.can_invert else (1.0,)


@dataclass(frozen=True)
class Output:
    """One output; wiring : +1 or -1; setting in force while recorded: sign and delay_s.

    is_tapped_after : its feed is recorded with the setting in it
    """

    name: str
    kind: str
    group: str
    place_m: Place
    box: Box
    wiring: float = 1.0
    sign: float = 1.0
    delay_s: float = 0.0
    align_at: str = ""
    later_ms: float = 0.0
    device: Device = Device()
    is_tapped_after: bool = False


@dataclass(frozen=True)
class Seat:
    """One microphone; chain : +1 or -1, not declared; snr_db : of the mean over all takes."""

    name: str
    zone: str
    place_m: Place
    chain: float
    snr_db: float
    weight: float = 1.0


@dataclass
class _Rig:
    """Outputs being drawn: every one is put a little off its place, and it or its group may be wired inverted."""

    rng: np.random.Generator
    outputs: list[Output] = field(default_factory=list)

    def add(self, name: str, kind: str, group: str, place_m: Place, box: Box, **setting: float | str) -> None:
        x, y, z = (float(v + self.rng.uniform(-0.15, 0.15)) for v in place_m)
        before = [o for o in self.outputs if group and o.group == group]
        share = _AGAINST if before else _WIRED_INVERTED
        wiring = (before[-1].wiring if before else 1.0) * (-1.0 if self.rng.random() < share else 1.0)
        output = Output(name, kind, group, (x, y, z), box, wiring, **setting)
        self.outputs.append(replace(output, delay_s=round(max(0.0, output.delay_s), 5)))


def draw_outputs(venue: Venue, seats: list[Seat], rng: np.random.Generator) -> list[Output]:
    """Two to eight outputs: mains and subs always, outfill, front fills, a tower and wedges sometimes."""
    rig = _Rig(rng)
    length, width, height = venue.size_m
    stage_m = 0.14 * length
    high_pass, low_pass = draw_crossover(rng)
    _mains(rig, stage_m, width, float(rng.uniform(0.4, 0.7)) * height, high_pass)
    _subs(rig, stage_m + 0.6, width, low_pass)
    audience = [s for s in seats if s.zone == "audience"]
    if rng.random() < 0.3:
        x = stage_m + 0.8
        front = min(audience, key=lambda s: np.hypot(s.place_m[0] - x, s.place_m[1] - 0.5 * width))
        _fills(rig, x, width, front.name)
    if rng.random() < 0.3:
        _tower(rig, venue, max(audience, key=lambda s: s.place_m[0]))
    if any(s.zone == "stage" for s in seats):
        _wedges(rig, 0.6 * stage_m, width)
    return rig.outputs


def _mains(rig: _Rig, x: float, width: float, z: float, high_pass: Filter | None) -> None:
    """One, or left and right as a group; sometimes an outfill, a group of its own."""
    rng = rig.rng
    box = draw_full_range((42.0, 62.0), 0.0, high_pass, rng)
    delay_s = _sometimes(0.02, rng)
    for name, y in (("main left", 0.22), ("main right", 0.78))[: 1 if rng.random() < 0.35 else 2]:
        rig.add(name, "main", "mains", (x, y * width, z), box, delay_s=delay_s)
    if rng.random() < 0.12:
        outfill = replace(box, gain_db=float(rng.uniform(-8.0, -2.0)))
        place, delay_s = (x + 0.5, 0.06 * width, z), _sometimes(0.03, rng)
        rig.add("outfill", "main", "outfills", place, outfill, sign=_turned(rng), delay_s=delay_s)


def _subs(rig: _Rig, x: float, width: float, low_pass: Filter) -> None:
    """One; two as a group; or two that are set one by one."""
    rng = rig.rng
    box, kind = draw_sub(low_pass, rng), rng.choice(["one", "group", "single"], p=[0.45, 0.4, 0.15])
    spots = [("sub", float(rng.uniform(0.35, 0.65)))] if kind == "one" else [("sub left", 0.25), ("sub right", 0.75)]
    sign, delay_s = _turned(rng), _sometimes(0.03, rng)
    for name, y in spots:
        if kind == "single":
            sign, delay_s = _turned(rng), _sometimes(0.03, rng)
        group = "subs" if kind == "group" else ""
        rig.add(name, "sub", group, (x, y * width, 0.5), box, sign=sign, delay_s=delay_s)


def _fills(rig: _Rig, x: float, width: float, seat: str) -> None:
    rng = rig.rng
    box = draw_full_range((70.0, 95.0), -12.0, Filter("LR4", 120.0, "high"), rng)
    spots = [("front fill", 0.5)] if rng.random() < 0.7 else [("front fill left", 0.42), ("front fill right", 0.58)]
    group, delay_s = "front fills" if len(spots) > 1 else "", float(rng.uniform(0.0, 0.02))
    for name, y in spots:
        rig.add(name, "fill", group, (x, y * width, 1.2), box, sign=_turned(rng), delay_s=delay_s, align_at=seat)
    if len(spots) > 1:  # a group has one setting
        rig.outputs[-1] = replace(rig.outputs[-1], sign=rig.outputs[-2].sign)


def _tower(rig: _Rig, venue: Venue, seat: Seat) -> None:
    rng, (length, width, height) = rig.rng, venue.size_m
    box = draw_full_range((50.0, 70.0), -4.0, Filter("LR4", 95.0, "high"), rng)
    place = (seat.place_m[0] - 0.18 * length, 0.45 * width, 0.45 * height)
    delay_s = 0.5 * length / venue.speed_m_s + float(rng.choice([0.0, rng.uniform(-0.02, 0.02)]))
    later_ms = float(rng.choice([0.0, 5.0, 12.0]))
    rig.add("tower", "tower", "", place, box, delay_s=delay_s, align_at=seat.name, later_ms=later_ms)


def _wedges(rig: _Rig, x: float, width: float) -> None:
    rng = rig.rng
    box = draw_full_range((65.0, 90.0), -8.0, None, rng)
    for name, y in (("wedge left", 0.42), ("wedge right", 0.58))[: int(rng.integers(1, 3))]:
        rig.add(name, "monitor", "", (x, y * width, 0.4), box, sign=_turned(rng))


def _turned(rng: np.random.Generator) -> float:
    return float(rng.choice([1.0, -1.0]))


def _sometimes(most: float, rng: np.random.Generator) -> float:
    """0 in one of three, else anything up to so much."""
    return float(rng.choice([0.0, *rng.uniform(0.0, most, 2)]))


def draw_seats(venue: Venue, most: int, rng: np.random.Generator) -> list[Seat]:
    """Three seats or more, sometimes two places on stage; signal to noise 10 to 50 dB, alike within a sound check.

    Fewer than half of the microphone chains are inverted: of more nobody could tell that it is not the outputs.
    """
    length, width, _ = venue.size_m
    n = int(rng.integers(3, most + 1))
    depths = np.linspace(0.3, 0.85, n) + rng.uniform(-0.03, 0.03, n)
    places = [("audience", f"seat {k + 1}", x * length, rng.uniform(0.2, 0.8) * width) for k, x in enumerate(depths)]
    if rng.random() < 0.25:
        places += [("stage", f"stage {k + 1}", 0.07 * length, y * width) for k, y in enumerate((0.42, 0.6))]
    about_db = float(rng.uniform(12.0, 48.0))
    seats = []
    for zone, name, x, y in places:
        n_inverted = sum(s.chain < 0 for s in seats)
        is_inverted = rng.random() < _CHAIN_INVERTED and 2 * (n_inverted + 1) < len(places)
        chain = -1.0 if is_inverted else 1.0
        snr_db = float(np.clip(about_db + rng.normal(0.0, 4.0), 10.0, 50.0))
        seats.append(Seat(name, zone, (float(x), float(y), 1.6), chain, snr_db))
    return seats
