"""Least squares over several feeds, line by line, and what can be told apart at all.

Sources: `H = inv(Gxx) Gxy`; the error of feed i carries `1 / (Gii (1 - g2))`, g2 its multiple coherence with the other
feeds (Bendat & Piersol, Random Data, ch. 7 and 9, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Lines of a feed weaker than this share of its strongest line carry nothing.
_FEED_FLOOR = 1e-10
#: A feed of which less than this, or less than this over the number of averages, is its own cannot be told from others.
_LEAST_SHARE, _LEAST_SHARE_AVERAGES = 1e-4, 0.5


@dataclass(frozen=True)
class Solution:
    """Responses of feeds that sound together; axes feed, position, line.

    h : complex, phases as those of the cross-spectra; 0 where the feed cannot be told from the others
    power : sum of the feed's own energy, never 0
    share : 1 - multiple coherence with the other feeds: what of the feed is its own, 0..1; 0 where that is too little
    """

    h: NDArray[np.complex128]
    power: NDArray[np.float64]
    share: NDArray[np.float64]


def solve(gxx: NDArray[np.complex128], gxy: NDArray[np.complex128], n: NDArray[np.float64]) -> Solution:
    """Least-squares responses.

    Parameters
    ----------
    gxx : (position, feed, feed, line)
    gxy : (feed, position, line)
    n : (position,) effective averages
    """
    n_feed = gxy.shape[0]
    power = np.einsum("piil->pil", gxx).real  # (position, feed, line)
    power = np.maximum(power, _FEED_FLOOR * np.maximum(power.max(axis=-1, keepdims=True), 1e-30))
    own = np.moveaxis(power, 1, 0)  # (feed, position, line)
    if n_feed == 1:
        return Solution(gxy / own, own, np.ones(gxy.shape))
    scale = 1.0 / np.sqrt(power)
    unit = np.moveaxis(gxx * scale[:, :, None] * scale[:, None], -1, 1)  # (position, line, feed, feed)
    unit[..., np.arange(n_feed), np.arange(n_feed)] = 1.0 + 1e-9  # what is alike to the last bit has an inverse too
    inverse = np.linalg.inv(unit)
    scale = np.moveaxis(scale, 1, 0)
    h = np.einsum("plij,jpl->ipl", inverse, gxy * scale) * scale
    share = np.clip(1.0 / np.moveaxis(np.einsum("plii->pil", inverse).real, 1, 0), 0.0, 1.0)
    is_told = share > np.maximum(_LEAST_SHARE, _LEAST_SHARE_AVERAGES / np.maximum(n, 1.0))[:, None]
    return Solution(np.where(is_told, h, 0.0), own, np.where(is_told, share, 0.0))
