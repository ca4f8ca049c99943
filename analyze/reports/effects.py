"""Where the recommended settings make the audience's sums better and where worse, in words; the stage louder, softer.

By position and third octave, as far as a band is heard there: a mean over all hides what one seat loses. A change
that measuring alone could make, where a quiet output may be nothing but noise, is not named.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.acoustics import energy_db, nominal_hz
from analyze.reports.naming import shortened
from analyze.reports.selections import SCORE_RANGE_HZ, counted, mean, predictions_at, seats
from analyze.reports.summaries import frequency, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.pipeline import Analysis

#: A change of one band by no more than this is not worth a word: common practice, no source.
WORTH_DB = 1.0

# Bands of seats are named so many, of one change so many, of the stage so many, with names so long.
_MOST_NAMED, _MOST_OF_ONE, _MOST_ON_STAGE, _NAME_LENGTH = 3, 2, 1, 40

# More low end of the mains is not what a stage asks for: there it is only louder.
_ON_STAGE = {"Better": "Louder", "Worse": "Softer"}

# A change is named where it is more than so many of its standard errors.
_CLEAR = 2.0

# Change in dB, position, third octave.
_Change = tuple[float, str, float]


@dataclass(frozen=True)
class ThirdChange:
    """Change of the sum in a third octave, dB, and its standard error at the most; 0 where none is known, higher up."""

    change_db: float
    std_db: float
    counts: bool

    @property
    def is_clear(self) -> bool:
        """Whether it is more than measuring could make."""
        return abs(self.change_db) > _CLEAR * self.std_db


def effect_words(analysis: Analysis) -> list[str]:
    """What gets better and what gets worse, the most first; empty where nothing changes."""
    audible = _audible_changes(analysis, "audience"), _audible_changes(analysis, "stage")
    if not any(change.change_db for of_zone in audible for change in of_zone.values()):
        return []
    changes, on_stage = (_clear(of_zone) for of_zone in audible)
    gains, losses = _gains(changes), _losses(changes)
    none = (
        "" if gains else f"No seat clearly gains more than {WORTH_DB:g} dB in a band.",
        "" if losses else f"No seat clearly loses more than {WORTH_DB:g} dB in a band.",
    )
    told = (
        _with_stage("Better", gains, _gains(on_stage), _MOST_NAMED),
        _with_stage("Worse", losses, _losses(on_stage), _MOST_NAMED),
    )
    return [" ".join(filter(None, both)) for both in zip(none, told, strict=True)]


def effects_by_change(analysis: Analysis) -> dict[tuple[str, ...], list[str]]:
    """The same in parts: per group that changes what gets better and worse for it more than for any other change."""
    effects = analysis.change_effects
    changes = _clear(_audible_changes(analysis, "audience")) if effects else []
    on_stage = _clear(_audible_changes(analysis, "stage")) if effects else []
    found: dict[tuple[str, ...], dict[str, list[_Change]]] = {one.outputs: defaultdict(list) for one in effects}
    for where, of_zone in (("", changes), (" on stage", on_stage)):
        for change in _gains(of_zone):
            most = max(effects, key=lambda one: one.sum_db.get(change[1:], -math.inf))
            found[most.outputs][f"Better{where}"].append(change)
        for change in _losses(of_zone):
            most = min(effects, key=lambda one: one.sum_db.get(change[1:], math.inf))
            found[most.outputs][f"Worse{where}"].append(change)
    return {
        group: [
            words
            for what in ("Better", "Worse")
            if (words := _with_stage(what, of_group[what], of_group[f"{what} on stage"], _MOST_OF_ONE))
        ]
        for group, of_group in found.items()
    }


def losses_of(analysis: Analysis, output: str) -> list[tuple[float, str, float]]:
    """What seats lose by the change of an output's group more than by another: dB (negative), position, band in Hz."""
    effects = analysis.change_effects
    return [
        change
        for change in (_losses(_clear(_audible_changes(analysis, "audience"))) if effects else ())
        if output in min(effects, key=lambda one: one.sum_db.get(change[1:], math.inf)).outputs
    ]


