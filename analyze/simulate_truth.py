"""What would be best, with perfect knowledge: the sum-efficiency score and its search on true responses.

The score: per cell (audience position x third octave, 25 to 315 Hz, where at least two outputs matter) the energy of
`|sum_i p_i H_i exp(-j 2 pi f d_i)|` in the band over that of `sum_i |H_i|`, in dB; the mean over cells. Written apart
from the analysis on purpose, so that neither can copy the other's mistake.

Axes: responses are (output, position, frequency); tables are (position, band). Delays in seconds, later when positive.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz, energy_db

#: The bands of the score, Hz: nominally 25 to 315, whose exact centres are 25.12 and 316.23.
_LOW_HZ, _HIGH_HZ = 25.0, 317.0

#: An output matters within this of the loudest; a cell counts within this of the position's loudest band. dB.
_NEAR_DB, _FAR_DB = 10.0, 25.0

#: Steps of the search, s: coarse over the whole range, fine around the best.
_COARSE_S, _FINE_S = 1e-4, 1e-5


@dataclass(frozen=True)
class Choice:
    """A polarity (+1 or -1) and a delay for outputs that move together, and the score they give, dB."""

    sign: int
    delay_s: float
    score_db: float


@dataclass(frozen=True)
class Bench:
    """Responses cut to the bands of the score, at some positions.

    frequency_hz (frequency,), response (output, position, frequency) without any setting
    band (frequency,) : which band a frequency belongs to, counted from 0
    near (output, position, band) : the output is within 10 dB of the loudest there
    cells (position, band) : the cell counts
    """

    frequency_hz: NDArray[np.float64]
    response: NDArray[np.complex128]
    band: NDArray[np.int64]
    near: NDArray[np.bool_]
    cells: NDArray[np.bool_]

    def efficiency_db(self, signs: NDArray[np.float64], delays_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Energy of the sum over that of the sum of magnitudes (position, band), dB, at settings (output,)."""
        turned = signs[:, None, None] * self.response * _shift(self.frequency_hz, delays_s)[:, None, :]
        whole = self._band_energy(np.abs(turned.sum(axis=0)) ** 2)
        return energy_db(whole / self._band_energy(np.abs(turned).sum(axis=0) ** 2))

    def score_db(
        self, signs: NDArray[np.float64], delays_s: NDArray[np.float64], own: list[int] | None = None
    ) -> float:
        """Mean efficiency over the cells, or over those where one of the outputs `own` is near the loudest."""
        return float(np.mean(self.efficiency_db(signs, delays_s)[self.own_cells(own)]))

    def own_cells(self, own: list[int] | None) -> NDArray[np.bool_]:
        """Cells (position, band) in which one of the outputs `own` is near the loudest; all cells for None."""
        return self.cells if own is None else self.cells & self.near[own].any(axis=0)

    def best(
        self,
        signs: NDArray[np.float64],
        delays_s: NDArray[np.float64],
        moving: list[int],
        range_s: tuple[float, float],
        own: list[int] | None = None,
    ) -> tuple[Choice, Choice]:
        """Best delay of the outputs `moving`, which get one common setting, for polarity +1 and for -1.

        Parameters
        ----------
        signs, delays_s : settings (output,) of all; those of `moving` are replaced
        range_s : lowest and highest delay tried, both included
        own : which cells are scored, as in `score_db`
        """
        score = self._scorer(signs, delays_s, moving, own)
        upright = Choice(1, *_search(range_s, lambda delay_s: score(1, delay_s)))
        return upright, Choice(-1, *_search(range_s, lambda delay_s: score(-1, delay_s)))

    def clearest(
        self, signs: NDArray[np.float64], delays_s: NDArray[np.float64], moving: int, range_s: tuple[float, float]
    ) -> Choice:
        """Delay at which polarity +1 of one output is furthest ahead of -1 in its own cells; `score_db` is the lead."""
        score = self._scorer(signs, delays_s, [moving], [moving])
        return Choice(1, *_search(range_s, lambda delay_s: score(1, delay_s) - score(-1, delay_s)))

    def _scorer(
        self, signs: NDArray[np.float64], delays_s: NDArray[np.float64], moving: list[int], own: list[int] | None
    ) -> Callable[[int, float], float]:
        """The score as a function of one common sign and delay of the outputs `moving`."""
        others = [i for i in range(len(signs)) if i not in moving]
        rest = signs[others, None, None] * self.response[others] * _shift(self.frequency_hz, delays_s[others])[:, None]
        still, moved = rest.sum(axis=0), self.response[moving].sum(axis=0)  # (position, frequency)
        most = self._band_energy(np.abs(self.response).sum(axis=0) ** 2)
        cells = self.own_cells(own)

        def score(sign: int, delay_s: float) -> float:
            total = still + sign * moved * _shift(self.frequency_hz, np.array([delay_s]))
            return float(np.mean(energy_db(self._band_energy(np.abs(total) ** 2) / most)[cells]))

        return score

    def _band_energy(self, energy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum of an energy (..., frequency) over each band: (..., band)."""
        starts = np.flatnonzero(np.diff(self.band, prepend=-1))
        return np.asarray(np.add.reduceat(energy, starts, axis=-1), dtype=np.float64)


def make_bench(frequency_hz: NDArray[np.float64], response: NDArray[np.complex128]) -> Bench:
    """Cut responses (output, position, frequency) to the bands of the score and find the cells."""
    low_hz, high_hz = band_edges_hz(band_centres_hz(3, _LOW_HZ, _HIGH_HZ), 3)
    inside = (frequency_hz >= low_hz[0]) & (frequency_hz < high_hz[-1])
    band = np.searchsorted(high_hz, frequency_hz[inside], side="right")
    starts = np.flatnonzero(np.diff(band, prepend=-1))
    level_db = energy_db(np.add.reduceat(np.abs(response[:, :, inside]) ** 2, starts, axis=-1))
    loudest = level_db.max(axis=0)  # (position, band)
    near = level_db >= loudest - _NEAR_DB
    cells = (near.sum(axis=0) >= 2) & (loudest >= loudest.max(axis=1, keepdims=True) - _FAR_DB)
    return Bench(frequency_hz[inside], response[:, :, inside], band, near, cells)


def _shift(frequency_hz: NDArray[np.float64], delays_s: NDArray[np.float64]) -> NDArray[np.complex128]:
    """`exp(-j 2 pi f d)`: (delay, frequency)."""
    return np.asarray(np.exp(-2j * np.pi * delays_s[:, None] * frequency_hz), dtype=np.complex128)


def _search(range_s: tuple[float, float], score: Callable[[float], float]) -> tuple[float, float]:
    """Best delay and its score: every coarse step of the range, then fine steps around the three best."""
    n_steps = round((range_s[1] - range_s[0]) / _COARSE_S)
    coarse = range_s[0] + _COARSE_S * np.arange(n_steps + 1)
    scores = np.array([score(float(delay_s)) for delay_s in coarse])
    fine = [start + _FINE_S * np.arange(-10, 11) for start in coarse[np.argsort(scores)[-3:]]]
    inside = [d for d in np.concatenate(fine) if range_s[0] - 1e-9 <= d <= range_s[1] + 1e-9]
    found = max((score(float(delay_s)), -float(delay_s)) for delay_s in inside)
    return -found[1], found[0]
