"""Outputs that sound in turn in one capture: each is looked for where it sounds, not where the first one does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analyze.description import load_sound_check
from analyze.pipeline import analyse
from analyze.simulate_feeds import pink_noise
from tests.situations.takes import Take, build_scene, write

OUTPUTS = ("main left", "sub left", "delay tower")
SOUNDING_S, SHARE_S = 12.0, 34.0


@pytest.mark.parametrize("is_dead", [False, True])
def test_what_sounds_later_is_heard_where_it_sounds(tmp_path: Path, is_dead: bool) -> None:
    """One that no microphone hears is told as before."""
    scene, rng = build_scene(2), np.random.default_rng(6)
    rate_hz = scene.sample_rate_hz
    feeds = {}
    for k, name in enumerate(OUTPUTS):
        feeds[name] = 1e-6 * rng.standard_normal(round(SHARE_S * len(OUTPUTS) * rate_hz))
        first, n = round((SHARE_S * k + 1.0) * rate_hz), round(SOUNDING_S * rate_hz)
        feeds[name][first : first + n] += 0.1 * pink_noise(n, rate_hz, 20.0, 9000.0, rng)
    take = Take("in turn", feeds, muted=("delay tower",) if is_dead else ())
    path = write(scene, tmp_path, [take])
    lines = path.read_text(encoding="utf-8").splitlines()  # nobody knows that it is dead: every feed played
    path.write_text("\n".join(line for line in lines if not line.startswith("playing")), encoding="utf-8")
    found = analyse(load_sound_check(path))
    unheard = {f.detail.split(" is not heard")[0] for f in found.findings if " is not heard at " in f.detail}
    assert unheard == ({"delay tower"} if is_dead else set())
    assert {a.output for a in found.arrivals if a.position == "back"} >= {"main left"}
