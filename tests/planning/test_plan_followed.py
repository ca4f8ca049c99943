"""A plan followed to the letter decides everything; what is left undecided, the plan of the rest settles."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from click.testing import CliRunner

from analyze.cli import commands
from analyze.description import load_sound_check
from analyze.planning.asked import plan_for
from tests.planning.following import record
from tests.situations.takes import build_scene, write

SEED, SECONDS = 3, 12.0


def call(*arguments: object) -> int:
    done = CliRunner().invoke(commands, [*map(str, arguments)], standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done.return_value


def decisions(report: Path) -> dict[str, str]:
    rows = json.loads((report / "results.json").read_text(encoding="utf-8"))["recommendations"]
    return {row["output"]: row["decision"] for row in rows}


def test_planned_recorded_and_decided(tmp_path: Path) -> None:
    """The tower was turned down the first time: it is undecided, planned again, recorded again and decided."""
    scene = build_scene(SEED)
    write(scene, tmp_path / "rig", [])
    assert call("plan", tmp_path / "rig", "--out", tmp_path / "plan", "--microphones", 4) == 0
    visit = tmp_path / "visit"
    visit.mkdir()
    shutil.copy(tmp_path / "plan" / "soundcheck.toml", visit)
    loudest = record(scene, visit, seconds=SECONDS, turned_down_db={"delay tower": 80.0}, seed=1)
    assert call("run", visit, "--out", tmp_path / "first", "--quiet") == 5
    first = decisions(tmp_path / "first")
    assert [output for output, decision in first.items() if decision == "undecided"] == ["delay tower"]

    earlier = plan_for(tmp_path / "first").plan.earlier
    described = load_sound_check(visit).captures
    assert [(one.name, one.outputs) for one in earlier] == [(one.name, tuple(one.feeds)) for one in described]
    assert [{*one.positions} for one in earlier] == [{*one.mics} for one in described]
    assert call("plan", tmp_path / "first", "--out", tmp_path / "rest") == 0
    shutil.copy(tmp_path / "rest" / "soundcheck.toml", visit)
    record(scene, visit, seconds=SECONDS, turned_down_db={}, seed=2, loudest=loudest)
    assert call("run", visit, "--out", tmp_path / "second", "--quiet") == 0
    second = decisions(tmp_path / "second")
    assert second == first | {"delay tower": second["delay tower"]}
    assert second["delay tower"] in ("keep", "change")
