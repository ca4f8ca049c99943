"""Sum efficiency of true responses, as `method.md` 5 defines it, and the joint search for its best settings.

Per cell (position x third octave, 25 to 315 Hz, where the second loudest output is within 10 dB of the loudest and that
one within 25 dB of the position's loudest band) the energy of `|sum_i p_i H_i exp(-j 2 pi f d_i)|` over that of
`sum_i |H_i|`, in dB; the mean over cells. Written apart from the analysis. Delays in seconds, later when positive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Third octaves 25 to 315 Hz: exact centres `10 ** (k / 10)`, edges half a step to either side (IEC 61260-1).
_BANDS = np.arange(14, 26)
_MEETS_DB, _DEPTH_DB = 10.0, 25.0
#: Steps of delay when searching, s: everywhere, around the best, and of the starts of a search over several groups.
_COARSE_S, _FINE_S, _START_S = 2e-4, 1e-5, 1e-3
#: Starts that are followed to their ends.
_FOLLOWED = 8
#: Part of a step by which a setting may miss it.
_ROUNDING = 1e-6


@dataclass(frozen=True)
class Settings:
    """Signs and delays_s of all outputs, (output,)."""

    signs: NDArray[np.float64]
    delays_s: NDArray[np.float64]

    def changed(self, group: Sequence[int], sign: float, later_s: float) -> Settings:
        """The settings with a change of a group."""
        signs, delays_s = self.signs.copy(), self.delays_s.copy()
        signs[list(group)] *= sign
        delays_s[list(group)] += later_s
        return Settings(signs, delays_s)

    def with_those_of(self, group: Sequence[int], other: Settings) -> Settings:
        """The settings with a group's taken from another."""
        signs, delays_s = self.signs.copy(), self.delays_s.copy()
        signs[list(group)], delays_s[list(group)] = other.signs[list(group)], other.delays_s[list(group)]
        return Settings(signs, delays_s)


@dataclass(frozen=True)
class Reach:
    """Changes of one group's setting that are searched: later by low_s to high_s, signs, on the device's steps.

    A setting, `setting_s` plus the change, is a whole number of steps `step_s`; no change is always possible.
    """

    low_s: float
    high_s: float
    signs: tuple[float, ...] = (1.0, -1.0)
    step_s: float = 0.0
    setting_s: float = 0.0

    def changes_s(self, spacing_s: float, low_s: float = -np.inf, high_s: float = np.inf) -> NDArray[np.float64]:
        """Changes of delay between two limits, spaced by so much, or by the device's steps where those are wider."""
        low, high = max(low_s, self.low_s), min(high_s, self.high_s)
        if self.step_s <= spacing_s:
            return np.linspace(low, high, max(2, int(np.ceil((high - low) / spacing_s)) + 1))
        first, last = (np.array([low, high]) + self.setting_s) / self.step_s
        steps = np.arange(np.ceil(first - _ROUNDING), np.floor(last + _ROUNDING) + 1.0)
        none = [0.0] if low <= 0.0 <= high or not len(steps) else []
        return np.unique([*none, *(steps * self.step_s - self.setting_s)])


