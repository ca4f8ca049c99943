"""A microphone that recorded nothing, the first of the description among them: named, and the rest is used."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from takes import RATE_HZ, Take, build_scene, write

from analyze.description import load_sound_check
from analyze.pipeline import analyse
from analyze.simulate_feeds import make_feed

_OUTPUTS = ("main left", "sub left", "sub right")


@pytest.mark.parametrize("channel", [1, 2])
def test_the_rest_is_used(tmp_path: Path, channel: int) -> None:
    rng = np.random.default_rng(11)
    feeds = {o: make_feed("noise", 14 * RATE_HZ, RATE_HZ, rng) for o in _OUTPUTS}
    scene = build_scene(2)
    write(scene, tmp_path, [Take(o, {o: feeds[o]}) for o in _OUTPUTS])
    tracks, _ = soundfile.read(tmp_path / "take_2.wav")
    tracks[:, channel] = 0.0
    soundfile.write(tmp_path / "take_2.wav", tracks, RATE_HZ, subtype="PCM_24")
    found = analyse(load_sound_check(tmp_path))
    names = {f.finding for f in found.findings}
    assert "silent track" in names
    assert not names & {"feeds alike", "feeds partly alike"}
    decision = {r.output: r for r in found.recommendations}["sub left"]
    assert decision.decision == "change"
    assert decision.confidence > 0.9
