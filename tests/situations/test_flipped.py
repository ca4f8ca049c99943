"""The same stretch twice, one output's polarity flipped in one of them: what neither take tells, both together do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from takes import Take, build_scene, mixes, write

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from analyze.simulate_scene import Scene

OUTPUTS = ("main left", "sub left", "sub right")


@pytest.fixture(scope="module")
def flipped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scene, Analysis]:
    """One signal to mains and subs, 14 s, then the subs turned over."""
    scene = build_scene(2)
    rng = np.random.default_rng(5)
    music = mixes(scene, 14.0, rng, 0.5, ("main left",))["main left"]
    feeds = dict.fromkeys(OUTPUTS, music)
    takes = [Take("as it is", feeds), Take("subs flipped", feeds, turned=["sub left", "sub right"])]
    return scene, analyse(load_sound_check(write(scene, tmp_path_factory.mktemp("flipped"), takes)))


def test_both_takes_together_settle_the_subs(flipped: tuple[Scene, Analysis]) -> None:
    scene, found = flipped
    rows = {r.output: r for r in found.recommendations}
    assert rows["sub left"].decision == "change"
    assert rows["sub left"].polarity_change == "yes"
    index = [o.name for o in scene.outputs].index("sub left")
    best_ms = 1000.0 * (scene.best.delays_s - scene.present.delays_s)[index]
    assert rows["sub left"].delay_change_ms == pytest.approx(best_ms, abs=0.6)


def test_the_report_says_that_they_were_joined(flipped: tuple[Scene, Analysis]) -> None:
    _, found = flipped
    (note,) = (f for f in found.findings if f.finding == "captures joined")
    assert note.capture == "as it is + subs flipped"
    assert {a.capture for a in found.arrivals} == {"as it is + subs flipped"}
    assert "feeds alike" not in [f.finding for f in found.findings]


def test_without_the_flipped_take_nothing_is_decided(tmp_path: Path) -> None:
    scene = build_scene(2)
    music = mixes(scene, 14.0, np.random.default_rng(5), 0.5, ("main left",))["main left"]
    takes = [Take("as it is", dict.fromkeys(OUTPUTS, music)), Take("once more", dict.fromkeys(OUTPUTS, music))]
    found = analyse(load_sound_check(write(scene, tmp_path, takes)))
    assert {r.decision for r in found.recommendations if r.output in ("sub left", "sub right")} == {"undecided"}
    assert "captures joined" not in [f.finding for f in found.findings]


@pytest.fixture(scope="module")
def checked() -> tuple[Scene, list[Take]]:
    """Two outputs alone and both together, plain and with the sub flipped; feeds with little in common."""
    scene = build_scene(2)
    rng = np.random.default_rng(6)
    names = ("main left", "sub left")
    takes = [Take(name, mixes(scene, 14.0, rng, 0.2, (name,))) for name in names]
    both = mixes(scene, 14.0, rng, 0.2, names)
    both["sub left"] = both["main left"]
    return scene, [*takes, Take("both", both), Take("both, sub flipped", both, turned=["sub left"])]


def flips_of(scene: Scene, folder: Path, takes: list[Take]) -> Analysis:
    return analyse(load_sound_check(write(scene, folder, takes)))


def test_a_flip_is_measured_and_compared_with_the_prediction(checked: tuple[Scene, list[Take]], tmp_path: Path) -> None:
    """Third octaves at the seats where the flip is heard: measured 0.02 dB off the prediction in the median."""
    scene, takes = checked
    found = flips_of(scene, tmp_path, takes)
    heard = [r for r in found.flips if max(abs(r.change_db), abs(r.predicted_db)) > 1.0]
    assert len(heard) > 20
    assert np.median([abs(r.change_db - r.predicted_db) for r in heard]) < 0.05
    assert np.corrcoef([r.change_db for r in heard], [r.predicted_db for r in heard])[0, 1] > 0.999
    (note,) = (f for f in found.findings if f.finding.startswith("flip "))
    assert (note.finding, note.severity, note.track) == ("flip as predicted", "note", "sub left")


def test_a_flip_that_was_none_is_noticed(checked: tuple[Scene, list[Take]], tmp_path: Path) -> None:
    """The second take was recorded without the flip that is described."""
    scene, takes = checked
    path = write(scene, tmp_path, [*takes[:3], Take("both, sub flipped", takes[2].feeds)])
    text = path.read_text()
    sign = scene.present.signs[[o.name for o in scene.outputs].index("sub left")]
    other = "inverted" if sign > 0 else "normal"
    path.write_text(text + f'settings = {{ "sub left" = {{ polarity = "{other}" }} }}\n')
    found = analyse(load_sound_check(path))
    (warning,) = (f for f in found.findings if f.finding.startswith("flip "))
    assert (warning.finding, warning.severity) == ("flip not as predicted", "warning")
    assert "is not as described" in warning.detail


def test_a_flip_without_recorded_feeds_is_measured_too(checked: tuple[Scene, list[Take]], tmp_path: Path) -> None:
    """Equal feeds are assumed and their spectrum is not known: measured 0.23 dB off the prediction in the median."""
    scene, takes = checked
    text = write(scene, tmp_path, takes).read_text()
    for number in (3, 4):
        text = text.replace(
            f'feeds = {{ "main left" = "take_{number}.wav:1", "sub left" = "take_{number}.wav:2" }}\n', ""
        )
    (tmp_path / "soundcheck.toml").write_text(text)
    found = analyse(load_sound_check(tmp_path))
    assert [f.finding for f in found.findings].count("no feed recorded") == 2
    heard = [r for r in found.flips if max(abs(r.change_db), abs(r.predicted_db)) > 1.0]
    assert len(heard) > 20
    assert np.median([abs(r.change_db - r.predicted_db) for r in heard]) < 0.35
    assert [f.finding for f in found.findings if f.finding.startswith("flip ")] == ["flip as predicted"]


def unlike(path: Path) -> list[tuple[str, str]]:
    found = analyse(load_sound_check(path)).findings
    return [(f.capture, f.detail) for f in found if f.finding == "takes described alike differ"]


def test_a_flip_that_is_not_described_is_seen_and_the_same_once_more_is_not(tmp_path: Path) -> None:
    scene = build_scene(2)
    music = mixes(scene, 14.0, np.random.default_rng(5), 0.5, ("main left",))["main left"]
    feeds = dict.fromkeys(OUTPUTS, music)
    takes = [Take("first", feeds), Take("again", feeds), Take("third", feeds, turned=["sub left", "sub right"])]
    path = write(scene, tmp_path, takes)
    assert unlike(path) == []
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    assert sum(line.startswith("settings = ") for line in lines) == 1
    path.write_text("".join(line for line in lines if not line.startswith("settings = ")), encoding="utf-8")
    ((capture, detail),) = unlike(path)
    assert capture == "third"
    assert detail.startswith("It is described with the settings of 'first', sends the same to all outputs, and at ")


def test_of_outputs_with_mixes_of_their_own_levels_say_nothing(tmp_path: Path) -> None:
    """Another song adds up otherwise, at the same settings."""
    scene = build_scene(2)
    rng = np.random.default_rng(8)
    takes = [Take(name, mixes(scene, 14.0, rng, 0.5, OUTPUTS)) for name in ("song", "another")]
    assert unlike(write(scene, tmp_path, takes)) == []
