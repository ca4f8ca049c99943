"""What is played in the trials and how it is recorded: the takes of each family.

Drums and music are made up, but for the hits and the tabla in `tests/reference/data`, where their sources stand.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from analyze.simulate_feeds import make_feed, pink_noise
from tests.situations import takes
from tests.situations.takes import Take
from tests.trials.rigs import Output, Seat
from tests.trials.venues import RATE_HZ

Samples = NDArray[np.float64]
PROGRAMMES = ("groove", "stems", "tabla", "kit")
_DATA = Path(__file__).parent.parent / "reference" / "data"
#: Seconds, from and to, of a capture of one output, of all together, and of one to be repeated; of an output's turn.
_ALONE_S, _TOGETHER_S, _FLIPPED_S, _TURN_S = (12.0, 16.0), (18.0, 28.0), (14.0, 18.0), 5.0


def solo(outputs: Sequence[Output], _: Sequence[Seat], rng: np.random.Generator) -> list[Take]:
    """Noise or sweeps through one output after another."""
    kind = str(rng.choice(["noise", "sweep"]))
    n = _frames(_ALONE_S, rng)
    return [Take(f"{o.name} alone", {o.name: make_feed(kind, n, RATE_HZ, rng)}) for o in outputs]


def programme(outputs: Sequence[Output], _: Sequence[Seat], rng: np.random.Generator) -> list[Take]:
    """One piece of drums or music through one output after another, begun anywhere."""
    piece = music(str(rng.choice(PROGRAMMES)), _frames(_ALONE_S, rng), rng)
    return [Take(f"{o.name} alone", {o.name: np.roll(piece, int(rng.integers(len(piece))))}) for o in outputs]


def together(outputs: Sequence[Output], _: Sequence[Seat], rng: np.random.Generator) -> list[Take]:
    """Everything at once, each output with a mix of its own."""
    n, names = _frames(_TOGETHER_S, rng), [o.name for o in outputs]
    likeness = float(rng.uniform(0.0, 0.6))
    return [Take("music", _mixes(n, names, likeness, rng))]


def own_clock(outputs: Sequence[Output], seats: Sequence[Seat], rng: np.random.Generator) -> list[Take]:
    """One capture, outputs in turn or all together; some or all seats on a handheld recorder each."""
    names = [o.name for o in outputs]
    how = str(rng.choice(["in turn, noise", "in turn, music", "together"], p=[0.4, 0.25, 0.35]))
    if how == "together":
        feeds = _mixes(_frames(_TOGETHER_S, rng), names, float(rng.uniform(0.0, 0.5)), rng)
    else:
        feeds = _in_turn(names, "noise" if how.endswith("noise") else str(rng.choice(PROGRAMMES)), rng)
    share = float(rng.choice([0.3, 0.7, 1.0]))
    chosen = [s.name for s in seats if rng.random() < share] or [seats[-1].name]
    clocks = {s: (float(rng.uniform(-0.4, 8.0)), float(rng.uniform(-200.0, 200.0))) for s in chosen}
    return [Take(how, feeds, own_clock=clocks)]


def flipped(outputs: Sequence[Output], seats: Sequence[Seat], rng: np.random.Generator) -> list[Take]:
    """One signal through everything, then again with one output after another turned over; or subs only, and solos."""
    n = _frames(_FLIPPED_S, rng)
    signal = music(str(rng.choice(PROGRAMMES)), n, rng) if rng.random() < 0.5 else make_feed("noise", n, RATE_HZ, rng)
    if rng.random() < 0.4:
        feeds = {o.name: signal for o in outputs}
        more = [Take(f"{o.name} turned over", feeds, turned=[o.name]) for o in outputs[1:]]
        return [Take("as it is", feeds), *more]
    feeds = {o.name: signal for o in outputs if o.kind in ("main", "sub")}
    subs = [o.name for o in outputs if o.kind == "sub"]
    both = [Take("as it is", feeds), Take("subs turned over", feeds, turned=subs)]
    return [*solo(outputs, seats, rng), *both]


#: Family -> its takes.
MAKERS: dict[str, Callable[[Sequence[Output], Sequence[Seat], np.random.Generator], list[Take]]] = {
    "solo": solo,
    "programme": programme,
    "together": together,
    "own clock": own_clock,
    "flipped": flipped,
}


def _frames(seconds: tuple[float, float], rng: np.random.Generator) -> int:
    """Whole half seconds, a length that transforms quickly."""
    return round(2.0 * float(rng.uniform(*seconds))) * RATE_HZ // 2


def _mixes(n: int, names: Sequence[str], likeness: float, rng: np.random.Generator) -> dict[str, Samples]:
    return takes.mixes(SimpleNamespace(sample_rate_hz=RATE_HZ), n / RATE_HZ, rng, likeness, names)


def _in_turn(names: Sequence[str], kind: str, rng: np.random.Generator) -> dict[str, Samples]:
    """One output after the other, neighbours overlapping by an eighth."""
    step, length = round(0.875 * _TURN_S * RATE_HZ), round(_TURN_S * RATE_HZ)
    feeds = {}
    for k, name in enumerate(names):
        track = np.zeros((len(names) - 1) * step + length + RATE_HZ)
        sound = make_feed("noise", length, RATE_HZ, rng) if kind == "noise" else music(kind, length, rng)
        track[k * step : k * step + length] = sound
        feeds[name] = track
    return feeds


def music(kind: str, n: int, rng: np.random.Generator) -> Samples:
    """Drums or music, (n,)."""
    if kind == "groove":
        return make_feed("groove", n, RATE_HZ, rng)
    if kind == "stems":
        parts = takes.stems(n / RATE_HZ, RATE_HZ, rng)
        return 0.35 * (rng.uniform(0.3, 1.0, len(parts))[:, None] * parts).sum(axis=0)
    if kind == "tabla":
        loop = recorded("tabla.flac")
        return 0.5 * np.resize(np.roll(loop, int(rng.integers(len(loop)))), n)
    return _kit(n, rng)


def _kit(n: int, rng: np.random.Generator) -> Samples:
    """Recorded kicks, snares and toms at random times, cymbals now and then, and a little of everything under them."""
    hits = np.split(recorded("drum_hits.flac")[: 10 * round(0.3 * RATE_HZ)], 10)
    sound, at = np.zeros(n), round(0.4 * RATE_HZ)
    while at < n - RATE_HZ:
        hit = hits[int(rng.choice(10, p=_HIT_SHARES))] * rng.uniform(0.3, 0.8)
        sound[at : at + len(hit)] += hit
        at += round(float(rng.uniform(0.2, 0.6)) * RATE_HZ)
    return sound + 1e-3 * pink_noise(n, RATE_HZ, 30.0, 8000.0, rng)


#: How often each of three kicks, three snares, two toms, hi-hat and cymbal is played.
_HIT_SHARES = np.array([3, 3, 3, 2, 2, 2, 1, 1, 2, 1]) / 20.0


@cache
def recorded(name: str) -> Samples:
    """A recorded sound at the trials' rate, peak 1."""
    samples, rate_hz = soundfile.read(_DATA / name)
    sound = soxr.resample(samples, rate_hz, RATE_HZ)
    return sound / np.abs(sound).max()
