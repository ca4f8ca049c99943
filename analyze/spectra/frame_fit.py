"""What every microphone should hold in every frame by what the feeds held: gains from feeds to microphone, per band.

Conventions: energies are (frame, track, band), any scale; frames overlap and follow one another; ratios are in dB,
10 log of energies, positive where a microphone holds more than expected.

The gains are those of energies, `E[|Y|^2] = sum_i |H_i|^2 E[|X_i|^2] + noise` for feeds unrelated to one another
(Bendat & Piersol, Random Data, ch. 7, from memory), fitted with relative errors, so that a frame that holds far too
much weighs little; none is negative (Lawson & Hanson 1974). Reverberation is allowed for by letting a feed die away
slowly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db

#: What a feed leaves behind falls by so much per second: 60 dB in 5 s, as slow as any hall.
_DECAY_DB_S = 12.0
#: A frame is loud in a band where a feed is within this of its loudest frame there.
_LOUD_DB = -10.0
#: Bands of a microphone this far below its strongest do not count.
_COUNTED_DB = -20.0
#: Steady noise is no more than this re the softest frame: single frames of noise are softer than it is on average.
_MOST_NOISE = 1.6
#: Frames further off than this, dB, do not take part in the fit, as long as half of them do.
_FAR_OFF_DB = 6.0
_FITS = 4
#: Fewest loud frames from which anything is told.
_FEWEST = 6
#: Bands whose ratio is steadier than this do not weigh more, dB.
_LEAST_SPREAD_DB = 0.3


@dataclass(frozen=True)
class LevelFit:
    """Energies as found and as expected; axes frame, position, band.

    found, expected : energies, of the same scale
    lasting : expected, at the most, where the feeds are let die away as slowly as in any hall
    sent : (frame, band) of all feeds together
    is_loud : where a feed sounds in this band and the frame may be used
    is_counted : (position, band) where the band is one of the microphone's strong ones and was fitted
    spread_db : (position, band) how far the ratio of loud frames lies below its median, one standard deviation
    """

    found: NDArray[np.float64]
    expected: NDArray[np.float64]
    lasting: NDArray[np.float64]
    sent: NDArray[np.float64]
    is_loud: NDArray[np.bool_]
    is_counted: NDArray[np.bool_]
    spread_db: NDArray[np.float64]

    def ratio_db(self) -> NDArray[np.float64]:
        """Found over expected, (frame, position, band), NaN where that says nothing: soft frames, bands not counted."""
        ratio = self.found / np.maximum(self.expected, 1e-30)
        return np.where(self.is_loud & self.is_counted & (self.found > 0.0), energy_db(ratio), np.nan)


def fit_levels(
    feeds: NDArray[np.floating], microphones: NDArray[np.floating], usable: NDArray[np.bool_], hop_s: float
) -> LevelFit:
    """Fit the microphones (frame, position, band) by the feeds (frame, feed, band).

    usable : (frame, position) frames that may take part; hop_s : from one frame to the next
    """
    x, y = feeds.astype(np.float64), microphones.astype(np.float64)
    per_frame = 10.0 ** (-0.1 * _DECAY_DB_S * hop_s)
    sent, lasting = (_with_reverberation(energy, per_frame) for energy in (x, _lasting(x, per_frame)))
    sounds = (x > 10.0 ** (0.1 * _LOUD_DB) * x.max(axis=0, initial=0.0)).any(axis=1)  # (frame, band)
    is_loud = sounds[:, None, :] & usable[:, :, None]
    expected, at_most, typical = np.zeros(y.shape), np.zeros(y.shape), np.zeros(y.shape[1:])
    spread_db = np.full(y.shape[1:], np.nan)
    for p, b in np.ndindex(*y.shape[1:]):
        rows = is_loud[:, p, b] & (y[:, p, b] > 0.0)
        if np.count_nonzero(rows) < _FEWEST:
            continue
        softest = float(y[usable[:, p] & (y[:, p, b] > 0.0), p, b].min())
        gains = _gains(sent[:, :, b], y[:, p, b], rows, _MOST_NOISE * softest)
        expected[:, p, b], at_most[:, p, b] = (energy[:, :, b] @ gains[:-1] + gains[-1] for energy in (sent, lasting))
        typical[p, b] = np.percentile(y[rows, p, b], 25.0)  # bursts may fill half of the frames
        ratio_db = energy_db(y[rows, p, b] / np.maximum(expected[rows, p, b], 1e-30))
        spread_db[p, b] = np.median(ratio_db) - np.percentile(ratio_db, 16.0)
    is_counted = (typical > 0.0) & (typical >= 10.0 ** (0.1 * _COUNTED_DB) * typical.max(axis=1, keepdims=True))
    return LevelFit(y, expected, at_most, x.sum(axis=1), is_loud, is_counted, spread_db)


def _lasting(x: NDArray[np.float64], per_frame: float) -> NDArray[np.float64]:
    """Energies (frame, feed, band) that fall no faster than `per_frame`.

    Of several feeds one may be heard up to a hop earlier than it is read.
    """
    out = x.copy()
    if x.shape[1] > 1:
        out[:-1] = np.maximum(x[:-1], x[1:])
    for k in range(1, len(x)):
        out[k] = np.maximum(out[k], per_frame * out[k - 1])
    return out


def _with_reverberation(x: NDArray[np.float64], per_frame: float) -> NDArray[np.float64]:
    """Energies (frame, feed, band) and, behind them on the axis of feeds, what earlier frames leave behind.

    Before the first frame all was as in the first: frames overlap, and it may not have begun there.
    """
    after = np.repeat(x[:1] * per_frame / (1.0 - per_frame), len(x), axis=0)
    for k in range(1, len(x)):
        after[k] = per_frame * (after[k - 1] + x[k - 1])
    return np.concatenate([x, after], axis=1)


def _gains(
    x: NDArray[np.float64], y: NDArray[np.float64], rows: NDArray[np.bool_], softest: float
) -> NDArray[np.float64]:
    """Gains (feed and steady noise,) from feeds (frame, feed) to energies (frame,), right in the median of `rows`.

    The noise is no more than the softest frame holds, or a limiter would be taken for it.
    """
    columns = np.concatenate([x, np.full((len(x), 1), softest)], axis=1)
    scale = np.append(np.maximum(x[rows].max(axis=0), 1e-30), 1.0)
    kept, gains = rows, np.zeros(len(scale))
    for _ in range(_FITS):
        gains = _least_squares(columns[kept] / scale, y[kept])
        ratio = y / np.maximum(columns / scale @ gains, 1e-30)
        middle = np.median(ratio[kept])
        gains *= middle
        far_off = np.abs(energy_db(np.maximum(ratio, 1e-30) / middle)) > _FAR_OFF_DB
        if np.count_nonzero(rows & ~far_off) < max(_FEWEST, 0.5 * np.count_nonzero(rows)):
            break
        kept = rows & ~far_off
    gains /= scale
    return np.append(gains[:-1], gains[-1] * softest)


def _least_squares(columns: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gains of columns (frame, column) that are not negative, errors relative to y, that of the last column 1 at most.

    The last column is a constant in units of its bound.
    """
    from scipy.optimize import nnls

    gains = np.asarray(nnls(columns / y[:, None], np.ones(len(y)))[0], dtype=np.float64)
    if gains[-1] > 1.0:
        rest = np.maximum(1.0 - columns[:, -1] / y, 0.0)
        gains = np.append(nnls(columns[:, :-1] / y[:, None], rest)[0], 1.0)
    return gains


def gain_db(ratio_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain (frame, position) common to the bands of (frame, position, band), 0 in the median; NaN where none is told.

    Bands weigh by how steady they are.
    """
    told = np.isfinite(ratio_db)
    middle, spread = median_of(ratio_db), median_of(np.abs(ratio_db - median_of(ratio_db)))
    weight = told / np.maximum(1.4826 * np.where(np.isfinite(spread), spread, np.inf), _LEAST_SPREAD_DB) ** 2
    total = weight.sum(axis=-1)
    mean = np.where(told, weight * (ratio_db - middle), 0.0).sum(axis=-1) / np.where(total > 0.0, total, 1.0)
    return np.where(total > 0.0, mean, np.nan)


def median_of(values: NDArray[np.float64], axis: int = 0) -> NDArray[np.float64]:
    """Median of what is told, NaN where nothing is."""
    median: NDArray[np.float64] = np.ma.median(np.ma.masked_invalid(values), axis=axis).filled(np.nan)  # type: ignore[no-untyped-call]
    return median
