"""Whose gain moved: one microphone's against the others', or all of them alike, which is the output's.

Conventions: ratios are (frame, position, band) in dB, found over expected, NaN where nothing is told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.spectra.frame_fit import LevelFit, gain_db, median_of
from analyze.spectra.frame_gain import Move, Slope, move, slope, wander_db

#: Bands of one chain move alike to within so many dB, this share of the move, or so many times what they spread.
_ALIKE_DB, _ALIKE_SHARE, _ALIKE_SPREADS = 1.5, 0.35, 2.0
#: Fewer microphones than this cannot say which of them moved against the others.
FEWEST_TO_COMPARE = 3
#: Fewest frames of a band on either side of a move, and fewest bands on either hand of a gain that wanders.
_FEWEST, _FEWEST_BANDS = 3, 2
#: A gain is watched for wandering where the feeds change by less than this from frame to frame, dB.
_STEADY_DB = 6.0


@dataclass(frozen=True)
class Changes:
    """What the gains of a capture did.

    common : the move that all microphones made, which is the output's; own : per position its own move
    limiter : how the gain common to all goes with the level of the feeds
    wander_db : (position,) how far a gain wanders against the others', 0 where that cannot be told or it moved
    ride : per position how its gain against the others' goes with what it should hold; empty with too few microphones
    shared_db, own_db : how far the gain common to all strays, one standard deviation, and single ones about it; NaN
        with too few microphones
    """

    common: Move | None
    own: tuple[Move | None, ...]
    limiter: Slope
    wander_db: NDArray[np.float64]
    ride: tuple[Slope, ...] = ()
    shared_db: float = math.nan
    own_db: float = math.nan

    def of(self, position: int) -> Move | None:
        """The move seen at a position."""
        return self.own[position] or self.common


def changes_of(fit: LevelFit) -> Changes:
    """What the gains did, from the ratios of one capture."""
    ratio_db = fit.ratio_db()
    gain = gain_db(ratio_db)  # (frame, position)
    n = gain.shape[1]
    if n < FEWEST_TO_COMPARE:
        own = tuple(_own_move(gain[:, p], ratio_db[:, p], fit.spread_db[p]) for p in range(n))
        common = _shared(own)
        limiter = _limiter(median_of(gain, axis=1), fit.sent)
        return Changes(common, (None,) * n if common else own, limiter, np.zeros(n))
    together = median_of(gain, axis=1)
    common = move(together)
    against = ratio_db - median_of(ratio_db, axis=1)[:, None]
    own = tuple(_own_move(gain[:, p] - together, against[:, p], fit.spread_db[p]) for p in range(n))
    steady_db = np.where(_steady(fit.sent)[:, None], ratio_db, np.nan)
    wander = np.array([0.0 if own[p] or common else _wander_db(steady_db, p) for p in range(n)])
    apart = gain - together[:, None]
    level_db = energy_db(np.maximum(fit.expected.sum(axis=-1), 1e-30))
    ride = tuple(slope(apart[:, p], level_db[:, p]) for p in range(n))
    limiter, shared_db = _limiter(together, fit.sent), _spread_db(together[:, None])
    return Changes(common, own, limiter, wander, ride, shared_db, _spread_db(apart))


def _spread_db(gain: NDArray[np.float64]) -> float:
    """Standard deviation over frames of gains (frame, position), the median of the positions of which it is known."""
    spreads = [float(np.std(told)) for g in gain.T if len(told := g[np.isfinite(g)]) > 1]
    return float(np.median(spreads)) if spreads else math.nan


def _limiter(gain: NDArray[np.float64], sent: NDArray[np.float64]) -> Slope:
    """How the gain (frame,) goes with the level of the feeds (frame, band): of the whole, or of all bands alike.

    A limiter for low frequencies sees little of the whole. The clearer of the two counts.
    """
    whole = energy_db(np.maximum(sent.sum(axis=1), 1e-30))
    bands = energy_db(np.maximum(sent / np.maximum(np.median(sent, axis=0), 1e-30), 1e-30)).mean(axis=1)
    return min((slope(gain, level_db) for level_db in (whole, bands)), key=lambda found: found.sigmas)


def _own_move(gain: NDArray[np.float64], ratio_db: NDArray[np.float64], spread_db: NDArray[np.float64]) -> Move | None:
    """The move of one chain: that of its gain (frame,), where its bands (frame, band) move alike."""
    found = move(gain)
    if found is None:
        return None
    moved_db = _difference(gain, found.frame)
    bands_db = np.array([_difference(band, found.frame) for band in ratio_db.T])
    told = np.isfinite(bands_db)
    allowed_db = np.maximum(max(_ALIKE_DB, _ALIKE_SHARE * abs(moved_db)), _ALIKE_SPREADS * spread_db[told])
    if (np.abs(bands_db[told] - moved_db) > allowed_db).any():
        return None
    if found.is_gradual or not told.any():
        return found
    return replace(found, size_db=float(np.median(bands_db[told])))


def _difference(values: NDArray[np.float64], frame: int) -> float:
    """Median from a frame on less that before it, NaN where either has too few values."""
    before, after = (part[np.isfinite(part)] for part in (values[:frame], values[frame:]))
    return float(np.median(after) - np.median(before)) if min(len(before), len(after)) >= _FEWEST else np.nan


def _shared(own: tuple[Move | None, ...]) -> Move | None:
    """The move that both of two microphones made, None if they did not or there is only one."""
    if len(own) < 2 or own[0] is None or own[1] is None:
        return None
    first, second = own[0].size_db, own[1].size_db
    is_alike = abs(first - second) <= max(_ALIKE_DB, _ALIKE_SHARE * max(abs(first), abs(second)))
    return own[0] if is_alike and first * second > 0.0 else None


def _wander_db(ratio_db: NDArray[np.float64], position: int) -> float:
    """How far every second band of a microphone and the others go together, against the other microphones."""
    is_told = np.asarray(np.isfinite(ratio_db[:, position]).any(axis=0))
    if min(np.count_nonzero(is_told[::2]), np.count_nonzero(is_told[1::2])) < _FEWEST_BANDS:
        return 0.0
    halves = [gain_db(ratio_db[..., start::2]) for start in (0, 1)]
    return wander_db(*(half[:, position] - median_of(half, axis=1) for half in halves))


def _steady(sent: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Frames (frame, band) whose neighbours are about as loud: a sweep's are not, and their ratios are of its ends."""
    level_db = energy_db(np.maximum(sent, 1e-30))
    step_db = np.abs(np.diff(level_db, axis=0, prepend=level_db[:1], append=level_db[-1:]))
    return np.asarray(np.maximum(step_db[:-1], step_db[1:]) < _STEADY_DB)
