"""How sure a setting is: from resampled responses to a probability.

A setting counts as right when it costs at most 0.5 dB against the best in the output's own cells, or has the best
polarity with a delay within a sixth of a period at the top of the overlap. Each replicate of the responses gives what
the setting would cost there. The share of replicates in which it is right is no probability (they share one room and
one model), so margins are set against their spread together with what the model itself may be wrong by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.search import Landscape

#: A setting that costs at most this much is as good as right.
RIGHT_DB = 0.5
#: Error of a score difference that no resample shows: response cut to a frame, seats that are heads, not microphones.
MODEL_DB = 0.15
#: What the cells that noise hides may change, for every cell that it does not.
UNHEARD_DB = 0.3
#: No more than this is claimed.
MOST = 0.995


@dataclass(frozen=True)
class Spread:
    """Over replicates, each (replicate,): what a setting costs, what the other polarity would, what it gains, in dB.

    regret_db : best of all minus this setting, 0 where polarity is best and the delay near enough
    polarity_margin_db : best delay of this polarity minus best delay of the other; NaN where it may not turn
    gain_db : this setting minus leaving it alone
    heard_share : of the cells that count, those that noise does not hide
    """

    regret_db: NDArray[np.float64]
    polarity_margin_db: NDArray[np.float64]
    gain_db: NDArray[np.float64]
    heard_share: float = 1.0

    @property
    def model_db(self) -> float:
        """Error of a score difference that no resample shows."""
        return MODEL_DB + UNHEARD_DB * (1.0 / max(self.heard_share, 1e-3) - 1.0)

    @property
    def gain_std_db(self) -> float:
        """Standard deviation of the gain over replicates."""
        return float(np.std(self.gain_db))


def spread_of(
    landscapes: Sequence[Landscape],
    state: Sequence[tuple[float, float]],
    mover: int,
    grid_ms: NDArray[np.float64],
    signs: Sequence[float],
    near_ms: float,
    mask: NDArray[np.bool_] | None,
) -> Spread:
    """Spread of one mover's setting over replicate landscapes, the other movers as in `state`."""
    sign, delay_ms = state[mover]
    grid = np.unique(np.concatenate([grid_ms, [0.0, delay_ms]]))
    here, now = int(np.searchsorted(grid, delay_ms)), int(np.searchsorted(grid, 0.0))
    row, other = (0, 1) if sign > 0 else (1, 0)
    regret, margin, gain = [], [], []
    for landscape in landscapes:
        scores = landscape.scan(state, mover, grid, mask)
        tops = scores.max(axis=1)
        may_turn = len(signs) > 1
        best = float(tops.max()) if may_turn else float(tops[row])
        near = abs(float(grid[int(np.argmax(scores[row]))]) - delay_ms) <= near_ms
        is_best_polarity = not may_turn or tops[row] >= tops[other]
        regret.append(0.0 if near and is_best_polarity else best - float(scores[row, here]))
        margin.append(float(tops[row] - tops[other]) if may_turn else math.nan)
        gain.append(float(scores[row, here] - scores[0, now]))
    return Spread(np.array(regret), np.array(margin), np.array(gain))


def settings_confidence(spread: Spread) -> float:
    """Probability that the setting costs at most 0.5 dB or is the best within reach."""
    return above(RIGHT_DB - float(np.mean(spread.regret_db)), float(np.std(spread.regret_db)), spread.model_db)


def polarity_confidence(spread: Spread) -> float:
    """Probability that the polarity is the one that can add best."""
    if not np.isfinite(spread.polarity_margin_db).all():
        return MOST
    margins = spread.polarity_margin_db
    return above(float(np.mean(margins)), float(np.std(margins)), spread.model_db)


def above(margin: float, std: float, model: float = MODEL_DB) -> float:
    """Probability that a margin known with this standard deviation is over 0: the normal distribution, capped."""
    z = margin / math.sqrt(std**2 + model**2)
    return min(MOST, 0.5 * (1.0 + math.erf(z / math.sqrt(2.0))))


def within(low: float, high: float, std: float) -> float:
    """Probability that a normal error of this standard deviation lies between `low` and `high`, capped."""
    if not math.isfinite(std):
        return 0.0
    scale = max(std, 1e-12) * math.sqrt(2.0)
    return min(MOST, 0.5 * (math.erf(high / scale) - math.erf(low / scale)))
