"""A comparison in sentences: one for the whole, what holds for all, one per output and microphone."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import nominal_hz
from analyze.archive.comparison_causes import Shift
from analyze.archive.comparison_change import BANDS_PER_OCTAVE
from analyze.archive.comparison_response import ResponsePeak
from analyze.archive.comparison_rows import Comparison, OutputChange, Visit
from analyze.archive.comparison_unheard import turned_behind_words
from analyze.archive.comparison_visits import TOO_ALIKE, alike_words, stood_words, visit_names, visits_words
from analyze.archive.renaming import renames_words
from analyze.archive.rewiring import OTHER_POLARITY, Rewired, check_words, look_words
from analyze.reports.summaries import frequency, listed, number, plural, signed

#: A change is beyond noise when it exceeds its tolerance by so many standard errors.
SIGMAS = 3.5
#: Findings by which a report itself says that microphones were exchanged.
_OF_AN_EXCHANGE = frozenset({"channels exchanged", "microphones exchanged", "distance contradicted"})
#: What holds for all is told from so many pairs of output and position on.
_TOLD_FROM = 4


@dataclass(frozen=True)
class OutputTimes:
    """What one output's arrival did: shift, whether beyond tolerance, whether it stands elsewhere, and how sure.

    chance : that it moved after all, by the explanation in which it has a part of its own
    is_coarse : whether its error is wider than the tolerance, so that a change of that size is not told from none
    """

    shift: Shift
    is_beyond: bool
    is_elsewhere: bool
    margin: float
    chance: float
    other: str
    is_coarse: bool = False

    @property
    def hidden_words(self) -> str:
        """Up to how much may have changed that is not told from none: as far off as noise could have put it."""
        return f"a change of up to {number(abs(self.shift.mean) + SIGMAS * self.shift.std, 2)} ms could hide here"


@dataclass(frozen=True)
class SettingNow:
    """One output's setting as the newer visit describes it: changed by so much, turned over, polarity.

    fits_none : whether what is heard fits that the delay was not changed; wire : its own, where by both reports that
    turned over; is_heard : whether what is heard holds the change, else it is described alone
    """

    later_ms: float
    is_turned: bool
    polarity: str
    fits_none: bool = False
    wire: Rewired | None = None
    is_heard: bool = True


def headline(comparison: Comparison) -> str:
    """The one sentence for the whole."""
    if comparison.is_one:
        return "No second visit: both reports were made from the very same recordings."
    changed = [row for row in comparison.outputs if row.verdict not in ("same", "unclear")]
    unclear = [row.output for row in comparison.outputs if row.verdict == "unclear"]
    n = len(comparison.outputs)
    others = [row.position for row in comparison.positions if row.verdict not in ("same", "exchanged")]
    aside = f" Of the microphones, {listed(others)} changed." if others else ""
    if comparison.is_rig_flipped and len(comparison.changes) >= _TOLD_FROM:
        aside = f" Everything turned over.{aside}"
    aside += exchanged_aside(comparison.exchanged)
    first = TOO_ALIKE if comparison.is_too_alike else ""
    if comparison.unheard:
        aside = f"{aside} What is set for {listed(comparison.unheard)} cannot be heard."
    if unclear:
        aside = f" {'Unclear' if not changed else 'Of others it is unclear'}: {listed(unclear)}.{aside}"
    if not changed:
        reset = [row.output for row in comparison.outputs if row.verdict == "same" and _is_reset(row)]
        but = f", with the settings of {listed(reset)} changed as described" if reset else ""
        as_were = f"{plural(n, 'output')}: all as they were{but}." if n > 1 else f"The output is as it was{but}."
        none = f"None of {plural(n, 'output')} surely changed." if n > 1 else "The output has not surely changed."
        return f"{first}{none if unclear else as_were}{aside}"
    names = listed([f"{row.output} ({row.verdict})" for row in changed])
    return f"{first}{len(changed)} of {plural(n, 'output')} changed: {names}.{aside}"


def exchanged_aside(pairs: Iterable[tuple[str, str]]) -> str:
    """In the headline, that microphones look exchanged; empty where none do."""
    return "".join(
        f" Positions {listed(pair)} look exchanged: one of the two reports is wrong about them." for pair in pairs
    )


def _is_reset(row: OutputChange) -> bool:
    """Whether an output's setting was changed in the description."""
    return row.setting_polarity_change == "yes" or bool(row.setting_change_ms)


