"""A handheld recorder at a far seat: its clock is found; arrivals compare between outputs, and mean nothing alone."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from takes import Take, build_scene, mixes, write

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from analyze.simulate_scene import Scene

OUTPUTS = ("main left", "sub left", "sub right", "delay tower")
SEAT = "back"


@pytest.fixture(scope="module")
def handheld(tmp_path_factory: pytest.TempPathFactory) -> tuple[Scene, Analysis]:
    """Music through four outputs; the last seat on a recorder 3.2 s ahead and 37 ppm fast."""
    scene = build_scene(2)
    music = mixes(scene, 40.0, np.random.default_rng(7), 0.4, OUTPUTS)
    take = Take("music", music, own_clock={SEAT: (3.2, 37.0)})
    return scene, analyse(load_sound_check(write(scene, tmp_path_factory.mktemp("handheld"), [take])))


def late_ms(scene: Scene, output: str, position: str = SEAT) -> float:
    """True arrival at present settings."""
    i, p = [o.name for o in scene.outputs].index(output), [q.name for q in scene.positions].index(position)
    return float(1000.0 * (scene.flight_s[i, p] + scene.present.delays_s[i]))


def test_a_clean_recorder_that_was_started_later_is_not_silent(tmp_path: Path) -> None:
    """It lacks the first 4.1 s of the capture."""
    scene = build_scene(5)
    music = mixes(scene, 30.0, np.random.default_rng(8), 0.3, OUTPUTS[:3])
    path = write(scene, tmp_path, [Take("music", music, own_clock={SEAT: (-4.1, 20.0)})])
    found = analyse(load_sound_check(path)).findings
    assert "recorder clock" in [f.finding for f in found]
    assert [f for f in found if f.severity != "note"] == []
    assert [f for f in found if f.at_s < 0.0] == []


def test_the_clock_is_reported(handheld: tuple[Scene, Analysis]) -> None:
    _, found = handheld
    (note,) = (f for f in found.findings if f.finding == "recorder clock")
    assert note.severity == "note"
    assert "37" in note.detail


def test_arrivals_compare_between_outputs(handheld: tuple[Scene, Analysis]) -> None:
    scene, found = handheld
    rows = {a.output: a for a in found.arrivals if a.position == SEAT}
    difference = rows["delay tower"].arrival_ms - rows["main left"].arrival_ms
    assert difference == pytest.approx(late_ms(scene, "delay tower") - late_ms(scene, "main left"), abs=0.06)
    assert all(math.isnan(row.distance_m) for row in rows.values())
    synced = {a.output: a for a in found.arrivals if a.position == "mix"}
    assert synced["main left"].arrival_ms == pytest.approx(late_ms(scene, "main left", "mix"), abs=0.05)


def test_the_seat_counts_for_the_settings(handheld: tuple[Scene, Analysis]) -> None:
    """The tower is lined up at the handheld's seat, the subs over all seats."""
    scene, found = handheld
    rows = {r.output: r for r in found.recommendations}
    assert rows["delay tower"].decision == "keep"
    assert rows["sub left"].polarity_change == "yes"
    best_ms = 1000.0 * (scene.best.delays_s - scene.present.delays_s)[[o.name for o in scene.outputs].index("sub left")]
    assert rows["sub left"].delay_change_ms == pytest.approx(best_ms, abs=0.6)
    assert SEAT in {r.position for r in found.prediction if r.cell == "yes"}


@pytest.mark.parametrize("is_in_step", [True, False])
def test_outputs_in_captures_of_their_own_need_a_common_start(tmp_path: Path, is_in_step: bool) -> None:
    """Two captures, the handheld started 80 ms apart from the player in both, or anew each time."""
    scene = build_scene(2)
    rng = np.random.default_rng(9)
    more = ["same_start = true"] if is_in_step else []
    takes = [
        Take(
            name, mixes(scene, 20.0, rng, 0.2, (name,)), own_clock={SEAT: (0.08 if is_in_step else at, 12.0)}, more=more
        )
        for name, at in (("main left", 0.9), ("delay tower", 2.3))
    ]
    found = analyse(load_sound_check(write(scene, tmp_path, takes)))
    rows = {r.output: r for r in found.recommendations}
    names = [f.finding for f in found.findings]
    if is_in_step:
        assert rows["delay tower"].decision == "keep"
        assert "not comparable on its own clock" not in names
    else:
        assert rows["delay tower"].decision == "undecided"
        assert "not comparable on its own clock" in names
