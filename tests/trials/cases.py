"""One simulated sound check of a family: what is true about it, and the folder that is analysed.

Families: `solo` (noise or sweeps through one output after another), `programme` (drums or music likewise), `together`
(everything at once, each output with a mix of its own), `own clock` (seats on a recorder of its own), `flipped` (the
same stretch twice with the subs turned over). Everything is invented but the recorded sounds, whose sources stand in
`tests/reference/data`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from analyze.simulate_feeds import make_feed, pink_noise
from tests.situations import takes
from tests.trials.rigs import Output, Seat, draw_outputs, draw_seats
from tests.trials.venues import RATE_HZ, Venue, draw_venue, room_responses

FAMILIES = ("solo", "programme", "together", "own clock", "flipped")
Samples = NDArray[np.float64]
_DATA = Path(__file__).parent.parent / "reference" / "data"
#: Seconds of a capture of one output, of all together, and of outputs in turn.
_ALONE_S, _TOGETHER_S, _TURN_S = 14.0, 36.0, 7.0
_LATENCY_S = 0.0021


@dataclass(frozen=True)
class Case:
    """Everything true about one sound check.

    response (output, position, line) : feed to air, wiring and latency included, settings not; frequency_hz (line,)
    traps : what was done to the recordings, as words
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
    traps: tuple[str, ...] = ()

    @property
    def arrival_s(self) -> NDArray[np.float64]:
        """True arrival (output, position) as captured: latency, flight, setting."""
        apart = [[np.linalg.norm(np.subtract(o.place_m, p.place_m)) for p in self.positions] for o in self.outputs]
        delays_s = np.array([o.delay_s for o in self.outputs])
        return _LATENCY_S + np.array(apart) / self.venue.speed_m_s + delays_s[:, None]

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
        path = takes.write(scene, folder, self.captures, self.seed)
        if "talk" in self.traps:
            _talk_over(folder / "take_1.wav", len(self.captures[0].feeds), self.seed)
        return path


def make_case(family: str, seed: int, number: int) -> Case:
    """The case of a family; the same numbers give the same case."""
    rng = np.random.default_rng([seed, FAMILIES.index(family), number])
    venue = draw_venue(rng)
    seats = draw_seats(venue, rng)
    outputs = draw_outputs(venue, seats, rng)
    impulses = room_responses(venue, [o.place_m for o in outputs], [p.place_m for p in seats], rng)
    f = np.fft.rfftfreq(impulses.shape[-1], 1.0 / RATE_HZ)
    chain = np.stack([o.wiring * o.box.response(f) * np.exp(-2j * np.pi * f * _LATENCY_S) for o in outputs])
    response = np.fft.rfft(impulses) * chain[:, None]
    names = [o.name for o in outputs]
    make = {"solo": _solo, "programme": _programme, "together": _together, "own clock": _own_clock, "flipped": _flipped}
    captures = make[family](names, seats, rng)
    traps = ["talk"] if rng.random() < 0.1 else []
    return Case(family, number, seed, venue, tuple(outputs), tuple(seats), f, response, tuple(captures), tuple(traps))


def _noise_db(rng: np.random.Generator) -> float:
    """Noise of a capture re what its microphones hear."""
    return float(rng.uniform(-50.0, -10.0))


def _solo(names: list[str], _: list[Seat], rng: np.random.Generator) -> list[takes.Take]:
    kind, n = str(rng.choice(["noise", "sweep"])), round(_ALONE_S * RATE_HZ)
    noise_db = _noise_db(rng)
    return [takes.Take(f"{o} alone", {o: make_feed(kind, n, RATE_HZ, rng)}, noise_db=noise_db) for o in names]


def _programme(names: list[str], _: list[Seat], rng: np.random.Generator) -> list[takes.Take]:
    noise_db, kind = _noise_db(rng), str(rng.choice(["groove", "stems", "tabla", "kit"]))
    return [takes.Take(f"{o} alone", {o: programme(kind, rng)}, noise_db=noise_db) for o in names]


