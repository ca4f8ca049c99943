"""Verdicts: what became of every output and every microphone position, each with its reason in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import nominal_hz, speed_of_sound_simple
from analyze.archive.comparison import Found, own_shift, toggled
from analyze.archive.comparison_causes import Cause, Explanation, Shift, part_of
from analyze.archive.comparison_change import BANDS_PER_OCTAVE
from analyze.archive.comparison_response import ResponsePeak
from analyze.archive.comparison_rows import Comparison, OutputChange, PositionChange, Tolerances
from analyze.archive.opening import ReportRead
from analyze.reports.summaries import frequency, listed, number, plural, signed

NAN = math.nan
#: A change is beyond noise when it exceeds its tolerance by so many standard errors.
SIGMAS = 3.5
#: Spread of a box's arrivals, re what positions have anyway and in ms, beyond which it stands elsewhere.
_SPREAD_RATIO, _SPREAD_MS, _SPREAD_ROWS = 3.0, 0.1, 3
#: A microphone whose arrivals changed by less than this in ms (5 cm) was put back where it stood.
_PLACE_MS = 0.15
#: A margin of cost under which two explanations are about as good (odds of 4.5), and one under which both are told.
_UNCLEAR, _TOLD = 3.0, 6.0
#: One position tells a box from a microphone when so many outputs are heard there.
_OUTPUTS_AT_ONE = 4
_MOST_CONFIDENCE = 0.99


@dataclass(frozen=True)
class _Times:
    """What one output's arrival did: shift, whether beyond tolerance, whether it stands elsewhere, and how sure."""

    shift: Shift
    is_beyond: bool
    is_elsewhere: bool
    margin: float
    other: str


def output_changes(
    found: Found, older: ReportRead, newer: ReportRead, tolerances: Tolerances
) -> tuple[OutputChange, ...]:
    """One row per output: those of the newer visit in their order, then those that are gone."""
    then = {now: name for name, now in found.names.outputs.items()}
    rows = []
    for output in newer.outputs:
        if output not in then:
            rows.append(_alone(output, newer, "new", "It was not there at the older visit."))
        elif any(pair.output == output for pair in found.pairs):
            rows.append(_matched(found, output, then[output], (older, newer), tolerances))
        else:
            rows.append(_unheard(output, then[output], older, newer))
    gone = (_alone(output, older, "gone", "It is not in the newer visit.") for output in found.names.gone_outputs)
    return (*rows, *gone)


def _alone(output: str, report: ReportRead, verdict: str, reason: str) -> OutputChange:
    kind, nothing = str(report.output(output)["kind"]), (NAN,) * 3
    return OutputChange(
        output, kind, verdict, 1.0, *nothing, "undecided", NAN, NAN, NAN, *nothing, NAN, "no", 0, reason
    )


def _unheard(output: str, then: str, older: ReportRead, newer: ReportRead) -> OutputChange:
    """An output described at both visits that has no position where both heard it."""
    heard = []
    for report, name in ((older, then), (newer, output)):
        rows = report.table("arrivals")
        heard.append(bool(np.isfinite(rows.arrival_ms[rows.output == name].to_numpy(dtype=float)).any()))
    if heard[0] and not heard[1]:
        return _alone(output, newer, "gone", "It is described, but nothing of it was heard at the newer visit.")
    if heard[1] and not heard[0]:
        return _alone(output, newer, "new", "It was described, but nothing of it was heard at the older visit.")
    return _alone(output, newer, "unclear", "No position heard it at both visits: nothing can be compared.")


def _matched(
    found: Found, output: str, then: str, visits: tuple[ReportRead, ReportRead], tolerances: Tolerances
) -> OutputChange:
    o = found.outputs.index(output)
    older, newer = visits
    (ms_then, sign_then), (ms_now, sign_now) = older.setting(then), newer.setting(output)
    times = _times(found, o, tolerances)
    level, level_margin = _level(found, o)
    is_louder = abs(level.mean) > tolerances.level_db + SIGMAS * level.std and (
        part_of(found.level_rows, found.levels, o) in found.levels.causes
    )
    peak = found.peaks[output]
    sign_margin = found.signs.margin[o]
    polarity = "undecided" if not sign_margin >= _UNCLEAR else "flipped" if o in found.signs.outputs else "same"
    n_positions = sum(pair.output == output for pair in found.pairs)
    verdict = _verdict(polarity, times, peak, is_louder, found, n_positions)
    margins = {"flipped": sign_margin, "changed in level": level_margin, "changed in response": _TOLD}
    margin = margins.get(verdict, min(times.margin, level_margin, sign_margin if sign_margin >= 0 else 0.0))
    if verdict in ("moved", "unclear"):
        margin = times.margin
    return OutputChange(
        output=output,
        kind=str(newer.output(output)["kind"]),
        verdict=verdict,
        confidence=probability(margin),
        arrival_change_ms=times.shift.mean,
        arrival_change_std_ms=times.shift.std,
        arrival_spread_ms=times.shift.spread,
        polarity=polarity,
        polarity_confidence=probability(sign_margin),
        level_change_db=level.mean,
        level_change_std_db=level.std,
        response_change_db=peak.change_db,
        response_change_std_db=peak.std_db,
        response_change_hz=nominal_hz(peak.hz, BANDS_PER_OCTAVE) if math.isfinite(peak.hz) else NAN,
        setting_change_ms=ms_now - ms_then,
        setting_polarity_change="yes" if sign_now != sign_then else "no",
        positions=n_positions,
        reason=_reason(
            polarity, times, level if is_louder else None, peak, (ms_now - ms_then, sign_now != sign_then), n_positions
        ),
    )