def remarks(comparison: Comparison) -> tuple[str, ...]:
    """What holds for the whole: air, the rig as one, and how far the comparison carries."""
    older, newer = comparison.older, comparison.newer
    is_told = len(comparison.changes) >= _TOLD_FROM
    is_wrong = is_told and abs(comparison.air_error_c) > max(2.0 * comparison.air_error_std_c, 1.0)
    parts = [_described_air(older, newer), _heard_air(comparison) if is_wrong else _taken_out(comparison)]
    if abs(comparison.rig_later_ms) > max(comparison.tolerances.arrival_ms, SIGMAS * comparison.rig_later_std_ms):
        parts.append(
            f"Everything arrives {later(comparison.rig_later_ms)}: another latency of the whole rig or of the "
            "recorder. It changes nothing between outputs."
        )
    if abs(comparison.rig_louder_db) > max(comparison.tolerances.level_db, SIGMAS * comparison.rig_louder_std_db):
        parts.append(f"Everything is {louder(comparison.rig_louder_db)} dB: the drive, or the gain of all microphones.")
    if is_told and comparison.is_rig_flipped:
        parts.append("Everything turned over: more likely the recording chain than every output.")
    n = sum(row.verdict not in ("gone", "new") for row in comparison.positions)
    if n < 2:
        parts.append("One position only: a box that moved and a microphone that moved can hardly be told apart.")
    moved = [row for row in comparison.positions if row.verdict == "moved"]
    if n > 1 and 2 * len(moved) >= n:
        errors_ms = [row.arrival_change_std_ms for row in comparison.outputs if row.positions]
        error_ms = 2.0 * max(errors_ms, default=math.nan)
        parts.append(
            f"{len(moved)} of {n} microphones stand elsewhere: what is said of arrivals holds to {number(error_ms, 2)} "
            "ms, and small changes of response may be missed."
        )
    parts += exchanged_words(comparison.exchanged, *comparison.doubts)
    alike = alike_words(comparison.is_too_alike and not comparison.is_one)
    if not comparison.is_one and not alike:
        parts += stood_words(older, newer, comparison.changes)
    return (*visits_words(older, newer), *alike, *parts, *renames_words(comparison.renames))


#: In every sentence on positions that look exchanged.
EXCHANGED = "look exchanged:"


def exchanged_words(
    pairs: Iterable[tuple[str, str]], older_doubts: Collection[str] = (), newer_doubts: Collection[str] = ()
) -> list[str]:
    """That microphones look exchanged, pair by pair, and that a report is wrong for it: one that says so, if one does.

    older_doubts, newer_doubts : findings of the two that put their descriptions in doubt
    """
    which = _which_is_wrong(older_doubts, newer_doubts)
    return [
        f"Positions {one} and {other} {EXCHANGED} what is heard at either now is like what was heard at the other "
        "then. They are compared crosswise, and nothing counts as moved for it. But one of the two reports is wrong "
        f"about them, and may be in what it recommends; {which}. Find out at which visit tracks or names were "
        "exchanged, put that right in its description and analyse it again: until then type in nothing "
        "that either report recommends."
        for one, other in pairs
    ]


