"""How sure a setting is: from resampled responses to a probability.

A setting counts as right when it costs at most 0.5 dB against the best in the output's own cells, or has the best
polarity with a delay within a sixth of a period at the top of the overlap. Each replicate of the responses gives what
the setting would cost there. The share of replicates in which it is right is no probability (they share one room and
one model), so margins are set against their spread together with what the model itself may be wrong by.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.cells import HIGHEST_HZ
from analyze.alignment.search import Landscape

#: A setting that costs at most this much is as good as right.
RIGHT_DB = 0.5
#: Error of a score difference that no resample shows: response cut to a frame, seats that are heads, not microphones.
MODEL_DB = 0.15
#: What the cells that noise hides may change of a lead between polarities, for every cell that it does not.
UNHEARD_DB = 0.3
#: Chance that they overturn a setting, were all of them hidden: on trials right in nine of ten where a third was.
OVERTURNED = 0.22
#: No more than this is claimed.
MOST = 0.995
#: Smallest error of a margin, so that one without any is no division by nothing.
_SMALLEST_DB = 1e-9
#: A setting is doubtful for what is hidden where more than this share of what counts is.
_MUCH_HIDDEN = 0.5
#: What takes less than this from a confidence is not worth a word.
_FELT = 0.01

#: What can hold the confidence of a sum down: replicates scatter, another setting costs less on average, noise hides
#: cells, seats were not measured, and what no recording shows.
SCATTER, SHORTFALL, NOISE, SEATS, MODEL = "scatter", "shortfall", "noise", "seats", "model"


@dataclass(frozen=True)
class Spread:
    """Over replicates, each (replicate,): what a setting costs, what the other polarity would, what it gains, in dB.

    regret_db : best of all minus this setting, 0 where polarity is best and the delay near enough
    polarity_margin_db : best delay of this polarity minus best delay of the other; NaN where it may not turn
    gain_db : this setting minus leaving it alone
    heard_share : of the cells that count, those that noise does not hide
    measured_share : of the audience by weight, the seats at which it was measured and another output too
    """

    regret_db: NDArray[np.float64]
    polarity_margin_db: NDArray[np.float64]
    gain_db: NDArray[np.float64]
    heard_share: float = 1.0
    measured_share: float = 1.0

    @property
    def known_share(self) -> float:
        """Of all that counts, what was measured and is not hidden."""
        return self.heard_share * self.measured_share

    @property
    def margin_db(self) -> float:
        """How far the setting is from costing more than counts as right, mean over replicates."""
        return RIGHT_DB - float(np.mean(self.regret_db))

    @property
    def model_db(self) -> float:
        """Error of a lead between polarities that no resample shows."""
        return MODEL_DB + UNHEARD_DB * (1.0 / max(self.known_share, 1e-3) - 1.0)

    @property
    def gain_std_db(self) -> float:
        """Standard deviation of the gain over replicates."""
        return float(np.std(self.gain_db))


@dataclass(frozen=True)
class Limit:
    """One thing that holds a confidence down; without : what the confidence would be if it were not there."""

    cause: str
    without: float


def limits_of(confidence: float, without: Mapping[str, float]) -> tuple[Limit, ...]:
    """What holds a confidence down, that which takes most first; `without` is the confidence without each cause.

    Where several causes hold it down together and none of them by itself, that which takes most is named all the same.
    """
    every = sorted((Limit(cause, better) for cause, better in without.items()), key=lambda limit: -limit.without)
    felt = tuple(limit for limit in every if limit.without - confidence >= _FELT)
    is_low = confidence < MOST - _FELT and every and every[0].without > confidence
    return felt or (tuple(every[:1]) if is_low else ())


def right_within_ms(tops_hz: Iterable[float]) -> float:
    """How far off the best delay still counts as right: a sixth of a period at the highest of the tops of overlaps.

    No higher than the score reaches; 0 where there is no overlap (NaN).

    >>> right_within_ms([80.0, math.nan]), right_within_ms([math.nan])
    (2.0833333333333335, 0.0)
    """
    tops = [hz for hz in tops_hz if math.isfinite(hz)]
    return 1000.0 / (6.0 * min(max(tops), HIGHEST_HZ)) if tops else 0.0


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
    return _settings(spread.margin_db, float(np.std(spread.regret_db)), MODEL_DB, spread.known_share)


def _settings(margin_db: float, std_db: float, model_db: float, known_share: float) -> float:
    """The same from its parts: what is known says so, and what is not does not overturn it."""
    return above(margin_db, std_db, model_db) * (1.0 - OVERTURNED * (1.0 - known_share))


def doubt_words(spread: Spread, gain_db: float) -> str:
    """Why a setting is not sure enough; gain_db : of the change in question, NaN where it is to stay."""
    hidden, missing = 1.0 - spread.heard_share, 1.0 - spread.measured_share
    if missing > max(hidden, _MUCH_HIDDEN):
        return f"{100.0 * missing:.0f} % of the audience has no response of it beside another output's"
    if hidden > _MUCH_HIDDEN:
        return (
            f"{100.0 * hidden:.0f} % of the low bands in which it may overlap with others are hidden, by noise or by "
            "outputs that play alike"
        )
    short_db, short_std_db = float(np.mean(spread.regret_db)), float(np.std(spread.regret_db))
    if math.isfinite(gain_db) and spread.gain_std_db > short_std_db:
        return (
            f"The best setting is not sure enough (its gain of {gain_db:.1f} dB varies by {spread.gain_std_db:.1f} dB)"
        )
    return f"It is not sure that no other setting is better (by {short_db:.1f} dB, give or take {short_std_db:.1f} dB)"


def settings_limits(spread: Spread) -> tuple[Limit, ...]:
    """What holds `settings_confidence` down."""
    margin, std, known = spread.margin_db, float(np.std(spread.regret_db)), spread.known_share
    return limits_of(
        settings_confidence(spread),
        {
            SCATTER: _settings(margin, 0.0, MODEL_DB, known),
            SHORTFALL: _settings(RIGHT_DB, std, MODEL_DB, known),
            NOISE: _settings(margin, std, MODEL_DB, spread.measured_share),
            SEATS: _settings(margin, std, MODEL_DB, spread.heard_share),
            MODEL: _settings(margin, std, 0.0, known),
        },
    )


def margin_limits(margin_db: float, short_db: float, std_db: float) -> tuple[Limit, ...]:
    """What holds `above(margin_db, std_db)` down; short_db : what another setting is better by, 0 if none is."""
    return limits_of(
        above(margin_db, std_db),
        {
            SCATTER: above(margin_db, 0.0),
            SHORTFALL: above(margin_db + short_db, std_db),
            MODEL: above(margin_db, std_db, 0.0),
        },
    )


def polarity_confidence(spread: Spread) -> float:
    """Probability that the polarity is the one that can add best."""
    if not np.isfinite(spread.polarity_margin_db).all():
        return MOST
    margins = spread.polarity_margin_db
    return above(float(np.mean(margins)), float(np.std(margins)), spread.model_db)


def alike(a: float, b: float) -> float:
    """Probability that two signs relate as they seem to, from that of each: both right or both wrong; capped."""
    return min(MOST, a * b + (1.0 - a) * (1.0 - b))


def above(margin: float, std: float, model: float = MODEL_DB) -> float:
    """Probability that a margin known with this standard deviation is over 0: the normal distribution, capped."""
    z = margin / max(math.sqrt(std**2 + model**2), _SMALLEST_DB)
    return min(MOST, 0.5 * (1.0 + math.erf(z / math.sqrt(2.0))))


def within(low: float, high: float, std: float) -> float:
    """Probability that a normal error of this standard deviation lies between `low` and `high`, capped."""
    if not math.isfinite(std):
        return 0.0
    scale = max(std, 1e-12) * math.sqrt(2.0)
    return min(MOST, 0.5 * (math.erf(high / scale) - math.erf(low / scale)))
