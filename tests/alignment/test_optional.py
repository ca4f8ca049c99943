"""What holds whether changes that add little are typed in or left out."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from alignment_making import context, seats
from test_proof import MAIN, SUB, two

from analyze.alignment import recommend
from analyze.alignment.confidence import RIGHT_DB
from analyze.alignment.decision import Decision
from analyze.alignment.optional import LITTLE_DB, may_be_left_out
from analyze.alignment.recommend import decide_all, without_optional
from analyze.alignment.score import UNCHANGED
from analyze.description import Output, Position

CHANGE = (1.0, 2.0)


def test_little_is_what_counts_as_right_at_present() -> None:
    assert LITTLE_DB == RIGHT_DB


@pytest.mark.parametrize(
    ("decision", "kind", "gain_db", "is_optional"),
    [
        ("change", "sub", 0.49, True),
        ("change", "sub", 0.5, False),
        ("change", "main", -0.2, True),
        ("change", "tower", 0.1, False),
        ("keep", "sub", 0.1, False),
        ("change", "sub", math.nan, False),
    ],
)
def test_what_may_be_left_out(decision, kind, gain_db, is_optional) -> None:
    assert may_be_left_out(decision, kind, gain_db) is is_optional


@pytest.mark.parametrize(("gain_db", "left"), [(0.4, UNCHANGED), (0.6, CHANGE)])
def test_optional_changes_are_taken_back(monkeypatch, gain_db, left) -> None:
    monkeypatch.setattr(recommend, "gain_of", lambda *_: (gain_db, "", math.nan))
    decisions = {("sub",): Decision(("sub",), CHANGE, "change", 0.99, 0.99)}
    assert without_optional(two(), decisions) == {"sub": left}


@pytest.mark.parametrize(
    ("turned_then", "sure_then", "expected"),
    [
        (False, 0.99, (UNCHANGED, 0.9)),  # kept either way: no surer than without the optional change
        (False, 0.85, (UNCHANGED, 0.85)),
        (True, 0.99, (UNCHANGED, 0.9)),  # turned for the sake of a change that may be left out: not turned
    ],
)
def test_a_monitor_is_judged_with_an_optional_change_and_without(monkeypatch, turned_then, sure_then, expected) -> None:
    """Without the change of the sub it is kept at 0.9; with it as the case says."""
    wedge, group = Output("wedge", "monitor", adjust="polarity"), ("wedge",)
    left = Decision(group, UNCHANGED, "keep", 0.9, 0.9)
    candidate, decision = ((-1.0, 0.0), "change") if turned_then else (UNCHANGED, "keep")
    typed = replace(left, candidate=candidate, decision=decision, confidence=sure_then)
    monkeypatch.setattr(recommend, "gain_of", lambda *_: (0.3, "", math.nan))
    monkeypatch.setattr(recommend, "decide_mains_subs", lambda *_: [Decision(("sub",), CHANGE, "change", 0.99, 0.99)])
    monkeypatch.setattr(recommend, "decide_monitors", lambda _, __, fixed: [typed if fixed["sub"] == CHANGE else left])
    h = two().h
    positions = [*seats(2), Position("stage 0", "stage")]
    found = context([MAIN, SUB, wedge], positions, h[[0, 1, 1]][:, [0, 1, 1]])
    chosen = decide_all(found)[group]
    assert (chosen.candidate, chosen.confidence) == expected
