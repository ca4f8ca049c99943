"""Two visits to one rig: what changed, and what only seems to have.

names matched -> every output at every position measured against itself, settings and air out of it -> the few causes
that explain all arrivals, levels and signs -> a verdict per output and per position, in words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyze.acoustics import nominal_hz, speed_of_sound_simple
from analyze.archive.alikeness import are_too_alike
from analyze.archive.comparison_causes import (
    Cause,
    Explanation,
    Rows,
    Shift,
    explain,
    part_of,
    scatter,
    shift_of,
    with_cause,
    without,
)
from analyze.archive.comparison_certainty import probability
from analyze.archive.comparison_change import BANDS_PER_OCTAVE, DEG_PER_DB
from analyze.archive.comparison_pairs import Names, Pair, both_heard, matched_names, measured_pairs
from analyze.archive.comparison_response import ResponsePeak, response_peaks
from analyze.archive.comparison_rows import BandChange, Comparison, PairChange, Tolerances, Visit
from analyze.archive.comparison_signs import SignsExplained, explain_signs
from analyze.archive.comparison_unheard import is_change_heard
from analyze.archive.opening import ReportRead
from analyze.archive.renaming import renamed_older
from analyze.archive.rewiring import rewired

#: How exactly a microphone is put back, as an error of every row: one centimetre, and what it does to the level.
PLACED_MS, PLACED_DB = 0.03, 0.2
#: What microphones that are put back by eye make of it, within some centimetres (common practice, no source).
SCATTER_MS, SCATTER_DB = 0.08, 0.2
#: A microphone whose arrivals changed by less than this in ms (5 cm) was put back where it stood.
PLACE_MS = 0.15
#: How well a temperature is known that was written down, and one that is assumed, K.
_TEMPERATURE_STD_C, _UNTOLD_STD_C = 2.5, 8.0
#: Another air than was written down is believed when so many pairs of output and position or more say so by so many
#: standard errors.
_UNSAID_FROM, _UNSAID_SIGMAS = 6, 2.0
_KELVIN = 273.15


@dataclass(frozen=True)
class Found:
    """Everything that verdicts are made of.

    times, levels : what explains arrivals (ms) and levels (dB); rows of either are those of `pairs`
    time_rows, level_rows : what was explained; signs : who turned over; peaks : responses per output
    """

    names: Names
    outputs: tuple[str, ...]
    positions: tuple[str, ...]
    pairs: tuple[Pair, ...]
    time_rows: Rows
    level_rows: Rows
    times: Explanation
    levels: Explanation
    signs: SignsExplained
    peaks: Mapping[str, ResponsePeak]

    @property
    def cost(self) -> float:
        """What the explanation of arrivals, levels and signs costs."""
        return self.times.cost + self.levels.cost + self.signs.cost

    def furthest_ms(self, position: int) -> float:
        """By how much an arrival at one position changed at most, if its microphone has a part in that; else 0."""
        cause, own = ("position", position), self.time_rows.of(("position", position))
        if cause not in self.times.causes or not own.any():
            return 0.0
        return float(np.max(np.abs(self.times.shifts[cause].mean + self.times.left[own])))

    def typical_spread(self, rows: Rows, found: Explanation, usual: float) -> float:
        """How far rows scatter beyond their errors, by which any mean over positions may be off.

        The largest of the middle of the spreads that positions have, of the spread of what is left, 1.48 times its
        median deviation, and of what neither outputs nor positions explain.

        usual : scatter of rows from one visit to the next
        """
        if not len(rows.value):
            return 0.0
        spreads = [found.shifts.get(("position", p), Shift(0.0, 0.0, 0.0)).spread for p in range(rows.n_positions)]
        left = max(1.48 * float(np.median(np.abs(found.left))), scatter(rows, found, usual))
        return max(float(np.median(spreads)), math.sqrt(max(left**2 - float(np.median(rows.std)) ** 2, 0.0)))


def compare(
    older: ReportRead,
    newer: ReportRead,
    renames: Mapping[str, str] | None = None,
    tolerances: Tolerances | None = None,
) -> Comparison:
    """Compare two visits.

    Parameters
    ----------
    renames : name of an output or position then -> name now

    Raises
    ------
    DescriptionError : they have nothing of one name, a rename names nothing, or a response cannot be read
    """
    from analyze.archive.comparison_exchanged import exchanged_positions, with_exchanged
    from analyze.archive.comparison_verdicts import output_changes, position_changes
    from analyze.archive.comparison_words import remarks

    renames, tolerances = renames or {}, tolerances or Tolerances()
    older = renamed_older(older, newer, renames)
    names = matched_names(older, newer)
    found = found_between(older, newer, names, response_db=tolerances.response_db)
    exchanged = exchanged_positions(older, newer, found)
    for pair in exchanged:
        newer = with_exchanged(newer, pair)
    if exchanged:
        found = found_between(older, newer, names, response_db=tolerances.response_db)
    rig, louder = (one.shifts.get(("whole", 0), Shift(0.0, math.nan, 0.0)) for one in (found.times, found.levels))
    error_c = _warmer_c(found.times.share, newer.temperature_c)
    comparison = Comparison(
        older=visit_of(older),
        newer=visit_of(newer),
        renames=dict(renames),
        tolerances=tolerances,
        outputs=output_changes(found, older, newer, tolerances),
        positions=position_changes(found, older, newer, tolerances, exchanged),
        changes=_pair_changes(found, newer),
        comparison=_band_changes(found, newer),
        air_stretch=speed_of_sound_simple(older.temperature_c) / speed_of_sound_simple(newer.temperature_c) - 1.0,
        air_error_c=error_c,
        air_error_std_c=abs(_warmer_c(found.times.share_std, newer.temperature_c)),
        rig_later_ms=rig.mean,
        rig_later_std_ms=rig.std,
        rig_louder_db=louder.mean,
        rig_louder_std_db=louder.std,
        is_rig_flipped=found.signs.is_whole,
        exchanged=exchanged,
        doubts=(older.doubts, newer.doubts),
        unheard=tuple(name for name in found.outputs if not is_change_heard(older, newer, name)),
        is_too_alike=are_too_alike(older, newer),
    )
    return replace(comparison, remarks=remarks(comparison))


def found_between(
    older: ReportRead,
    newer: ReportRead,
    names: Names,
    expected: Mapping[str, tuple[float, int]] | None = None,
    *,
    response_db: float = Tolerances.response_db,
) -> Found:
    """What happened between two visits beyond their settings as described and what is expected.

    expected : per output what its chain is expected to have changed by besides, (delay_ms, sign); by default nothing
    """
    expected = expected or {}
    both = both_heard(older, newer, names)
    outputs, positions = names.outputs, names.positions
    pairs = tuple(measured_pairs(both))
    time_rows = _time_rows(pairs, outputs, positions, newer, _share_std(older, newer), expected)
    times = explain(time_rows)
    is_told = len(pairs) >= _UNSAID_FROM and abs(times.share) > _UNSAID_SIGMAS * times.share_std
    if is_told:  # responses are more alike in the air that there was
        pairs = tuple(measured_pairs(both, times.share))
        time_rows = _time_rows(pairs, outputs, positions, newer, time_rows.share_std, expected)
        times = explain(time_rows)
    placed_ms = max(scatter(time_rows, times, SCATTER_MS), PLACED_MS)
    time_rows = replace(time_rows, std=np.sqrt(time_rows.std**2 - PLACED_MS**2 + placed_ms**2))
    times = explain(time_rows)
    level_rows = _level_rows(pairs, time_rows)
    levels = explain(level_rows)
    evidence = np.zeros((len(outputs), len(positions)))
    for pair in pairs:
        o, p = outputs.index(pair.output), positions.index(pair.position)
        evidence[o, p] = pair.change.sign * expected.get(pair.output, (0.0, 1))[1] * pair.change.sign_evidence
    moved = {name for p, name in enumerate(positions) if ("position", p) in times.causes}
    kept = moved if len(moved) < len(positions) else set()
    peaks = response_peaks(pairs, outputs, kept, response_db)
    signs = explain_signs(evidence, _mended(older, newer, outputs, expected))
    return Found(names, outputs, positions, pairs, time_rows, level_rows, times, levels, signs, peaks)


def _mended(
    older: ReportRead, newer: ReportRead, outputs: Sequence[str], expected: Mapping[str, tuple[float, int]]
) -> list[int]:
    """Outputs (index) whose wire was mended by the wiring of both reports, if they turned over and nothing else did."""
    wires = [rewired(older, newer, output, 1.0) for output in outputs]
    return [
        o
        for o, (output, wire) in enumerate(zip(outputs, wires, strict=True))
        if wire is not None and wire.is_mended and expected.get(output, (0.0, 1))[1] > 0
    ]


def _share_std(older: ReportRead, newer: ReportRead) -> float:
    """Prior deviation of the share by which flight times are off because a temperature is."""
    told = [_UNTOLD_STD_C if one.is_temperature_assumed else _TEMPERATURE_STD_C for one in (older, newer)]
    return math.hypot(*told) / (2.0 * (_KELVIN + newer.temperature_c))


def _warmer_c(share: float, temperature_c: float) -> float:
    """Error of a temperature from that of flight times, `dt / t = -dT / 2 T`."""
    return -2.0 * (_KELVIN + temperature_c) * share


def _time_rows(
    pairs: Sequence[Pair],
    outputs: tuple[str, ...],
    positions: tuple[str, ...],
    newer: ReportRead,
    share_std: float,
    expected: Mapping[str, tuple[float, int]],
) -> Rows:
    changes = [pair.change for pair in pairs]
    clocks: dict[tuple[str, str, str], int] = {}
    numbers = [_clock(pair, clocks) for pair in pairs]
    groups: dict[str, list[int]] = {}
    for o, output in enumerate(outputs):
        groups.setdefault(_group_of(newer, output), []).append(o)
    reference = str(newer.check.get("reference") or "")
    anchor = _group_of(newer, reference) if reference in newer.check["outputs"] else ""
    std = np.hypot([min(one.delay_std_ms, 1e3) for one in changes], PLACED_MS)
    return Rows(
        output=np.array([outputs.index(pair.output) for pair in pairs], dtype=np.int64),
        position=np.array([positions.index(pair.position) for pair in pairs], dtype=np.int64),
        value=np.array([p.delay_ms - expected.get(p.output, (0.0, 1))[0] for p in pairs], dtype=np.float64),
        std=np.asarray(std, dtype=np.float64),
        air=np.array([pair.older.flight_ms for pair in pairs], dtype=np.float64),
        share_std=share_std,
        clock=np.array(numbers, dtype=np.int64),
        n_outputs=len(outputs),
        n_positions=len(positions),
        groups=tuple(tuple(one) for one in groups.values() if len(one) > 1),
        anchored=frozenset(groups.get(anchor, ())),
    )


def _group_of(report: ReportRead, output: str) -> str:
    """Name of an output's group, the output's own in braces without one."""
    return str(report.output(output).get("group") or f"({output})")


def _clock(pair: Pair, known: dict[tuple[str, str, str], int]) -> int:
    """Number of the unknown offset of a recorder on its own clock, 0 without one: one per capture and position."""
    if not (pair.older.clock or pair.newer.clock):
        return 0
    return known.setdefault((pair.older.clock, pair.newer.clock, pair.position), len(known) + 1)


def _level_rows(pairs: Sequence[Pair], rows: Rows) -> Rows:
    """Changes of level in the order of the rows of arrivals; air and clocks have no part in them."""
    changes = [pair.change for pair in pairs]
    known = [math.isfinite(one.level_db) for one in changes]
    value = [one.level_db if ok else 0.0 for one, ok in zip(changes, known, strict=True)]
    std = [math.hypot(one.level_std_db, PLACED_DB) if ok else 1e3 for one, ok in zip(changes, known, strict=True)]
    none = np.zeros(len(value))
    return replace(rows, value=np.array(value), std=np.array(std), air=none, clock=none.astype(np.int64))


def own_shift(rows: Rows, found: Explanation, output: int, typical_spread: float) -> Shift:
    """What one output changed by itself; its error holds how far positions scatter."""
    shift = shift_of(rows, found, ("output", output))
    n = int(np.count_nonzero(rows.of(("output", output))))
    return replace(shift, std=math.hypot(shift.std, typical_spread / math.sqrt(n))) if n else shift


def toggled(rows: Rows, found: Explanation, cause: Cause) -> Explanation:
    """The cheapest explanation in which a cause has the part that it has not in the one found."""
    return without(rows, found, cause) if cause in found.causes else with_cause(rows, found, cause)


def visit_of(report: ReportRead) -> Visit:
    """What a report or record is called, its day, air and venue."""
    about = report.name, report.title, report.date, report.temperature_c, report.is_record, report.version
    fingerprint = str(report.results.get("fingerprint") or "")
    return Visit(
        *about,
        is_temperature_assumed=report.is_temperature_assumed,
        fingerprint=fingerprint,
        venue=report.venue,
        recordings=report.recordings,
        sound=report.sound,
        heard_files=report.heard_files,
    )


def _pair_changes(found: Found, newer: ReportRead) -> tuple[PairChange, ...]:
    rows = []
    for k, pair in enumerate(found.pairs):
        change = pair.change
        o = found.outputs.index(pair.output)
        setting_ms = pair.newer_setting[0] - pair.older_setting[0]
        cause = part_of(found.time_rows, found.times, o)
        own = shift_of(found.time_rows, found.times, ("output", o)).mean if cause in found.times.causes else 0.0
        if ("position", found.positions.index(pair.position)) not in found.times.causes:
            own += float(found.times.left[k])  # else it is the microphone's: it stands elsewhere
        std_ms = float(found.times.std[k])
        turned = change.sign < 0
        is_told = change.sign_evidence >= 1.0
        rows.append(
            PairChange(
                output=pair.output,
                position=pair.position,
                zone=str(newer.position(pair.position)["zone"]),
                older_arrival_ms=pair.older.arrival_ms + pair.older_setting[0],
                newer_arrival_ms=pair.newer.arrival_ms + pair.newer_setting[0],
                arrival_change_ms=setting_ms + pair.air_ms + pair.delay_ms,
                arrival_change_std_ms=change.delay_std_ms,
                setting_change_ms=setting_ms,
                flight_ms=pair.older.flight_ms,
                air_ms=pair.air_ms + found.times.share * pair.older.flight_ms,
                common_ms=pair.delay_ms - own - found.times.share * pair.older.flight_ms,
                own_ms=own,
                own_std_ms=std_ms,
                beyond_noise="yes" if abs(own) > 3.0 * std_ms else "no",
                polarity=("flipped" if turned else "same") if is_told else "undecided",
                polarity_confidence=probability(2.0 * change.sign_evidence),
                level_change_db=change.level_db,
                level_change_std_db=change.level_std_db,
                likeness=change.likeness,
            )
        )
    return tuple(rows)


def _band_changes(found: Found, newer: ReportRead) -> tuple[BandChange, ...]:
    from analyze.acoustics import band_edges_hz

    rows = []
    for pair in found.pairs:
        change = pair.change
        low_hz, high_hz = band_edges_hz(change.band_hz, BANDS_PER_OCTAVE)
        zone = str(newer.position(pair.position)["zone"])
        for k in np.flatnonzero(np.isfinite(change.band_level_db)):
            std_db = float(change.band_std_db[k])
            level_db, phase_deg = float(change.band_level_db[k]), float(change.band_phase_deg[k])
            is_beyond = abs(level_db) > 4.0 * std_db or abs(phase_deg) > 4.0 * DEG_PER_DB * std_db
            rows.append(
                BandChange(
                    output=pair.output,
                    position=pair.position,
                    zone=zone,
                    band_hz=nominal_hz(float(change.band_hz[k]), BANDS_PER_OCTAVE),
                    band_low_hz=float(low_hz[k]),
                    band_high_hz=float(high_hz[k]),
                    level_change_db=level_db,
                    level_change_std_db=std_db,
                    phase_change_deg=phase_deg,
                    phase_change_std_deg=DEG_PER_DB * std_db,
                    beyond_noise="yes" if is_beyond else "no",
                )
            )
    return tuple(rows)
