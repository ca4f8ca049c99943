"""What holds whether changes that add little are typed in or left out."""

from __future__ import annotations

import math

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

CHANGE, TURNED = (1.0, 2.0), (-1.0, 0.0)


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
    ("typed_as", "left_as", "expected"),
    [
        (("keep", 0.99), ("keep", 0.9), (UNCHANGED, 0.9)),  # kept either way: no surer than the less sure of both
        (("keep", 0.85), ("keep", 0.9), (UNCHANGED, 0.85)),
        (("change", 0.99), ("keep", 0.9), (UNCHANGED, 0.9)),  # turned for a change that may be left out: not turned
        (("keep", 0.9), ("change", 0.99), (UNCHANGED, 0.9)),  # turned unless that is typed in: not turned
        (("change", 0.95), ("change", 0.9), (TURNED, 0.9)),
    ],
)
def test_a_monitor_is_judged_with_an_optional_change_and_without(monkeypatch, typed_as, left_as, expected) -> None:
    """The change of the sub may be typed in or left out, and the monitor is decided for each as the case says."""
    wedge, group = Output("wedge", "monitor", adjust="polarity"), ("wedge",)
    typed, left = (
        Decision(group, TURNED if decision == "change" else UNCHANGED, decision, sure, sure)
        for decision, sure in (typed_as, left_as)
    )
    monkeypatch.setattr(recommend, "gain_of", lambda *_: (0.3, "", math.nan))
    monkeypatch.setattr(recommend, "decide_mains_subs", lambda *_: [Decision(("sub",), CHANGE, "change", 0.99, 0.99)])
    monkeypatch.setattr(recommend, "decide_monitors", lambda _, __, fixed: [typed if fixed["sub"] == CHANGE else left])
    h = two().h
    positions = [*seats(2), Position("stage 0", "stage")]
    found = context([MAIN, SUB, wedge], positions, h[[0, 1, 1]][:, [0, 1, 1]])
    chosen = decide_all(found)[group]
    assert (chosen.candidate, chosen.confidence) == expected
