"""A generator that nobody recorded: nothing can be set, and what every capture does say is told (exit code 5)."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from takes import Take, build_scene, write

from analyze.description import load_sound_check
from analyze.errors import AudioError
from analyze.pipeline import Analysis, analyse
from analyze.simulate_feeds import make_feed
from analyze.simulate_scene import Scene

OUTPUTS = ("main left", "sub left", "sub right")


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scene, Path]:
    """Three outputs alone, noise, no feed on any track."""
    scene = build_scene(5)
    rng, n = np.random.default_rng(3), 12 * scene.sample_rate_hz
    folder = tmp_path_factory.mktemp("generator")
    path = write(scene, folder, [Take(o, {o: make_feed("noise", n, scene.sample_rate_hz, rng)}) for o in OUTPUTS])
    path.write_text(re.sub(r"feeds = \{[^}]*\}\n", "", path.read_text(encoding="utf-8")), encoding="utf-8")
    return scene, folder


@pytest.fixture(scope="module")
def found(taken: tuple[Scene, Path]) -> Analysis:
    return analyse(load_sound_check(taken[1]))


def test_every_capture_is_told(taken: tuple[Scene, Path], found: Analysis) -> None:
    """Its level at every seat, and when a seat hears the mains: 5 ms is what the coarse delay is good for."""
    scene, _ = taken
    told = {f.capture: f.detail for f in found.findings if f.finding == "no feed recorded"}
    assert list(told) == list(OUTPUTS)
    names = [p.name for p in scene.positions]
    for detail in told.values():
        assert [name for name in names if re.search(rf"{name} -\d+ dBFS", detail)] == names
    late_s = scene.flight_s[[o.name for o in scene.outputs].index("main left")]
    for name, late_ms, order in re.findall(
        r"(\w+) hears it about (\d+) ms (later|earlier) than mix", told["main left"]
    ):
        true_ms = 1000.0 * (late_s[names.index(name)] - late_s[names.index("mix")])
        assert float(late_ms) * (1.0 if order == "later" else -1.0) == pytest.approx(true_ms, abs=5.0)


def test_nothing_is_decided(found: Analysis) -> None:
    assert found.is_undecided
    assert found.arrivals == ()
    assert {r.decision for r in found.recommendations} == {"reference", "undecided"}
    assert all(r.delay_change_ms == 0.0 and r.polarity_change == "no" for r in found.recommendations)
    reason = {r.output: r.reason for r in found.recommendations}["sub left"]
    assert "the signal of the generator or player" in reason
    assert {w.polarity for w in found.wiring} <= {"undecided"}


def test_a_copy_is_not_told(taken: tuple[Scene, Path], tmp_path: Path) -> None:
    scene, folder = taken
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    samples, rate_hz = soundfile.read(tmp_path / "take_1.wav")
    samples[:, 2] = samples[:, 1]
    soundfile.write(tmp_path / "take_1.wav", samples, rate_hz, subtype="PCM_24")
    first, second = (p.name for p in scene.positions[:2])
    copy, told = (f for f in analyse(load_sound_check(tmp_path)).findings if f.capture == OUTPUTS[0])
    assert (copy.finding, copy.track) == ("duplicated track", second)
    assert f"{first} -" in told.detail
    assert second not in told.detail


def test_captures_of_silence_alone_cannot_be_analysed(taken: tuple[Scene, Path], tmp_path: Path) -> None:
    """Nothing but damage: exit code 3."""
    for path in taken[1].iterdir():
        if path.suffix == ".wav":
            samples, rate_hz = soundfile.read(path)
            soundfile.write(tmp_path / path.name, np.zeros_like(samples), rate_hz)
    with pytest.raises(AudioError, match="silent track"):
        analyse(replace(load_sound_check(taken[1]), folder=tmp_path))
