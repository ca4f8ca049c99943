"""Sound checks as they really come, simulated: takes of any outputs at once, written down with their description.

The hall, the rig and its boxes are the demo's (`analyze/simulate.py`); what is played and how it is recorded is made up
here. Everything is invented.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, oaconvolve, sosfilt

from analyze import simulate
from analyze.simulate_feeds import make_feed, pink_noise
from analyze.simulate_scene import Scene

Samples = NDArray[np.float64]

#: Half the usual rate, so that the tests are quick; every band that decides lies far below.
RATE_HZ = 24_000


@cache
def build_scene(seed: int) -> Scene:
    """The demo's hall and rig of a seed."""
    return simulate.build_scene(seed, sample_rate_hz=RATE_HZ)


@dataclass(frozen=True)
class Take:
    """One capture.

    feeds : output -> signal (frame,) sent to it; unfed : outputs of them whose feed is not recorded
    muted : outputs of them that do not sound, their amplifier off, their feed recorded all the same
    turned : outputs recorded with the other polarity than described, declared as such under `settings`
    noise_db : level of the noise at every microphone re what it hears of everything
    own_clock : position -> (offset_s, ppm) of a recorder of its own there, see `analyze/audio/clock.py` for the signs
    more : further lines of the capture's table
    """

    name: str
    feeds: Mapping[str, Samples]
    unfed: Sequence[str] = ()
    muted: Sequence[str] = ()
    turned: Sequence[str] = ()
    noise_db: float = -40.0
    own_clock: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    more: Sequence[str] = field(default=())


