"""Takes of one signal with the same settings that do not sound the same: one of them was set otherwise.

Where all outputs were sent one signal nothing but a setting, a fader or a moved microphone changes the sum at a seat.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from analyze.acoustics import band_centres_hz, band_edges_hz, energy_db, nominal_hz
from analyze.description import Capture
from analyze.findings import Finding
from analyze.responses.flips import HIGHEST_HZ, LOWEST_HZ, levels_of
from analyze.spectra.cross_spectra import CrossSpectra, line_hz

#: A third octave changes by more than this, in as many of them over all places: more than a fader that was touched or
#: the error of a short take does (common practice, no source).
_UNLIKE_DB, _FEWEST = 5.0, 3
#: Of a feed's energy what the others explain where they are one signal.
_ONE_SIGNAL = 0.98


def unlike_takes(captures: Sequence[Capture], crosses: Mapping[str, CrossSpectra]) -> list[Finding]:
    """A finding for every later take that sounds unlike the first one that is described like it."""
    found: dict[str, Finding] = {}
    for first, second in combinations(captures, 2):
        one, other = crosses.get(first.name), crosses.get(second.name)
        if one is None or other is None or second.name in found or not _are_described_alike(first, second):
            continue
        if _is_one_signal(one) and _is_one_signal(other) and (place := _greatest(one, other)):
            found[second.name] = _finding(first, second, *place)
    return list(found.values())


def _are_described_alike(first: Capture, second: Capture) -> bool:
    """Whether the same outputs played in two captures at the same settings."""
    same = set(first.playing) == set(second.playing) == set(first.feeds) == set(second.feeds)
    return same and len(first.playing) > 1 and all(first.settings[n] == second.settings[n] for n in first.playing)


def _is_one_signal(cross: CrossSpectra) -> bool:
    """Whether all feeds are the first of them, but for their level."""
    gxx = cross.gxx[0]  # (feed, feed, line), of the first microphone: feeds are the same for all
    power = np.maximum(np.einsum("iil->il", gxx).real, 1e-300)
    explained = (np.abs(gxx[0]) ** 2 / power[0]).sum(axis=-1) / power.sum(axis=-1)
    return bool((explained > _ONE_SIGNAL).all())


def _greatest(one: CrossSpectra, other: CrossSpectra) -> tuple[str, float, float] | None:
    """Where two takes differ most: position, nominal third octave and by how many dB; None where they sound alike."""
    centre = band_centres_hz(3, LOWEST_HZ, HIGHEST_HZ)
    low, high = band_edges_hz(centre, 3)
    f = line_hz(int(np.searchsorted(line_hz(one.gyy.shape[-1]), high[-1])) + 1)
    places = [name for name in one.positions if name in other.positions]
    change_db = [np.subtract(*(energy_db(levels_of(c, p, f, low, high)) for c in (other, one))) for p in places]
    sizes = [(abs(float(db)), p, k) for p, row in zip(places, change_db, strict=True) for k, db in enumerate(row)]
    if sum(size_db > _UNLIKE_DB for size_db, _, _ in sizes) < _FEWEST:
        return None
    _, position, k = max(sizes)
    return position, nominal_hz(float(centre[k]), 3), float(change_db[places.index(position)][k])


def _finding(first: Capture, second: Capture, position: str, band_hz: float, change_db: float) -> Finding:
    """What to correct."""
    detail = (
        f"It is described with the settings of {first.name!r}, sends the same to all outputs, and at {position} "
        f"{band_hz:g} Hz is {abs(change_db):.0f} dB {'louder' if change_db > 0.0 else 'softer'}: something was set "
        "otherwise. If a polarity was flipped say so under settings: an inverted output that was flipped is normal "
        "there. Else find out what was changed or moved."
    )
    return Finding("takes described alike differ", "warning", detail, second.name, position, value=change_db, unit="dB")