def _times(found: Found, o: int, tolerances: Tolerances) -> _Times:
    typical = found.typical_spread(found.time_rows, found.times)
    shift = own_shift(found.time_rows, found.times, o, typical)
    n = int(np.count_nonzero(found.time_rows.of(("output", o))))
    cause = part_of(found.time_rows, found.times, o)
    has_part = cause in found.times.causes
    is_elsewhere = has_part and n >= _SPREAD_ROWS and shift.spread > max(_SPREAD_RATIO * typical, _SPREAD_MS)
    is_beyond = has_part and (abs(shift.mean) > tolerances.arrival_ms + SIGMAS * shift.std or is_elsewhere)
    other = toggled(found.time_rows, found.times, cause)
    margin = other.cost - found.times.cost
    words = _other_words(found, other) if is_beyond and margin < _TOLD else ""
    return _Times(shift, is_beyond, is_elsewhere, margin, words)


def _other_words(found: Found, other: Explanation) -> str:
    """The next best explanation, as far as it differs from the best."""
    names = {"output": found.outputs, "position": found.positions}
    parts = []
    for cause in sorted(other.causes - found.times.causes):
        kind, index = cause
        if kind == "whole":
            parts.append(f"everything {_later(other.shifts[cause].mean)}")
        elif kind == "output":
            parts.append(f"{names[kind][index]} {_later(other.shifts[cause].mean)}")
        elif kind == "group":
            members = listed([found.outputs[i] for i in found.time_rows.groups[index]])
            parts.append(f"{members} together {_later(other.shifts[cause].mean)}")
        elif kind == "position":
            parts.append(f"the microphone at {names[kind][index]} elsewhere")
    return listed(parts) if parts else ""


def _level(found: Found, o: int) -> tuple[Shift, float]:
    typical = found.typical_spread(found.level_rows, found.levels)
    shift = own_shift(found.level_rows, found.levels, o, typical)
    cause = part_of(found.level_rows, found.levels, o)
    return shift, toggled(found.level_rows, found.levels, cause).cost - found.levels.cost


def _verdict(polarity: str, times: _Times, peak: ResponsePeak, is_louder: bool, found: Found, n_positions: int) -> str:
    """The gravest that holds."""
    few = n_positions < 2 and len(found.outputs) < _OUTPUTS_AT_ONE
    if polarity == "flipped":
        return "unclear" if few else "flipped"
    if times.is_beyond:
        return "unclear" if few or times.margin < _UNCLEAR else "moved"
    if polarity == "undecided":
        return "unclear"
    if peak.is_beyond:
        return "changed in response"
    return "changed in level" if is_louder else "same"


def probability(margin: float) -> float:
    """Probability that belongs to a margin of cost, twice the logarithm of the odds."""
    return min(1.0 / (1.0 + math.exp(-0.5 * margin)), _MOST_CONFIDENCE) if math.isfinite(margin) else NAN


def _reason(
    polarity: str,
    times: _Times,
    level: Shift | None,
    peak: ResponsePeak,
    setting: tuple[float, bool],
    n_positions: int,
) -> str:
    """What was found of one output, in sentences."""
    where = "one position" if n_positions == 1 else f"{n_positions} positions"
    parts = [*_polarity_words(polarity, setting[1], where), *_time_words(times, setting[0], where, n_positions)]
    if level is not None:
        parts.append(f"It is {_louder(level.mean)} ± {number(2.0 * level.std)} dB.")
    if peak.is_beyond:
        band = frequency(nominal_hz(peak.hz, BANDS_PER_OCTAVE))
        change = f"{signed(peak.change_db)} ± {number(2.0 * peak.std_db)} dB, {signed(peak.phase_deg, 0)}°"
        parts.append(f"Its response changed most at {band}: {change} against its other bands, mean of {where}.")
    if not parts:
        parts.append(f"As it was: arrival within {number(max(2.0 * times.shift.std, 0.01), 2)} ms at {where}.")
    return " ".join(parts)


