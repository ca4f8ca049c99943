"""What each plot shows, in words: for those who cannot see it, and for those in a hurry."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.reports.naming import shortened
from analyze.reports.plots_outputs import (
    LEAST_SEEN_DB,
    MOST_ERROR_DB,
    errors_at,
    is_error_seen,
    is_level_known,
)
from analyze.reports.selections import (
    BY_ARRIVAL,
    PhasePoint,
    counted,
    delay_change_ms,
    is_turned,
    is_width_seen,
    levels_at,
    mean,
    own_clocks,
    predictions_at,
    present_arrivals,
    scan_error_db,
    scenario_text,
    score_at,
    spreads,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analyze.alignment.rows import DelayScan, Prediction
    from analyze.pipeline import Analysis
    from analyze.reports.selections import Spread


# So many outputs are named in a sentence, and seats so long.
_FEW_NAMES, _NAME_LENGTH = 4, 40
# Standard errors from which on hundredths, and tenths, of a value say nothing.
_TO_TENTHS, _TO_ONES = 0.2, 2.0
# A standard error of a sum whose band, two of it either way, is as wide as its line.
_SEEN_DB = 0.1
# A standard error of the phase whose bar, two of it either way, is as long as a marker is high.
_SEEN_DEG = 4.0


def number(value: float, decimals: int = 1) -> str:
    """A number in text with a true minus sign; `not known` for NaN."""
    if not math.isfinite(value):
        return "not known"
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−")


def signed(value: float, decimals: int = 1) -> str:
    """A difference in text, with its sign."""
    text = number(value, decimals)
    return f"+{text}" if math.isfinite(value) and round(value, decimals) > 0 else text


def as_known(value: float, std: float, words: Callable[[float, int], str] = number) -> str:
    """A value with the decimals that its standard error leaves it, two at most and two where that is not known.

    words : `number`, or `signed` for a difference

    >>> as_known(52.791, 0.45), as_known(45.431, 0.01), as_known(3.87, 2.4), as_known(0.3, float("nan"), signed)
    ('52.8', '45.43', '4', '+0.30')
    """
    return words(value, 0 if std >= _TO_ONES else 1 if std >= _TO_TENTHS else 2)


def frequency(hz: float) -> str:
    """A frequency in text: `63 Hz`, `1.25 kHz`."""
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def air(temperature_c: float, is_assumed: bool) -> str:
    """Temperature of the air, and whether it is no more than assumed.

    >>> air(18.5, False), air(20.0, True)
    ('18.5 °C', '20.0 °C, assumed')
    """
    return f"{number(temperature_c)} °C{', assumed' if is_assumed else ''}"


def plural(n: int, thing: str) -> str:
    """A number of things.

    >>> plural(1, "seat"), plural(4, "seat")
    ('1 seat', '4 seats')
    """
    return f"{n} {thing}{'' if n == 1 else 's'}"


def listed(names: Sequence[str]) -> str:
    """Names in a sentence.

    >>> listed(["mix"]), listed(["mix", "lawn", "balcony"])
    ('mix', 'mix, lawn and balcony')
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def first_few(names: Sequence[str], most: int) -> str:
    """The first names in a sentence, the others counted; empty for none.

    >>> first_few(["mix", "lawn", "balcony"], 2), first_few(["mix"], 2), first_few([], 2)
    ('mix, lawn and 1 more', 'mix', '')
    """
    n_more = len(names) - most
    return listed([*names[:most], *([f"{n_more} more"] if n_more > 0 else [])] or [""])


def percent(probability: float) -> str:
    """A probability as a reader says it, empty where it is not known; never a bare 0 or 100 %.

    >>> percent(0.934), percent(0.9999), percent(0.002), percent(float("nan"))
    ('93 %', 'over 99 %', 'under 1 %', '')
    """
    if not math.isfinite(probability):
        return ""
    if is_beyond_doubt(1.0 - probability):
        return "under 1 %"
    return "over 99 %" if is_beyond_doubt(probability) else f"{100.0 * probability:.0f} %"


def is_beyond_doubt(probability: float) -> bool:
    """Whether no percentage is told apart any more."""
    return probability > 0.99