def _which_is_wrong(older_doubts: Collection[str], newer_doubts: Collection[str]) -> str:
    """Which of two reports has microphones exchanged, where one of them alone says that of itself."""
    older, newer = (sorted(_OF_AN_EXCHANGE.intersection(doubts)) for doubts in (older_doubts, newer_doubts))
    if bool(older) == bool(newer):
        return "which of the two is not known"
    return f"most likely the {'older' if older else 'newer'} one, whose own findings say so ({listed(older or newer)})"


def _described_air(older: Visit, newer: Visit) -> str:
    """What was described of the air, and what was no more than assumed."""
    then, now = (f"{number(one.temperature_c)} °C" for one in (older, newer))
    first, second = visit_names(older, newer)
    if older.is_temperature_assumed and newer.is_temperature_assumed:
        return f"No temperature was described at either visit: air of {now} is assumed at both."
    if older.is_temperature_assumed:
        return f"Air of {now} is described; of {first} none is, and {then} is assumed."
    if newer.is_temperature_assumed:
        return f"Air of {then} is described of {first}; of {second} none is, and {now} is assumed."
    if then == now:
        return f"Air of {now} is described at both visits."
    return f"Air of {then} is described then and of {now} now."


def _taken_out(comparison: Comparison) -> str:
    """What the difference of the two temperatures makes of arrivals."""
    difference_c = comparison.newer.temperature_c - comparison.older.temperature_c
    if round(difference_c, 1) == 0.0:
        return "Nothing is taken out for it."
    return f"That alone, {warmer(difference_c)}, makes sound {_air_effect(comparison)}, and is taken out."


def _heard_air(comparison: Comparison) -> str:
    """What arrivals say of the air where the two temperatures do not fit them."""
    older, newer = comparison.older, comparison.newer
    difference_c = newer.temperature_c - older.temperature_c
    heard_c, error_c = difference_c + comparison.air_error_c, 2.0 * comparison.air_error_std_c
    assumed = [name for name, one in (("then", older), ("now", newer)) if one.is_temperature_assumed]
    wrong = f"what was assumed {assumed[0]}" if len(assumed) == 1 else "at least one of the two temperatures"
    said = warmer(difference_c) if round(difference_c, 1) else "as warm as then"
    as_then = f"as warm as then, to ± {number(error_c)} °C"
    heard = f"{warmer(heard_c, error_c)} than then" if abs(heard_c) > error_c else as_then
    return (
        f"The arrivals contradict that: by them the air is {heard}, not {said}. Likely {wrong} is wrong. What the "
        f"arrivals say is taken out, by which sound is {_air_effect(comparison)}."
    )


def _air_effect(comparison: Comparison) -> str:
    """By how much the air makes sound earlier or later, at most."""
    most_ms = max((row.air_ms for row in comparison.changes), key=abs, default=0.0)
    if round(most_ms, 2) == 0.0:
        return "neither earlier nor later"
    return f"{'earlier' if most_ms < 0 else 'later'} by up to {number(abs(most_ms), 2)} ms"


def warmer(difference_c: float, error_c: float = 0.0) -> str:
    """A difference of temperature in words.

    >>> warmer(9.0), warmer(-0.04, 0.6)
    ('9.0 °C warmer', '0.0 ± 0.6 °C colder')
    """
    error = f" ± {number(error_c)}" if error_c else ""
    return f"{number(abs(difference_c))}{error} °C {'warmer' if difference_c >= 0 else 'colder'}"


