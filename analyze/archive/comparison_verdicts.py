"""Verdicts: what became of every output and every microphone position, each with its reason in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyze.acoustics import nominal_hz, speed_of_sound_simple
from analyze.archive.comparison import PLACE_MS, PLACED_MS, SCATTER_DB, SCATTER_MS, Found, own_shift, toggled
from analyze.archive.comparison_causes import Cause, Explanation, Shift, part_of
from analyze.archive.comparison_certainty import (
    ARRIVAL_MS,
    LEVEL_DB,
    RESPONSE_DB,
    all_same,
    chance_beyond,
    probability,
)
from analyze.archive.comparison_change import BANDS_PER_OCTAVE
from analyze.archive.comparison_response import ResponsePeak
from analyze.archive.comparison_rows import OutputChange, PositionChange, Tolerances
from analyze.archive.comparison_unheard import is_change_heard, unheard_words
from analyze.archive.comparison_visits import visit_names
from analyze.archive.comparison_words import (
    SIGMAS,
    OutputTimes,
    SettingNow,
    doubt_words,
    later,
    louder,
    moved_words,
    odd_words,
    output_words,
    untold_words,
)
from analyze.archive.opening import ReportRead
from analyze.archive.rewiring import rewired
from analyze.reports.summaries import listed

NAN = math.nan
#: Spread of a box's arrivals, re what positions have anyway and in ms, beyond which it stands elsewhere.
_SPREAD_RATIO, _SPREAD_MS, _SPREAD_ROWS = 3.0, 0.1, 3
#: A margin of cost under which two explanations are about as good (odds of 4.5), and one under which both are told.
_UNCLEAR, _TOLD = 3.0, 6.0
#: A delay is taken for one that is not in force where that fits to this or better, ms.
_IN_FORCE_MS = 0.02
#: One position tells a box from a microphone when so many outputs are heard there.
_OUTPUTS_AT_ONE = 4
#: `same` with less confidence than this is `unclear`.
_DOUBTED = 0.5


def output_changes(
    found: Found, older: ReportRead, newer: ReportRead, tolerances: Tolerances
) -> tuple[OutputChange, ...]:
    """One row per output: those of the newer visit in their order, then those that are gone."""
    rows, (then, now) = [], visit_names(older, newer)
    for output in newer.outputs:
        if output not in found.names.outputs:
            rows.append(_alone(output, newer, "new", f"It was not there at {then}."))
        elif any(pair.output == output for pair in found.pairs):
            row = _matched(found, output, (older, newer), tolerances)
            row = _if_untold(row, found, tolerances)
            if not is_change_heard(older, newer, output):
                row = replace(row, reason=f"{row.reason} {unheard_words(older, newer, output)}")
            rows.append(row)
        else:
            rows.append(_unheard(output, older, newer))
    gone = (_alone(output, older, "gone", f"It is not there at {now}.") for output in found.names.gone_outputs)
    return (*rows, *gone)


def _alone(output: str, report: ReportRead, verdict: str, reason: str) -> OutputChange:
    kind, nothing = str(report.output(output)["kind"]), (NAN,) * 3
    return OutputChange(
        output, kind, verdict, 1.0, *nothing, "undecided", NAN, NAN, NAN, *nothing, NAN, "no", 0, reason
    )


def _unheard(output: str, older: ReportRead, newer: ReportRead) -> OutputChange:
    """An output described at both visits that has no position where both heard it."""
    heard, (then, now) = [], visit_names(older, newer)
    for report in (older, newer):
        rows = report.table("arrivals")
        heard.append(bool(np.isfinite(rows.arrival_ms[rows.output == output].to_numpy(dtype=float)).any()))
    if heard[0] and not heard[1]:
        return _alone(output, newer, "gone", f"It is described, but nothing of it was heard at {now}.")
    if heard[1] and not heard[0]:
        return _alone(output, newer, "new", f"It was described, but nothing of it was heard at {then}.")
    return _alone(output, newer, "unclear", "No position heard it at both visits: nothing can be compared.")


def _matched(found: Found, output: str, visits: tuple[ReportRead, ReportRead], tolerances: Tolerances) -> OutputChange:
    o = found.outputs.index(output)
    older, newer = visits
    then, _ = visit_names(older, newer)
    times = _times(found, o, tolerances)
    level, level_margin = _level(found, o)
    chances = _chances(found, o, times, level, tolerances)
    is_louder = abs(level.mean) > tolerances.level_db + SIGMAS * level.std and (
        part_of(found.level_rows, found.levels, o) in found.levels.causes
    )
    peak = found.peaks[output]
    sign_margin = found.signs.margin[o]
    polarity = "undecided" if not sign_margin >= _UNCLEAR else "flipped" if o in found.signs.outputs else "same"
    n_positions = sum(pair.output == output for pair in found.pairs)
    setting = _setting(older, newer, output, times, probability(sign_margin))
    is_unturned = polarity == "flipped" and setting.is_heard and setting.is_turned and setting.wire is None
    verdict = _verdict("unturned" if is_unturned else polarity, times, setting, peak, is_louder)
    margins = {
        "flipped": sign_margin,
        "setting not in force": sign_margin if is_unturned else times.margin,
        "moved": times.margin,
        "changed in level": level_margin,
        "changed in response": _TOLD,
    }
    same = all_same(*chances.values())
    reason = output_words(polarity, times, level if is_louder else None, peak, setting, n_positions, then)
    if found.signs.odd[o] and (is_unturned or verdict in ("same", "flipped")):
        verdict, polarity, sign_margin, same = "unclear", "undecided", NAN, _DOUBTED
        reason = odd_words((found.positions[p] for p in found.signs.odd[o]), then)
    elif verdict == "same" and same < _DOUBTED:
        verdict, reason = "unclear", doubt_words(max(chances, key=chances.__getitem__), times.shift, level, peak)
    return OutputChange(
        output=output,
        kind=str(newer.output(output)["kind"]),
        verdict=verdict,
        confidence=same if verdict == "same" else 1.0 - same if verdict == "unclear" else probability(margins[verdict]),
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
        setting_change_ms=setting.later_ms,
        setting_polarity_change="yes" if setting.is_turned else "no",
        positions=n_positions,
        reason=reason,
    )


def _setting(older: ReportRead, newer: ReportRead, output: str, times: OutputTimes, turned: float) -> SettingNow:
    """What became of an output's setting; its wire, if it turned over with the probability given."""
    (ms_then, sign_then), (ms_now, sign_now) = older.setting(output), newer.setting(output)
    is_turned, polarity = sign_now != sign_then, str(newer.output(output)["setting"]["polarity"])
    wire = rewired(older, newer, output, turned)
    later_ms, shift = ms_now - ms_then, times.shift
    if not is_change_heard(older, newer, output):
        return SettingNow(later_ms, is_turned, polarity, wire=wire, is_heard=False)
    if wire is not None and is_turned and not wire.is_mended:  # whoever typed the polarity is likelier
        wire = None
    fits_none = later_ms != 0.0 and abs(shift.mean + later_ms) < max(SIGMAS * shift.std, _IN_FORCE_MS)
    return SettingNow(later_ms, is_turned, polarity, fits_none and not times.is_elsewhere, wire)


