"""Second visits at which anything may have changed, by much or by little: by which confidences are judged.

The kinds of `second_visits.py` are clear cases. Here every output has changed with a chance of one in five, by sizes
from a fifth of the tolerance to ten times it, a microphone may stand elsewhere, and all of them are put back well or
badly. Sizes near a tolerance, where either verdict is right, are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analyze.archive.comparison_rows import Tolerances
from analyze.simulate_scene import Scene
from tests.trials.visits import FEW_POSITIONS, Change

#: Chance that an output has changed, and that one microphone was put elsewhere.
_CHANGED, _MOVED = 0.2, 0.3
#: Sizes re the tolerance: of what is no change, and of what is one.
_SMALL, _LARGE = (0.2, 0.7), (1.5, 10.0)
#: How well microphones are put back, m along each axis.
PUT_BACK_M = (0.01, 0.02, 0.05, 0.1)
_TOLERANCES = Tolerances()


@dataclass(frozen=True)
class Drawn:
    """What happened, how far microphones may stand from where they stood, and what must be said of outputs."""

    change: Change
    put_back_m: float
    expected: dict[str, str] = field(default_factory=dict)


def positions_of(seed: int) -> tuple[str, ...]:
    """Two, three or four positions, by the seed."""
    return FEW_POSITIONS[: 2 + seed % 3]


def drawn_change(scene: Scene, rng: np.random.Generator) -> Drawn:
    """A second visit of which nothing is known beforehand."""
    later_ms: dict[str, float] = {}
    louder_db: dict[str, float] = {}
    peak: dict[str, tuple[float, float, float]] = {}
    flipped: list[str] = []
    expected: dict[str, str] = {}
    for output in (o.name for o in scene.outputs if rng.random() < _CHANGED):
        what = str(rng.choice(["moved", "flipped", "changed in response", "changed in level"], p=[0.5, 0.1, 0.2, 0.2]))
        is_large = what == "flipped" or bool(rng.random() < 0.7)
        size = float(np.exp(rng.uniform(*np.log(_LARGE if is_large else _SMALL)))) * float(rng.choice([-1.0, 1.0]))
        if what == "moved":
            later_ms[output] = size * _TOLERANCES.arrival_ms
        elif what == "changed in level":
            louder_db[output] = size * _TOLERANCES.level_db
        elif what == "changed in response":  # of a narrow peak a third octave shows three quarters
            hz = 60.0 if "sub" in output else 1000.0
            peak[output] = (hz, float(np.clip(size * _TOLERANCES.response_db / 0.75, -12.0, 12.0)), 1.4)
        else:
            flipped.append(output)
        if is_large:
            expected[output] = what
    change = Change(
        warmer_c=round(float(rng.uniform(-8.0, 8.0)), 1),
        later_ms=later_ms,
        louder_db=louder_db,
        peak=peak,
        flipped=flipped,
        moved_m=_one_elsewhere(scene, rng),
    )
    return Drawn(change, float(rng.choice(PUT_BACK_M)), expected)


def _one_elsewhere(scene: Scene, rng: np.random.Generator) -> dict[str, tuple[float, float, float]]:
    """Perhaps one microphone, up to half a metre off."""
    if rng.random() >= _MOVED:
        return {}
    angle, length_m = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.1, 0.5)
    name = str(rng.choice([p.name for p in scene.positions]))
    return {name: (float(length_m * np.cos(angle)), float(length_m * np.sin(angle)), 0.0)}
