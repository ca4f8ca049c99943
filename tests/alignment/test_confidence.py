"""From spreads to probabilities, and what a spread over replicates holds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from alignment_making import FREQUENCY_HZ, N_LOW, Spectrum, closed, delay, low_pass, responses_of, vented
from scipy import stats

from analyze.alignment.cells import Cells, find_cells
from analyze.alignment.confidence import (
    MODEL_DB,
    MOST,
    RIGHT_DB,
    SEATS,
    Spread,
    above,
    doubt_words,
    polarity_confidence,
    settings_confidence,
    settings_limits,
    spread_of,
    within,
)
from analyze.alignment.score import possible_energy
from analyze.alignment.search import Landscape


def spread(regret: list[float], margin: list[float]) -> Spread:
    return Spread(np.array(regret), np.array(margin), np.zeros(len(regret)))


@pytest.mark.parametrize(("margin", "std"), [(0.0, 0.1), (0.3, 0.2), (-0.5, 0.4), (1.0, 0.0)])
def test_above_is_the_normal_distribution(margin: float, std: float) -> None:
    """scipy.stats (live); the model's own error comes on top of the spread."""
    expected = stats.norm.cdf(margin / math.hypot(std, MODEL_DB))
    assert above(margin, std) == pytest.approx(min(MOST, float(expected)), abs=1e-12)


@pytest.mark.parametrize(("reach", "std"), [(0.3, 0.3), (0.3, 0.1), (0.3, 2.0)])
def test_within_is_the_normal_distribution(reach: float, std: float) -> None:
    expected = stats.norm.cdf(reach / std) - stats.norm.cdf(-reach / std)
    assert within(-reach, reach, std) == pytest.approx(min(MOST, float(expected)), abs=1e-12)


def test_no_more_is_claimed_than_can_be_known() -> None:
    assert above(100.0, 0.0) == MOST
    assert within(-1.0, 1.0, 0.0) == MOST
    assert within(-1.0, 1.0, math.nan) == 0.0
    assert within(-1.0, 1.0, math.inf) == 0.0


def test_a_setting_that_costs_little_is_right() -> None:
    assert settings_confidence(spread([0.0] * 8, [1.0] * 8)) > 0.99
    assert settings_confidence(spread([RIGHT_DB] * 8, [1.0] * 8)) == pytest.approx(0.5)
    assert settings_confidence(spread([2.0] * 8, [1.0] * 8)) < 0.01
    loose, tight = spread([0.0, 0.6] * 4, [1.0] * 8), spread([0.3] * 8, [1.0] * 8)
    assert settings_confidence(loose) < settings_confidence(tight)


def test_a_polarity_is_as_sure_as_its_margin() -> None:
    assert polarity_confidence(spread([0.0] * 8, [2.0, 2.1] * 4)) == MOST
    assert polarity_confidence(spread([0.0] * 8, [0.0] * 8)) == pytest.approx(0.5)
    assert polarity_confidence(spread([0.0] * 8, [-2.0, -2.1] * 4)) < 0.01
    assert polarity_confidence(spread([0.0] * 8, [math.nan] * 8)) == MOST


def two_parts(late_ms: float, gain: float = 1.0) -> tuple[Spectrum, Cells, Landscape]:
    """A main and a sub that is best `late_ms` later than it is."""
    main = closed(50.0)
    h = np.stack([main, gain * vented(35.0) * low_pass(120.0) * delay(-late_ms)])[:, None]
    cells = find_cells(responses_of(h, ["main", "sub"], ["seat"]), [1.0])
    low = h[..., :N_LOW]
    return low, cells, Landscape(low[0], low[1:], possible_energy(low, cells), cells, FREQUENCY_HZ)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_spread_is_what_the_setting_costs_gains_and_could_lose(sign: float) -> None:
    """Each figure spelled out over a fine grid, per replicate; the sign of the setting decides which row is whose."""
    replicates = [two_parts(late_ms)[2] for late_ms in (0.0, 0.4, -0.3)]
    mask = replicates[0].cells.band_hz > 40.0
    grid_ms, delay_ms = np.arange(-15.0, 15.0, 0.1), 1.37
    found = spread_of(replicates, [(sign, delay_ms)], 0, grid_ms, (1.0, -1.0), 0.2, mask)
    for r, landscape in enumerate(replicates):
        scores = {
            s: np.array([landscape.score([(s, float(d))], mask) for d in (*grid_ms, 0.0, delay_ms)]) for s in (1, -1)
        }
        best = max(scores[1].max(), scores[-1].max())
        here = landscape.score([(sign, delay_ms)], mask)
        assert found.regret_db[r] == pytest.approx(best - here, abs=1e-9)
        assert found.polarity_margin_db[r] == pytest.approx(
            scores[int(sign)].max() - scores[-int(sign)].max(), abs=1e-9
        )
        assert found.gain_db[r] == pytest.approx(here - landscape.score([(1.0, 0.0)], mask), abs=1e-9)
    assert found.gain_std_db == pytest.approx(float(np.std(found.gain_db)))


