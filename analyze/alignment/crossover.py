"""Where mains and subs are equally loud: the acoustic crossover, which no filter setting tells by itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.alignment.cells import Bands, band_energy, band_mean, bands
from analyze.responses.transfer import Responses

#: Share of a band's lines that nothing is told of an output, from which on its level there is not known.
_UNTOLD = 0.5
#: Bands that are looked through: below and above no crossover to subs is set (common practice, no source).
_LOWEST_HZ, _HIGHEST_HZ = 30.0, 350.0


def crossover_hz(responses: Responses, mains: Sequence[int], subs: Sequence[int]) -> NDArray[np.float64]:
    """Frequency above which the mains together are louder than the subs, by energy.

    The highest crossing of both levels per third octave, between centres along a straight line over the logarithm of
    frequency.

    Parameters
    ----------
    mains, subs : indices on the output axis

    Returns
    -------
    (position,) in Hz, NaN where levels do not cross between two bands in which both are heard and none is hidden
    """
    b = bands(responses.frequency_hz, 3, _LOWEST_HZ, _HIGHEST_HZ)
    energy = band_energy(responses, b)  # (output, position, band)
    found = np.full(energy.shape[1], np.nan)
    if not len(mains) or not len(subs):
        return found
    main, sub = (np.nansum(energy[list(of)], axis=0) for of in (mains, subs))
    heard = (main > 0.0) & (sub > 0.0) & ~_hidden(responses, [*mains, *subs], b)
    lead_db = np.where(heard, energy_db(np.where(heard, sub, 1.0)) - energy_db(np.where(heard, main, 1.0)), np.nan)
    octaves = np.log2(b.centre_hz)
    for position, at in enumerate(lead_db):
        crossed = np.flatnonzero((at[:-1] > 0.0) & (at[1:] <= 0.0))  # NaN is neither
        if len(crossed):
            k = crossed[-1]
            share = at[k] / (at[k] - at[k + 1])
            found[position] = 2.0 ** (octaves[k] + share * (octaves[k + 1] - octaves[k]))
    return found


def _hidden(responses: Responses, outputs: Sequence[int], b: Bands) -> NDArray[np.bool_]:
    """Where one of some outputs cannot be told from the others, (position, band): its level is not none."""
    untold = [band_mean((responses.h[k, :, : b.lines.stop] == 0.0).astype(np.float64), b) for k in outputs]
    return np.asarray(np.max(untold, axis=0) > _UNTOLD)