def arrival(analysis: Analysis) -> str:
    """First and last arrival at every position."""
    parts = []
    for position in analysis.sound_check.positions:
        rows = [r for r in present_arrivals(analysis) if r.position == position]
        if len({row.output for row in rows}) < 2:
            continue
        first, last = min(rows, key=lambda r: r.arrival_ms), max(rows, key=lambda r: r.arrival_ms)
        gap = number(last.arrival_ms - first.arrival_ms)
        parts.append(f"{position}: {first.output} first, {last.output} {gap} ms later")
    text = "At present settings: " + "; ".join(parts) + "." if parts else "Every dot is one output in one capture."
    changed = {r.output for r in present_arrivals(analysis) if delay_change_ms(analysis, r.output)}
    if changed:
        text += " A line leads from a dot to a stroke: the arrival as recommended."
    else:
        text += " No delay is changed, so arrivals stay where they are."
    if own_clocks(analysis):
        text += " Hollow: recorder on its own clock; only differences between outputs of one capture mean anything."
    return text


def sums(analysis: Analysis, position: str) -> str:
    """Mean, best and worst change at a position."""
    used = [row for row in counted(predictions_at(analysis, position)) if math.isfinite(row.change_db)]
    if not used:
        return "No band could be predicted."
    best, worst = max(used, key=lambda row: row.change_db), min(used, key=lambda row: row.change_db)
    if not any(row.change_db for row in used):
        return f"Mean: {number(mean(r.present_db for r in used))} dB. Nothing changes here.{_sum_error(used)}"
    return (
        f"Mean: {number(mean(r.present_db for r in used))} dB at present, "
        f"{number(mean(r.recommended_db for r in used))} dB as recommended. "
        f"Most gained at {frequency(best.band_hz)} ({signed(best.change_db)} dB), "
        f"least at {frequency(worst.band_hz)} ({signed(worst.change_db)} dB).{_sum_error(used)}"
    )


