"""Where the first track is taken is said once, and never in two ways."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analyze.description import Output, Position, SoundCheck
from analyze.planning.checklist import checklist
from analyze.planning.takes import plan_rest

OUTPUTS = {name: Output(name, kind) for name, kind in (("main", "main"), ("sub", "sub"), ("fill", "fill"))}
POSITIONS = {name: Position(name, "audience") for name in ("mix", "left", "back")}


@pytest.mark.parametrize(
    ("behind", "ahead_said", "behind_said"),
    [((), True, 0), (("main", "sub"), False, 1), (("sub",), True, 1)],
)
def test_the_place_of_the_feed_is_said_in_one_way(behind, ahead_said, behind_said):
    outputs = {n: replace(o, feed_tap="after" if n in behind else "before") for n, o in OUTPUTS.items()}
    check = SoundCheck(Path("a"), Path(), "", "", 20.0, "main", outputs, POSITIONS, ())
    said = " ".join(checklist(check, plan_rest(check, {"sub": "too quiet"})).setting_up)
    assert ("where it enters the processor" in said) is ahead_said
    assert said.count("behind the processor, as before") == behind_said
