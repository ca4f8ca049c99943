"""How sure is a verdict? Probabilities of causes from margins of cost, and of changes that the noise may hide.

That nothing changed is never measured, only that whatever changed is small. With d measured to s, tolerance t:

    same     d is drawn from N(x, s), x anywhere within -t..t
    changed  d is drawn from N(x, s), x of any size from t to the largest that is looked for, equally likely per octave

and the odds of the two are those of their likelihoods times those of one output in so many having changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

#: Nothing is claimed to be surer than this.
_MOST = 0.99
#: Sizes of a change that are weighed.
_N_SIZES = 400


@dataclass(frozen=True)
class Change:
    """A change that is looked for: the largest, and the share of outputs that have one from visit to visit."""

    largest: float
    share: float


#: Shares are judgement; `python -m tests.trials.second_visits --anything 8`
#: shows what comes of them.
ARRIVAL_MS, LEVEL_DB, RESPONSE_DB = Change(20.0, 0.10), Change(20.0, 0.05), Change(20.0, 0.05)


def probability(margin: float) -> float:
    """Probability that belongs to a margin of cost, twice the logarithm of the odds; NaN for none.

    >>> round(probability(4.0), 3), probability(100.0)
    (0.881, 0.99)
    """
    return min(1.0 / (1.0 + math.exp(-0.5 * margin)), _MOST) if math.isfinite(margin) else math.nan


def chance_beyond(measured: float, std: float, tolerance: float, change: Change, n_looked_at: int = 1) -> float:
    """Probability that the change behind a measured one is beyond the tolerance; its share where nothing was measured.

    Parameters
    ----------
    n_looked_at : of how many figures, of which any might have changed, this one is the furthest off

    >>> [round(chance_beyond(ms, 0.02, 0.05, ARRIVAL_MS), 2) for ms in (0.0, 0.08, 0.2)]
    [0.0, 0.14, 1.0]
    >>> round(chance_beyond(0.0, 0.2, 0.05, ARRIVAL_MS), 2)
    0.03
    """
    if not (math.isfinite(measured) and math.isfinite(std)):
        return change.share
    std, tolerance = max(std, 1e-6), max(tolerance, 1e-6)
    same = (ndtr((measured + tolerance) / std) - ndtr((measured - tolerance) / std)) / (2.0 * tolerance)
    edges = np.geomspace(tolerance, max(change.largest, 2.0 * tolerance, 2.0 * abs(measured)), _N_SIZES)
    width, sizes = np.diff(edges), np.sqrt(edges[1:] * edges[:-1])
    within = sum(np.diff(ndtr((edges - side * measured) / std)) / width for side in (1.0, -1.0))
    weight = width / sizes
    changed = 0.5 * float(np.sum(weight * within) / np.sum(weight))
    odds = changed * change.share / n_looked_at
    return odds / (odds + float(same) * (1.0 - change.share)) if odds else 0.0


def all_same(*chances: float) -> float:
    """Probability that none of several changes happened."""
    return min(math.prod(1.0 - one for one in chances), _MOST)
