"""One trial of every family: truth and analysis agree within bounds that a wrong sign or a wrong delay breaks.

Bounds of arrivals are about twice what is measured; regrets measured are 0.0001 dB. The large trials are run by hand,
`python -m tests.trials --help`.
"""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pandas as pd
import pytest

from tests.trials.cases import FAMILIES, make_case
from tests.trials.run import run_case
from tests.trials.tables import DECIDED, MEASURES, TARGETS, of, table_of, wrong_though_sure

SEED = 11


@dataclasses.dataclass(frozen=True)
class Bound:
    """A case by its number, and at most: regret_db; median arrival error of full-range boxes and subs, ms."""

    number: int
    regret_db: float
    full_range_ms: float
    sub_ms: float


BOUNDS = {
    "solo": Bound(2, 0.01, 0.025, 0.5),
    "programme": Bound(8, 0.01, 0.025, 0.4),
    "together": Bound(4, 0.01, 0.025, 0.25),
    "own clock": Bound(15, 0.01, 0.004, 0.1),
    "flipped": Bound(8, 0.01, 0.025, 0.2),
}


@cache
def rows_of(family: str) -> pd.DataFrame:
    return pd.DataFrame([dataclasses.asdict(row) for row in run_case(family, SEED, BOUNDS[family].number)])


@pytest.mark.parametrize("family", FAMILIES)
def test_a_sound_check_of_every_family_comes_out_as_it_was_built(family: str) -> None:
    rows, bound = rows_of(family), BOUNDS[family]
    (regret,) = of(rows, "regret").itertuples()
    assert regret.value <= bound.regret_db
    assert regret.other > 2.0 * bound.regret_db  # there was something to gain
    assert set(of(rows, "setting").decision) <= set(DECIDED)
    assert wrong_though_sure(rows).empty
    wiring = of(rows, "wiring")
    assert len(wiring) >= 2
    assert (wiring.is_right[wiring.decision != "undecided"] == 1.0).all()
    assert of(rows, "arrival", "full-range").value.median() <= bound.full_range_ms
    assert of(rows, "arrival", "sub").value.median() <= bound.sub_ms
    assert of(rows, "false finding").empty


def test_the_simple_methods_stand_behind() -> None:
    rows = pd.concat(rows_of(family) for family in FAMILIES)
    reached = of(rows, "regret").value.mean()
    for _, method in of(rows, "yardstick regret").groupby("decision"):
        assert len(method) == len(FAMILIES)
        assert method.value.mean() > 3.0 * reached


def test_every_target_stands_beside_what_was_reached() -> None:
    assert set(TARGETS) <= set(MEASURES)
    for family in FAMILIES:
        table = table_of(rows_of(family), family)
        assert (table.target != "").sum() == len(TARGETS)
        assert table.reached["failed"] == "0"


def test_a_case_is_that_of_its_numbers() -> None:
    first, again, other = (make_case("solo", SEED, number) for number in (3, 3, 4))
    np.testing.assert_array_equal(first.response, again.response)
    for a, b in zip(first.captures, again.captures, strict=True):
        np.testing.assert_array_equal(list(a.feeds.values()), list(b.feeds.values()))
    assert first.outputs == again.outputs != other.outputs