def output_words(
    polarity: str,
    times: OutputTimes,
    level: Shift | None,
    peak: ResponsePeak,
    setting: SettingNow,
    n_positions: int,
    older: str = "the older visit",
) -> str:
    """What was found of one output, in sentences; `older` is what the older visit is called."""
    where = _where(n_positions)
    parts = [*_polarity_words(polarity, setting, where, older), *_time_words(times, setting, n_positions, older)]
    if level is not None:
        parts.append(f"It is {louder(level.mean)} ± {number(2.0 * level.std)} dB.")
    if peak.is_beyond:
        band = frequency(nominal_hz(peak.hz, BANDS_PER_OCTAVE))
        change = f"{signed(peak.change_db)} ± {number(2.0 * peak.std_db)} dB, {signed(peak.phase_deg, 0)}°"
        parts.append(f"Its response changed most at {band}: {change} against its other bands, mean of {where}.")
    if not parts:
        error_ms = max(2.0 * times.shift.std, 0.01)
        off_ms = times.shift.mean
        off = f", though it seems {later(off_ms)}, too little to be sure of" if abs(off_ms) > error_ms else ""
        as_was = "As it was" if setting.is_heard else "Behind the processor as it was"
        coarse = f"; {times.hidden_words}" if times.is_coarse else ""
        parts.append(f"{as_was}, as far as {where} can tell: arrival to ± {number(error_ms, 2)} ms{off}{coarse}.")
    return " ".join(parts)


def _where(n_positions: int) -> str:
    return "one position" if n_positions == 1 else f"{n_positions} positions"


def _polarity_words(polarity: str, setting: SettingNow, where: str, older: str) -> list[str]:
    if polarity == "undecided":
        return ["Whether its polarity is as it was cannot be told: the two visits have too little in common."]
    if polarity == "flipped" and not setting.is_heard:
        return [turned_behind_words(setting.wire, where, older)]
    if polarity == "flipped" and setting.wire:
        return [_wire_words(setting, setting.wire, where, older)]
    if polarity == "flipped" and setting.is_turned:
        return [
            "Its polarity setting was changed in the description, but what is heard did not turn over: the setting is "
            "not in force now, or was already then."
        ]
    if polarity == "flipped":
        return [
            f"It plays the other way up than at {older}, at {where}: look for a turned connector, a cable "
            "or another preset."
        ]
    is_set = setting.is_turned and setting.is_heard
    return ["Its polarity setting was changed in the description, and it turned over accordingly."] if is_set else []


def _wire_words(setting: SettingNow, wire: Rewired, where: str, older: str) -> str:
    """That a wire turned over, what that asks for, and how to tell it from a setting that is not in force."""
    now, other = setting.polarity, OTHER_POLARITY[setting.polarity]
    if setting.is_turned:
        return (
            f"{wire.words} Its polarity setting was changed in the description as well, so that it plays as at "
            f"{older}. {look_words(now)} If it shows {other}, no wire was touched and the new setting is not in force."
        )
    turned = f"It plays the other way up than at {older}, at {where}. {wire.words}"
    if not wire.is_mended:
        return f"{turned} {check_words(now)}"
    return (
        f"{turned} {look_words(now)} If it does, go by the report in which it reads normal; with {other} it would play "
        f"as it did. If it shows {other}, no wire was touched and its setting makes up for it: correct the description."
    )


def _time_words(times: OutputTimes, setting: SettingNow, n_positions: int, older: str) -> list[str]:
    shift, parts = times.shift, []
    asked_ms = setting.later_ms if setting.is_heard else 0.0
    asked = f"Its delay setting was changed by {signed(setting.later_ms, 2)} ms"
    alike = f"at {_where(n_positions)}{'' if n_positions == 1 else ' alike'}"
    if asked_ms and (times.is_elsewhere or not times.is_beyond):
        parts.append(f"{asked} in the description; {_followed_words(times, setting)}.")
    if times.is_elsewhere:
        parts.append(
            f"Its arrival changed by different amounts from position to position ({signed(shift.mean, 2)} ms on "
            f"average, spread {number(shift.spread, 2)} ms): the box stands elsewhere."
        )
    elif times.is_beyond and setting.fits_none:
        parts.append(
            f"{asked} in the description, but what is heard did not move: the setting is not in force now, "
            "or was already then."
        )
    elif times.is_beyond and asked_ms:
        heard = f"{signed(setting.later_ms + shift.mean, 2)} ± {number(2.0 * shift.std, 2)} ms"
        parts.append(
            f"{asked} in the description, what is heard by {heard}: it arrives {later(shift.mean)} than that asks for, "
            f"{alike}."
        )
    elif times.is_beyond:
        parts.append(f"It arrives {later(shift.mean, 2.0 * shift.std)} than at {older}, {alike}.")
        if n_positions > 1 and not setting.is_heard:
            parts.append("Look for a latency or a delay behind the processor.")
        elif n_positions > 1:
            parts.append("Its delay is described as it was: look for a delay that nobody wrote down, or a latency.")
    if times.other:
        parts.append(f"Or else: {times.other}; the two cannot be told apart well.")
    return parts


