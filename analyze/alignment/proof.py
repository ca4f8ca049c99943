"""A proof to try by ear: the seat and the bands where flipping an output takes most away from the recommended sum.

Pink noise through everything, one polarity switch: what is predicted there can be heard at once, or is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db, nominal_hz
from analyze.alignment.cells import HIGHEST_HZ, LOWEST_HZ, Bands, band_mean, bands
from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.rows import Proof
from analyze.alignment.score import Change, with_changes

#: Adjacent third octaves at the most: an octave is heard as one thing.
_MOST_THIRDS = 3
#: What a third octave more is worth, dB: the wider of two bands that lose much alike is easier to hear.
_WIDER_DB = 2.0
#: A drop must be at least this in nineteen of twenty resamples, dB: less is not told by ear with certainty (common
#: practice, no source).
LEAST_DB = 3.0
_SURE = 0.95
#: Nobody listens to a monitor below this, nor plays it there (common practice, no source).
_LOWEST_OF_MONITOR_HZ = 60.0


def proofs(
    context: Context, decisions: Mapping[tuple[str, ...], Decision], typed: Sequence[Mapping[str, Change]]
) -> list[Proof]:
    """One proof for every decided group for which there is one; monitors on stage, the others in the audience.

    typed : changes per output, of which any may be what is typed in: a proof holds for all of them
    """
    found = []
    for group, decision in decisions.items():
        if decision.decision not in ("change", "keep") or not context.heard(group):
            continue
        is_monitor = context.sound_check.outputs[group[0]].kind == "monitor"
        proof = _best(context, group, typed, "stage" if is_monitor else "audience")
        found += [] if proof is None else [proof]
    return found


def _best(context: Context, group: Sequence[str], typed: Sequence[Mapping[str, Change]], zone: str) -> Proof | None:
    """The position and bands of a zone where flipping the group is heard best, whichever changes are typed in."""
    cells = context.stage if zone == "stage" else context.audience
    own = cells.own(context.heard(group))
    b = bands(context.responses.frequency_hz[: context.h.shape[-1]], 3, LOWEST_HZ, HIGHEST_HZ)
    meets = np.zeros((len(context.responses.positions), len(b.centre_hz)), dtype=np.bool_)
    meets[cells.position[own], np.searchsorted(b.centre_hz, 0.999 * cells.band_hz[own])] = True
    if zone == "stage":
        meets[:, b.centre_hz < _LOWEST_OF_MONITOR_HZ] = False
    sums = [[_band_energies(context, h, group, one, b) for h in (context.h, *context.replicates)] for one in typed]
    best, most = None, -np.inf
    for n_thirds in range(1, _MOST_THIRDS + 1):
        drop_db = np.min([_drops_db(one, n_thirds) for one in sums], axis=0)  # (source, position, first band)
        sure_db = np.quantile(drop_db[1:], 1.0 - _SURE, axis=0)
        sure_db = np.where(_runs(meets.astype(np.float64), n_thirds) > n_thirds - 0.5, sure_db, -np.inf)
        p, k = np.unravel_index(int(np.argmax(sure_db)), sure_db.shape)
        if sure_db[p, k] >= LEAST_DB and sure_db[p, k] + _WIDER_DB * n_thirds > most:
            most = float(sure_db[p, k]) + _WIDER_DB * n_thirds
            low, high = (nominal_hz(float(b.centre_hz[at]), 3) for at in (k, k + n_thirds - 1))
            position = context.responses.positions[int(p)]
            silent = tuple(o for o in context.sound_check.outputs if not context.responses.has(o, position))
            drops_db = float(drop_db[0, p, k]), float(sure_db[p, k])
            best = Proof(tuple(group), position, zone, silent, low, high, *drops_db)
    return best


def _drops_db(sums: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]], n_thirds: int) -> NDArray[np.float64]:
    """By how much runs of bands drop when flipped, of energies (position, band) as set and flipped, per source."""
    as_set, flipped = (np.stack([_runs(part[k], n_thirds) for part in sums]) for k in (0, 1))
    return energy_db(np.maximum(as_set, 1e-30) / np.maximum(flipped, 1e-30))


def _band_energies(
    context: Context,
    h: NDArray[np.complexfloating],
    group: Sequence[str],
    changes: Mapping[str, Change],
    b: Bands,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean energies (position, band) of the sum of all outputs as recommended, and with the group flipped."""
    names = context.responses.outputs
    moved = with_changes(h.astype(np.complex128), context.responses.frequency_hz, names, changes)
    total, own = moved.sum(axis=0), moved[context.heard(group)].sum(axis=0)
    return band_mean(np.abs(total) ** 2, b), band_mean(np.abs(total - 2.0 * own) ** 2, b)


def _runs(values: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Sums over n adjacent bands, (position, first band): bands of equal weight are pink noise."""
    return np.asarray(np.lib.stride_tricks.sliding_window_view(values, n, axis=-1).sum(axis=-1))
