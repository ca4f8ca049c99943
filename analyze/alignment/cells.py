"""Where outputs meet: levels per third octave, the cells that are scored, overlaps.

A cell is a position and a third octave from 25 to 315 Hz in which at least two outputs are within 10 dB of the
loudest, and the loudest is within 25 dB of the position's loudest such band. Cells are fixed at present settings,
which do not change levels of single outputs. Levels are energies with the measuring noise taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz
from analyze.responses.transfer import Responses

#: Two outputs meet where the quieter is within this of the louder.
MEETS_DB = 10.0
#: A cell's loudest output is within this of the position's loudest band.
DEPTH_DB = 25.0
LOWEST_HZ, HIGHEST_HZ = 24.0, 320.0
#: Below and above no band is looked at.
BOTTOM_HZ, TOP_HZ = 19.0, 17000.0
#: Energy of a response over its error below which an output says nothing in a band.
MIN_SNR = 2.0


@dataclass(frozen=True)
class Bands:
    """Bands and their lines: centre_hz, low_hz, high_hz, first, stop, each (band,); lines `first .. stop - 1`."""

    centre_hz: NDArray[np.float64]
    low_hz: NDArray[np.float64]
    high_hz: NDArray[np.float64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]

    @property
    def lines(self) -> slice:
        """From the first line of the lowest band to the last of the highest."""
        return slice(int(self.first[0]), int(self.stop[-1])) if len(self.first) else slice(0, 0)


def bands(frequency_hz: NDArray[np.float64], fraction: int, low_hz: float, high_hz: float) -> Bands:
    """1/`fraction`-octave bands between the two frequencies, with the lines that lie in each; empty bands left out."""
    centre = band_centres_hz(fraction, low_hz, high_hz)
    low, high = band_edges_hz(centre, fraction)
    first, stop = np.searchsorted(frequency_hz, low), np.searchsorted(frequency_hz, high)
    ok = (stop > first) & (high <= frequency_hz[-1])
    return Bands(centre[ok], low[ok], high[ok], first[ok], stop[ok])


@overload
def band_mean(values: NDArray[np.floating], b: Bands) -> NDArray[np.float64]: ...
@overload
def band_mean(values: NDArray[np.complexfloating], b: Bands) -> NDArray[np.complex128]: ...
def band_mean(
    values: NDArray[np.floating] | NDArray[np.complexfloating], b: Bands
) -> NDArray[np.float64] | NDArray[np.complex128]:
    """Mean over the lines of each band; (..., line) -> (..., band)."""
    lines = b.lines
    sums = np.zeros((*values.shape[:-1], lines.stop - lines.start + 1), dtype=np.result_type(values.dtype, np.float64))
    np.cumsum(values[..., lines], axis=-1, out=sums[..., 1:])
    return np.asarray((sums[..., b.stop - lines.start] - sums[..., b.first - lines.start]) / (b.stop - b.first))


def band_energy(responses: Responses, b: Bands) -> NDArray[np.float64]:
    """Mean energy of every output at every position per band, its error taken off; NaN where it says nothing.

    Returns (output, position, band).
    """
    lines = b.lines
    inside = replace(b, first=b.first - lines.start, stop=b.stop - lines.start)
    # output by output: of many seats, all lines at once are a lot
    pairs = zip(responses.h, responses.variance, strict=True)
    return np.stack([_energy(h[..., lines], variance[..., lines], inside) for h, variance in pairs])


def _energy(h: NDArray[np.complexfloating], variance: NDArray[np.floating], b: Bands) -> NDArray[np.float64]:
    """Mean energy of responses per band, its error taken off; NaN where it says nothing; (..., line) -> (..., band)."""
    total, error = band_mean(np.abs(h.astype(np.complex128)) ** 2, b), band_mean(variance, b)
    with np.errstate(invalid="ignore"):
        return np.where(total - error > MIN_SNR * error, total - error, np.nan)


def heard_lines(responses: Responses, position: int) -> NDArray[np.bool_]:
    """Lines that count in the sum at a position, (output, line).

    Those of the third octaves in which an output stands out of its error, and what lies below and above all of them:
    noise in step with nothing would look like a sum that a setting changes, and settings would be sought that suit it.
    """
    b = bands(responses.frequency_hz, 3, BOTTOM_HZ, TOP_HZ)
    counts = np.ones((len(responses.outputs), len(responses.frequency_hz)), dtype=np.bool_)
    if len(b.centre_hz):
        energy = _energy(responses.h[:, position], responses.variance[:, position], b)
        counts[:, b.lines] = np.repeat(np.isfinite(energy), b.stop - b.first, axis=1)
    return counts


@dataclass(frozen=True)
class Cells:
    """The cells of one zone; arrays (cell,), `meets` (cell, output): outputs within 10 dB of the loudest.

    position : index of the position; band_hz : exact centre; first, stop : lines; weight : of the position
    """

    position: NDArray[np.int64]
    band_hz: NDArray[np.float64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    weight: NDArray[np.float64]
    meets: NDArray[np.bool_]

    def own(self, outputs: Sequence[int]) -> NDArray[np.bool_]:
        """Cells, (cell,), in which one of these outputs is within 10 dB of the loudest."""
        return np.asarray(self.meets[:, list(outputs)].any(axis=1))

    def __len__(self) -> int:
        """Number of cells."""
        return len(self.position)


def find_cells(responses: Responses, weights: Sequence[float]) -> Cells:
    """Cells of the positions whose weight is over 0 (one weight per position)."""
    b = bands(responses.frequency_hz, 3, LOWEST_HZ, HIGHEST_HZ)
    energy = np.nan_to_num(band_energy(responses, b))  # (output, position, band)
    loudest = energy.max(axis=0)
    meets = (energy > 0) & (energy >= loudest * 10 ** (-MEETS_DB / 10))
    deep = loudest >= loudest.max(axis=-1, keepdims=True) * 10 ** (-DEPTH_DB / 10)
    heard = np.asarray(weights)[:, None] > 0
    p, k = np.nonzero((meets.sum(axis=0) >= 2) & deep & heard)
    return Cells(p, b.centre_hz[k], b.first[k], b.stop[k], np.asarray(weights, dtype=np.float64)[p], meets[:, p, k].T)


def heard_share(responses: Responses, weights: Sequence[float], outputs: Sequence[int]) -> float:
    """Of the cells in which some of `outputs` may meet others, the share in which noise does not hide whether they do.

    An output that is not heard in a band may be as loud there as noise allows: three times its error.
    """
    b = bands(responses.frequency_hz, 3, LOWEST_HZ, HIGHEST_HZ)
    heard = np.nan_to_num(band_energy(responses, b))  # (output, position, band)
    error = np.nan_to_num(band_mean(responses.variance, b))
    most = np.where(heard > 0.0, heard, (1.0 + MIN_SNR) * error)
    loudest = np.maximum(heard.max(axis=0), 1e-30)
    is_own = np.isin(np.arange(len(heard)), list(outputs))
    near = 10.0 ** (-MEETS_DB / 10.0) * loudest
    may_meet = (most[is_own] >= near).any(axis=0) & ((most >= near).sum(axis=0) >= 2)
    meets = (heard[is_own] >= near).any(axis=0) & ((heard >= near).sum(axis=0) >= 2)
    deep = most.max(axis=0) >= loudest.max(axis=-1, keepdims=True) * 10.0 ** (-DEPTH_DB / 10.0)
    weight = np.asarray(weights, dtype=np.float64)[:, None] * deep
    possible = float((weight * may_meet).sum())
    return float((weight * meets).sum()) / possible if possible > 0.0 else 1.0


@dataclass(frozen=True)
class ThirdOctaves:
    """Energies per third octave: b, the bands; energy (output, position, band), NaN where silent."""

    b: Bands
    energy: NDArray[np.float64]


def third_octaves(responses: Responses) -> ThirdOctaves:
    """Energies of every output at every position from 20 Hz to 16 kHz."""
    b = bands(responses.frequency_hz, 3, BOTTOM_HZ, TOP_HZ)
    return ThirdOctaves(b, band_energy(responses, b))


def overlap_hz(
    thirds: ThirdOctaves, output: int, others: Sequence[int], weights: Sequence[float]
) -> tuple[float, float]:
    """Longest run of third octaves in which an output meets the loudest of the others at half the weight or more.

    Returns the run's lower and upper edge in Hz, NaN where there is none.
    """
    b = thirds.b
    w = np.asarray(weights)
    if not others or not w.sum() > 0:
        return float("nan"), float("nan")
    other = np.nan_to_num(thirds.energy[list(others)]).max(axis=0)  # (position, band)
    own = np.nan_to_num(thirds.energy[output])
    ratio = 10.0 ** (MEETS_DB / 10.0)
    meets = (own > 0) & (other > 0) & (own <= other * ratio) & (other <= own * ratio)
    first, length = _longest_run((w @ meets) >= 0.5 * w.sum())
    if length == 0:
        return float("nan"), float("nan")
    return float(b.low_hz[first]), float(b.high_hz[first + length - 1])


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """First index and length of the longest run of true flags, the first of equals."""
    best, start = (0, 0), None
    for k, flag in enumerate([*flags.tolist(), False]):
        if flag and start is None:
            start = k
        elif not flag and start is not None:
            if k - start > best[1]:
                best = (start, k - start)
            start = None
    return best
