"""Where the recommended settings make the audience's sums better, and where worse, in words.

By seat and third octave, over the bands that count in the score alone: a mean over all hides what one seat loses.
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING

from analyze.acoustics import nominal_hz
from analyze.reports.naming import shortened
from analyze.reports.selections import SCORE_RANGE_HZ, counted, mean, predictions_at, seats
from analyze.reports.summaries import frequency, listed, number, plural

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analyze.pipeline import Analysis

#: A change of one band by no more than this is not worth a word: common practice, no source.
WORTH_DB = 1.0

# Bands of seats that lose are named so many, seats that gain so many, with names so long.
_MOST_LOSSES, _MOST_SEATS, _NAME_LENGTH = 3, 4, 40
# A band beside the one that gains most belongs to it while it gains this much of that.
_BESIDE = 0.5

# Change in dB per (seat, third octave).
_Changes = dict[tuple[str, float], float]
# Change in dB, seat, third octave.
_Loss = tuple[float, str, float]


def third_changes(analysis: Analysis, position: str) -> dict[float, tuple[float, bool]]:
    """Change in dB per third octave at a position, and whether it counts.

    Of finer bands it is the mean of those that count in it, or of all where none does.
    """
    low, high = SCORE_RANGE_HZ
    rows = [row for row in predictions_at(analysis, position) if low <= row.band_hz <= high]
    used = {row.band_hz for row in counted(rows)}
    thirds: dict[float, list[tuple[float, bool]]] = defaultdict(list)
    for row in rows:
        third_hz = nominal_hz(10.0 ** (round(10.0 * math.log10(row.band_hz)) / 10.0), 3)
        thirds[third_hz].append((row.change_db, row.band_hz in used))
    found = {}
    for hz, changes in thirds.items():
        counts = any(is_used for _, is_used in changes)
        found[hz] = mean(change_db for change_db, is_used in changes if is_used is counts), counts
    return found


def better_words(analysis: Analysis) -> str:
    """Where it helps most: a run of bands, how much, and at which seats; empty where nothing changes or counts."""
    changes = _counted_changes(analysis)
    if not changes:
        return ""
    run = _best_run(changes)
    gains: dict[str, float] = {}
    for name in dict.fromkeys(seat for seat, _ in changes):
        gain_db = mean(db for (seat, hz), db in changes.items() if seat == name and hz in run)
        if math.isfinite(gain_db) and round(gain_db, 1) > WORTH_DB:
            gains[name] = gain_db
    if not gains:
        return f"No seat gains more than {WORTH_DB:g} dB in the bands that gain most."
    span = " to ".join(dict.fromkeys((f"{run[0]:g}", f"{run[-1]:g}")))
    more = " to ".join(dict.fromkeys(number(end) for end in (min(gains.values()), max(gains.values()))))
    n_seats = len({seat for seat, _ in changes})
    where = listed(_short(gains)) if len(gains) <= _MOST_SEATS else f"{len(gains)} of {plural(n_seats, 'seat')}"
    return f"Better: {span} Hz, {more} dB more at {where}."


def worse_words(analysis: Analysis) -> str:
    """The seats and bands that lose most, or that none loses much; empty where nothing changes or counts."""
    changes = _counted_changes(analysis)
    if not changes:
        return ""
    return _loss_words(_losses(changes)) or f"No seat loses more than {WORTH_DB:g} dB in any band that counts."


def worse_by_change(analysis: Analysis) -> dict[tuple[str, ...], str]:
    """The same in parts, per group that changes: the seats and bands that lose for it, the most of all changes."""
    effects = analysis.change_effects
    caused: dict[tuple[str, ...], list[_Loss]] = {one.outputs: [] for one in effects}
    for loss in _losses(_counted_changes(analysis)) if effects else ():
        worst = min(effects, key=lambda one: one.sum_db.get(loss[1:], math.inf))
        caused[worst.outputs].append(loss)
    return {outputs: _loss_words(losses) for outputs, losses in caused.items()}


def _losses(changes: _Changes) -> list[_Loss]:
    """What loses more than is worth a word, the most first."""
    return sorted((db, seat, hz) for (seat, hz), db in changes.items() if round(db, 1) < -WORTH_DB)


def _loss_words(losses: Sequence[_Loss]) -> str:
    """The greatest of some losses by name, the others counted; empty for none."""
    said = [
        f"{shortened(seat, _NAME_LENGTH)} at {frequency(hz)} by {number(-db)} dB"
        for db, seat, hz in losses[:_MOST_LOSSES]
    ]
    n_more = len(losses) - len(said)
    more = f"; {n_more} more where a seat loses over {WORTH_DB:g} dB in a band" if n_more else ""
    return f"Worse: {', '.join(said)}{more}." if said else ""


def _counted_changes(analysis: Analysis) -> _Changes:
    """Change per seat of the audience and third octave that counts in the score; none where all of them are nought."""
    found = {
        (seat.position, hz): change_db
        for seat in seats(analysis)
        if seat.zone == "audience" and seat.is_scored
        for hz, (change_db, counts) in third_changes(analysis, seat.position).items()
        if counts and math.isfinite(change_db)
    }
    return found if any(found.values()) else {}


def _best_run(changes: Mapping[tuple[str, float], float]) -> list[float]:
    """Adjacent third octaves around the one that gains most, all seats together."""
    gained: dict[float, float] = defaultdict(float)
    for (_, hz), db in changes.items():
        gained[hz] += db
    bands = sorted(gained)
    best = max(bands, key=lambda hz: gained[hz])
    first = last = bands.index(best)
    least = _BESIDE * gained[best]
    while first > 0 and gained[bands[first - 1]] >= least > 0.0:
        first -= 1
    while last + 1 < len(bands) and gained[bands[last + 1]] >= least > 0.0:
        last += 1
    return bands[first : last + 1]


def _short(names: Mapping[str, float]) -> list[str]:
    return [shortened(name, _NAME_LENGTH) for name in names]
