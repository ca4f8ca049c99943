"""What would be best with perfect knowledge, what settings give away against it, and which of them count as right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.trials.cases import Case
from tests.trials.efficiency import Reach, Settings, Sums, make_sums

#: As the method searches: within so much of the present setting and of aligned arrivals, s.
_AROUND_PRESENT_S, _AROUND_ALIGNED_S = 0.040, 0.020
#: As good as the best, dB in the group's own cells; two polarities this close are both right, dB.
RIGHT_DB, TIE_DB = 0.5, 0.05
#: Highest frequency of the score, Hz: upper edge of the 315 Hz third octave.
_TOP_HZ = 10.0**2.55
_MEETS_DB = 10.0


@dataclass(frozen=True)
class Verdict:
    """One group's setting held against the truth, the others as recommended; all within what its device can do.

    regret_db : given away in the group's own cells; is_near : polarity best and delay within a sixth of a period
    lead_db : best of the better polarity minus best of the other, infinite where it cannot invert
    is_best_polarity : or a tie
    """

    regret_db: float
    is_near: bool
    lead_db: float
    is_best_polarity: bool

    @property
    def is_right(self) -> bool:
        """As `reports/columns.py` declares it for `recommendations.csv`."""
        return self.is_near or self.regret_db <= RIGHT_DB


@dataclass(frozen=True)
class Truth:
    """A case's audience sums; movable : groups of mains and subs other than the reference's, and what each can reach.

    Groups wired against themselves are no matter of a setting and stay out.
    """

    case: Case
    sums: Sums
    movable: list[list[int]]
    reaches: list[Reach]

    def present(self) -> Settings:
        """The settings in force while recorded."""
        return present(self.case)

    def best(self, settings: Settings, also: Sequence[Settings] = ()) -> Settings:
        """Best settings of all movable groups jointly, the others as in `settings`; never worse than `also`."""
        now = settings
        for group in self.movable:
            now = now.with_those_of(group, self.present())
        found = self.sums.best(now, self.movable, self.reaches)
        return max([found, settings, *also], key=self.sums.score_db)

    def left(self, settings: Settings) -> Settings:
        """The settings with mains and subs left alone."""
        for group in self.movable:
            settings = settings.with_those_of(group, self.present())
        return settings

    def verdict(self, group: list[int], settings: Settings) -> Verdict | None:
        """On one movable group, the others as in `settings`; None where it meets nothing."""
        own = self.sums.own(group)
        if not own.any():
            return None
        now = settings.with_those_of(group, self.present())
        reach = self.reaches[self.movable.index(group)]
        here = self.sums.score_db(settings, own)
        tops = {s: self.sums.best_of_one(now, group, replace(reach, signs=(s,)), own) for s in reach.signs}
        sign = float(settings.signs[group[0]] * now.signs[group[0]])
        best, score = tops[sign]
        other = tops[-sign][1] if -sign in tops else -np.inf
        near_s = abs(best.delays_s[group[0]] - settings.delays_s[group[0]])
        is_near = bool(near_s <= self._sixth_s(group) and score >= other)
        regret_db = max(0.0, max(score, other) - here)
        return Verdict(regret_db, is_near, abs(score - other), bool(score >= other - TIE_DB))

    def gain_db(self, group: list[int], settings: Settings) -> float:
        """What the group's setting gives over leaving it alone, in its own cells, the others as in `settings`."""
        own, left = self.sums.own(group), settings.with_those_of(group, self.present())
        return self.sums.score_db(settings, own) - self.sums.score_db(left, own)

    def _sixth_s(self, group: list[int]) -> float:
        """A sixth of a period at the top of the group's overlap with the rest, at most the top of the score."""
        tops = [self._overlap_top_hz(i, group) for i in group]
        return 1.0 / (6.0 * min(max(tops), _TOP_HZ)) if max(tops) > 0.0 else 0.0

    def _overlap_top_hz(self, i: int, group: list[int]) -> float:
        """Upper edge of the longest run of third octaves where output i meets the rest at half the weight; 0: none."""
        case = self.case
        centres = np.arange(13, 41)  # 20 Hz to 10 kHz
        edges = 10.0 ** (np.append(centres - 0.5, centres[-1] + 0.5) / 10.0)
        first = np.searchsorted(case.frequency_hz, edges)
        energy = np.add.reduceat(np.abs(case.response[:, case.audience]) ** 2, first, axis=-1)[..., :-1]
        level_db = 10.0 * np.log10(energy + 1e-30)
        other = level_db[[k for k in range(len(level_db)) if k not in group]].max(axis=0)
        meets = np.average(np.abs(level_db[i] - other) <= _MEETS_DB, axis=0, weights=self.sums.weights) >= 0.5
        best, run = (0, 0), 0
        for k, is_meeting in enumerate(meets):
            run = run + 1 if is_meeting else 0
            best = max(best, (run, k), key=lambda b: b[0])
        return float(edges[best[1] + 1]) if best[0] else 0.0


def present(case: Case) -> Settings:
    """The settings in force while recorded."""
    return Settings(np.array([o.sign for o in case.outputs]), np.array([o.delay_s for o in case.outputs]))


def truth_of(case: Case) -> Truth:
    """The truth of a case; without a movable group where mains and subs meet nowhere."""
    weights = np.array([case.positions[p].weight for p in case.audience])
    sums = make_sums(case.frequency_hz, case.response[:, case.audience], weights)
    movable = [g for g in case.groups[1:] if case.outputs[g[0]].kind in ("main", "sub") and not is_opposed(case, g)]
    return Truth(case, sums, movable, [_reach(case, group) for group in movable])


def is_opposed(case: Case, group: Sequence[int]) -> bool:
    """Whether members of a group are wired against each other."""
    return len({case.outputs[i].wiring for i in group}) > 1


def _reach(case: Case, group: list[int]) -> Reach:
    """What is searched: around the present setting and aligned arrivals, and no more than the device can do."""
    arrival = case.arrival_s[:, case.audience]
    aligned = float(np.mean(arrival[case.groups[0]].mean(axis=0) - arrival[group].mean(axis=0)))
    near = aligned - _AROUND_ALIGNED_S, aligned + _AROUND_ALIGNED_S
    low, high = max(-_AROUND_PRESENT_S, near[0]), min(_AROUND_PRESENT_S, near[1])
    if low > high:
        low, high = near
    first = case.outputs[group[0]]
    low, high = np.clip([low, high], -first.delay_s, first.device.max_delay_s - first.delay_s).tolist()
    return Reach(low, high, first.device.signs, first.device.step_s, first.delay_s)


def late_ms(case: Case, group: Sequence[int], delays_s: NDArray[np.float64]) -> float:
    """By how much a group arrives too late at its seat, in the mean of its members: it has one delay."""
    late = []
    for i in group:
        output, arrival_s = case.outputs[i], case.arrival_s[:, case.position(case.outputs[i].align_at)]
        late_s = arrival_s[i] - output.delay_s + delays_s[i] - arrival_s[0]
        late.append(1000.0 * late_s - output.later_ms)
    return float(np.mean(late))


def stage_score_db(case: Case, i: int, signs: NDArray[np.float64], settings: Settings) -> float:
    """Score with these signs in output i's own cells on stage; NaN where it has none."""
    stage = [p for p in range(len(case.positions)) if p not in case.audience]
    sums = make_sums(case.frequency_hz, case.response[:, stage])
    own = sums.own([i])
    return sums.score_db(Settings(signs, settings.delays_s), own) if own.any() else float("nan")
