"""How many parts in a million apart do two clocks run? The rate that keeps the sound coherent over many windows.

With a clock `s` faster, window k at `t_k` holds `C_k(f) = G(f) exp(-j 2 pi f s t_k)`, where G is the room, unknown but
the same throughout. The sum over pairs and lines of `|sum_k C_k exp(j 2 pi f s t_k)|^2` is largest at the true rate
(least squares with G free), whatever the room: no peak has to be picked, so none can be mistaken. It is taken over
blocks of windows and added up, so that a jump of the clock spoils one block only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock_pairs import Pairs
from analyze.audio.clock_search import LIMIT_PPM, SKETCH_HZ, Lag
from analyze.audio.clock_source import ClockPiece
from analyze.audio.clock_windows import Windows, energy_of, windows_at

#: Windows of a block, and how many blocks at most.
BLOCK_WINDOWS = 32
_MAX_BLOCKS = 8
#: Windows of 1 s, half overlapping: at 250 ppm and the sketch's highest line a third of a period of blur.
_WINDOW, _HOP = SKETCH_HZ, SKETCH_HZ // 2
#: No further from the lag's own place than this: with 250 ppm the windows still overlap by 0.9.
_REACH_S = 300.0
_STEP_PPM = 4.0
#: Adjacent lines of a Hann window are correlated: the energy of a sum varies as if there were 1.9 times fewer.
LINES_PER_FREE_LINE = 1.9


@dataclass(frozen=True)
class Rate:
    """The line found through a lag; how far each pair's coherent energy stands above chance, in standard deviations."""

    lag: Lag
    line: ClockPiece
    stands_out: NDArray[np.float64]

    @property
    def best_z(self) -> float:
        """Of the pair that stands out most."""
        return float(self.stands_out.max())


def rate_of(pairs: Pairs, lag: Lag) -> Rate | None:
    """The rate around a lag; None where the recordings overlap by less than a window."""
    later = round(lag.lag_s * SKETCH_HZ)
    line = ClockPiece(-math.inf, math.inf, later / SKETCH_HZ, 0.0)
    start_s = max(0.0, line.base_s(0.0), lag.base_s - _REACH_S)
    stop_s = min(pairs.base.duration_s, line.base_s(pairs.foreign.duration_s), lag.base_s + _REACH_S)
    starts = _blocks(math.ceil(start_s * SKETCH_HZ), math.floor(stop_s * SKETCH_HZ))
    if not starts:
        return None
    base, foreign = pairs.base_sound(SKETCH_HZ), pairs.foreign_sound(SKETCH_HZ)
    rates_ppm = np.arange(-LIMIT_PPM, LIMIT_PPM + _STEP_PPM / 2.0, _STEP_PPM)
    excess, variance = np.zeros((len(pairs.tracks), len(rates_ppm))), np.full(len(pairs.tracks), 1e-12)
    for block in starts:
        windows = windows_at(base, foreign, pairs.columns, block, _WINDOW, later)
        of_block, chance = coherent_excess(windows, rates_ppm)
        excess, variance = excess + of_block, variance + chance**2
    best = int(np.argmax(excess.sum(axis=0)))
    ppm = float(rates_ppm[best])
    turned = replace(line, offset_s=line.offset_s - ppm * 1e-6 * lag.base_s, ppm=ppm)
    return Rate(lag, turned, excess[:, best] / np.sqrt(variance))


def coherent_excess(
    windows: Windows, rates_ppm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Energy of the windows' sum for each rate less what unrelated windows would give, and its standard deviation.

    Returns
    -------
    excess : (pair, rate); chance : (pair,) standard deviation of the excess of unrelated sound

    The windows must follow one another at equal distances: the sum over them is then a transform over k, read at
    `-f s`.
    """
    from scipy import fft

    n_windows = len(windows.middle_s)
    if n_windows < 2:
        return np.zeros((windows.cross.shape[1], len(rates_ppm))), np.zeros(windows.cross.shape[1])
    hop_s = (windows.middle_s[-1] - windows.middle_s[0]) / (n_windows - 1)
    n_fft = 8 * (1 << (n_windows - 1).bit_length())
    own = np.asarray(np.sum(energy_of(windows.cross), axis=0, dtype=np.float64))  # (pair, line)
    step = -np.outer(rates_ppm * 1e-6, windows.frequency_hz) * hop_s * n_fft  # (rate, line)
    whole = np.floor(step)
    low, above, line = whole.astype(np.int64) % n_fft, step - whole, np.arange(len(windows.frequency_hz))
    excess = np.empty((len(own), len(rates_ppm)))
    for p in range(len(own)):  # one at a time: of many pairs at once the spectra would take hundreds of MB
        energy = energy_of(fft.fft(windows.cross[:, p], n_fft, axis=0))  # (step of f s, line)
        excess[p] = ((1.0 - above) * energy[low, line] + above * energy[(low + 1) % n_fft, line]).sum(axis=-1)
    excess -= own.sum(axis=-1, keepdims=True)
    return excess, np.sqrt(LINES_PER_FREE_LINE * (own**2).sum(axis=-1))


def _blocks(first: int, stop: int) -> list[list[int]]:
    """First frames of the windows of every block, the blocks spread over `first .. stop`."""
    n_windows = (stop - first - _WINDOW) // _HOP + 1
    if n_windows < 2:
        return []
    n_each = min(BLOCK_WINDOWS, n_windows)
    begins = np.linspace(0, n_windows - n_each, min(_MAX_BLOCKS, -(-n_windows // BLOCK_WINDOWS)))
    return [[first + (int(b) + k) * _HOP for k in range(n_each)] for b in np.round(begins)]
