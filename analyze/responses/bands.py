"""Bands of single outputs: level, phase, group delay, coherence per output, position and band of a capture.

Phase is given after the reference output's arrival at that position is taken out. Levels are mean energies with the
measuring noise taken off; the phase of a band is that of its mean vector.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz, energy_db, nominal_hz
from analyze.responses.rows import Band
from analyze.responses.transfer import Responses, rotation

_Number = TypeVar("_Number", np.float64, np.complex128)

LOWEST_HZ, HIGHEST_HZ = 19.0, 17000.0
_MIN_SNR = 2.0
#: A delay per band with a larger standard deviation than this, and than a quarter of a period, is not told; nor one
#: whose lines stand less than this over their error, where phases wrap.
_TOLD_MS, _TOLD_SNR = 1.0, 4.0


class LineRuns(Protocol):
    """Bands by their lines: first and stop, each (band,)."""

    @property
    def first(self) -> NDArray[np.int64]:
        """First line of each band."""

    @property
    def stop(self) -> NDArray[np.int64]:
        """Line after the last of each band."""


def phase_slope_ms(
    spectrum: NDArray[np.complex128],
    variance: NDArray[np.floating],
    frequency_hz: NDArray[np.float64],
    runs: LineRuns,
) -> NDArray[np.float64]:
    """Delay in ms per band from the phase step between neighbouring lines, `-arg(sum conj(S_k) S_(k+1)) / (2 pi df)`.

    spectrum, variance : (line,) and `E|dS|^2`. Positive when later; the step is unambiguous within +-700 ms. NaN where
    a band has one line, where its energy is less than four times its error, or where the delay's standard deviation
    exceeds 1 ms and a quarter of a period.
    """
    step = np.conj(spectrum[:-1]) * spectrum[1:]
    step = np.where(np.isfinite(step), step, 0.0)
    last = np.maximum(runs.stop - 1, runs.first)
    total = _run_sums(step, runs.first, last)
    ms_per_radian = 1000.0 / (2.0 * np.pi * (frequency_hz[1] - frequency_hz[0]))
    with np.errstate(invalid="ignore", divide="ignore"):
        phase_variance = variance / (2.0 * np.abs(spectrum) ** 2)
        std_ms = np.sqrt(_step_error(np.abs(step), phase_variance, runs.first, last)) / np.abs(total) * ms_per_radian
        quarter_ms = 250.0 / frequency_hz[runs.first]
    power, error = (np.nan_to_num(np.asarray(x, dtype=np.float64)) for x in (np.abs(spectrum) ** 2, variance))
    is_told = _run_sums(power, runs.first, runs.stop) > _TOLD_SNR * _run_sums(error, runs.first, runs.stop)
    is_told &= std_ms <= np.maximum(_TOLD_MS, quarter_ms)
    return np.where(is_told, -np.angle(total) * ms_per_radian, np.nan)


def _step_error(
    weight: NDArray[np.float64], phase_variance: NDArray[np.floating], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Variance per band of `sum w_k (e_(k+1) - e_k)`: a line's phase error stands in two steps and largely cancels.

    weight : (line - 1,) of each step; phase_variance : (line,); lines `first .. last` of each band
    """
    inner = np.zeros(len(phase_variance))
    inner[1:-1] = (weight[:-1] - weight[1:]) ** 2 * phase_variance[1:-1]
    ends = weight[np.minimum(first, len(weight) - 1)] ** 2 * phase_variance[first]
    ends = ends + weight[np.maximum(last - 1, 0)] ** 2 * phase_variance[last]
    total = _run_sums(np.nan_to_num(inner, posinf=0.0), np.minimum(first + 1, last), last) + ends
    return np.asarray(np.nan_to_num(total), dtype=np.float64)


def _run_sums(values: NDArray[_Number], first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[_Number]:
    """Sums of `values` (line,) over the lines `first .. last - 1` of each band."""
    sums = np.concatenate([np.zeros(1, dtype=values.dtype), np.cumsum(values)])
    return np.asarray(sums[last] - sums[first])


def band_rows(
    responses: Responses, zones: Mapping[str, str], reference_ms: Mapping[str, float], fraction: int
) -> list[Band]:
    """Rows of `bands.csv` of one capture, as captured.

    zones : zone of each position; reference_ms : arrival of the reference output there, taken out of the phase (0
    where it is not known)
    """
    rows = []
    for i, output in enumerate(responses.outputs):
        for p, position in enumerate(responses.positions):
            if responses.has(output, position):
                arrival = reference_ms.get(position, 0.0)
                rows += _rows(responses, i, p, zones[position], arrival if np.isfinite(arrival) else 0.0, fraction)
    return rows


def _rows(responses: Responses, i: int, p: int, zone: str, reference_ms: float, fraction: int) -> list[Band]:
    f = responses.frequency_hz
    centre = band_centres_hz(fraction, LOWEST_HZ, HIGHEST_HZ)
    low, high = band_edges_hz(centre, fraction)
    h = responses.h[i, p].astype(np.complex128)
    aligned = h * rotation(f, 1.0, -reference_ms)
    inside = high <= f[-1]
    centre, low, high = centre[inside], low[inside], high[inside]
    first, stop = np.searchsorted(f, low), np.searchsorted(f, high)
    slope = phase_slope_ms(aligned, responses.variance[i, p], f, _Runs(first, stop))
    rows = []
    for k in np.flatnonzero(stop > first):
        lines = slice(int(first[k]), int(stop[k]))
        error = float(np.mean(responses.variance[i, p, lines]))
        energy = float(np.mean(np.abs(h[lines]) ** 2)) - error
        if not energy > _MIN_SNR * error:
            energy = np.nan
        vector = np.mean(aligned[lines])
        std = np.sqrt(error / 2.0 / _independent(lines.stop - lines.start)) / max(abs(vector), 1e-30)
        blank = 1.0 if np.isfinite(energy) else np.nan
        rows.append(
            Band(
                capture=responses.capture,
                output=responses.outputs[i],
                position=responses.positions[p],
                zone=zone,
                band_hz=nominal_hz(float(centre[k]), fraction),
                band_low_hz=float(low[k]),
                band_high_hz=float(high[k]),
                level_db=float(energy_db(energy)),
                phase_deg=float(np.degrees(np.angle(vector))) * blank,
                phase_std_deg=float(min(np.degrees(std), 180.0)) * blank,
                group_delay_ms=float(slope[k]) * blank,
                coherence=float(np.mean(responses.coherence[i, p, lines])),
                averages=float(responses.averages[i, p]),
            )
        )
    return rows


def _independent(n_lines: int) -> float:
    """Independent lines among `n_lines` neighbours of Hann frames, whose errors correlate as 2/3 and 1/6."""
    shared = 1.0 + 2.0 * (4.0 / 9.0 * (n_lines - 1) + 1.0 / 36.0 * max(n_lines - 2, 0)) / n_lines
    return n_lines / shared


class _Runs:
    """Bands by their lines."""

    def __init__(self, first: NDArray[np.int64], stop: NDArray[np.int64]) -> None:
        self.first, self.stop = first, stop
