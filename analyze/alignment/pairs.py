"""How two outputs relate: per position and band their relative delay, phase and level, and what they add up to.

`relative_*` is the first minus the other: positive when the first is later, louder, ahead in phase. Sums are dB re the
louder of the two alone: +6.02 for two equal signals in phase, 0 at 120 degrees.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db, nominal_hz
from analyze.alignment.cells import BOTTOM_HZ, MEETS_DB, TOP_HZ, Bands, band_energy, band_mean, bands
from analyze.alignment.rows import Pair
from analyze.alignment.score import UNCHANGED, Change
from analyze.description import SoundCheck
from analyze.responses.bands import phase_slope_ms
from analyze.responses.transfer import Responses, rotation


def pair_rows(
    responses: Responses, sound_check: SoundCheck, changes: Mapping[str, Change], fraction: int
) -> list[Pair]:
    """Rows of `pairs.csv`: each pair once, in the order of the description; responses at present settings."""
    b = bands(responses.frequency_hz, fraction, BOTTOM_HZ, TOP_HZ)
    energy = band_energy(responses, b)  # (output, position, band)
    coherence = band_mean(responses.coherence, b)
    rows = []
    for p, position in enumerate(responses.positions):
        heard = [i for i, name in enumerate(responses.outputs) if responses.has(name, position)]
        for i, j in combinations(heard, 2):
            rows += _rows(responses, sound_check, changes, fraction, b, energy, coherence, p, i, j)
    return rows


def _rows(
    responses: Responses,
    sound_check: SoundCheck,
    changes: Mapping[str, Change],
    fraction: int,
    b: Bands,
    energy: NDArray[np.float64],
    coherence: NDArray[np.float64],
    p: int,
    i: int,
    j: int,
) -> list[Pair]:
    """All bands of one pair at one position."""
    f, names = responses.frequency_hz, responses.outputs
    hi, hj = responses.h[i, p].astype(np.complex128), responses.h[j, p].astype(np.complex128)
    cross = hi * np.conj(hj)
    # recommended: each turned and delayed by its own change
    (si, di), (sj, dj) = changes.get(names[i], UNCHANGED), changes.get(names[j], UNCHANGED)
    moved = cross if (si, di) == (sj, dj) else cross * rotation(f, si * sj, di - dj)
    mean_cross, mean_moved = band_mean(cross, b), band_mean(moved, b)
    ei, ej = energy[i, p], energy[j, p]
    louder = np.fmax(ei, ej)
    # a sum is not known to be smaller than the error of its parts
    error = band_mean(responses.variance[i, p] + responses.variance[j, p], b)
    with np.errstate(invalid="ignore", divide="ignore"):
        both = ei + ej
        sums = [
            energy_db(np.maximum(both + 2.0 * x.real, error) / louder) for x in (mean_cross, -mean_cross, mean_moved)
        ]
        difference = energy_db(ei) - energy_db(ej)
    cross_error = np.abs(hi) ** 2 * responses.variance[j, p] + np.abs(hj) ** 2 * responses.variance[i, p]
    delay = phase_slope_ms(cross, cross_error, f, b)
    phase = np.degrees(np.angle(mean_cross))
    usable = np.abs(difference) <= MEETS_DB
    known = np.isfinite(difference)
    rows = []
    for k, centre in enumerate(b.centre_hz):
        blank = np.nan if not known[k] else 1.0
        rows.append(
            Pair(
                position=responses.positions[p],
                zone=sound_check.positions[responses.positions[p]].zone,
                output=names[i],
                other=names[j],
                band_hz=nominal_hz(float(centre), fraction),
                relative_delay_ms=float(delay[k] * blank),
                relative_phase_deg=float(phase[k] * blank),
                level_difference_db=float(difference[k]),
                sum_db=float(sums[0][k]),
                flipped_sum_db=float(sums[1][k]),
                recommended_sum_db=float(sums[2][k]),
                coherence=float(min(coherence[i, p, k], coherence[j, p, k])),
                usable="yes" if usable[k] else "no",
            )
        )
    return rows
