"""A wire that turned over, by the wiring of two reports: what that rests on."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from analyze.archive.opening import ReportRead
from analyze.archive.rewiring import rewired


def report(wiring: str, confidence: float) -> ReportRead:
    row = {"output": "fill", "polarity": wiring, "confidence": confidence}
    return ReportRead(Path("may"), Path("may"), False, {"wiring": [row] if wiring else []})


@pytest.mark.parametrize(
    ("then", "now", "words"),
    [("inverted", "normal", "was likely mended"), ("normal", "inverted", "likely turned over")],
)
def test_its_confidence_holds_both_wirings_the_turn_and_that_a_setting_is_as_described(
    then: str, now: str, words: str
) -> None:
    """0.9 0.8 / (0.9 0.8 + 0.1 0.2) = 0.973, of which two thirds: by hand."""
    found = rewired(report(then, 0.9), report(now, 0.8), "fill", 0.95)
    assert found is not None
    assert found.is_mended is (then == "inverted")
    assert found.confidence == pytest.approx(0.95 * 0.97297 * 2.0 / 3.0, rel=1e-4)
    assert found.words.startswith(f"It was wired {then} before and reads {now} now")
    assert f"its wire {words} (62 %, for a setting that is not as described" in found.words


@pytest.mark.parametrize(("then", "now"), [(1.0, 0.0), (math.nan, 0.9)])
def test_confidences_that_nobody_found_are_no_ground(then: float, now: float) -> None:
    assert rewired(report("inverted", then), report("normal", now), "fill", 0.99) is None


@pytest.mark.parametrize(
    ("then", "now"),
    [
        ("normal", "normal"),
        ("inverted", "inverted"),
        ("undecided", "normal"),
        ("normal", "undecided"),
        ("inverted", ""),
    ],
)
def test_only_one_that_reads_otherwise_now_turned_over(then: str, now: str) -> None:
    assert rewired(report(then, 0.9), report(now, 0.9), "fill", 0.99) is None
