"""One simulated sound check of a family: what is true about it, and the folder that is analysed.

Families: `solo` (noise or sweeps through one output after another), `programme` (drums or music likewise), `together`
(everything at once, each output with a mix of its own), `own clock` (seats on a recorder of its own), `flipped` (the
same stretch twice with outputs turned over); stages are made in `stage_cases.py`. All is invented but recorded sounds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from tests.situations import takes
from tests.trials.rigs import Output, Seat, draw_outputs, draw_seats
from tests.trials.signals import MAKERS
from tests.trials.traps import Trap, draw_traps, gains, spoil
from tests.trials.variety import vary, write_down
from tests.trials.venues import RATE_HZ, Venue, draw_venue, room_responses

FAMILIES = tuple(MAKERS)
#: Sets the stream of devices, taps and weights apart from that of all else.
_APART = 1
_LATENCY_S = 0.0021
#: Most outputs and seats where captures are long or many, so that a trial stays cheap.
_FEW_OUTPUTS, _FEW_SEATS, _MANY = 4, 4, 8


@dataclass(frozen=True)
class Case:
    """Everything true about one sound check.

    response (output, position, line) : feed to air, wiring and latency included, settings not; frequency_hz (line,)
    traps : what else is wrong with it
    """

    family: str
    number: int
    seed: int
    venue: Venue
    outputs: tuple[Output, ...]
    positions: tuple[Seat, ...]
    frequency_hz: NDArray[np.float64]
    response: NDArray[np.complex128]
    captures: tuple[takes.Take, ...]
    traps: tuple[Trap, ...] = ()

    @property
    def arrival_s(self) -> NDArray[np.float64]:
        """True arrival (output, position) at present settings: latency, flight, setting; pure delay."""
        apart = [[np.linalg.norm(np.subtract(o.place_m, p.place_m)) for p in self.positions] for o in self.outputs]
        delays_s = np.array([o.delay_s for o in self.outputs])
        return _LATENCY_S + np.array(apart) / self.venue.speed_m_s + delays_s[:, None]

    @property
    def groups(self) -> list[list[int]]:
        """Outputs that have one setting, in the order of the description; the first holds the reference."""
        names = [o.group or o.name for o in self.outputs]
        return [[i for i, name in enumerate(names) if name == group] for group in dict.fromkeys(names)]

    @property
    def audience(self) -> list[int]:
        """Positions in the audience."""
        return [p for p, seat in enumerate(self.positions) if seat.zone == "audience"]

    def output(self, name: str) -> int:
        return [o.name for o in self.outputs].index(name)

    def position(self, name: str) -> int:
        return [p.name for p in self.positions].index(name)

    def write(self, folder: Path) -> Path:
        """The folder to be analysed; returns its description."""
        scene = SimpleNamespace(
            outputs=self.outputs,
            positions=self.positions,
            sample_rate_hz=RATE_HZ,
            frequency_hz=self.frequency_hz,
            response=self.response,
            microphone_signs=np.array([p.chain for p in self.positions]),
            rig=SimpleNamespace(hall=SimpleNamespace(temperature_c=self.venue.temperature_c)),
            present=SimpleNamespace(
                signs=np.array([o.sign for o in self.outputs]), delays_s=np.array([o.delay_s for o in self.outputs])
            ),
        )
        path = takes.write(scene, folder, self._with_noise(), self.seed)
        write_down(self, path)
        spoil(self, folder)
        return path

    def _with_noise(self) -> list[takes.Take]:
        """The takes with the same noise at a microphone in every one, re what that take brings to it."""
        power = np.array([self._power(take) for take in self.captures])  # (take, position)
        snr = 10.0 ** (np.array([p.snr_db for p in self.positions]) / 10.0)
        noise_db = 10.0 * np.log10(power.mean(axis=0) / snr / power)
        return [replace(take, noise_db=db) for take, db in zip(self.captures, noise_db, strict=True)]

    def _power(self, take: takes.Take) -> NDArray[np.float64]:
        """About the mean square of what every microphone hears of a take, its feeds taken as unrelated."""
        from scipy.signal import welch

        n = 2 * (len(self.frequency_hz) - 1)
        total = np.full(len(self.positions), 1e-20)
        for name, feed in take.feeds.items():
            _, density = welch(feed, RATE_HZ, nperseg=min(n, len(feed)), nfft=n)
            total += np.abs(self.response[self.output(name)]) ** 2 @ density
        return total


def make_case(family: str, seed: int, number: int) -> Case:
    """The case of a family; the same numbers give the same case."""
    numbers = [seed, FAMILIES.index(family), number]
    rng = np.random.default_rng(numbers)
    venue = draw_venue(rng)
    is_short = family in ("solo", "programme")
    seats = draw_seats(venue, _MANY - 1 if is_short else _FEW_SEATS, rng)
    outputs = draw_outputs(venue, seats, rng)[: _MANY if is_short else _FEW_OUTPUTS]
    impulses = room_responses(venue, [o.place_m for o in outputs], [p.place_m for p in seats], rng)
    captures = MAKERS[family](outputs, seats, rng)
    traps = draw_traps(outputs, seats, captures, rng)
    outputs, seats = vary(outputs, seats, captures, np.random.default_rng([*numbers, _APART]))
    f = np.fft.rfftfreq(impulses.shape[-1], 1.0 / RATE_HZ)
    chain = np.stack([o.wiring * o.box.response(f) * np.exp(-2j * np.pi * f * _LATENCY_S) for o in outputs])
    response = np.fft.rfft(impulses) * (gains(outputs, traps)[:, None] * chain)[:, None]
    return Case(family, number, seed, venue, tuple(outputs), tuple(seats), f, response, tuple(captures), tuple(traps))