@dataclass(frozen=True)
class Sums:
    """True responses (output, position, line) in the bands that count, without settings.

    starts (band,) : first line of every band; possible (position, band) : energy of the sum of magnitudes
    near (output, position, band) : within 10 dB of the loudest; cells (position, band) : counts
    weights (position,)
    """

    frequency_hz: NDArray[np.float64]
    h: NDArray[np.complex128]
    starts: NDArray[np.int64]
    possible: NDArray[np.float64]
    near: NDArray[np.bool_]
    cells: NDArray[np.bool_]
    weights: NDArray[np.float64]

    def own(self, group: Sequence[int]) -> NDArray[np.bool_]:
        """Cells in which one of the group is within 10 dB of the loudest."""
        return self.cells & self.near[list(group)].any(axis=0)

    def score_db(self, settings: Settings, cells: NDArray[np.bool_] | None = None) -> float:
        """Mean over the cells, or those given, weighted by position."""
        turn = settings.signs[:, None] * np.exp(-2j * np.pi * settings.delays_s[:, None] * self.frequency_hz)
        energy = np.add.reduceat(np.abs((self.h * turn[:, None]).sum(axis=0)) ** 2, self.starts, axis=-1)
        chosen = self.cells if cells is None else cells
        return float(np.average(_db(energy / self.possible)[chosen], weights=self._weights(chosen)))

    def _weights(self, chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Of every chosen cell, (cell,)."""
        return np.broadcast_to(self.weights[:, None], chosen.shape)[chosen]

    def scan_db(
        self,
        settings: Settings,
        group: Sequence[int],
        later_s: NDArray[np.float64],
        cells: NDArray[np.bool_] | None = None,
    ) -> NDArray[np.float64]:
        """Scores (sign, delay) of changes of one group: sign kept and turned, later by every delay."""
        turn = settings.signs[:, None] * np.exp(-2j * np.pi * settings.delays_s[:, None] * self.frequency_hz)
        set_h = self.h * turn[:, None]
        inside = np.isin(np.arange(len(set_h)), list(group))
        still, moved = set_h[~inside].sum(axis=0), set_h[inside].sum(axis=0)  # (position, line)
        apart = np.add.reduceat(np.abs(still) ** 2 + np.abs(moved) ** 2, self.starts, axis=-1)
        product, later = np.conj(still) * moved, np.exp(-2j * np.pi * self.frequency_hz[:, None] * later_s)
        bands = zip(self.starts, [*self.starts[1:], len(self.frequency_hz)], strict=True)
        meeting = np.stack([2.0 * (product[:, a:b] @ later[a:b]).real for a, b in bands], axis=1)
        chosen = self.cells if cells is None else cells
        rest, cross, most = apart[chosen][:, None], meeting[chosen], self.possible[chosen][:, None]
        weights = self._weights(chosen)
        signs = (1.0, -1.0)
        return np.stack([np.average(_db((rest + s * cross) / most), axis=0, weights=weights) for s in signs])

    def best(self, settings: Settings, groups: Sequence[Sequence[int]], reaches: Sequence[Reach]) -> Settings:
        """The best settings over joint changes of groups, each within its reach."""
        starts = [settings]
        if len(groups) > 1:
            for later_s in reaches[0].changes_s(_START_S):
                starts += [settings.changed(groups[0], sign, float(later_s)) for sign in reaches[0].signs]
            order = [*range(1, len(groups)), *range(1, len(groups))][: 2 * len(groups) - 3 or 1]
            starts = [self._climbed(s, settings, groups, reaches, order) for s in starts]
            starts = sorted(starts, key=self.score_db)[-_FOLLOWED:]
        ends = [self._climbed(s, settings, groups, reaches, [*range(len(groups))] * 3) for s in starts]
        return max(ends, key=self.score_db)

    def _climbed(
        self,
        start: Settings,
        now: Settings,
        groups: Sequence[Sequence[int]],
        reaches: Sequence[Reach],
        order: Sequence[int],
    ) -> Settings:
        """One group after another put to its best, the others as they are."""
        for k in order:
            settings = start.with_those_of(groups[k], now)
            start, _ = self.best_of_one(settings, groups[k], reaches[k])
        return start

    def best_of_one(
        self,
        settings: Settings,
        group: Sequence[int],
        reach: Reach,
        cells: NDArray[np.bool_] | None = None,
    ) -> tuple[Settings, float]:
        """Best settings over changes of one group, and their score."""
        rows = [(1.0, -1.0).index(s) for s in reach.signs]
        coarse = reach.changes_s(_COARSE_S)
        top = float(coarse[self.scan_db(settings, group, coarse, cells)[rows].max(axis=0).argmax()])
        around_s = max(_COARSE_S, reach.step_s)
        fine = reach.changes_s(_FINE_S, top - around_s, top + around_s)
        scores = self.scan_db(settings, group, fine, cells)[rows]
        row, k = np.unravel_index(int(scores.argmax()), scores.shape)
        return settings.changed(group, reach.signs[row], float(fine[k])), float(scores[row, k])


def make_sums(
    frequency_hz: NDArray[np.float64], response: NDArray[np.complex128], weights: NDArray[np.float64] | None = None
) -> Sums:
    """Cut responses (output, position, line) to the bands that count and find the cells; weights 1 if not given."""
    edges = 10.0 ** ((_BANDS[0] - 0.5 + np.arange(len(_BANDS) + 1)) / 10.0)
    first, *inner, stop = np.searchsorted(frequency_hz, edges)
    h, starts = response[..., first:stop], np.array([first, *inner]) - first
    level_db = _db(np.add.reduceat(np.abs(h) ** 2, starts, axis=-1))
    loudest = level_db.max(axis=0)  # (position, band)
    near = level_db >= loudest - _MEETS_DB
    cells = (near.sum(axis=0) >= 2) & (loudest >= loudest.max(axis=-1, keepdims=True) - _DEPTH_DB)
    possible = np.add.reduceat(np.abs(h).sum(axis=0) ** 2, starts, axis=-1)
    of_seats = np.ones(h.shape[1]) if weights is None else weights
    return Sums(frequency_hz[first:stop], h, starts, possible, near, cells, of_seats)


def _db(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    return 10.0 * np.log10(np.maximum(energy, 1e-12))