def _together(names: list[str], _: list[Seat], rng: np.random.Generator) -> list[takes.Take]:
    likeness = float(rng.uniform(0.0, 0.7))
    mixes = takes.mixes(SimpleNamespace(sample_rate_hz=RATE_HZ), _TOGETHER_S, rng, likeness, names)
    return [takes.Take("music", mixes, noise_db=_noise_db(rng))]


def _own_clock(names: list[str], seats: list[Seat], rng: np.random.Generator) -> list[takes.Take]:
    """Outputs in turn, neighbours overlapping, in one capture; one to all seats on a handheld recorder each."""
    n, step, length = len(names), round(0.85 * _TURN_S * RATE_HZ), round(_TURN_S * RATE_HZ)
    feeds = {}
    for k, name in enumerate(names):
        track = np.zeros((n - 1) * step + length + RATE_HZ)
        track[k * step : k * step + length] = make_feed("noise", length, RATE_HZ, rng)
        feeds[name] = track
    chosen = [s.name for s in seats if rng.random() < 0.5] or [seats[-1].name]
    clocks = {s: (float(rng.uniform(-2.0, 8.0)), float(rng.uniform(-200.0, 200.0))) for s in chosen}
    return [takes.Take("in turn", feeds, noise_db=float(rng.uniform(-50.0, -20.0)), own_clock=clocks)]


def _flipped(names: list[str], seats: list[Seat], rng: np.random.Generator) -> list[takes.Take]:
    """Every output alone, and one programme through mains and subs twice, the subs turned over the second time."""
    alone = _solo(names, seats, rng)
    signal = make_feed("groove", round(_ALONE_S * RATE_HZ), RATE_HZ, rng)
    feeds = {o: signal for o in names if o.startswith(("main", "sub"))}
    first = takes.Take("as it is", feeds, noise_db=alone[0].noise_db)
    subs = [o for o in feeds if o.startswith("sub")]
    return [*alone, first, takes.Take("subs turned over", feeds, turned=subs, noise_db=first.noise_db)]


def programme(kind: str, rng: np.random.Generator) -> Samples:
    """Drums or music, (frame,)."""
    n = round(_ALONE_S * RATE_HZ)
    if kind == "groove":
        return make_feed("groove", n, RATE_HZ, rng)
    if kind == "stems":
        parts = takes.stems(_ALONE_S, RATE_HZ, rng)
        return 0.35 * (rng.uniform(0.3, 1.0, len(parts))[:, None] * parts).sum(axis=0)
    sound = np.zeros(n)
    if kind == "tabla":
        loop = recorded("tabla.flac")
        start = int(rng.integers(len(loop)))
        return 0.5 * np.resize(np.roll(loop, start), n)
    hits = np.split(recorded("drum_hits.flac")[: 10 * round(0.3 * RATE_HZ)], 10)
    at = round(0.5 * RATE_HZ)
    while at < n - RATE_HZ:
        hit = hits[int(rng.choice([0, 1, 2, 3, 4, 6, 7, 8]))] * rng.uniform(0.3, 0.8)
        sound[at : at + len(hit)] += hit
        at += round(float(rng.uniform(0.2, 0.6)) * RATE_HZ)
    return sound + 1e-3 * pink_noise(n, RATE_HZ, 30.0, 8000.0, rng)


@cache
def recorded(name: str) -> Samples:
    samples, rate_hz = soundfile.read(_DATA / name)
    sound = soxr.resample(samples, rate_hz, RATE_HZ)
    return sound / np.abs(sound).max()


def _talk_over(path: Path, n_feeds: int, seed: int) -> None:
    """Somebody speaks for two seconds near the first microphone, 12 dB over what it hears."""
    tracks, rate_hz = soundfile.read(path)
    rng, n, start = np.random.default_rng(seed), 2 * rate_hz, 5 * rate_hz
    voice = pink_noise(n, rate_hz, 120.0, 4000.0, rng) * np.clip(np.sin(25.0 * np.arange(n) / rate_hz) + 0.3, 0.0, None)
    level = 4.0 * np.sqrt(np.mean(tracks[:, n_feeds] ** 2))
    tracks[start : start + n, n_feeds] += level * voice
    soundfile.write(path, np.clip(tracks, -0.98, 0.98), rate_hz, subtype="PCM_24")
