"""A second visit to the demo's hall: the same rig on another day, with what changed in between known.

Image sources are computed anew. The tail stretches with the air, for a hall's response scales in time with one over
the speed of sound; at a microphone that moved it keeps the share that a diffuse field has in common over the distance
(Cook et al. 1955, JASA 27(6), from memory) and is drawn anew for the rest. Everything is invented.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analyze.simulate_feeds import make_feed
from analyze.simulate_rig import Output, Position, Rig, draw_rig
from analyze.simulate_scene import Scene, Settings
from analyze.simulate_truth import Choice
from analyze.simulate_venue import diffuse_mixing, diffuse_noise, distance_m, room_response
from tests.situations import takes

RATE_HZ = takes.RATE_HZ
_Placed = TypeVar("_Placed", Output, Position)
#: Samples of a response: 2.7 s, long enough for the hall to die away.
_N_SAMPLES = 2**16
#: The rig of the quick tests.
FEW_OUTPUTS = ("main left", "main right", "sub left", "sub right", "front fill")
FEW_POSITIONS = ("mix", "front", "left", "back")


@dataclass(frozen=True)
class Change:
    """What happened between two visits; by default nothing.

    warmer_c : of the air, known and written down; unsaid_c : warmer still, written down nowhere
    later_ms, flipped, louder_db : of outputs, undeclared; settings : (delay_ms, sign) put in force and declared
    peak : output -> (hz, db, quality) of a peaking filter in its chain
    box_moved_m : of outputs; moved_m, mic_inverted, mic_louder_db : of positions; rig_later_ms : of everything
    exchanged : two positions, each of which bears what was heard at the other
    gone : outputs that are not measured again
    """

    warmer_c: float = 0.0
    unsaid_c: float = 0.0
    later_ms: Mapping[str, float] = field(default_factory=dict)
    flipped: Sequence[str] = ()
    louder_db: Mapping[str, float] = field(default_factory=dict)
    settings: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    peak: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    box_moved_m: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    moved_m: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    mic_inverted: Sequence[str] = ()
    mic_louder_db: Mapping[str, float] = field(default_factory=dict)
    rig_later_ms: float = 0.0
    exchanged: Sequence[str] = ()
    gone: Sequence[str] = ()


def first_scene(
    seed: int,
    outputs: Sequence[str] = FEW_OUTPUTS,
    positions: Sequence[str] = FEW_POSITIONS,
    settings: Mapping[str, tuple[float, int]] | None = None,
) -> Scene:
    """The rig of a seed as it stands at the first visit, every chain upright; settings (delay_ms, sign) or drawn."""
    rng = np.random.default_rng([seed, 7])
    drawn = draw_rig(rng)
    rig = replace(
        drawn,
        outputs=tuple(replace(o, feed_tap="before") for o in drawn.outputs if o.name in outputs),
        positions=tuple(p for p in drawn.positions if p.name in positions),
    )
    n = len(rig.outputs)
    delays_s = np.round(rng.uniform(0.0, 12.0, n), 2) * 1e-3
    present = Settings(delays_s, np.ones(n))
    for name, (delay_ms, sign) in (settings or {}).items():
        present = present.with_output([o.name for o in rig.outputs].index(name), 1e-3 * delay_ms, sign)
    return _scene(seed, rig, present, Change(), rig)


def second_scene(first: Scene, change: Change) -> Scene:
    """The same rig after the change. What is declared stands under `present`, all else in the responses."""
    hall = replace(first.rig.hall, temperature_c=first.rig.hall.temperature_c + change.warmer_c + change.unsaid_c)
    positions = tuple(_moved(p, change.moved_m) for p in first.positions)
    outputs = tuple(_moved(o, change.box_moved_m) for o in first.outputs if o.name not in change.gone)
    rig = replace(first.rig, hall=hall, positions=positions, outputs=outputs)
    kept = [i for i, o in enumerate(first.outputs) if o.name not in change.gone]
    settings = Settings(first.present.delays_s[kept], first.present.signs[kept])
    for name, (delay_ms, sign) in change.settings.items():
        settings = settings.with_output([o.name for o in outputs].index(name), 1e-3 * delay_ms, sign)
    return _scene(first.seed, rig, settings, change, first.rig)


def write_visit(scene: Scene, folder: Path, seed: int, change: Change | None = None, seconds: float = 8.0) -> Path:
    """Every output alone, one after the other; noise of the hall and signals are drawn from the seed."""
    kinds = ("noise", "sweep")
    captures = []
    for number, output in enumerate(scene.outputs):
        rng = np.random.default_rng([seed, number, 3])
        feed = make_feed(kinds[number % 2], round(seconds * RATE_HZ), RATE_HZ, rng)
        captures.append(takes.Take(output.name, {output.name: feed}))
    path = takes.write(scene, folder, captures, seed)
    if change is not None and change.unsaid_c:
        told = f"temperature_c = {scene.rig.hall.temperature_c}"
        text = path.read_text(encoding="utf-8")
        wrong = f"temperature_c = {scene.rig.hall.temperature_c - change.unsaid_c}"
        path.write_text(text.replace(told, wrong), encoding="utf-8")
    return path


def _scene(seed: int, rig: Rig, settings: Settings, change: Change, first: Rig) -> Scene:
    frequency_hz = np.fft.rfftfreq(_N_SAMPLES, 1.0 / RATE_HZ)
    flights = [[distance_m(o.place_m, p.place_m) for p in rig.positions] for o in rig.outputs]
    names = [p.name for p in rig.positions]
    other = dict(zip(change.exchanged, reversed(change.exchanged), strict=True))
    heard = [names.index(other.get(name, name)) for name in names]
    return Scene(
        seed=seed,
        fault="none",
        target="",
        n_draws=1,
        sample_rate_hz=RATE_HZ,
        rig=rig,
        frequency_hz=frequency_hz,
        response=_responses(seed, rig, frequency_hz, change, first)[:, heard],
        present=settings,
        best=settings,
        wiring=np.array([-1.0 if o.name in change.flipped else 1.0 for o in rig.outputs]),
        microphone_signs=np.array([-1.0 if name in change.mic_inverted else 1.0 for name in names]),
        flight_s=rig.latency_s + np.array(flights)[:, heard] / rig.hall.speed_m_s,
        sub_choices=(Choice(1, 0.0, np.nan), Choice(-1, 0.0, np.nan)),
    )


def _responses(
    seed: int, rig: Rig, frequency_hz: NDArray[np.float64], change: Change, first: Rig
) -> NDArray[np.complex128]:
    """Responses (output, position, frequency), what changed without being declared included."""
    mixing = diffuse_mixing(first.hall, tuple(o.place_m for o in first.outputs), frequency_hz)
    index = [[o.name for o in first.outputs].index(o.name) for o in rig.outputs]
    out = np.zeros((len(rig.outputs), len(rig.positions), len(frequency_hz)), dtype=np.complex128)
    for p, position in enumerate(rig.positions):
        noise = _tail_noise(seed, p, rig, mixing, change.moved_m.get(position.name, (0.0, 0.0, 0.0)))
        noise = _stretched(noise, first.hall.speed_m_s / rig.hall.speed_m_s)
        gain = 10.0 ** (change.mic_louder_db.get(position.name, 0.0) / 20.0)
        for o, output in enumerate(rig.outputs):
            places = (output.place_m, output.target_m, position.place_m)
            room = room_response(rig.hall, output.box, places, rig.latency_s, RATE_HZ, noise[index[o]])
            out[o, p] = gain * _chain(output, frequency_hz, change) * room
    return out


def _tail_noise(
    seed: int, p: int, rig: Rig, mixing: NDArray[np.float64], moved_m: tuple[float, float, float]
) -> NDArray[np.complex128]:
    """Noise that the tails at one place are made of, (output, part, frequency)."""
    noise = diffuse_noise(mixing, np.random.default_rng([seed, p, 1]))
    if not any(moved_m):
        return noise
    fresh = diffuse_noise(mixing, np.random.default_rng([seed, p, 2]))
    frequency_hz = np.fft.rfftfreq(_N_SAMPLES, 1.0 / RATE_HZ)
    common = np.sinc(2.0 * frequency_hz * float(np.linalg.norm(moved_m)) / rig.hall.speed_m_s)
    return np.asarray(common * noise + np.sqrt(1.0 - common**2) * fresh, dtype=np.complex128)


def _stretched(noise: NDArray[np.complex128], ratio: float) -> NDArray[np.complex128]:
    """The same noise with its time axis longer by a ratio."""
    if ratio == 1.0:
        return noise
    import soxr

    n_outputs, n_parts, _ = noise.shape
    samples = np.fft.irfft(noise, _N_SAMPLES).reshape(n_outputs * n_parts, -1)
    longer = soxr.resample(samples.T, 1.0, ratio, quality="VHQ").T[:, :_N_SAMPLES]
    padded = np.pad(longer, ((0, 0), (0, _N_SAMPLES - longer.shape[1])))
    return np.asarray(np.fft.rfft(padded.reshape(n_outputs, n_parts, -1)), dtype=np.complex128)


def _chain(output: Output, frequency_hz: NDArray[np.float64], change: Change) -> NDArray[np.complex128]:
    """What an output's chain does: its box on axis, and what changed in it."""
    chain = output.box.response(frequency_hz) * 10.0 ** (change.louder_db.get(output.name, 0.0) / 20.0)
    later_s = 1e-3 * (change.later_ms.get(output.name, 0.0) + change.rig_later_ms)
    chain = chain * np.exp(-2j * np.pi * frequency_hz * later_s)
    if output.name in change.flipped:
        chain = -chain
    if output.name in change.peak:
        hz, db, quality = change.peak[output.name]
        s, a = 1j * frequency_hz / hz, 10.0 ** (db / 40.0)
        chain = chain * (s**2 + s * a / quality + 1.0) / (s**2 + s / (a * quality) + 1.0)
    return np.asarray(chain, dtype=np.complex128)


def _moved(one: _Placed, moved_m: Mapping[str, tuple[float, float, float]]) -> _Placed:
    x, y, z = np.add(one.place_m, moved_m.get(one.name, (0.0, 0.0, 0.0)))
    return replace(one, place_m=(float(x), float(y), float(z)))
