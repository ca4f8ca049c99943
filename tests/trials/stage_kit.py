"""A stage in the trials: what is played on it, which microphones hear it, and how. All invented but the drum hits.

Every input hears its own instrument by a direct path, the others later, duller and 10 to 25 dB down, and colours all of
it: roll-offs, resonances, reflections, noise. What two inputs of a pair hear is not the same sound with other delays: a
beater is louder within a drum, snares rattle under it, an amplifier bends a bass. Both overheads hear everything at
nearly one level, from where it stands, and the room. Levels and distances are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from tests.trials.stage_sounds import RATE_HZ, Samples

_SPEED_M_S = 343.2
#: Where things stand, m: across, towards the audience, up.
_PLACES = {
    "kick": (0.1, 0.5, 0.4), "snare": (0.0, 0.0, 0.7), "wires": (0.0, 0.0, 0.6), "beater": (0.1, 0.4, 0.4),
    "tom": (0.35, 0.3, 0.8), "hat": (-0.4, 0.1, 0.9), "cymbal": (0.6, 0.5, 1.3), "bass": (2.5, 0.2, 0.5),
}  # fmt: skip
#: Level at both overheads, dB re the snare.
_OVERHEAD_DB = {
    "kick": -5.0, "snare": 0.0, "wires": -18.0, "beater": -20.0, "tom": -3.0, "hat": -9.0, "cymbal": 0.0, "bass": -22.0,
}  # fmt: skip
#: What the drum microphones hear of everything else: between these levels, dB re their own.
_BLEED_DB = (-25.0, -10.0)
_INVERTED = 0.3
#: Share of microphones with an all-pass.
_ALL_PASS = 0.2
#: Kind of a pair that the description does not name.
NOT_NAMED = "not named"
#: Whose delays count between overheads.
_DRUMS = ("kick", "snare", "tom")
#: Length of what a microphone's surroundings do, s.
_ROOM_S = 0.12


@dataclass(frozen=True)
class Path:
    """From an instrument to an input: later, level, sign, and what dulls it (first order)."""

    delay_ms: float
    level_db: float
    sign: float = 1.0
    corner_hz: float = 18_000.0


@dataclass(frozen=True)
class Input:
    """A stage input.

    paths : instrument -> path; chain : +1 or -1, of microphone and cable
    sections (section, 6) : its own colour; room (sample,) : direct sound, reflections and reverberation
    """

    name: str
    paths: dict[str, Path]
    chain: float
    sections: NDArray[np.float64]
    room: Samples
    noise_db: float


@dataclass(frozen=True)
class Pair:
    """Two inputs that are compared; sign and delays of `name` re `against`, of overheads one delay per drum.

    A pair that is not named in the description hears each other's bleed alone, if anything, and has no delay.
    """

    name: str
    against: str
    kind: str
    sign: float
    delays_ms: tuple[float, ...]


def draw_inputs(rng: np.random.Generator) -> tuple[list[Input], list[Pair]]:
    """Kick in and out, snare top and bottom, two overheads, bass direct and its amplifier."""
    kick_ms, snare_ms, bass_ms = rng.uniform(0.2, 2.0), rng.uniform(-0.3, 0.6), rng.uniform(0.3, 8.0)
    inputs = [
        _close("kick in", {"kick": Path(0.3, 0.0), "beater": Path(0.2, rng.uniform(-16.0, -3.0))}, rng),
        _close("kick out", {"kick": Path(0.3 + kick_ms, 0.0, 1.0, rng.uniform(700.0, 6000.0))}, rng),
        _close("snare top", {"snare": Path(0.5, 0.0), "wires": Path(0.9, rng.uniform(-26.0, -16.0))}, rng),
        _close("snare bottom", {"snare": Path(0.5 + snare_ms, 0.0, -1.0, rng.uniform(2500.0, 12_000.0)),
                                "wires": Path(0.3, rng.uniform(-12.0, 0.0))}, rng),
        *_overheads(rng),
        Input("bass direct", {"string": Path(0.0, 0.0)}, _chain(rng), _high_pass(rng, 5.0, 25.0), np.ones(1),
              rng.uniform(-75.0, -55.0)),
        _amplifier(bass_ms, rng),
    ]  # fmt: skip
    named = {i.name: i for i in inputs}
    apart_ms = [named["overhead right"].paths[d].delay_ms - named["overhead left"].paths[d].delay_ms for d in _DRUMS]
    kinds = (("kick", "in", "out", (kick_ms,), 1.0), ("snare", "top", "bottom", (snare_ms,), -1.0),
             ("overhead", "left", "right", tuple(apart_ms), 1.0),
             ("bass", "direct", "amplifier", (bass_ms,), 1.0))  # fmt: skip
    pairs = []
    for kind, first, second, delays_ms, sign in kinds:
        x, y = named[f"{kind} {first}"], named[f"{kind} {second}"]
        pairs.append(Pair(y.name, x.name, kind, sign * x.chain * y.chain, delays_ms))
    first, *others = [i for i in inputs if i.name not in [p.name for p in pairs]]
    pairs += [Pair(y.name, first.name, NOT_NAMED, first.chain * y.chain, ()) for y in others]
    return inputs, pairs


def _amplifier(bass_ms: float, rng: np.random.Generator) -> Input:
    """The microphone at the amplifier of the bass, its cabinet closed or vented."""
    upper = signal.butter(4, rng.uniform(1800.0, 5000.0), fs=RATE_HZ, output="sos")
    lower = signal.butter(int(rng.choice([2, 4])), rng.uniform(35.0, 80.0), "high", fs=RATE_HZ, output="sos")
    microphone = _close("bass amplifier", {"bass": Path(bass_ms, 0.0)}, rng)
    return replace(microphone, sections=np.vstack([microphone.sections, upper, lower]))


def _close(name: str, own: dict[str, Path], rng: np.random.Generator) -> Input:
    """A microphone close to its instrument, which all others reach from where they stand."""
    here = np.array(_PLACES[name.split()[0]]) + rng.uniform(-0.15, 0.15, 3)
    bleed = {}
    for other, place in _PLACES.items():
        if other in ("beater", "wires") or other in own:
            continue
        distance_m = float(np.linalg.norm(here - place))
        level_db = rng.uniform(*_BLEED_DB)
        bleed[other] = Path(1000.0 * distance_m / _SPEED_M_S, level_db, 1.0, rng.uniform(1500.0, 9000.0))
    noise_db = rng.uniform(-70.0, -42.0)
    return Input(name, {**bleed, **own}, _chain(rng), _colour(rng), _reflections(rng), noise_db)


def _overheads(rng: np.random.Generator) -> list[Input]:
    """Two microphones over the kit, apart by so much, one a little higher."""
    apart_m, height_m = rng.uniform(0.3, 1.3), rng.uniform(1.6, 2.1)
    inputs = []
    for side, x in (("left", -0.5), ("right", 0.5)):
        here = np.array([0.1 + x * apart_m, 0.2, height_m]) + rng.uniform(-0.1, 0.1, 3)
        distance_m = {name: float(np.linalg.norm(here - place)) for name, place in _PLACES.items()}
        paths = {
            name: Path(1000.0 * distance_m[name] / _SPEED_M_S, level_db + rng.uniform(-2.0, 2.0))
            for name, level_db in _OVERHEAD_DB.items()
        }
        room = _reflections(rng)
        tail = rng.standard_normal(len(room)) * 10.0 ** (-np.arange(len(room)) / (0.1 * RATE_HZ))
        tail[: round(0.003 * RATE_HZ)] = 0.0
        room = room + tail * rng.uniform(0.3, 0.9) / np.sqrt(np.sum(tail**2))
        inputs.append(Input(f"overhead {side}", paths, _chain(rng), _colour(rng), room, rng.uniform(-65.0, -45.0)))
    return inputs


def _chain(rng: np.random.Generator) -> float:
    return -1.0 if rng.random() < _INVERTED else 1.0


def _reflections(rng: np.random.Generator) -> Samples:
    """The direct sound and up to three reflections 0.4 to 10 ms behind it, (sample,)."""
    room = np.zeros(round(_ROOM_S * RATE_HZ))
    room[0] = 1.0
    for _ in range(int(rng.integers(1, 4))):
        room[round(0.0004 * 25.0 ** rng.random() * RATE_HZ)] += rng.uniform(0.05, 0.4) * rng.choice([-1.0, 1.0])
    return room


def _high_pass(rng: np.random.Generator, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    return signal.butter(int(rng.integers(1, 3)), rng.uniform(low_hz, high_hz), "high", fs=RATE_HZ, output="sos")


def _colour(rng: np.random.Generator) -> NDArray[np.float64]:
    """A microphone at its place: roll-off below and above, three resonances or dips, an all-pass now and then."""
    upper = signal.butter(2, rng.uniform(9000.0, 18_000.0), fs=RATE_HZ, output="sos")
    bent = [_all_pass(rng)] if rng.random() < _ALL_PASS else []
    return np.vstack([_high_pass(rng, 20.0, 70.0), upper, *(_resonance(rng) for _ in range(3)), *bent])


def _all_pass(rng: np.random.Generator) -> NDArray[np.float64]:
    """What two parts of a drum or two drivers of a cabinet leave of a phase, second order (bilinear transform)."""
    w, q = 2.0 * RATE_HZ * np.tan(np.pi * 150.0 * 20.0 ** rng.random() / RATE_HZ), rng.uniform(0.5, 1.0)
    b, a = signal.bilinear([1.0, -w / q, w * w], [1.0, w / q, w * w], RATE_HZ)
    return np.concatenate([b, a])[None]


def _resonance(rng: np.random.Generator) -> NDArray[np.float64]:
    """`(s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)`, its place even over octaves (bilinear transform)."""
    frequency_hz, a, q = 80.0 * 90.0 ** rng.random(), 10.0 ** (rng.uniform(-9.0, 9.0) / 40.0), rng.uniform(0.7, 4.0)
    w = 2.0 * RATE_HZ * np.tan(np.pi * frequency_hz / RATE_HZ)
    b, c = signal.bilinear([1.0, w * a / q, w * w], [1.0, w / (a * q), w * w], RATE_HZ)
    return np.concatenate([b, c])[None]


def heard(inputs: list[Input], sounds: dict[str, Samples], rng: np.random.Generator) -> dict[str, Samples]:
    """Track (sample,) of every input, peak 1 and noise."""
    length = len(next(iter(sounds.values())))
    n = fft.next_fast_len(length + RATE_HZ, real=True)
    f = fft.rfftfreq(n, 1.0 / RATE_HZ)
    spectra = {name: fft.rfft(sound, n) for name, sound in sounds.items()}
    tracks = {}
    for microphone in inputs:
        total = np.zeros(len(f), dtype=np.complex128)
        for name, path in microphone.paths.items():
            gain = path.sign * 10.0 ** (path.level_db / 20.0)
            turn = np.exp(-2j * np.pi * f * path.delay_ms / 1000.0) / (1.0 + 1j * f / path.corner_hz)
            total += gain * turn * spectra[name]
        total *= microphone.chain * fft.rfft(microphone.room, n)
        track = signal.sosfilt(microphone.sections, fft.irfft(total, n)[:length])
        track /= np.abs(track).max()
        tracks[microphone.name] = track + 10.0 ** (microphone.noise_db / 20.0) * rng.standard_normal(length)
    return tracks
