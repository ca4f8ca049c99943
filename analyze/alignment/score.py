"""Sum efficiency: how much of what the outputs could give together arrives.

Per cell the energy of `|sum_i p_i H_i exp(-j 2 pi f d_i)|` over that of `sum_i |H_i|`, in dB: 0 means that nothing is
lost. The score is the mean over cells weighted by position.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.alignment.cells import Cells, heard_lines
from analyze.responses.transfer import Responses, rotation

#: Sign and delay in ms that are applied to an output on top of its present setting.
Change = tuple[float, float]
UNCHANGED: Change = (1.0, 0.0)

_FLOOR = 1e-12


def trusted(responses: Responses) -> NDArray[np.complex128]:
    """Responses of the low lines shrunk by their error, `H |H|^2 / (|H|^2 + var)`; (output, position, line).

    Where nothing was measured, or an output does not stand out of its error, it is taken as silent.
    """
    n = responses.replicates.shape[-1]
    return shrunk(responses.h[..., :n], responses.variance[..., :n]) * counted(responses)


def counted(responses: Responses) -> NDArray[np.bool_]:
    """Whether an output counts in the sum of a low line, see `heard_lines`; (output, position, line)."""
    n = responses.replicates.shape[-1]
    counts = np.ones(responses.h[..., :n].shape, dtype=np.bool_)
    for p in range(len(responses.positions)):
        counts[:, p] = heard_lines(responses, p)[:, :n]
    return counts


def shrunk(h: NDArray[np.complexfloating], variance: NDArray[np.floating]) -> NDArray[np.complex128]:
    """`H |H|^2 / (|H|^2 + var)`, 0 where either is not known; any shape."""
    power = np.abs(h).astype(np.float64) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        gain = power / (power + variance)
    return np.asarray(np.nan_to_num(h * gain), dtype=np.complex128)


def with_changes(
    h: NDArray[np.complex128],
    frequency_hz: NDArray[np.float64],
    outputs: Sequence[str],
    changes: Mapping[str, Change],
) -> NDArray[np.complex128]:
    """`h` (output, ..., line) with the change of each output applied; outputs not named stay."""
    out = h.copy()
    for i, output in enumerate(outputs):
        sign, delay_ms = changes.get(output, UNCHANGED)
        if (sign, delay_ms) != UNCHANGED:
            out[i] *= rotation(frequency_hz[: h.shape[-1]], sign, delay_ms)
    return out


def cell_energy(values: NDArray[np.float64], cells: Cells) -> NDArray[np.float64]:
    """Sum of `values` (..., position, line) over the lines of each cell; (..., cell)."""
    sums = np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(values, axis=-1)], axis=-1)
    return np.asarray(sums[..., cells.position, cells.stop] - sums[..., cells.position, cells.first])


def possible_energy(h: NDArray[np.complex128], cells: Cells) -> NDArray[np.float64]:
    """Energy of the sum of magnitudes per cell, (cell,): what could arrive at best."""
    return cell_energy(np.abs(h).sum(axis=0) ** 2, cells)


def efficiency_db(h: NDArray[np.complex128], cells: Cells) -> NDArray[np.float64]:
    """Sum efficiency per cell, (cell,), of responses (output, position, line) as they stand."""
    actual = cell_energy(np.abs(h.sum(axis=0)) ** 2, cells)
    return energy_db(np.maximum(actual / np.maximum(possible_energy(h, cells), 1e-300), _FLOOR))


def mean_score(
    cell_db: NDArray[np.float64], cells: Cells, mask: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """Mean over cells weighted by position, over `mask` alone if given; (cell, ...) -> (...). NaN without a cell."""
    weight = cells.weight if mask is None else cells.weight * mask
    total = float(weight.sum())
    if total <= 0.0:
        return np.full(cell_db.shape[1:], np.nan)
    return np.asarray(np.tensordot(weight, cell_db, axes=(0, 0)) / total)
