"""One simulated stage of the trials: the folder that is analysed, and what is true of its pairs of inputs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from tests.situations.takes import quoted
from tests.trials.stage_kit import NOT_NAMED, Pair, draw_inputs, heard
from tests.trials.stage_sounds import HOW, RATE_HZ, Samples, played

STAGE = "stage inputs"
FILE = "stage.wav"
#: Sets the streams of stages apart from those of sound checks, whose second number is lower.
_STREAM = 100
#: Share of stages on which a preamplifier clips, and by how much.
_CLIPPING, _TOO_LOUD = 0.15, 1.4
_FULL_SCALE = 1.0 - 2.0**-23


@dataclass(frozen=True)
class StageCase:
    """how : the instruments one by one or together; tracks : input -> (sample,); clipped : inputs that clip."""

    family: str
    number: int
    seed: int
    how: str
    tracks: Mapping[str, Samples]
    pairs: tuple[Pair, ...]
    clipped: tuple[str, ...]

    def pair(self, name: str) -> Pair:
        """The pair whose later-named input this is."""
        (found,) = [p for p in self.pairs if p.name == name]
        return found

    def write(self, folder: Path) -> Path:
        """The folder to be analysed; returns its description."""
        soundfile.write(folder / FILE, np.stack(list(self.tracks.values()), axis=1), RATE_HZ, subtype="PCM_24")
        inputs = ", ".join(f"{quoted(name)} = {quoted(f'{FILE}:{k}')}" for k, name in enumerate(self.tracks, 1))
        against = ", ".join(f"{quoted(p.name)} = {quoted(p.against)}" for p in self.pairs if p.kind != NOT_NAMED)
        lines = ["format = 1", "[[captures]]", f"name = {quoted(self.how)}"]
        path = folder / "soundcheck.toml"
        path.write_text("\n".join([*lines, f"inputs = {{ {inputs} }}", f"against = {{ {against} }}", ""]), "utf-8")
        return path


def make_stage_case(family: str, seed: int, number: int) -> StageCase:
    """The case of these numbers; the same numbers give the same case."""
    rng = np.random.default_rng([seed, _STREAM, number])
    how = str(rng.choice(HOW))
    inputs, pairs = draw_inputs(rng)
    tracks = heard(inputs, played(how, rng), rng)
    clipped = (str(rng.choice(list(tracks))),) if rng.random() < _CLIPPING else ()
    for name, track in tracks.items():
        gain = _TOO_LOUD if name in clipped else 0.05 * 18.0 ** rng.random()
        tracks[name] = np.clip(gain * track / np.abs(track).max(), -_FULL_SCALE, _FULL_SCALE)
    return StageCase(family, number, seed, how, tracks, tuple(pairs), clipped)
