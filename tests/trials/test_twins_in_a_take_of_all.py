"""A sub wired against its twin, in a take of everything at which hardly a sub shows its sign by itself."""

from __future__ import annotations

from collections import Counter

import pytest

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from tests.trials.cases import make_case
from tests.trials.twins import PAIR, PAIRED, pair_of, rows_of, table, wired_against, wired_words

SUBS = ("sub left", "sub right")


@pytest.fixture(scope="module", params=[False, True], ids=["alike", "against"])
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[bool, Analysis]:
    case = make_case("together", 83, 13)
    case = wired_against(case, "sub right") if request.param else case
    return request.param, analyse(load_sound_check(case.write(tmp_path_factory.mktemp("take"))))


def test_the_pair_shows_it(found: tuple[bool, Analysis]) -> None:
    is_against, analysis = found
    wiring = {row.output: row for row in analysis.wiring}
    assert max(wiring[name].positions for name in SUBS) <= 1  # at four seats
    assert {wiring[name].polarity for name in SUBS} == {"undecided" if is_against else "normal"}
    assert [f.track for f in analysis.findings if f.finding == "twins wired opposite"] == [*SUBS] * is_against
    assert f"It is wired {'opposite to' if is_against else 'like'} sub right" in wiring["sub left"].reason


def test_nothing_is_set_for_a_pair_that_cancels(found: tuple[bool, Analysis]) -> None:
    is_against, analysis = found
    rows = {row.output: row for row in analysis.recommendations}
    assert ("wired opposite to each other" in rows["sub left"].reason) is is_against
    if is_against:
        assert {rows[name].decision for name in SUBS} == {"undecided"}


def test_the_trial_counts_what_was_told() -> None:
    case = wired_against(make_case("together", 83, 13), "sub right")
    assert pair_of(case) == [*SUBS]
    assert (wired_words(case), wired_words(wired_against(case, "sub left"))) == ("opposite", "alike")
    told = list(rows_of(case))
    assert (PAIR, "right") in told
    assert told.count((PAIRED, "undecided")) == 2
    assert table(Counter([("opposite", PAIR, "right"), ("opposite", PAIR, "wrong")])).split()[-3:] == [
        "1/0/1",
        "of",
        "2",
    ]
