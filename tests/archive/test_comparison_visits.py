"""What the descriptions of two visits say of the two, from visits that nobody had to record."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from analyze.archive.comparison_rows import Visit
from analyze.archive.comparison_visits import stood_words, visits_words

VENUE, DAYS = "Reed Island boathouse", ("2026-05-02", "2026-10-03")


def said(venues: tuple[str, str] = (VENUE, VENUE), days: tuple[str, str] = DAYS) -> str:
    visits = (
        Visit("one", "A test", day, 20.0, False, "", venue=venue) for day, venue in zip(days, venues, strict=True)
    )
    return " ".join(visits_words(*visits))


@pytest.mark.parametrize("venues", [(VENUE, VENUE), (VENUE, "REED island  boathouse"), (VENUE, ""), ("", "")])
def test_one_venue_however_it_is_spelt_and_one_that_is_not_given_are_no_remark(venues: tuple[str, str]) -> None:
    assert said(venues) == ""


def test_two_venues_are_named_first() -> None:
    found = said((VENUE, "Town hall"), DAYS[::-1])
    assert found.startswith("By their descriptions these are two venues, Reed Island boathouse and Town hall.")
    assert "By their dates the visit named first, 2026-10-03, is newer" in found


def test_microphones_that_nobody_put_back_are_said_of_visits_of_two_days() -> None:
    def told(own_ms: float, days: tuple[str, str] = DAYS, n: int = 12) -> bool:
        visits = (Visit("one", "A test", day, 20.0, False, "", venue=VENUE) for day in days)
        return bool(stood_words(*visits, [SimpleNamespace(own_ms=own_ms)] * n))  # type: ignore[list-item]

    assert told(-0.001)
    assert not told(0.01)
    assert not told(0.001, (DAYS[0], DAYS[0]))
    assert not told(0.001, ("", DAYS[1]))
    assert not told(0.001, n=4)


@pytest.mark.parametrize(
    ("days", "which"),
    [
        (("", DAYS[1]), "of the visit named first"),
        ((DAYS[0], ""), "of the visit named second"),
        (("", ""), "of both visits"),
    ],
)
def test_a_visit_without_a_date_is_said(days: tuple[str, str], which: str) -> None:
    assert f"The description {which} states no date" in said(days=days)