def _sum_error(rows: Sequence[Prediction]) -> str:
    """How well sums are known, and what the width of their curves says."""
    errors = sorted(e for r in rows for e in (r.present_std_db, r.recommended_std_db) if math.isfinite(e))
    if not errors:
        return ""
    if errors[-1] < _SEEN_DB:
        return f" Standard error: under {number(_SEEN_DB)} dB, too little to be drawn."
    middle = errors[len(errors) // 2]
    about = f"{'under ' * (middle < _SEEN_DB)}{number(max(middle, _SEEN_DB))} dB in the middle"
    return f" Standard error: {about}, {number(errors[-1])} dB at most; pale is two of it either way."


def unrelated_sum_db(n_outputs: int) -> float:
    """What equally loud outputs add to whose phases are unrelated, in dB re the sum of their magnitudes.

    Magnitudes in a reverberant room are Rayleigh distributed (Schroeder 1954; from memory), with mean^2 = pi/4 of the
    mean square, so that the energy of the sum over that of the sum of magnitudes is `1 / (1 + (n - 1) pi / 4)`.

    >>> round(unrelated_sum_db(2), 1), round(unrelated_sum_db(4), 1)
    (-2.5, -5.3)
    """
    return -10.0 * math.log10(1.0 + (n_outputs - 1) * math.pi / 4.0)


# What bands are called, by how many there are to an octave.
_BANDS = {1: "octaves", 3: "third octaves", 6: "sixth octaves", 12: "twelfth octaves"}


def phases(analysis: Analysis, output: str, other: str, points: dict[str, list[PhasePoint]]) -> str:
    """Mean distance from in phase before and after, over the usable bands, and how well that is known."""
    used = [point for rows in points.values() for point in rows if point.is_usable]
    present, turned = mean(abs(p.present_deg) for p in used), mean(abs(p.recommended_deg) for p in used)
    low, high = min(p.band_hz for p in used), max(p.band_hz for p in used)
    after = f"{number(turned, 0)}° as recommended" if is_turned(analysis, output, other) else "unchanged"
    bands = _BANDS[analysis.bands_per_octave]
    by_arrival = analysis.sound_check.outputs[output].kind in BY_ARRIVAL
    aim = f" {output} is lined up by arrival, as late as was asked, not by these phases." if by_arrival else ""
    return (
        f"{output} minus {other}{_partner_words(analysis, output, other)} where both are heard, {bands} from "
        f"{frequency(low)} to {frequency(high)}; 0° adds best, 180° cancels. On average they are {number(present, 0)}° "
        f"away from in phase at present, {after}; chance alone gives 90°.{aim} {_phase_error(used)}"
    )


def _partner_words(analysis: Analysis, output: str, other: str) -> str:
    """Why an output is compared with this one and not with another; empty where it can be no other."""
    check = analysis.sound_check
    mains = check.group_of(check.reference)
    if other == check.reference and check.outputs[output].kind in BY_ARRIVAL and len(mains) > 1:
        return ", the reference that its arrival is set against,"
    if other in mains:
        timed = {name for name, _ in analysis.arrival_present_ms}
        is_told = len(mains) > 1 and timed >= {output, *mains}
        return ", the main that stands nearest to it as arrivals tell," if is_told else ""
    return ", which it meets most,"


def _phase_error(used: list[PhasePoint]) -> str:
    """How well the phases are known."""
    errors = sorted(point.std_deg for point in used if point.std_deg > 0.0)
    if not errors:
        return "How well that is known cannot be told."
    most = max(errors[-1], 1.0)
    if most < _SEEN_DEG:
        return f"Standard error: {number(most, 0)}° at most, too little to be drawn."
    middle = number(max(errors[len(errors) // 2], 1.0), 0)
    return f"Standard error: {middle}° in the middle, {number(most, 0)}° at most; pale bars are two of it either way."


def level(analysis: Analysis, position: str) -> str:
    """Who is loudest at the low end and overall."""
    levels = levels_at(analysis, position)
    best = {output: max(points, key=lambda point: point[1]) for output, points in levels.items()}
    loudest = max(best, key=lambda output: best[output][1])
    text = f"Loudest band: {loudest} at {frequency(best[loudest][0])}, {number(best[loudest][1])} dB."
    errors = errors_at(analysis, position).values()
    if any(is_error_seen(either_db).any() for either_db in errors):
        text += f" Pale: two standard errors either way, where that is more than {LEAST_SEEN_DB:g} dB."
    if not all(is_level_known(either_db).all() for either_db in errors):
        text += f" A line breaks where two standard errors are more than {MOST_ERROR_DB:g} dB."
    return text


def scan(analysis: Analysis, one: DelayScan) -> str:
    """Score at the present setting, at the recommended one and at the runner-up."""
    from analyze.reports.runner_up import scan_places  # brings in all that decides

    places = scan_places(analysis, one.outputs[0])
    if places.get("as recommended") == places.get("at present"):
        places.pop("as recommended", None)
    called = {"runner-up": "of the runner-up", "likeliest so far": "of the likeliest so far"}
    parts = [
        f"{called.get(what, what)} {number(score_at(one, sign, ms))} dB ({sign}, {number(ms, 2)} ms)"
        for what, (sign, ms) in places.items()
    ]
    if not parts:
        return "No score could be computed."
    has_rival = "runner-up" in places
    whole = " It is over all bands that count; what a setting costs stands on the sheet over those it has a part in."
    scores = f"Score with all other outputs as recommended: {'; '.join(parts)}."
    return f"{scores}{whole * has_rival}{_scan_error(one)}"


def _scan_error(one: DelayScan) -> str:
    """What the width of the curves says, or that it is too little to be drawn."""
    widest_db = scan_error_db(one)
    if not math.isfinite(widest_db):
        return ""
    if is_width_seen(one):
        return (
            " A curve is as wide as its height above or below the chosen setting is uncertain: two deviations of "
            "resamples."
        )
    return f" Resamples move the curves by {number(max(widest_db, 0.1))} dB at most, too little to be drawn."


def _carried_words(unchanged: Sequence[Spread]) -> list[str]:
    """Without which seats nothing would be changed."""
    seats = [one.scenario.partition(":")[2] for one in unchanged if one.scenario.startswith("seat:")]
    if not seats:
        return []
    names = " or ".join(shortened(one, _NAME_LENGTH) for one in seats)
    which = "it" if len(seats) == 1 else "each of them"
    return [f"Decided without {names} nothing would be changed: the decision stands on {which}."]


def robustness(analysis: Analysis) -> str:
    """In how many cases the recommendation holds, what leaves least, and what a forgotten polarity would do."""
    every = spreads(analysis)
    cases, forgotten = ([one for one in every if one.is_forgotten is wanted] for wanted in (False, True))
    parts = []
    if cases:
        least, n_worse = min(cases, key=lambda one: one.mean_db), sum(one.is_worse for one in cases)
        if {row.kind for row in analysis.recommendations if row.decision == "change"} == {"monitor"}:
            parts.append("What is changed here is set for the stage; these are the seats, which may lose by it.")
        parts.append(
            f"A fader moved, the air warmer or colder, a seat left out of the decision: in {n_worse or 'none'} of "
            f"these {len(cases)} cases would the recommendation be worse than the present settings, on average over "
            f"the audience. Least is left with {scenario_text(least.scenario)}: {signed(least.mean_db)} dB."
        )
        parts += _carried_words([one for one in cases if one.is_unchanged])
    if forgotten:
        least = min(forgotten, key=lambda one: one.mean_db)
        parts.append(
            f"Not among these cases is a switch that somebody forgets: with {scenario_text(least.scenario)} and all "
            f"else as recommended it is {signed(least.mean_db)} dB against the present settings."
        )
    return " ".join(parts)