def stems(seconds: float, rate_hz: int, rng: np.random.Generator) -> Samples:
    """Parts of a piece of music, (stem, frame): rhythm groups, low drums, keys and voices that come and go."""
    n = round(seconds * rate_hz)
    low = butter(4, 140.0, fs=rate_hz, output="sos")
    parts = [make_feed("groove", n, rate_hz, rng) for _ in range(3)]
    parts += [2.0 * sosfilt(low, make_feed("groove", n, rate_hz, rng)) for _ in range(4)]
    for low_hz, high_hz, level in _PHRASES:
        phrases = np.repeat(rng.uniform(0.0, 1.0, 1 + n // (rate_hz // 2)) > 0.45, rate_hz // 2)[:n]
        swell = np.convolve(phrases, np.ones(2000) / 2000.0, mode="same")
        parts.append(level * swell * pink_noise(n, rate_hz, low_hz, high_hz, rng))
    return np.stack(parts)


#: Lowest and highest frequency and level of the stems that play phrases.
_PHRASES = ((45.0, 9000.0, 0.05), (55.0, 8000.0, 0.06), (70.0, 7000.0, 0.04), (110.0, 9000.0, 0.06), (140.0, 6e3, 0.05))


def mixes(
    scene: Scene, seconds: float, rng: np.random.Generator, likeness: float = 0.5, outputs: Sequence[str] = ()
) -> dict[str, Samples]:
    """A mix of the stems per output: a common balance, and to the share 1 - likeness one of its own that changes.

    Faders move every few seconds, as they do in a show.
    """
    parts = stems(seconds, scene.sample_rate_hz, rng)
    n, step = parts.shape[1], 7 * scene.sample_rate_hz
    knots = np.arange(0, n + step, step)
    common = rng.uniform(0.5, 1.0, len(parts))
    out = {}
    for name in outputs or [o.name for o in scene.outputs]:
        own = rng.uniform(0.0, 1.4, (len(parts), len(knots)))
        faders = np.stack([np.interp(np.arange(n), knots, row) for row in own])
        out[name] = 0.35 * ((likeness * common[:, None] + (1.0 - likeness) * faders) * parts).sum(axis=0)
    return out


def heard(scene: Scene, take: Take) -> Samples:
    """What the microphones pick up of a take, (frame, position), at present settings but for what is turned."""
    total: Samples | None = None
    for name, feed in take.feeds.items():
        if name in take.muted:
            continue
        i = [o.name for o in scene.outputs].index(name)
        sign = scene.present.signs[i] * (-1.0 if name in take.turned else 1.0)
        turn = sign * np.exp(-2j * np.pi * scene.present.delays_s[i] * scene.frequency_hz)
        responses = np.fft.irfft(scene.response[i] * turn, axis=-1)  # (position, sample)
        sound = np.stack([oaconvolve(feed, r)[: len(feed)] for r in responses], axis=1)
        total = sound if total is None else total + sound
    assert total is not None
    return 2.0 * total * scene.microphone_signs


def write(scene: Scene, folder: Path, takes: Sequence[Take], seed: int = 0, head: str = "") -> Path:
    """Write takes and description into a folder; 24-bit WAV, one file a take: feeds, then microphones."""
    folder.mkdir(parents=True, exist_ok=True)
    blocks = ["format = 1", f"temperature_c = {scene.rig.hall.temperature_c}", head, _outputs(scene), _positions(scene)]
    for number, take in enumerate(takes, 1):
        rng = np.random.default_rng([seed, number])
        mics = heard(scene, take)
        level = np.sqrt(np.mean(mics**2, axis=0)) * 10.0 ** (take.noise_db / 20.0)
        mics = mics + level * np.stack(
            [pink_noise(len(mics), scene.sample_rate_hz, 15.0, 6000.0, rng) for _ in scene.positions], axis=1
        )
        for position in take.own_clock:
            p = [q.name for q in scene.positions].index(position)
            sound = on_own_clock(mics[:, p], scene.sample_rate_hz, *take.own_clock[position], rng)
            sound *= 0.9 / np.abs(sound).max()
            soundfile.write(folder / own_file(number, position), sound, scene.sample_rate_hz, subtype="PCM_24")
        recorded = [name for name in take.feeds if name not in take.unfed]
        tracks = np.concatenate([np.stack([take.feeds[name] for name in recorded], axis=1), mics], axis=1)
        tracks *= min(1.0, 0.9 / np.abs(tracks).max())
        file = f"take_{number}.wav"
        soundfile.write(folder / file, tracks, scene.sample_rate_hz, subtype="PCM_24")
        blocks.append(_capture(scene, take, recorded, file, number))
    path = folder / "soundcheck.toml"
    path.write_text("\n".join(blocks) + "\n", encoding="utf-8")
    return path


def quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _polarity(sign: float) -> str:
    return "normal" if sign > 0 else "inverted"


def _outputs(scene: Scene) -> str:
    blocks = []
    for i, output in enumerate(scene.outputs):
        lines = [f"[outputs.{quoted(output.name)}]", f"kind = {quoted(output.kind)}"]
        lines += [f"group = {quoted(output.group)}"] if output.group else []
        lines.append(f"delay_ms = {1000.0 * scene.present.delays_s[i]:.6f}")
        lines.append(f"polarity = {quoted(_polarity(scene.present.signs[i]))}")
        if output.align_at:
            lines += [f"align_at = [{quoted(output.align_at)}]", f"later_ms = {output.later_ms}"]
        blocks.append("\n".join(lines))
    return "\n".join(blocks)


def _positions(scene: Scene) -> str:
    return "\n".join(f"[positions.{quoted(p.name)}]\nzone = {quoted(p.zone)}" for p in scene.positions)


def own_file(number: int, position: str) -> str:
    """The file of a recorder of its own."""
    return f"handheld_{number}_{position.replace(' ', '_')}.wav"


def on_own_clock(sound: Samples, rate_hz: int, offset_s: float, ppm: float, rng: np.random.Generator) -> Samples:
    """A track as a recorder on its own clock takes it: `foreign_s = offset_s + (1 + ppm * 1e-6) * base_s`."""
    import soxr

    stretched = soxr.resample(sound, rate_hz, rate_hz * (1.0 + ppm * 1e-6), quality="VHQ")
    hiss = 1e-4 * rng.standard_normal(round(abs(offset_s) * rate_hz))
    return np.concatenate([hiss, stretched]) if offset_s > 0 else stretched[len(hiss) :]


def _capture(scene: Scene, take: Take, recorded: Sequence[str], file: str, number: int) -> str:
    feeds = ", ".join(f"{quoted(name)} = {quoted(f'{file}:{k}')}" for k, name in enumerate(recorded, 1))
    first = len(recorded) + 1
    tracks = {p.name: f"{file}:{k}" for k, p in enumerate(scene.positions, first)}
    tracks |= {position: own_file(number, position) for position in take.own_clock}
    mics = ", ".join(f"{quoted(name)} = {quoted(track)}" for name, track in tracks.items())
    playing = ", ".join(quoted(name) for name in take.feeds if name not in take.muted)
    lines = ["[[captures]]", f"name = {quoted(take.name)}", f"playing = [{playing}]", f"feeds = {{ {feeds} }}"]
    lines.append(f"mics = {{ {mics} }}")
    if take.own_clock:
        lines.append(f"unsynced = [{', '.join(quoted(own_file(number, p)) for p in take.own_clock)}]")
    if take.turned:
        present = {o.name: s for o, s in zip(scene.outputs, scene.present.signs, strict=True)}
        inside = ", ".join(f"{quoted(n)} = {{ polarity = {quoted(_polarity(-present[n]))} }}" for n in take.turned)
        lines.append(f"settings = {{ {inside} }}")
    return "\n".join([*lines, *take.more])


__all__ = ["Take", "build_scene", "heard", "mixes", "quoted", "stems", "write"]
