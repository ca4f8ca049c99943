"""A wire that was mended, by the wiring of two reports: what that rests on."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from analyze.archive.opening import ReportRead
from analyze.archive.rewiring import mended, turned_over


def report(wiring: str, confidence: float) -> ReportRead:
    row = {"output": "fill", "polarity": wiring, "confidence": confidence}
    return ReportRead(Path("may"), Path("may"), False, {"wiring": [row] if wiring else []})


def test_its_confidence_holds_both_wirings_the_turn_and_that_a_setting_is_as_described() -> None:
    """0.9 0.8 / (0.9 0.8 + 0.1 0.2) = 0.973, of which two thirds: by hand."""
    found = mended(report("inverted", 0.9), report("normal", 0.8), "fill", 0.95)
    assert found is not None
    assert found.confidence == pytest.approx(0.95 * 0.97297 * 2.0 / 3.0, rel=1e-4)
    assert found.words.endswith("its wire was likely mended (62 %).")


def test_a_wire_that_went_bad_is_the_mirror_of_one_that_was_mended() -> None:
    found = turned_over(report("normal", 0.9), report("inverted", 0.8), "fill", 0.95)
    assert found is not None
    assert found.confidence == pytest.approx(0.95 * 0.97297 * 2.0 / 3.0, rel=1e-4)
    assert turned_over(report("inverted", 0.9), report("normal", 0.8), "fill", 0.95) is None


@pytest.mark.parametrize(("then", "now"), [(1.0, 0.0), (math.nan, 0.9)])
def test_confidences_that_nobody_found_are_no_ground(then: float, now: float) -> None:
    assert mended(report("inverted", then), report("normal", now), "fill", 0.99) is None


@pytest.mark.parametrize(
    ("then", "now"),
    [("normal", "normal"), ("inverted", "inverted"), ("normal", "inverted"), ("undecided", "normal"), ("inverted", "")],
)
def test_only_one_that_was_wrong_and_is_right_was_mended(then: str, now: str) -> None:
    assert mended(report(then, 0.9), report(now, 0.9), "fill", 0.99) is None
