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
from tests.situations.takes import Take, heard

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
