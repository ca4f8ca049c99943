"""What the recommended settings will change at each seat and band.

Sums of all outputs in dB re the sum of all magnitudes: 0 means that nothing is lost.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db, nominal_hz
from analyze.alignment.cells import BOTTOM_HZ, HIGHEST_HZ, TOP_HZ, Bands, Cells, band_mean, bands, heard_lines
from analyze.alignment.rows import ChangeEffect, Prediction
from analyze.alignment.score import UNCHANGED, Change, shrunk, with_changes
from analyze.description import SoundCheck
from analyze.responses.transfer import Responses


def prediction_rows(
    responses: Responses,
    sound_check: SoundCheck,
    changes: Mapping[str, Change],
    cells: Cells,
    fraction: int,
) -> list[Prediction]:
    """Rows of `prediction.csv`, every position and band in which anything was measured.

    cells : the audience cells; a finer or coarser band counts as a cell where the third octave at its centre is one
    """
    b = bands(responses.frequency_hz, fraction, BOTTOM_HZ, TOP_HZ)
    resampled = bands(responses.frequency_hz[: responses.replicates.shape[-1]], fraction, BOTTOM_HZ, TOP_HZ)
    unknown = np.full(len(b.centre_hz) - len(resampled.centre_hz), np.nan)
    rows = []
    for p, position in enumerate(responses.positions):
        h = _heard(responses, p)  # seat by seat: of many, all lines at once are a lot
        moved = with_changes(h, responses.frequency_hz, responses.outputs, changes)
        possible = band_mean(np.abs(h).sum(axis=0) ** 2, b)
        present, recommended = (_sum_db(x, possible, b) for x in (h, moved))
        stds = sum_std_db(responses, p, changes, resampled)
        present_std, recommended_std = (np.concatenate([std, unknown]) for std in stds)
        for k, centre in enumerate(b.centre_hz):
            if possible[k] <= 0.0:
                continue
            rows.append(
                Prediction(
                    position=position,
                    zone=sound_check.positions[position].zone,
                    band_hz=nominal_hz(float(centre), fraction),
                    present_db=float(present[k]),
                    recommended_db=float(recommended[k]),
                    change_db=float(recommended[k] - present[k]),
                    cell="yes" if _is_cell(cells, p, float(centre)) else "no",
                    present_std_db=float(present_std[k]),
                    recommended_std_db=float(recommended_std[k]),
                )
            )
    return rows


def change_effects(
    responses: Responses, groups: Sequence[Sequence[str]], changes: Mapping[str, Change]
) -> list[ChangeEffect]:
    """What the change of each group adds to the recommended sums, held against all the changes but that one.

    groups : outputs that move as one; those that stay have no effect and are left out
    """
    b = bands(responses.frequency_hz, 3, BOTTOM_HZ, TOP_HZ)
    moving = [tuple(group) for group in groups if any(changes.get(name, UNCHANGED) != UNCHANGED for name in group)]
    found: list[dict[tuple[str, float], float]] = [{} for _ in moving]
    for p, position in enumerate(responses.positions):
        h = _heard(responses, p)
        possible = band_mean(np.abs(h).sum(axis=0) ** 2, b)
        recommended = _sum_db(with_changes(h, responses.frequency_hz, responses.outputs, changes), possible, b)
        for group, at in zip(moving, found, strict=True):
            others = {name: change for name, change in changes.items() if name not in group}
            without = _sum_db(with_changes(h, responses.frequency_hz, responses.outputs, others), possible, b)
            at |= {
                (position, nominal_hz(float(centre), 3)): float(recommended[k] - without[k])
                for k, centre in enumerate(b.centre_hz)
                if possible[k] > 0.0
            }
    return [ChangeEffect(group, at) for group, at in zip(moving, found, strict=True)]


def _heard(responses: Responses, position: int) -> NDArray[np.complex128]:
    """The responses at a position that count in its sums, (output, line), shrunk by their error."""
    h = shrunk(responses.h[:, position], responses.variance[:, position])
    h[~heard_lines(responses, position)] = 0.0
    return h


def sum_std_db(
    responses: Responses, position: int, changes: Mapping[str, Change], b: Bands
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Standard deviation over the replicates of a position's sum at present and with the changes, each (band,), dB.

    b : bands of lines that the replicates have
    """
    drawn = np.moveaxis(responses.replicates[:, :, position], 1, 0)  # (output, replicate, line)
    h = shrunk(drawn, responses.variance[:, None, position, : drawn.shape[-1]])
    moved = with_changes(h, responses.frequency_hz, responses.outputs, changes)
    possible = band_mean(np.abs(h).sum(axis=0) ** 2, b)
    present, recommended = (_sum_db(x, possible, b).std(axis=0) for x in (h, moved))
    return present, recommended


def _sum_db(h: NDArray[np.complex128], possible: NDArray[np.float64], b: Bands) -> NDArray[np.float64]:
    """Energy of the sum over outputs, `h` (output, ..., line) at one position, re the possible one; (..., band)."""
    actual = band_mean(np.abs(h.sum(axis=0)) ** 2, b)
    return energy_db(np.maximum(actual / np.maximum(possible, 1e-300), 1e-12))


def _is_cell(cells: Cells, position: int, centre_hz: float) -> bool:
    """Whether the third octave around this frequency is one of the position's cells."""
    if centre_hz > HIGHEST_HZ * 1.2:
        return False
    here = cells.position == position
    return bool((np.abs(10.0 * np.log10(cells.band_hz[here] / centre_hz)) < 0.5).any())
