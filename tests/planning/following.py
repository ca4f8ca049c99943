"""Somebody who records what a plan says, file by file, in the demo's hall. Everything is invented."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from analyze.simulate_feeds import pink_noise
from analyze.simulate_scene import Scene
from tests.situations.takes import Take, heard, on_own_clock

#: Noise of the hall at every microphone re its loudest take, dB.
_NOISE_DB = -45.0


def record(
    scene: Scene, folder: Path, *, seconds: float, turned_down_db: Mapping[str, float], seed: int, loudest: float = 0.0
) -> float:
    """Write every file that the description in a folder names and that is not there yet; how loud the loudest take was.

    turned_down_db : outputs that are played too quietly, and by how much; loudest : what an earlier call gave
    """
    captures = tomllib.loads((folder / "soundcheck.toml").read_text(encoding="utf-8"))["captures"]
    captures = [one for one in captures if not _file_of(folder, one).exists()]
    rng = np.random.default_rng(seed)
    takes = {capture["name"]: _sound(scene, next(iter(capture["feeds"])), seconds, rng) for capture in captures}
    loudest = max(loudest, *(float(np.sqrt(np.mean(mics**2))) for _, mics in takes.values()))
    noise = 10.0 ** (_NOISE_DB / 20.0) * loudest
    for capture in captures:
        (output,) = capture["feeds"]
        feed, mics = takes[capture["name"]]
        gain = 10.0 ** (-turned_down_db.get(output, 0.0) / 20.0)
        mics = gain * mics + noise * rng.standard_normal(mics.shape)
        columns = {
            int(track.rpartition(":")[2]): mics[:, _number(scene, name)] for name, track in capture["mics"].items()
        }
        tracks = np.stack([gain * feed, *(columns[k] for k in sorted(columns))], axis=1)
        soundfile.write(_file_of(folder, capture), 0.5 * tracks, scene.sample_rate_hz, subtype="PCM_24")
    return loudest


def record_in_turn(scene: Scene, folder: Path, *, seconds: float, quiet_s: float, seed: int) -> None:
    """Write every file that the description in a folder names: of each capture the outputs in turn, nothing stopped.

    Recorders of their own are started seconds before the one of the feeds, and run fast or slow.
    """
    rng = np.random.default_rng(seed)
    for capture in tomllib.loads((folder / "soundcheck.toml").read_text(encoding="utf-8"))["captures"]:
        n, outputs = round((seconds + 2.0 * quiet_s) * scene.sample_rate_hz), list(capture["feeds"])
        feeds = {name: np.zeros(n * len(outputs)) for name in outputs}
        for k, name in enumerate(outputs):
            sound = 0.1 * pink_noise(round(seconds * scene.sample_rate_hz), scene.sample_rate_hz, 20.0, 9000.0, rng)
            first = k * n + round(quiet_s * scene.sample_rate_hz)
            feeds[name][first : first + len(sound)] = sound
        mics = heard(scene, Take("round", feeds))
        mics += 10.0 ** (_NOISE_DB / 20.0) * np.sqrt(np.mean(mics**2)) * rng.standard_normal(mics.shape)
        tracks = {track: feeds[name] for name, track in capture["feeds"].items()}
        tracks |= {track: mics[:, _number(scene, name)] for name, track in capture["mics"].items()}
        for number, file in enumerate(dict.fromkeys(track.rpartition(":")[0] for track in tracks)):
            own = [(int(track.rpartition(":")[2]), sound) for track, sound in tracks.items() if track.startswith(file)]
            columns = [sound for _, sound in sorted(own, key=lambda one: one[0])]
            if file in capture.get("unsynced", ()):
                clock = 2.0 + 1.3 * number, 20.0 - 35.0 * number
                columns = [
                    on_own_clock(sound, scene.sample_rate_hz, *clock, np.random.default_rng(number))
                    for sound in columns
                ]
            soundfile.write(folder / file, 0.5 * np.stack(columns, axis=1), scene.sample_rate_hz, subtype="PCM_24")


def _file_of(folder: Path, capture: Mapping[str, Any]) -> Path:
    """The file of a capture's feed, which holds its microphones too."""
    (track,) = capture["feeds"].values()
    return folder / track.rpartition(":")[0]


def _sound(scene: Scene, output: str, seconds: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """What is played through an output, and what the microphones hear of it, (frame, position)."""
    feed = 0.1 * pink_noise(round(seconds * scene.sample_rate_hz), scene.sample_rate_hz, 20.0, 9000.0, rng)
    return feed, heard(scene, Take(output, {output: feed}))


def _number(scene: Scene, position: str) -> int:
    return [p.name for p in scene.positions].index(position)
