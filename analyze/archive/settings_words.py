"""Verified settings in sentences: one for the whole, one per output."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analyze.archive.comparison import Found
from analyze.archive.comparison_unheard import UNHEARD, is_heard_with_setting
from analyze.archive.comparison_visits import TOO_ALIKE
from analyze.archive.comparison_words import SIGMAS, exchanged_aside, later, odd_words
from analyze.archive.opening import ReportRead
from analyze.archive.rewiring import OTHER_POLARITY, Rewired, check_words, look_words
from analyze.archive.settings_outcomes import SAME_MS
from analyze.archive.settings_rows import DONE, Applied, BandGain, SeatGain, Verified
from analyze.reports.summaries import frequency, listed, number, signed

#: A setting is typed to the letter when it is measured within this, ms; beyond, what was recommended is named too.
_LITERAL_MS = 0.05
#: Share of bands that did not come out as predicted from which it is said.
_MANY_BANDS = 0.25
#: How an outcome reads behind the name of an output in the headline.
_SHORT = {
    "not applied": "not applied",
    "delay not applied": "delay not applied",
    "polarity not applied": "polarity not applied",
    "wrong polarity": "wrong polarity",
    "wire mended": "its wire was likely mended, its polarity not turned back",
    "wire inverted": "its wire likely turned over",
    "wrong sign of delay": "delay with the wrong sign",
    "applied twice": "applied twice",
    "change typed as setting": "the change typed as the setting",
    "setting added to the old one": "added to the old delay",
    "another output's": "has the setting of another",
    "otherwise": "set otherwise",
    "cannot be told": "cannot be told",
    "not measured": "not measured",
}
#: Outcomes of which nothing is known.
_UNKNOWN = ("cannot be told", "not measured")


def headline(verified: Verified) -> str:
    """The sentence a person wants."""
    if verified.is_one:
        return "Nothing was measured since: both reports were made from the very same recordings."
    wrong = [row for row in verified.settings if row.outcome not in DONE]
    if not wrong:
        said = "Done as recommended" if verified.is_anything_asked else "Nothing was to be changed, and nothing was"
    else:
        alike: dict[str, list[str]] = {}
        for row in wrong:
            alike.setdefault(_short(row), []).append(row.output)
        said = _lead(verified, wrong) + "; ".join(f"{listed(names)} ({what})" for what, names in alike.items())
    gained = f"; {seat_words(verified)}.{_missed_words(verified)}" if verified.seat else "."
    copied = TOO_ALIKE if verified.is_too_alike else ""
    asides = f"{exchanged_aside(verified.exchanged)}{_look_aside(verified)}{_other_sound_words(verified)}"
    return f"{copied}{said}{gained}{asides}"


def _look_aside(verified: Verified) -> str:
    """That an output plays as recommended under another polarity than is described; empty where none does."""
    asked = [row for row in verified.settings if row.outcome in DONE and row.polarity_change == "yes"]
    names = [row.output for row in asked if row.plays_unlike_described]
    if not names:
        return ""
    plays = "plays as with another polarity than is" if len(names) == 1 else "play as with other polarities than are"
    return (
        f" Look at the processor before you type a polarity for {listed(names)}, which {plays} described: its wire was "
        "mended, or the description was not changed."
    )


def _other_sound_words(verified: Verified) -> str:
    """That outputs whose settings cannot be heard sound otherwise than these say; empty where none does."""
    if not verified.other_sound:
        return ""
    return f" What is heard of {listed(verified.other_sound)} changed behind the processor: see analyze compare."


def _lead(verified: Verified, wrong: Sequence[Applied]) -> str:
    """Whether what was recommended was not done, or something else was."""
    if any(row.decision == "change" for row in wrong):
        return "Not done as recommended: "
    done = "All that was recommended was done" if verified.is_anything_asked else "Nothing was to be changed"
    return f"{done}, but not all else is as it was: "


def _short(row: Applied) -> str:
    if row.outcome == "another output's":
        return f"has what was meant for {row.other}"
    by_description = row.outcome not in _UNKNOWN and math.isnan(row.measured_delay_change_ms)
    return f"{_SHORT[row.outcome]}, as its description says" if by_description else _SHORT[row.outcome]


def seat_words(verified: Verified) -> str:
    """Predicted and measured change of the low end at the seat that is named first."""
    seat = next(one for one in verified.seats if one.position == verified.seat)
    return f"low end at {seat.position} {_gain_words(seat)}"


def _missed_words(verified: Verified) -> str:
    """How many positions came out as predicted and which is furthest off, where anything was done and any did not."""
    if verified.is_nothing_done:
        return ""
    missed = [one for one in verified.seats if one.as_predicted == "no"]
    if not missed:
        return _missed_bands_words(verified)
    furthest, n = max(missed, key=lambda one: abs(one.difference_db)), len(verified.seats)
    if n == 1:
        return " That is not as predicted."
    is_said = furthest.position == verified.seat
    which = "that one is furthest off" if is_said else f"furthest off: {furthest.position}, {_gain_words(furthest)}"
    return f" {n - len(missed) or 'None'} of {n} positions came out as predicted; {which}."


def _missed_bands_words(verified: Verified) -> str:
    """That means hide bands which did not come out as predicted, where a quarter of them or more did not."""
    bands = [one for one in verified.verification if one.cell == "yes" and one.as_predicted in ("yes", "no")]
    missed = [one for one in bands if one.as_predicted == "no"]
    if len(missed) < _MANY_BANDS * max(len(bands), 1):
        return ""
    furthest = max(missed, key=lambda one: abs(one.difference_db))
    return (
        f" Means hide that {len(missed)} of {len(bands)} bands did not come out as predicted; furthest off: "
        f"{furthest.position} at {frequency(furthest.band_hz)}, {signed(furthest.difference_db)} dB."
    )


def _gain_words(seat: SeatGain) -> str:
    return (
        f"{signed(seat.predicted_change_db)} dB predicted, "
        f"{signed(seat.measured_change_db)} ± {number(2.0 * seat.measured_change_std_db)} dB measured"
    )


def described_reason(row: Applied, *, is_other_sound: bool) -> str:
    """What the description says of a setting that cannot be heard.

    is_other_sound : whether what is heard did not do as the description says
    """
    said = f"{number(row.described_delay_ms, 2)} ms, {row.described_polarity}"
    asked = f"{number(row.recommended_delay_ms, 2)} ms, {row.recommended_polarity} was recommended"
    as_asked = "as before, and nothing was to be changed" if row.outcome == "left alone" else "as recommended"
    parts = [
        UNHEARD,
        f"That says {said}, {as_asked if row.outcome in DONE else f'where {asked}'}. Look at the processor.",
    ]
    if is_other_sound:
        parts.append("What is heard changed besides, behind the processor: analyze compare says how.")
    return " ".join(parts)


def reason(row: Applied, odd: Sequence[str] = (), wire: Rewired | None = None) -> str:
    """What was done with one output, and what to do about it.

    odd : positions at which its polarity is not what it is at the rest; wire : its own, where it turned over
    """
    if odd:
        return odd_words(odd)
    if row.outcome == "not measured":
        return "It was not measured at any position at both visits: nothing can be said."
    if row.outcome == "cannot be told":
        return "The two visits have too little in common to tell."
    parts = [_done_words(row, wire), *(_described_words(row) if wire is None else _wire_words(row, wire))]
    return " ".join(part for part in parts if part)


def _done_words(row: Applied, wire: Rewired | None) -> str:
    """What was found, and what to type where it is wrong; with a mended wire that hangs on the processor."""
    is_mended = wire is not None and wire.is_mended
    type_in = "" if is_mended else f" Type {number(row.recommended_delay_ms, 2)} ms, {row.recommended_polarity}."
    change = f"{signed(row.delay_change_ms, 2)} ms"
    found = f"{number(row.in_force_delay_ms, 2)} ms, {row.in_force_polarity}"
    if is_mended and row.outcome in DONE:
        return "It plays as recommended."
    if row.outcome == "as recommended":
        asked = number(row.recommended_delay_ms, 2)
        is_near = abs(row.in_force_delay_ms - row.recommended_delay_ms) > _LITERAL_MS
        return f"In force: {found}{f'; {asked} ms was, which' if is_near else ', as'} recommended."
    if row.outcome == "left alone":
        return f"Nothing was to be changed, and nothing was: {found}.{_drifted_words(row)}"
    if row.outcome == "left out":
        return f"Its change was optional, for it adds little on average, and was left out: {found} as before."
    if row.outcome == "wire inverted":
        return f"It plays the other way up than recommended, though {found} is set, as it should be."
    if row.outcome == "another output's":
        asked = " " if row.decision != "change" else " and not what was meant for it "
        return f"It has the change that was meant for {row.other}{asked}(in force: {found}).{type_in}"
    if row.outcome == "not applied" and row.other:
        return f"Its change was not applied; {row.other} has it instead.{type_in}"
    said = {
        "not applied": f"Its change was not applied: {found} is in force as before.",
        "delay not applied": f"Its polarity was turned, but the delay of {change} was not applied.",
        "polarity not applied": "Its delay was changed as recommended, but its polarity was not turned.",
        "wrong polarity": "Its delay is as recommended, but its polarity was turned, which was not recommended.",
        "wire mended": f"It plays the other way up than recommended, though {found} is set.",
        "wrong sign of delay": f"Its delay was changed by as much in the wrong direction ({change} was asked).",
        "applied twice": f"Its change of {change} was applied twice: {found} is in force.",
        "change typed as setting": f"The change of {change} was typed in as the setting itself: {found} is in force.",
        "setting added to the old one": f"The new setting was added to the old one: {found} is in force.",
        "otherwise": _otherwise(row, found),
    }
    return said[row.outcome] + type_in


def _drifted_words(row: Applied) -> str:
    """That an output arrives otherwise by less than counts as another setting, but surely; empty where it does not."""
    off_ms = row.measured_delay_change_ms
    if not abs(off_ms) > max(_LITERAL_MS, SIGMAS * row.in_force_delay_std_ms):
        return ""
    return f" It arrives {later(off_ms)}, less than counts as a setting here: see analyze compare."


def _otherwise(row: Applied, found: str) -> str:
    if row.decision != "change":
        return f"It was to be left alone, but was changed: {found} is in force."
    return f"{found} is in force, neither what was there nor what was recommended."


def _wire_words(row: Applied, wire: Rewired) -> list[str]:
    """That a wire turned over, and how to tell that from a setting that is not as described."""
    now, told = row.described_polarity, row.recommended_polarity
    if not wire.is_mended:
        return [f"{wire.words} {check_words(now)}"]
    untouched = f"If it shows {OTHER_POLARITY[now]}, no wire was touched:"
    if row.outcome in DONE:
        as_asked = "If it does, it plays as recommended all the same: type nothing."
        return [f"{wire.words} {look_words(now)} {as_asked} {untouched} correct the description."]
    delay = f"{number(row.recommended_delay_ms, 2)} ms"
    return [
        f"{wire.words} {look_words(now)} If it does, type {delay}, {OTHER_POLARITY[told]}. "
        f"{untouched} type {delay}, {told}."
    ]


def _described_words(row: Applied) -> list[str]:
    """Where the newer description says otherwise than what is heard."""
    near = abs(row.described_delay_ms - row.in_force_delay_ms) <= max(SAME_MS, 3.5 * row.in_force_delay_std_ms)
    if near and row.described_polarity == row.in_force_polarity:
        return []
    said = f"{number(row.described_delay_ms, 2)} ms, {row.described_polarity}"
    if row.outcome in DONE:
        return [f"Its description still says {said}: correct it."]
    return [f"Its description says {said}, which is not what is heard."]


def remarks(found: Found, after: ReportRead, bands: Sequence[BandGain]) -> tuple[str, ...]:
    """What holds for the whole: microphones that moved, and sums that could not be compared."""
    moved = [name for p, name in enumerate(found.positions) if ("position", p) in found.times.causes]
    parts = []
    if moved:
        parts.append(
            f"Between the two captures the microphone moved at {listed(moved)}: what is measured there is less sure."
        )
    if not bands:
        parts.append(
            "No sum could be compared: measure after as before, every output alone or with a feed of its own, and give "
            "both runs the same --bands."
        )
    unheard = [name for name in found.outputs if not is_heard_with_setting(after, name)]
    if unheard:
        parts.append(
            f"What is set for {listed(unheard)} cannot be heard, for the feed is recorded after the setting: it is "
            "taken from the description."
        )
    overridden = [
        name
        for capture in after.check["captures"]
        for name, setting in (capture.get("settings") or {}).items()
        if name in after.outputs and setting != after.output(name)["setting"]
    ]
    if overridden:
        names = listed(list(dict.fromkeys(overridden)))
        parts.append(f"A capture says other settings than its description for {names}: sums hold for the description.")
    return tuple(parts)
