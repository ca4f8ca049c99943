"""Who turned over: an output, a microphone chain, or everything.

Every (output, position) has a sign of newer against older, and odds for it. An output that was flipped turns over at
all positions, a chain turns over all outputs there; the cheapest explanation counts, as in `comparison_causes.py`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import chain, combinations

import numpy as np
from numpy.typing import NDArray

#: Prices in units of minus twice a log probability (judgement, as in `comparison_causes.py`).
_OUTPUT, _POSITION, _WHOLE = 10.0, 8.0, 6.0
#: The same of an output that was wired inverted and reads normal now: its wire was to be mended.
_MENDED = 4.0
#: Evidence in nepers from which on a position is clear, and what all that speak against an answer must have together.
_CLEAR, _CONTRADICTED = 3.0, 6.0
#: Up to so many positions every set of turned ones is weighed, beyond it all sets of two at most.
_ALL_SETS_UP_TO = 10


@dataclass(frozen=True)
class SignsExplained:
    """Which outputs (index) and positions (index) turned over, whether everything did, and how sure that is.

    margin : per output, cost of the other answer less cost of this one; NaN for an output without evidence
    odd : per output the positions (index) that clearly speak against it, empty where that is too little to count
    cost : of this explanation
    """

    outputs: frozenset[int]
    positions: frozenset[int]
    is_whole: bool
    margin: tuple[float, ...]
    odd: tuple[tuple[int, ...], ...]
    cost: float


def explain_signs(evidence: NDArray[np.float64], mended: Collection[int] = ()) -> SignsExplained:
    """The cheapest explanation of signs.

    Parameters
    ----------
    evidence : (output, position) sign times odds in nepers, 0 where there is none
    mended : outputs whose wire was mended by the wiring of both visits, if they turned over
    """
    n_outputs, n_positions = evidence.shape
    price = np.where(np.isin(np.arange(n_outputs), list(mended)), _MENDED, _OUTPUT)
    best: tuple[float, NDArray[np.bool_], frozenset[int], bool] | None = None
    least = np.full((n_outputs, 2), np.inf)  # (output, as it was or turned)
    for is_whole in (False, True):
        for turned in _sets(n_positions):
            costs = _output_costs(evidence, price, turned, is_whole)
            base = _POSITION * len(turned) + _WHOLE * is_whole
            cheapest = costs.min(axis=1)
            total = base + float(cheapest.sum())
            least = np.minimum(least, total - cheapest[:, None] + costs)
            if best is None or total < best[0] - 1e-9:
                best = (total, costs[:, 1] < costs[:, 0], frozenset(turned), is_whole)
    assert best is not None
    cost, flipped, positions, whole = best
    is_told = np.abs(evidence).sum(axis=1) > 0.0
    margin = np.where(is_told, np.where(flipped, least[:, 0] - least[:, 1], least[:, 1] - least[:, 0]), np.nan)
    found = frozenset(int(i) for i in np.flatnonzero(flipped & is_told))
    odd = _odd(evidence, found, positions, whole)
    return SignsExplained(found, positions, whole, tuple(float(m) for m in margin), odd, cost)


def _odd(
    evidence: NDArray[np.float64], outputs: frozenset[int], positions: frozenset[int], is_whole: bool
) -> tuple[tuple[int, ...], ...]:
    """Per output the positions at which it is clearly not as explained."""
    left = -evidence if is_whole else evidence.copy()
    left[:, sorted(positions)] *= -1.0
    left[sorted(outputs)] *= -1.0
    against = np.where(left < -_CLEAR, -left, 0.0)
    against[against.sum(axis=1) < _CONTRADICTED] = 0.0
    return tuple(tuple(int(p) for p in np.flatnonzero(row)) for row in against)


def _sets(n_positions: int) -> chain[tuple[int, ...]]:
    most = n_positions if n_positions <= _ALL_SETS_UP_TO else 2
    return chain.from_iterable(combinations(range(n_positions), size) for size in range(most + 1))


def _output_costs(
    evidence: NDArray[np.float64], price: NDArray[np.float64], turned: tuple[int, ...], is_whole: bool
) -> NDArray[np.float64]:
    """Cost of every output as it was and turned over, (output, 2): twice the odds against its signs, and its price."""
    seen = -evidence if is_whole else evidence.copy()
    seen[:, list(turned)] *= -1.0
    against = np.maximum(-seen, 0.0).sum(axis=1)
    against_turned = np.maximum(seen, 0.0).sum(axis=1)
    return np.stack([2.0 * against, 2.0 * against_turned + price], axis=1)
