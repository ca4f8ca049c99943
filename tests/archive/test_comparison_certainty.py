"""How sure a verdict is: probabilities against draws from the model that they state, and at their limits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analyze.archive.comparison_causes import Rows, explain, scatter
from analyze.archive.comparison_certainty import ARRIVAL_MS, Change, all_same, chance_beyond, probability


def test_a_claim_is_right_as_often_as_it_says():
    """Changes drawn from the model: within tolerance evenly, beyond it evenly per octave; measured with an error."""
    rng, tolerance, change = np.random.default_rng(1), 0.05, Change(20.0, 0.3)
    n = 6000
    is_beyond = rng.random(n) < change.share
    sizes = np.exp(rng.uniform(math.log(tolerance), math.log(change.largest), n)) * rng.choice([-1.0, 1.0], n)
    true = np.where(is_beyond, sizes, rng.uniform(-tolerance, tolerance, n))
    std = rng.choice([0.01, 0.05, 0.2], n)
    measured = true + std * rng.standard_normal(n)
    claims = np.array([chance_beyond(d, s, tolerance, change) for d, s in zip(measured, std, strict=True)])
    for low, high in ((0.0, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 1.01)):
        own = (claims >= low) & (claims < high)
        error = math.sqrt(0.25 / np.count_nonzero(own))
        assert np.count_nonzero(own) > 50
        assert np.mean(is_beyond[own]) == pytest.approx(np.mean(claims[own]), abs=3.0 * error)
    # it fails for a share that is wrong by a factor of three
    wrong = np.array([chance_beyond(d, 0.05, tolerance, Change(20.0, 0.9)) for d in (0.0, 0.1)])
    assert wrong[1] > 2.0 * chance_beyond(0.1, 0.05, tolerance, change)


@pytest.mark.parametrize(
    ("measured", "expected"), [(0.049, 0.0), (-0.049, 0.0), (0.051, 1.0), (-0.3, 1.0), (30.0, 1.0)]
)
def test_without_an_error_it_is_the_tolerance_that_decides(measured, expected):
    assert chance_beyond(measured, 0.0, 0.05, ARRIVAL_MS) == pytest.approx(expected, abs=1e-6)


def test_what_was_not_measured_has_changed_as_often_as_anything():
    assert chance_beyond(math.nan, 0.1, 0.05, ARRIVAL_MS) == ARRIVAL_MS.share
    assert chance_beyond(0.0, math.nan, 0.05, ARRIVAL_MS) == ARRIVAL_MS.share


def test_the_furthest_of_many_says_less_than_one_alone():
    one, many = (chance_beyond(3.0, 0.7, 1.5, ARRIVAL_MS, n) for n in (1, 20))
    assert many < 0.5 < one


def test_what_is_sure_is_never_claimed_to_be_certain():
    assert (probability(100.0), probability(0.0)) == (0.99, 0.5)
    assert math.isnan(probability(math.nan))
    assert (all_same(0.0, 0.0), all_same(0.5, 0.5), all_same(1.0)) == (0.99, 0.25, 0.0)


def _rows(value: np.ndarray) -> Rows:
    """Rows of (output, position), nothing of the air in them."""
    n_outputs, n_positions = value.shape
    none = np.zeros(value.size)
    return Rows(
        output=np.repeat(np.arange(n_outputs), n_positions),
        position=np.tile(np.arange(n_positions), n_outputs),
        value=value.ravel(),
        std=np.full(value.size, 0.03),
        air=none,
        share_std=0.0,
        clock=none.astype(np.int64),
        n_outputs=n_outputs,
        n_positions=n_positions,
    )


def test_scatter_is_what_neither_outputs_nor_positions_explain():
    rng = np.random.default_rng(2)
    noise = 0.05 * rng.standard_normal((40, 30))
    value = noise + rng.standard_normal((40, 1)) + rng.standard_normal((1, 30))
    rows = _rows(value)
    found = explain(_rows(noise[:3, :3]))
    nothing = type(found)(frozenset(), {}, 0.0, 0.0, 0.0, value.ravel(), rows.std)
    assert scatter(rows, nothing, 0.08) == pytest.approx(0.05, rel=0.05)


def test_of_few_rows_no_small_scatter_is_believed():
    rows = _rows(np.zeros((2, 2)))
    assert 0.05 < scatter(rows, explain(rows), 0.08) < 0.08
    one = _rows(np.zeros((3, 1)))
    assert scatter(one, explain(one), 0.08) == 0.08
