"""What would be best with perfect knowledge, and what a setting gives away against it.

Scored by `analyze/simulate_truth.py`, which is written apart from the analysis. Delays in seconds, later positive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.simulate_truth import Bench, make_bench
from tests.trials.cases import Case

#: As the program searches: within so much of the present setting and of aligned arrivals, s.
_AROUND_PRESENT_S, _AROUND_ALIGNED_S = 0.040, 0.020
#: As good as the best, dB in the output's own cells.
RIGHT_DB = 0.5


@dataclass(frozen=True)
class Settings:
    """Signs and delays_s of all outputs, (output,)."""

    signs: NDArray[np.float64]
    delays_s: NDArray[np.float64]

    def with_group(self, members: list[int], sign: float, delay_s: float) -> Settings:
        signs, delays_s = self.signs.copy(), self.delays_s.copy()
        signs[members], delays_s[members] = sign, delay_s
        return Settings(signs, delays_s)


@dataclass(frozen=True)
class Truth:
    """The subs' best setting, every other output as in `others`, and the scores that go with it, dB.

    best_sign, best_delay_s : of the subs; polarity_lead_db : of that polarity over the other, at its own best delay
    own : their own cells
    """

    bench: Bench
    subs: list[int]
    others: Settings
    best_sign: float
    best_delay_s: float
    best_db: float
    polarity_lead_db: float

    def regret_db(self, settings: Settings) -> float:
        """What settings of all outputs give away, never less than 0."""
        return max(0.0, self.best_db - self.bench.score_db(settings.signs, settings.delays_s))

    def own_regret_db(self, settings: Settings) -> float:
        """The same in the subs' own cells."""
        best = self.others.with_group(self.subs, self.best_sign, self.best_delay_s)
        own = self.bench.score_db(best.signs, best.delays_s, self.subs)
        return own - self.bench.score_db(settings.signs, settings.delays_s, self.subs)

    def gain_db(self, before: Settings, after: Settings) -> float:
        """What one gives over the other in the subs' own cells."""
        scores = [self.bench.score_db(s.signs, s.delays_s, self.subs) for s in (before, after)]
        return scores[1] - scores[0]

    def near_s(self) -> float:
        """A sixth of a period at the top of the subs' own cells: so near a delay is right whatever it costs."""
        from analyze.acoustics import band_centres_hz, band_edges_hz

        bands = np.flatnonzero(self.bench.own_cells(self.subs).any(axis=0))
        if not len(bands):
            return 0.0
        centres = band_centres_hz(3, 25.0, 317.0)
        return 1.0 / (6.0 * float(band_edges_hz(centres, 3)[1][int(bands.max())]))


def present(case: Case) -> Settings:
    return Settings(np.array([o.sign for o in case.outputs]), np.array([o.delay_s for o in case.outputs]))


def truth_of(case: Case, settings: Settings) -> Truth | None:
    """The best setting of the subs around `settings` of the others; None where they meet nothing."""
    audience = [p for p, seat in enumerate(case.positions) if seat.zone == "audience"]
    bench = make_bench(case.frequency_hz, case.response[:, audience])
    subs = [i for i, o in enumerate(case.outputs) if o.kind == "sub"]
    if not bench.own_cells(subs).any():
        return None
    now = case.outputs[subs[0]].delay_s
    arrivals = case.arrival_s[:, audience]
    aligned_s = now + float(np.mean(arrivals[0] - arrivals[subs[0]]))
    low_s = min(now - _AROUND_PRESENT_S, aligned_s - _AROUND_ALIGNED_S)
    high_s = max(now + _AROUND_PRESENT_S, aligned_s + _AROUND_ALIGNED_S)
    upright, turned = bench.best(settings.signs, settings.delays_s, subs, (max(0.0, low_s), max(0.0, high_s)))
    best, other = (upright, turned) if upright.score_db >= turned.score_db else (turned, upright)
    lead_db = best.score_db - other.score_db
    return Truth(bench, subs, settings, float(best.sign), best.delay_s, best.score_db, lead_db)


def alignment_error_ms(case: Case, i: int, delay_s: float) -> float:
    """How far output i with this delay is from arriving as asked at its seat."""
    output = case.outputs[i]
    p = [s.name for s in case.positions].index(output.align_at)
    arrival = case.arrival_s[:, p]
    late_s = arrival[i] - output.delay_s + delay_s - arrival[0]
    return abs(1000.0 * late_s - output.later_ms) if math.isfinite(late_s) else math.nan
