"""Least squares over several feeds, line by line, and what can be told apart at all.

Sources: `H = inv(Gxx) Gxy`; the error of feed i carries `1 / (Gii (1 - g2))`, g2 its multiple coherence with the other
feeds (Bendat & Piersol, Random Data, ch. 7 and 9, from memory). Feeds of one group that are alike are given equal
shares of what they do together (the solution of least norm, by a small ridge): their sum is known, their parts are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Lines of a feed weaker than this share of its strongest line carry nothing.
_FEED_FLOOR = 1e-10
#: A feed of which less than this, or less than this over the number of averages, is its own cannot be told from others.
_LEAST_SHARE, _LEAST_SHARE_AVERAGES = 1e-4, 0.5
#: What is alike to the last bit has an inverse too.
_ROUNDING = 1e-9
#: Ridge, re the feeds' own energy, that shares out what alike feeds of a group do together.
_RIDGE = 1e-3


@dataclass(frozen=True)
class Solution:
    """Responses of feeds that sound together; axes feed, position, line.

    h : complex, phases as those of the cross-spectra; 0 where the feed cannot be told from those of other groups
    power : sum of the feed's own energy, never 0
    share : 1 - multiple coherence with all other feeds: what of the feed is its own, 0..1; 0 where that is too little
    apart : the same against feeds of other groups only, where `share` is 0; else `share`
    mixing : if asked for, (position, line, feed, feed) lower triangular: it turns unrelated errors of unit size into
        errors of h as they go together, of unit size each; None for one feed. Errors of alike feeds are opposite.
    """

    h: NDArray[np.complex128]
    power: NDArray[np.float64]
    share: NDArray[np.float64]
    apart: NDArray[np.float64]
    mixing: NDArray[np.complex128] | None = None


@dataclass(frozen=True)
class Feeds:
    """What the feeds alone say of a solution; axes as in `Solution`.

    inverse : (position, line, feed, feed) of the feeds at unit energy, None for one feed; scale : to unit energy
    shared_out : the same with a ridge, at the (position, line) `is_shared` where feeds of a group are alike
    """

    power: NDArray[np.float64]
    share: NDArray[np.float64]
    apart: NDArray[np.float64]
    inverse: NDArray[np.complex128] | None = None
    scale: NDArray[np.float64] | None = None
    is_shared: NDArray[np.bool_] | None = None
    shared_out: NDArray[np.complex128] | None = None

    def solved(self, gxy: NDArray[np.complex128], *, with_mixing: bool = False) -> Solution:
        """Least-squares responses, from (feed, position, line) `gxy`; see `solve`."""
        if self.inverse is None or self.scale is None:
            return Solution(gxy / self.power, self.power, self.share, self.apart)
        unit = gxy * self.scale
        h = np.where(self.share > 0.0, np.einsum("plij,jpl->ipl", self.inverse, unit) * self.scale, 0.0)
        if self.is_shared is not None and self.shared_out is not None:
            at = self.is_shared
            alike = np.einsum("kij,jk->ik", self.shared_out, unit[:, at]) * self.scale[:, at]
            is_known = (self.share[:, at] == 0.0) & (self.apart[:, at] > 0.0)
            h[:, at] = np.where(is_known, alike, h[:, at])
        mixing = _mixing(self.inverse, self.share) if with_mixing else None
        return Solution(h, self.power, self.share, self.apart, mixing)


def solve(
    gxx: NDArray[np.complex128],
    gxy: NDArray[np.complex128],
    n: NDArray[np.float64],
    groups: Sequence[int] | None = None,
    *,
    with_mixing: bool = False,
) -> Solution:
    """Least-squares responses.

    Parameters
    ----------
    gxx : (position, feed, feed, line)
    gxy : (feed, position, line)
    n : (position,) effective averages
    groups : per feed the number of its group; all different if not given
    with_mixing : whether to give `mixing`, which takes as long as the rest
    """
    return feeds_of(gxx, n, groups).solved(gxy, with_mixing=with_mixing)


def feeds_of(gxx: NDArray[np.complex128], n: NDArray[np.float64], groups: Sequence[int] | None = None) -> Feeds:
    """The part of `solve` that does not depend on the microphones, and takes longest."""
    n_feed = gxx.shape[1]
    power = np.einsum("piil->pil", gxx).real  # (position, feed, line)
    power = np.maximum(power, _FEED_FLOOR * np.maximum(power.max(axis=-1, keepdims=True), 1e-30))
    own = np.moveaxis(power, 1, 0)  # (feed, position, line)
    if n_feed == 1:
        whole = np.ones(own.shape)
        return Feeds(own, whole, whole)
    scale = 1.0 / np.sqrt(power)
    unit = np.moveaxis(gxx * scale[:, :, None] * scale[:, None], -1, 1)  # (position, line, feed, feed)
    each = np.arange(n_feed)
    unit[..., each, each] = 1.0 + _ROUNDING
    inverse = np.linalg.inv(unit)
    least = np.maximum(_LEAST_SHARE, _LEAST_SHARE_AVERAGES / np.maximum(n, 1.0))[:, None]
    share = _told(_diagonal(inverse), least)
    apart, is_shared, shared_out = share, None, None
    alike = [] if groups is None else [i for i in range(n_feed) if list(groups).count(groups[i]) > 1]
    if groups is not None and any(not share[i].all() for i in alike):
        apart = share.copy()
        for i in alike:
            at = share[i] == 0.0
            apart[i, at] = _told(_apart(unit[at], i, groups), np.broadcast_to(least, at.shape)[at])
        is_shared = np.asarray(((share == 0.0) & (apart > 0.0)).any(axis=0))
        ridged = unit[is_shared]
        ridged[:, each, each] += _RIDGE
        shared_out = np.linalg.inv(ridged)
    return Feeds(own, share, apart, inverse, np.moveaxis(scale, 1, 0), is_shared, shared_out)


def _diagonal(inverse: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Diagonal of (position, line, feed, feed) as (feed, position, line)."""
    return np.moveaxis(np.einsum("plii->pil", inverse).real, 1, 0)


def _mixing(inverse: NDArray[np.complex128], share: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Cholesky factor of the correlation of the errors; unrelated where a feed cannot be told."""
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("plii->pli", inverse).real, 1e-300))
    related = inverse * scale[..., :, None] * scale[..., None, :]
    each = np.arange(inverse.shape[-1])
    is_told = np.asarray((share > 0.0).all(axis=0))
    related = np.where(is_told[..., None, None], related, 0.0)
    related[..., each, each] = 1.0 + _ROUNDING
    return np.asarray(np.linalg.cholesky(related))


def _told(inverse_share: NDArray[np.float64], least: NDArray[np.float64]) -> NDArray[np.float64]:
    """`1 / inverse_share`, 0 where it is less than `least`."""
    share = np.clip(1.0 / np.maximum(inverse_share, 1.0), 0.0, 1.0)
    return np.where(share > least, share, 0.0)


def _apart(unit: NDArray[np.complex128], i: int, groups: Sequence[int]) -> NDArray[np.float64]:
    """`1 / (1 - g2)` of feed i against the feeds of other groups; unit is (any, feed, feed), the result (any,)."""
    kept = [i, *(j for j, group in enumerate(groups) if group != groups[i])]
    inverse = np.linalg.inv(unit[..., kept, :][..., kept])
    return np.asarray(inverse[..., 0, 0].real)