def _polarity_words(polarity: str, is_set: bool, where: str) -> list[str]:
    if polarity == "undecided":
        return ["Whether its polarity is as it was cannot be told: the two visits have too little in common."]
    if polarity == "flipped" and is_set:
        return ["Its polarity setting was changed, but what is heard did not turn over: the setting is not in force."]
    if polarity == "flipped":
        return [
            f"It plays the other way up than at the older visit, at {where}: look for a turned connector, a cable "
            "or another preset."
        ]
    return ["Its polarity setting was changed on purpose, and it turned over accordingly."] if is_set else []


def _time_words(times: _Times, setting_ms: float, where: str, n_positions: int) -> list[str]:
    shift, parts = times.shift, []
    is_not_in_force = times.is_beyond and abs(shift.mean + setting_ms) < max(SIGMAS * shift.std, 0.02)
    if setting_ms and is_not_in_force:
        return [f"Its delay setting was changed by {signed(setting_ms, 2)} ms, but what is heard did not move: the "
                "setting is not in force."]  # fmt: skip
    if setting_ms:
        accordingly = "that is taken out" if times.is_beyond else "it arrives accordingly"
        parts.append(f"Its delay setting was changed by {signed(setting_ms, 2)} ms on purpose; {accordingly}.")
    if times.is_elsewhere:
        parts.append(
            f"Its arrival changed by different amounts from position to position ({signed(shift.mean, 2)} ms on "
            f"average, spread {number(shift.spread, 2)} ms): the box stands elsewhere."
        )
    elif times.is_beyond:
        alike = f"at {where}" if n_positions == 1 else f"at {where} alike"
        parts.append(f"It arrives {_later(shift.mean, 2.0 * shift.std)} than at the older visit, {alike}.")
    if times.other:
        parts.append(f"Or else: {times.other}; the two cannot be told apart well.")
    return parts


def _later(ms: float, error_ms: float = 0.0) -> str:
    """A shift in words.

    >>> _later(0.4), _later(-1.25, 0.04)
    ('0.40 ms later', '1.25 ± 0.04 ms earlier')
    """
    error = f" ± {number(error_ms, 2)}" if error_ms else ""
    return f"{number(abs(ms), 2)}{error} ms {'later' if ms >= 0 else 'earlier'}"


def _louder(db: float) -> str:
    return f"{'louder' if db >= 0 else 'quieter'} by {number(abs(db))}"


def position_changes(
    found: Found, older: ReportRead, newer: ReportRead, tolerances: Tolerances
) -> tuple[PositionChange, ...]:
    """One row per position: those of the newer visit in their order, then those that are gone."""
    rows = []
    for position in newer.positions:
        if position in found.positions:
            rows.append(_position(found, position, newer, tolerances))
        else:
            rows.append(_position_alone(position, newer, "new", "Nothing was measured here at the older visit."))
    gone = found.names.gone_positions
    return (*rows, *(_position_alone(p, older, "gone", "Nothing was measured here this time.") for p in gone))


def _position_alone(position: str, report: ReportRead, verdict: str, reason: str) -> PositionChange:
    zone = str(report.position(position)["zone"])
    return PositionChange(position, zone, verdict, NAN, NAN, NAN, NAN, "undecided", NAN, NAN, 0, reason)


def _position(found: Found, position: str, newer: ReportRead, tolerances: Tolerances) -> PositionChange:
    p = found.positions.index(position)
    cause: Cause = ("position", p)
    nothing = Shift(0.0, NAN, 0.0)
    shift, gain = (one.shifts.get(cause, nothing) for one in (found.times, found.levels))
    own = found.time_rows.of(cause)
    shifts_ms = shift.mean + found.times.left[own]
    furthest_ms = float(np.max(np.abs(shifts_ms))) if cause in found.times.causes and own.any() else 0.0
    is_turned, is_moved = p in found.signs.positions, furthest_ms > _PLACE_MS
    is_gain = abs(gain.mean) > tolerances.level_db + SIGMAS * (gain.std if math.isfinite(gain.std) else 0.0)
    verdict = "chain flipped" if is_turned else "moved" if is_moved else "other gain" if is_gain else "same"
    distance_m = 1e-3 * furthest_ms * speed_of_sound_simple(newer.temperature_c)
    parts = ["The microphone chain has turned over: all outputs turn over here."] if is_turned else []
    if is_moved:
        parts.append(_moved_words(shifts_ms, distance_m))
    if is_gain:
        parts.append(f"All outputs are {_louder(gain.mean)} dB here{'' if is_moved else ': the gain of the chain'}.")
    return PositionChange(
        position=position,
        zone=str(newer.position(position)["zone"]),
        verdict=verdict,
        arrival_change_ms=shift.mean,
        arrival_change_std_ms=shift.std,
        arrival_spread_ms=shift.spread,
        distance_m=distance_m,
        polarity="flipped" if is_turned else "same",
        level_change_db=gain.mean,
        level_change_std_db=gain.std,
        outputs=int(np.count_nonzero(own)),
        reason=" ".join(parts) or "As it was.",
    )