def _chances(found: Found, o: int, times: OutputTimes, level: Shift, tolerances: Tolerances) -> dict[str, float]:
    """Probability per kind of change that one output has it beyond tolerance."""
    peak, sign_margin = found.peaks[found.outputs[o]], found.signs.margin[o]
    arrival = chance_beyond(times.shift.mean, times.shift.std, tolerances.arrival_ms, ARRIVAL_MS)
    response = chance_beyond(peak.change_db, peak.std_db, tolerances.response_db, RESPONSE_DB, peak.n_bands)
    turned = 0.5 if not sign_margin >= 0.0 else 1.0 - probability(sign_margin)
    return {
        "arrival": 1.0 - all_same(arrival, times.chance),
        "level": chance_beyond(level.mean, level.std, tolerances.level_db, LEVEL_DB),
        "response": response,
        "polarity": turned,
    }


def _times(found: Found, o: int, tolerances: Tolerances) -> OutputTimes:
    typical = found.typical_spread(found.time_rows, found.times, SCATTER_MS)
    shift = own_shift(found.time_rows, found.times, o, typical)
    n = int(np.count_nonzero(found.time_rows.of(("output", o))))
    cause = part_of(found.time_rows, found.times, o)
    has_part = cause in found.times.causes
    is_elsewhere = has_part and n >= _SPREAD_ROWS and shift.spread > max(_SPREAD_RATIO * typical, _SPREAD_MS)
    is_beyond = has_part and (abs(shift.mean) > tolerances.arrival_ms + SIGMAS * shift.std or is_elsewhere)
    other = toggled(found.time_rows, found.times, cause)
    margin = other.cost - found.times.cost
    words = _other_words(found, other) if is_beyond and margin < _TOLD else ""
    is_other_large = cause in other.shifts and abs(other.shifts[cause].mean) > tolerances.arrival_ms
    chance = 1.0 - probability(margin) if is_other_large else 0.0
    is_coarse = 2.0 * shift.std > tolerances.arrival_ms
    return OutputTimes(shift, is_beyond, is_elsewhere, margin, chance, words, is_coarse)


def _other_words(found: Found, other: Explanation) -> str:
    """The next best explanation, as far as it differs from the best."""
    names = {"output": found.outputs, "position": found.positions}
    parts = []
    for cause in sorted(other.causes - found.times.causes):
        kind, index = cause
        if kind == "whole":
            parts.append(f"everything {later(other.shifts[cause].mean)}")
        elif kind == "output":
            parts.append(f"{names[kind][index]} {later(other.shifts[cause].mean)}")
        elif kind == "group":
            members = listed([found.outputs[i] for i in found.time_rows.groups[index]])
            parts.append(f"{members} together {later(other.shifts[cause].mean)}")
        elif kind == "position":
            parts.append(f"the microphone at {names[kind][index]} elsewhere")
    return listed(parts) if parts else ""


