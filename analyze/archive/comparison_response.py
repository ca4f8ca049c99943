"""Did an output's response change? Bands averaged over positions, against what positions differ by.

Level, delay and sign are out of every band. What is left at one position alone is the room's or the microphone's; what
is left at all of them is the output's. The error of the mean is the larger of what the responses state and of how far
positions scatter, pooled over all outputs.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.archive.comparison_change import DEG_PER_DB
from analyze.archive.comparison_pairs import Pair

#: Pairs less alike than this say more of the place than of the output.
_LIKE = 0.7
#: A band's mean over positions is not known better than this, dB; with one position it may be the room's doing.
_LEAST_STD_DB, _ONE_POSITION_STD_DB = 0.15, 0.7
#: A change is beyond noise when it exceeds the tolerance by so many standard errors: with 240 bands 0.1 % of one.
_SIGMAS = 4.0


@dataclass(frozen=True)
class ResponsePeak:
    """The band of an output whose mean over positions changed most, for its error; NaN where none is known.

    change_db, std_db, hz : exact centre; phase_deg : change of phase there; n_bands : of how many
    is_beyond : whether it, or the phase of any band, is beyond tolerance and noise
    """

    change_db: float
    std_db: float
    hz: float
    phase_deg: float
    is_beyond: bool
    n_bands: int


_NOTHING = ResponsePeak(math.nan, math.nan, math.nan, math.nan, False, 1)


def response_peaks(
    pairs: Sequence[Pair], outputs: Sequence[str], moved: Collection[str], tolerance_db: float
) -> dict[str, ResponsePeak]:
    """Per output the band that changed most.

    Parameters
    ----------
    moved : positions whose microphone stands elsewhere, which do not count
    tolerance_db : change of level up to which a band has not changed; of phase so many degrees as belong to it
    """
    used = {
        output: [p for p in pairs if p.output == output and p.position not in moved and _is_alike(p)]
        for output in outputs
    }
    level, phase = ({o: _stacked(rows, name) for o, rows in used.items() if rows} for name in ("level", "phase"))
    scatter_db, scatter_deg = _scatter(list(level.values())), _scatter(list(phase.values()))
    return {
        output: _peak(used[output], level[output], phase[output], scatter_db, scatter_deg, tolerance_db)
        if output in level
        else _NOTHING
        for output in outputs
    }


def _is_alike(pair: Pair) -> bool:
    return pair.change.likeness >= _LIKE


def _stacked(rows: Sequence[Pair], name: str) -> NDArray[np.float64]:
    """Changes (position, band)."""
    changes = [pair.change for pair in rows]
    return np.stack([one.band_level_db if name == "level" else one.band_phase_deg for one in changes])


def _scatter(stacks: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Standard deviation (band,) between positions around each output's mean, pooled over outputs; 0 if unknown."""
    if not stacks:
        return np.zeros(0)
    squares, free = np.zeros(stacks[0].shape[1]), np.zeros(stacks[0].shape[1])
    for stack in stacks:
        n = np.isfinite(stack).sum(axis=0)
        total = np.nansum(stack, axis=0)
        centred = stack - np.where(n > 0, total / np.maximum(n, 1), np.nan)
        squares += np.nansum(centred**2, axis=0)
        free += np.maximum(n - 1, 0)
    return np.sqrt(squares / np.maximum(free, 1))


def _peak(
    rows: Sequence[Pair],
    level: NDArray[np.float64],
    phase: NDArray[np.float64],
    scatter_db: NDArray[np.float64],
    scatter_deg: NDArray[np.float64],
    tolerance_db: float,
) -> ResponsePeak:
    stated = np.stack([pair.change.band_std_db for pair in rows])
    n = np.isfinite(level).sum(axis=0)
    if not n.any():
        return _NOTHING
    count = np.maximum(n, 1)
    change = np.where(n > 0, np.nansum(level, axis=0) / count, np.nan)
    turn = np.where(n > 0, np.nansum(phase, axis=0) / count, np.nan)
    own = np.sqrt(np.nansum(stated**2, axis=0) / count)
    least = np.where(n > 1, _LEAST_STD_DB, _ONE_POSITION_STD_DB)
    std = np.maximum(np.hypot(own, scatter_db) / np.sqrt(count), least)
    std_deg = np.maximum(np.hypot(DEG_PER_DB * own, scatter_deg) / np.sqrt(count), DEG_PER_DB * least)
    known = np.where(np.isfinite(change), np.abs(change) / std, -1.0)
    k = int(np.argmax(known))
    level_beyond = np.nan_to_num(np.abs(change)) > tolerance_db + _SIGMAS * std
    phase_beyond = np.nan_to_num(np.abs(turn)) > DEG_PER_DB * tolerance_db + _SIGMAS * std_deg
    if phase_beyond.any() and not level_beyond.any():
        k = int(np.argmax(np.where(phase_beyond, np.abs(turn), -1.0)))
    centres = rows[0].change.band_hz
    is_beyond = bool(level_beyond.any() or phase_beyond.any())
    return ResponsePeak(
        float(change[k]), float(std[k]), float(centres[k]), float(turn[k]), is_beyond, int(np.count_nonzero(n))
    )