def third_changes(analysis: Analysis, position: str) -> dict[float, ThirdChange]:
    """Change per third octave at a position, and whether it counts.

    Of finer bands it is the mean of those that count in it, or of all where none does.
    """
    low, high = SCORE_RANGE_HZ
    rows = [row for row in predictions_at(analysis, position) if low <= row.band_hz <= high]
    used = {row.band_hz for row in counted(rows)}
    thirds: dict[float, list[ThirdChange]] = defaultdict(list)
    for row in rows:
        third_hz = nominal_hz(10.0 ** (round(10.0 * math.log10(row.band_hz)) / 10.0), 3)
        # those of both sums, as if each erred by itself
        std_db = math.hypot(row.present_std_db, row.recommended_std_db)
        counts = row.band_hz in used
        thirds[third_hz].append(ThirdChange(row.change_db, std_db if math.isfinite(std_db) else 0.0, counts))
    found = {}
    for hz, changes in thirds.items():
        counts = any(one.counts for one in changes)
        same = [one for one in changes if one.counts is counts]
        found[hz] = ThirdChange(mean(one.change_db for one in same), mean(one.std_db for one in same), counts)
    return found


def _audible_changes(analysis: Analysis, zone: str) -> dict[tuple[str, float], ThirdChange]:
    """The change of every third octave at every position of a zone at which it is heard."""
    heard = _heard(analysis)
    return {
        (seat.position, hz): one
        for seat in seats(analysis)
        if seat.zone == zone
        for hz, one in third_changes(analysis, seat.position).items()
        if math.isfinite(one.change_db) and (seat.position, hz) in heard
    }


def _clear(changes: dict[tuple[str, float], ThirdChange]) -> list[_Change]:
    """Those of some changes that are more than measuring could make."""
    return [(one.change_db, *at) for at, one in changes.items() if one.is_clear]


def _heard(analysis: Analysis) -> set[tuple[str, float]]:
    """Positions and third octaves whose loudest output is not far below the loudest third octave there."""
    import numpy as np

    from analyze.alignment.cells import DEPTH_DB, HIGHEST_HZ, LOWEST_HZ, band_energy, bands

    responses = analysis.responses
    if not responses.h.size:
        return set()
    b = bands(responses.frequency_hz, 3, LOWEST_HZ, HIGHEST_HZ)
    loudest = np.nan_to_num(band_energy(responses, b)).max(axis=0)  # (position, band)
    level_db = energy_db(np.maximum(loudest, 1e-30))
    is_heard = (loudest > 0.0) & (level_db >= level_db.max(axis=1, keepdims=True) - DEPTH_DB)
    centres = [nominal_hz(float(hz), 3) for hz in b.centre_hz]
    return {(responses.positions[p], centres[k]) for p, k in zip(*np.nonzero(is_heard), strict=True)}


def _gains(changes: Sequence[_Change]) -> list[_Change]:
    """What gains more than is worth a word, the most first."""
    return sorted((one for one in changes if round(one[0], 1) > WORTH_DB), reverse=True)


def _losses(changes: Sequence[_Change]) -> list[_Change]:
    """What loses more than is worth a word, the most first."""
    return sorted(one for one in changes if round(one[0], 1) < -WORTH_DB)


def _with_stage(what: str, changes: Sequence[_Change], on_stage: Sequence[_Change], most: int) -> str:
    """The greatest changes of the audience and then those of the stage, in one sentence; empty for none."""
    stage = _words(f"{_ON_STAGE[what]} on stage", on_stage, _MOST_ON_STAGE)
    if not changes:
        return stage
    aside = f"; {stage[0].lower()}{stage[1:]}" if stage else "."
    return _words(what, changes, most).removesuffix(".") + aside


def _words(what: str, changes: Sequence[_Change], most: int) -> str:
    """The greatest of some changes by name, the others counted; empty for none."""
    said = [
        f"{frequency(hz)} at {shortened(seat, _NAME_LENGTH)} by {number(abs(db))} dB" for db, seat, hz in changes[:most]
    ]
    n_more = len(changes) - len(said)
    more = f", and {n_more} more over {WORTH_DB:g} dB" if n_more else ""
    return f"{what}: {', '.join(said)}{more}." if said else ""