def _moved_words(shifts_ms: NDArray[np.float64], distance_m: float) -> str:
    low, high = float(shifts_ms.min()), float(shifts_ms.max())
    span = _later(low) if high - low < 0.05 else f"{signed(low, 2)} to {signed(high, 2)} ms"
    return (
        f"The microphone stands elsewhere, by {number(distance_m, 2)} m or more: arrivals here changed by {span}, "
        "unlike at the other positions. No output is blamed for that."
    )


def remarks(comparison: Comparison) -> tuple[str, ...]:
    """What holds for the whole: air, the rig as one, and how far the comparison carries."""
    older, newer = comparison.older, comparison.newer
    parts = [_air_words(comparison)]
    if abs(comparison.air_error_c) > max(2.0 * comparison.air_error_std_c, 1.0):
        warmer = "warmer" if comparison.air_error_c > 0 else "colder"
        parts.append(
            f"The arrivals fit air {number(abs(comparison.air_error_c))} °C {warmer} than the two temperatures say; "
            "that is taken out too."
        )
    if abs(comparison.rig_later_ms) > max(comparison.tolerances.arrival_ms, SIGMAS * comparison.rig_later_std_ms):
        parts.append(
            f"Everything arrives {_later(comparison.rig_later_ms)}: another latency of the whole rig or of the "
            "recorder. It changes nothing between outputs."
        )
    if abs(comparison.rig_louder_db) > max(comparison.tolerances.level_db, SIGMAS * comparison.rig_louder_std_db):
        parts.append(
            f"Everything is {_louder(comparison.rig_louder_db)} dB: the drive, or the gain of all microphones."
        )
    if comparison.is_rig_flipped:
        parts.append("Everything turned over: more likely the recording chain than every output.")
    n = sum(row.verdict not in ("gone", "new") for row in comparison.positions)
    if n < 2:
        parts.append("One position only: a box that moved and a microphone that moved can hardly be told apart.")
    moved = [row for row in comparison.positions if row.verdict == "moved"]
    if n > 1 and 2 * len(moved) >= n:
        error_ms = max((2.0 * row.arrival_change_std_ms for row in comparison.outputs if row.positions), default=NAN)
        parts.append(
            f"{len(moved)} of {n} microphones stand elsewhere: what is said of arrivals holds to {number(error_ms, 2)} "
            "ms, and small changes of response may be missed."
        )
    if older.date and newer.date and older.date > newer.date:
        parts.append("By their dates the first of the two is the newer visit; everything is second minus first.")
    return tuple(parts)


def _air_words(comparison: Comparison) -> str:
    difference_c = comparison.newer.temperature_c - comparison.older.temperature_c
    if round(difference_c, 1) == 0.0:
        return "The air is as warm as then."
    most_ms = max((abs(row.air_ms) for row in comparison.changes), default=0.0)
    warmer = "warmer" if difference_c > 0 else "colder"
    return (
        f"The air is {number(abs(difference_c))} °C {warmer}: that alone makes sound "
        f"{'earlier' if difference_c > 0 else 'later'} by up to {number(most_ms, 2)} ms, and is taken out."
    )


def headline(comparison: Comparison) -> str:
    """The one sentence for the whole."""
    changed = [row for row in comparison.outputs if row.verdict != "same"]
    n = len(comparison.outputs)
    others = [row.position for row in comparison.positions if row.verdict != "same"]
    aside = f" Of the microphones, {listed(others)} changed." if others else ""
    if not changed:
        return f"{plural(n, 'output')}: all as they were.{aside}" if n > 1 else f"The output is as it was.{aside}"
    names = listed([f"{row.output} ({row.verdict})" for row in changed])
    return f"{len(changed)} of {plural(n, 'output')} changed: {names}.{aside}"