def test_near_the_best_delay_costs_nothing() -> None:
    """Within reach of the best delay of the best polarity the setting counts as right whatever it costs."""
    _, _, landscape = two_parts(3.0)
    grid_ms = np.arange(-15.0, 15.0, 0.1)
    row = landscape.scan([(1.0, 0.0)], 0, grid_ms)
    sign = 1.0 if row[0].max() > row[1].max() else -1.0
    best_ms = float(grid_ms[int(np.argmax(row[0 if sign > 0 else 1]))])
    near = spread_of([landscape], [(sign, best_ms + 1.9)], 0, grid_ms, (1.0, -1.0), 2.0, None)
    far = spread_of([landscape], [(sign, best_ms + 2.1)], 0, grid_ms, (1.0, -1.0), 2.0, None)
    other_ms = float(grid_ms[int(np.argmax(row[1 if sign > 0 else 0]))])
    turned = spread_of([landscape], [(-sign, other_ms)], 0, grid_ms, (1.0, -1.0), 2.0, None)
    assert near.regret_db[0] == 0.0
    assert far.regret_db[0] > 0.0
    assert turned.regret_db[0] == pytest.approx(float(np.ptp(row.max(axis=1))), abs=1e-9)
    assert turned.regret_db[0] > 0.01


def test_what_may_not_turn_has_no_other_polarity() -> None:
    _, _, landscape = two_parts(0.0)
    found = spread_of([landscape] * 3, [(1.0, 0.0)], 0, np.arange(-5.0, 5.0, 0.2), (1.0,), 0.0, None)
    assert np.isnan(found.polarity_margin_db).all()
    assert (found.regret_db >= 0.0).all()


def test_seats_that_were_not_measured_make_less_sure() -> None:
    """A setting that is best at one seat of three may lose at the other two: no certainty, yet a decision."""
    sure = spread([0.0] * 8, [2.0] * 8)
    claims = [settings_confidence(replace(sure, measured_share=share)) for share in (1.0, 2.0 / 3.0, 1.0 / 3.0)]
    assert claims == sorted(claims, reverse=True)
    assert claims[0] == MOST
    assert 0.8 < claims[2] < 0.9
    polarities = [polarity_confidence(replace(sure, measured_share=share)) for share in (1.0, 0.01)]
    assert polarities[1] < 0.6 < 0.99 < polarities[0]
    lost = replace(spread([0.0] * 8, [2.0] * 8), measured_share=0.25)
    assert doubt_words(lost, math.nan) == "75 % of the audience has no response of it beside another output's"
    assert [limit.cause for limit in settings_limits(lost)] == [SEATS]


def test_what_noise_hides_makes_less_sure() -> None:
    """With all cells heard 0.995 is claimed, with half of them no certainty, with next to none no decision."""
    sure = spread([0.0] * 8, [2.0] * 8)
    shares = (1.0, 0.8, 0.5, 0.01)
    claims = [settings_confidence(replace(sure, heard_share=share)) for share in shares]
    assert claims == sorted(claims, reverse=True)
    assert claims[0] == MOST
    assert claims[1] > 0.95
    assert 0.8 < claims[2] < 0.95
    assert claims[3] < 0.8
