"""Which way up one stage input is against another, by how much it is later, and what their sum gains from it.

Two hypotheses, `normal` and `inverted`, each with its own best delay: the ratio of a curve's highest point to its
lowest, over all delays, is the evidence of that curve. The correlation's maximum alone decides nothing: three curves
that err in different cases do (`stage_curves.py`), weighed by how often each was right over made-up pairs of real hits.

Conventions: x is the input compared against, y the one compared; delays are positive when y is later; log-odds are
positive for `normal`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz, energy_db
from analyze.responses.stage_curves import BODY_S, Curves, line_spectra, pair_curves
from analyze.responses.stage_selection import PairSound

#: Log-odds per unit of a curve's log-ratio: logistic regression over 187 made-up pairs of drum hits and strings (2.0,
#: 1.4 and 1.0), taken a tenth lower; `tests/reference` has other pairs.
_WEIGHTS = {"start": 1.8, "body": 1.2, "edge": 0.9}
#: A curve's log-ratio counts no more than this.
_MOST_RATIO = 3.0
#: No more than this is claimed: the pairs it rests on are made up.
_MOST_CONFIDENCE = 0.99
#: Peak over root mean square of the `start` curve: of 34 unrelated pairs 4.9 at most.
_SHARED_PROMINENCE = 5.6
#: Below it, all three curves have to point to one delay within this, which chance does in one of some hundred cases.
_ONE_DELAY_S = 5e-4
#: What the delay could be off without any curve showing it.
_SMALLEST_STD_S = 3e-5
#: From curves that disagree, and from the width of their sum, to a standard deviation: of 187 made-up pairs 72 % lie
#: within one of it, 83 % within two.
_SPREAD_FACTOR, _WIDTH_FACTOR = 1.5, 1.5
#: Likelihood of a delay per unit of the summed curves; where the curves are looked at around the delay found.
_SHARPNESS, _AROUND_S = 6.0, 1.5e-3
#: A source's own band: third octaves within this of the loudest.
_OWN_BAND_DB = 10.0


@dataclass(frozen=True)
class Relation:
    """What many hits say about two inputs.

    log_odds : of `normal` over `inverted`
    delay_s, delay_std_s : of y behind x, given the likelier sign
    is_shared : False where the two have no sound in common
    n_hits : hits, or stretches, that it rests on
    """

    log_odds: float
    delay_s: float
    delay_std_s: float
    is_shared: bool
    n_hits: int

    @property
    def sign(self) -> int:
        """The likelier sign, +1 or -1."""
        return 1 if self.log_odds >= 0.0 else -1

    @property
    def confidence(self) -> float:
        """Probability that the likelier sign is right, 0.5 where nothing is shared."""
        if not self.is_shared:
            return 0.5
        return min(_MOST_CONFIDENCE, 1.0 / (1.0 + float(np.exp(-abs(self.log_odds)))))


def relation_of(sound: PairSound) -> Relation:
    """Sign and delay of two inputs from the sound around their hits, at least one."""
    curves = pair_curves(sound)
    mean = curves.mean()
    n_hits = len(sound.x)
    ratio = np.log(np.maximum(mean.max(axis=1), 1e-12) / np.maximum(-mean.min(axis=1), 1e-12))
    weights = np.array([_WEIGHTS[kind] for kind in curves.kinds])
    # few hits: what one of them does by chance is not yet averaged away
    log_odds = float(weights @ np.clip(ratio, -_MOST_RATIO, _MOST_RATIO)) * n_hits / (n_hits + 1.0)
    delay_s, std_s = _delay(curves, mean, 1 if log_odds >= 0.0 else -1)
    return Relation(log_odds, delay_s, std_s, _is_shared(curves, mean), n_hits)


def _is_shared(curves: Curves, mean: NDArray[np.float64]) -> bool:
    """Whether the agreement of the two inputs is more than chance."""
    start = mean[curves.kinds.index("start")]
    if float(np.abs(start).max()) > _SHARED_PROMINENCE * float(np.sqrt(np.mean(start**2))):
        return True
    peaks_s = curves.delay_s[np.argmax(np.abs(mean), axis=1)]
    return "edge" in curves.kinds and float(np.ptp(peaks_s)) <= _ONE_DELAY_S


def _delay(curves: Curves, mean: NDArray[np.float64], sign: int) -> tuple[float, float]:
    """Delay at which the curves together agree best given the sign, and its standard deviation, in seconds."""
    t = curves.delay_s
    scaled = sign * mean / np.maximum(np.abs(mean).max(axis=1, keepdims=True), 1e-30)
    total = scaled.sum(axis=0)
    peak = int(np.argmax(total))
    delay_s = float(t[peak]) + _offset(total, peak) * float(t[1] - t[0])
    near = np.abs(t - t[peak]) <= _AROUND_S
    spread_s = float(np.sqrt(np.mean((t[near][np.argmax(scaled[:, near], axis=1)] - t[peak]) ** 2)))
    wide = np.abs(t - t[peak]) <= 2.0 * _AROUND_S
    weight = np.exp(_SHARPNESS * (total[wide] - total[peak]))
    width_s = float(np.sqrt(weight @ (t[wide] - t[peak]) ** 2 / weight.sum()))
    return delay_s, float(
        np.sqrt(_SMALLEST_STD_S**2 + (_SPREAD_FACTOR * spread_s) ** 2 + (_WIDTH_FACTOR * width_s) ** 2)
    )


def _offset(curve: NDArray[np.float64], peak: int) -> float:
    """Place of the top of a parabola through the peak and its neighbours, in steps from the peak."""
    if not 0 < peak < len(curve) - 1:
        return 0.0
    before, at, after = curve[peak - 1 : peak + 2]
    bend = before - 2.0 * at + after
    return float(np.clip((before - after) / (2.0 * bend), -0.5, 0.5)) if bend < 0.0 else 0.0


def sum_gain_db(sound: PairSound, sign: int, delay_s: float) -> float:
    """What the sum of both inputs gains, dB, when y is turned by `sign` and its lateness `delay_s` is made up for.

    In the source's own band over the first 0.2 s of its hits, both inputs brought to one level there, as on a mixer.
    """
    spectra = line_spectra(sound, BODY_S)
    f, own = spectra.frequency_hz, np.zeros(len(spectra.frequency_hz), dtype=np.bool_)
    centres_hz = band_centres_hz(3, 31.0, min(12500.0, 0.4 * sound.sample_rate_hz))
    low_hz, high_hz = band_edges_hz(centres_hz, 3)
    common = np.mean(np.abs(spectra.x) * np.abs(spectra.y), axis=0)
    lines = [(f >= low) & (f < high) for low, high in zip(low_hz, high_hz, strict=True)]
    energy = np.array([common[band].sum() for band in lines])
    for band, level in zip(lines, energy, strict=True):
        if level > energy.max() * 10.0 ** (-_OWN_BAND_DB / 10.0):
            own |= band
    x, y = (values[:, own] / np.sqrt((np.abs(values[:, own]) ** 2).sum()) for values in (spectra.x, spectra.y))
    changed = sign * y * np.exp(2j * np.pi * f[own] * delay_s)
    before, after = ((np.abs(x + other) ** 2).sum() for other in (y, changed))
    return float(energy_db(max(after, 1e-6) / max(before, 1e-6)))
