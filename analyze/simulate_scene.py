"""One simulated sound check with everything that is true about it: hall, rig, settings, responses, fault.

Axes: responses are (output, position, frequency). Delays are in seconds, later when positive; signs are +1 or -1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.simulate_rig import Output, Position, Rig
from analyze.simulate_truth import Bench, Choice, make_bench

#: The output that never moves, and its group; the group of the subs.
REFERENCE, REFERENCE_GROUP, SUB_GROUP = "main left", "mains", "subs"


@dataclass(frozen=True)
class Settings:
    """Processor settings: delays_s and signs, both (output,)."""

    delays_s: NDArray[np.float64]
    signs: NDArray[np.float64]

    def with_output(self, index: int | list[int], delay_s: float, sign: float) -> Settings:
        """The same with another setting for one output or for several alike."""
        delays_s, signs = self.delays_s.copy(), self.signs.copy()
        delays_s[index], signs[index] = delay_s, sign
        return Settings(delays_s, signs)


@dataclass(frozen=True)
class Scene:
    """One simulated sound check.

    frequency_hz (frequency,)
    response (output, position, frequency) : from feed to air, wiring and latency included, settings not
    present, best : the settings in force and the best ones
    wiring (output,), microphone_signs (position,) : true signs of the chains
    flight_s (output, position) : latency and direct path
    sub_choices : best joint setting of the subs for polarity normal and inverted, with its score
    target : the output or position that the fault concerns, empty for none
    n_draws : how many draws it took
    visit : 1, or 2 for the same rig months later
    """

    seed: int
    fault: str
    target: str
    n_draws: int
    sample_rate_hz: int
    rig: Rig
    frequency_hz: NDArray[np.float64]
    response: NDArray[np.complex128]
    present: Settings
    best: Settings
    wiring: NDArray[np.float64]
    microphone_signs: NDArray[np.float64]
    flight_s: NDArray[np.float64]
    sub_choices: tuple[Choice, Choice]
    visit: int = 1

    @property
    def outputs(self) -> tuple[Output, ...]:
        """The outputs, in the order of the first axis of `response`."""
        return self.rig.outputs

    @property
    def positions(self) -> tuple[Position, ...]:
        """The positions, in the order of the second axis of `response`."""
        return self.rig.positions

    def bench(self, zone: str = "audience") -> Bench:
        """Scoring bench over the positions of one zone."""
        inside = [p for p, position in enumerate(self.positions) if position.zone == zone]
        return make_bench(self.frequency_hz, self.response[:, inside])

    def set_response(self, settings: Settings) -> NDArray[np.complex128]:
        """Responses (output, position, frequency) with settings: `H p exp(-j 2 pi f d)`."""
        turn = settings.signs[:, None] * np.exp(-2j * np.pi * settings.delays_s[:, None] * self.frequency_hz)
        return np.asarray(self.response * turn[:, None, :], dtype=np.complex128)


def true_responses(scene: Scene, settings: Settings | None = None) -> NDArray[np.complex128]:
    """True H (output, position, frequency) of a scene, without settings or with the given ones; no microphone signs."""
    return scene.response if settings is None else scene.set_response(settings)


def index_of(items: Sequence[Output | Position], name: str) -> int:
    """Index of the output or position of that name; KeyError if there is none."""
    for index, item in enumerate(items):
        if item.name == name:
            return index
    raise KeyError(name)


def members(outputs: tuple[Output, ...], group: str) -> list[int]:
    """Indices of the outputs of a group."""
    return [index for index, output in enumerate(outputs) if output.group == group]
