"""Fills that another seat hears better than the one they are lined up at: microphones that changed places.

Levels are held against those of the reference at the same positions, so that no gain of a microphone counts. So held a
tower stands out more the further one goes behind its seat, and says nothing.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable

import numpy as np

from analyze.description import Output, SoundCheck
from analyze.findings import Finding
from analyze.responses.rows import Band

#: Bands whose centres lie here count, in Hz: what a box sends to its seats and not all around.
_LOW_HZ, _HIGH_HZ = 500.0, 4000.0
#: Fewer of them that all are heard in are too few.
_FEWEST_BANDS = 2
#: By how much more, in dB: in seven demo halls the next seat stood 4.3 to 5.9 dB under the one it was meant for.
_LOUDER_DB = 3.0

# Output -> position -> band -> level in dB.
_Levels = dict[str, dict[str, dict[float, float]]]


def louder_elsewhere(sound_check: SoundCheck, bands: Iterable[Band]) -> list[Finding]:
    """A finding for every fill that is asked to arrive at seats and stands out more at another one."""
    levels: _Levels = defaultdict(lambda: defaultdict(dict))
    for row in bands:
        if _LOW_HZ <= row.band_hz <= _HIGH_HZ and math.isfinite(row.level_db):
            levels[row.output][row.position][row.band_hz] = row.level_db  # the newest capture's
    asked = [one for one in sound_check.outputs.values() if one.kind == "fill" and one.align_at]
    found = [_louder(sound_check, one, levels) for one in asked]
    return [one for one in found if one is not None]


def _louder(sound_check: SoundCheck, output: Output, levels: _Levels) -> Finding | None:
    """The finding of one output; None where its own seats hear it best."""
    seats = [name for name, position in sound_check.positions.items() if position.zone == "audience"]
    over_db = {seat: _over_reference(levels[output.name][seat], levels[sound_check.reference][seat]) for seat in seats}
    own = [seat for seat in output.align_at if over_db.get(seat)]
    others = [seat for seat in seats if seat not in output.align_at and over_db[seat]]
    if not own or not others or len(own) < len(output.align_at):
        return None
    best = max(own, key=lambda seat: _mean(over_db[seat]))
    more_db = {seat: _by_how_much(over_db[seat], over_db[best]) for seat in others}
    loudest = max(others, key=lambda seat: more_db[seat])
    if not more_db[loudest] > _LOUDER_DB:
        return None
    detail = (
        f"{output.name} is to be lined up at {best}, and against {sound_check.reference} it is "
        f"{more_db[loudest]:.0f} dB louder at {loudest}. Are the two microphones exchanged in a take, or is align_at "
        "meant otherwise?"
    )
    return Finding("louder elsewhere", "warning", detail, track=output.name, value=more_db[loudest], unit="dB")


def _over_reference(level_db: dict[float, float], reference_db: dict[float, float]) -> dict[float, float]:
    """By band, where both are heard."""
    return {band: level_db[band] - reference_db[band] for band in level_db.keys() & reference_db.keys()}


def _by_how_much(one: dict[float, float], other: dict[float, float]) -> float:
    """Mean over the bands of both; no louder where these are too few."""
    both = one.keys() & other.keys()
    return float(np.mean([one[band] - other[band] for band in both])) if len(both) >= _FEWEST_BANDS else -math.inf


def _mean(of_bands: dict[float, float]) -> float:
    return float(np.mean(list(of_bands.values())))
