"""The rig of a demo, visited again months later: what was found is set and mended, the air is another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analyze.simulate_draw import NO_FAULT, designed, upright_scene
from analyze.simulate_rig import moved
from analyze.simulate_scene import REFERENCE, Scene, Settings, index_of

#: How much warmer a cool hall is then, or cooler a warm one, degrees Celsius, and where it is neither.
_AIR_C, _MILD_C = (3.0, 7.0), 20.0
#: How far from its place a microphone is put back, along each axis, m.
_PUT_BACK_M = (0.02, 0.02, 0.02)


def second_visit(first: Scene) -> Scene:
    """The same rig and hall with the settings in force that were best, every chain upright, in other air.

    `best` are the settings that would be best then; they differ from those in force by what the air does.
    """
    rng = np.random.default_rng([first.seed, first.n_draws, 2])
    hall = first.rig.hall
    warmer_c = float(rng.uniform(*_AIR_C)) * (1.0 if hall.temperature_c < _MILD_C else -1.0)
    rig = replace(
        first.rig,
        hall=replace(hall, temperature_c=round(hall.temperature_c + warmer_c, 1)),
        positions=tuple(replace(p, place_m=moved(p.place_m, _PUT_BACK_M, rng)) for p in first.positions),
    )
    upright = upright_scene(rig, [first.seed, first.n_draws - 1], first.sample_rate_hz)
    then = designed(upright, float(first.best.delays_s[index_of(first.outputs, REFERENCE)]))
    present = Settings(first.best.delays_s, first.best.signs * first.wiring)  # a mended wire needs no other polarity
    return replace(then, present=present, fault=NO_FAULT, n_draws=first.n_draws, visit=2)