def _followed_words(times: OutputTimes, setting: SettingNow) -> str:
    """Whether an arrival that is not beyond tolerance followed a change that is described."""
    if times.is_elsewhere:
        return "that is taken out"
    if setting.fits_none:
        return f"whether that is in force cannot be heard: {times.hidden_words}"
    return f"it arrives accordingly{f', though {times.hidden_words}' if times.is_coarse else ''}"


def untold_words(later_ms: float, is_turned: bool) -> str:
    """What was found of an output where box, microphone and air cannot be told apart; 0 ms for no shift."""
    parts = ["What is heard turned over: the output, or the microphone chain."] if is_turned else []
    if later_ms:
        parts.append(f"It arrives {later(later_ms)} than the settings and the two temperatures say.")
    parts.append("One position with few outputs cannot tell the box from the microphone and the air: measure at more.")
    return " ".join(parts)


def odd_words(positions: Iterable[str], older: str = "the older visit") -> str:
    """That an output turned over at some positions and not at the others; `older` is what the older visit is called."""
    return (
        f"Against {older} its polarity at {listed(list(positions))} is not what it is at the rest. Nothing "
        "that happens to an output or a microphone does that: look whether tracks or takes were exchanged, and record "
        "it again."
    )


def doubt_words(what: str, shift: Shift, level: Shift, peak: ResponsePeak) -> str:
    """What may have changed of an output that is neither surely as it was nor surely changed."""
    said = {
        "arrival": f"It may arrive {later(shift.mean, 2.0 * shift.std)}",
        "level": f"It may be {louder(level.mean)} ± {number(2.0 * level.std)} dB",
        "response": f"Its response may have changed by {signed(peak.change_db)} ± {number(2.0 * peak.std_db)} dB at "
        f"{frequency(nominal_hz(peak.hz, BANDS_PER_OCTAVE))}"
        if math.isfinite(peak.hz)
        else "",
        "polarity": "It may play the other way up",
    }
    return f"{said[what]}: more likely a change than not, and too near the noise to say so."


def moved_words(shifts_ms: NDArray[np.float64], distance_m: float) -> str:
    """How far arrivals at one microphone changed, and how far it stands at least from where it stood, in m."""
    low, high = float(shifts_ms.min()), float(shifts_ms.max())
    span = later(low) if high - low < 0.05 else f"{signed(low, 2)} to {signed(high, 2)} ms"
    return (
        f"The microphone stands elsewhere, by {number(distance_m, 2)} m or more: arrivals here changed by {span}, "
        "unlike at the other positions. No output is blamed for that."
    )


def later(ms: float, error_ms: float = 0.0) -> str:
    """A shift in words.

    >>> later(0.4), later(-1.25, 0.04)
    ('0.40 ms later', '1.25 ± 0.04 ms earlier')
    """
    error = f" ± {number(error_ms, 2)}" if error_ms else ""
    return f"{number(abs(ms), 2)}{error} ms {'later' if ms >= 0 else 'earlier'}"


def louder(db: float) -> str:
    """A change of level in words, without its unit.

    >>> louder(-2.04)
    'quieter by 2.0'
    """
    return f"{'louder' if db >= 0 else 'quieter'} by {number(abs(db))}"
