"""What a measured change of a setting amounts to: every usual mistake by its name."""

from __future__ import annotations

import pytest

from analyze.archive.settings_outcomes import Asked, outcome_of, owner_of


@pytest.mark.parametrize(
    ("measured", "outcome"),
    [
        ((-7.0, -1), "as recommended"),
        ((-7.04, -1), "as recommended"),
        ((0.0, 1), "not applied"),
        ((-7.0, 1), "polarity not applied"),
        ((0.0, -1), "delay not applied"),
        ((-14.0, -1), "applied twice"),
        ((-14.0, 1), "applied twice"),
        ((7.0, -1), "wrong sign of delay"),
        ((13.0, -1), "setting added to the old one"),
        ((-27.0, -1), "change typed as setting"),
        ((-5.0, -1), "otherwise"),
    ],
)
def test_every_mistake_has_its_name(measured: tuple[float, int], outcome: str) -> None:
    assert outcome_of(measured, 0.01, Asked((-7.0, -1), 20.0)) == outcome


@pytest.mark.parametrize(
    ("measured", "outcome"),
    [
        ((0.02, -1), "as recommended"),
        ((0.04, -1), "as recommended"),
        ((0.09, -1), "as recommended"),
        ((-0.02, -1), "as recommended"),
        ((0.01, 1), "not applied"),
        ((0.02, 1), "polarity not applied"),
        ((0.4, -1), "otherwise"),
    ],
)
def test_a_delay_too_small_to_be_told_is_no_mistake_of_its_own(measured: tuple[float, int], outcome: str) -> None:
    """A polarity turned, and 0.02 ms: applied twice, the wrong way or not at all, it is the same setting."""
    assert outcome_of(measured, 0.014, Asked((0.02, -1), 6.2)) == outcome


@pytest.mark.parametrize(("measured_ms", "outcome"), [(0.15, "as recommended"), (0.0, "not applied")])
def test_the_nearest_is_taken(measured_ms: float, outcome: str) -> None:
    assert outcome_of((measured_ms, 1), 0.04, Asked((0.14, 1), 6.2)) == outcome


def test_what_was_to_be_left_alone_was_or_was_not() -> None:
    nothing = Asked((0.0, 1), 5.0)
    assert outcome_of((0.01, 1), 0.01, nothing) == "left alone"
    assert outcome_of((0.3, 1), 0.01, nothing) == "otherwise"
    assert outcome_of((0.3, 1), 0.1, nothing) == "left alone"
    assert outcome_of((0.0, -1), 0.1, nothing) == "otherwise"


def test_the_owner_of_a_change_is_no_one_of_the_same_change() -> None:
    asked = {
        "a": Asked((2.0, 1), 0.0),
        "b": Asked((2.0, 1), 0.0),
        "c": Asked((5.0, -1), 0.0),
        "d": Asked((0.0, 1), 0.0),
    }
    assert owner_of((5.0, -1), 0.01, "a", asked) == "c"
    assert owner_of((2.0, 1), 0.01, "b", asked) == ""
    assert owner_of((2.0, 1), 0.01, "d", asked) == "a"
    assert owner_of((0.0, 1), 0.01, "a", asked) == ""