def _level(found: Found, o: int) -> tuple[Shift, float]:
    typical = found.typical_spread(found.level_rows, found.levels, SCATTER_DB)
    shift = own_shift(found.level_rows, found.levels, o, typical)
    cause = part_of(found.level_rows, found.levels, o)
    return shift, toggled(found.level_rows, found.levels, cause).cost - found.levels.cost


def _verdict(polarity: str, times: OutputTimes, setting: SettingNow, peak: ResponsePeak, is_louder: bool) -> str:
    """The gravest that holds; `unturned` is a polarity that was turned in the description and not in what is heard."""
    if polarity == "flipped":
        return "flipped"
    if polarity == "unturned":
        return "setting not in force"
    if times.is_beyond:
        moved = "setting not in force" if setting.fits_none else "moved"
        return "unclear" if times.margin < _UNCLEAR else moved
    if polarity == "undecided":
        return "unclear"
    if peak.is_beyond:
        return "changed in response"
    return "changed in level" if is_louder else "same"


def _if_untold(row: OutputChange, found: Found, tolerances: Tolerances) -> OutputChange:
    """The row, `unclear` where few outputs at one position cannot tell box, microphone and air from each other.

    There whatever changed may be any of the three, even where one of them is the likelier.
    """
    pairs = [pair for pair in found.pairs if pair.output == row.output]
    if len(pairs) != 1 or sum(pair.position == pairs[0].position for pair in found.pairs) >= _OUTPUTS_AT_ONE:
        return row
    pair = pairs[0]
    is_late = abs(pair.delay_ms) > tolerances.arrival_ms + SIGMAS * math.hypot(pair.change.delay_std_ms, PLACED_MS)
    is_turned = pair.change.sign < 0 < pair.change.sign_evidence
    if not (is_late or is_turned):
        return row
    reason = untold_words(pair.delay_ms if is_late else 0.0, is_turned)
    polarity = "undecided" if is_turned else row.polarity
    return replace(row, verdict="unclear", confidence=0.5, polarity=polarity, reason=reason)


def position_changes(
    found: Found,
    older: ReportRead,
    newer: ReportRead,
    tolerances: Tolerances,
    exchanged: Sequence[tuple[str, str]] = (),
) -> tuple[PositionChange, ...]:
    """One row per position: those of the newer visit in their order, then those that are gone.

    exchanged : pairs whose microphones look exchanged, with what was heard there exchanged already
    """
    other = {name: pair[name == pair[0]] for pair in exchanged for name in pair}
    rows, (then, now) = [], visit_names(older, newer)
    for position in newer.positions:
        if position in found.positions:
            rows.append(_position(found, position, newer, tolerances, other.get(position, "")))
        else:
            rows.append(_position_alone(position, newer, "new", f"Nothing was measured here at {then}."))
    gone = found.names.gone_positions
    return (*rows, *(_position_alone(p, older, "gone", f"Nothing was measured here at {now}.") for p in gone))


def _position_alone(position: str, report: ReportRead, verdict: str, reason: str) -> PositionChange:
    zone = str(report.position(position)["zone"])
    return PositionChange(position, zone, verdict, NAN, NAN, NAN, NAN, "undecided", NAN, NAN, 0, reason)


def _position(
    found: Found, position: str, newer: ReportRead, tolerances: Tolerances, exchanged_with: str
) -> PositionChange:
    p = found.positions.index(position)
    cause: Cause = ("position", p)
    nothing = Shift(0.0, NAN, 0.0)
    shift, gain = (one.shifts.get(cause, nothing) for one in (found.times, found.levels))
    own = found.time_rows.of(cause)
    shifts_ms = shift.mean + found.times.left[own]
    furthest_ms = found.furthest_ms(p)
    is_turned, is_moved = p in found.signs.positions, furthest_ms > PLACE_MS
    is_gain = abs(gain.mean) > tolerances.level_db + SIGMAS * (gain.std if math.isfinite(gain.std) else 0.0)
    found_of = {"chain flipped": is_turned, "moved": is_moved, "exchanged": exchanged_with, "other gain": is_gain}
    verdict = next((word for word, holds in found_of.items() if holds), "same")
    distance_m = NAN if furthest_ms == 0.0 else 1e-3 * furthest_ms * speed_of_sound_simple(newer.temperature_c)
    parts = ["The microphone chain has turned over: all outputs turn over here."] if is_turned else []
    if exchanged_with:
        parts.append(f"It looks exchanged with {exchanged_with}, and is compared with what is named so now.")
    if is_moved:
        parts.append(moved_words(shifts_ms, distance_m))
    if is_gain:
        parts.append(f"All outputs are {louder(gain.mean)} dB here{'' if is_moved else ': the gain of the chain'}.")
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
