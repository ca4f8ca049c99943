"""How sure a recommendation is, and why, in one sentence: what takes most from its confidence is named first.

Every figure is one that the confidence was made of; in brackets stands what it would be without that.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.alignment.arrivals import RIGHT_MS
from analyze.alignment.confidence import MODEL, MODEL_DB, NOISE, RIGHT_DB, SCATTER, SEATS, SHORTFALL, right_within_ms
from analyze.alignment.decision import DECIDED, setting_words
from analyze.alignment.device import rounded
from analyze.alignment.grounds import SPARES, Rival, SumGrounds, TimingGrounds
from analyze.alignment.timing_grounds import ARRIVAL, NOT_TURNED, OUT_OF_REACH, OWN_WIRING, REFERENCE_WIRING
from analyze.reports.runner_up import RunnerUp
from analyze.reports.summaries import as_known, number, percent

if TYPE_CHECKING:
    from analyze.alignment.confidence import Limit
    from analyze.alignment.output_grounds import OutputGrounds
    from analyze.alignment.rows import Recommendation
    from analyze.alignment.score import Change
    from analyze.pipeline import Analysis

# Limits named in one sentence.
_MOST_LIMITS = 2
# A polarity this much less sure than the setting is said.
_LESS_SURE = 0.01


def reading(normal_probability: float) -> str:
    """What a wiring reads and how sure that is.

    >>> reading(0.976), reading(0.2), reading(0.5), reading(float("nan"))
    ('normal, 98 %', 'inverted, 80 %', 'cannot be told', 'cannot be told')
    """
    if not math.isfinite(normal_probability) or normal_probability == 0.5:
        return "cannot be told"
    word = "normal" if normal_probability > 0.5 else "inverted"
    return f"{word}, {percent(max(normal_probability, 1.0 - normal_probability))}"


def _reading_if_told(grounds: OutputGrounds) -> str:
    """What the wiring reads where that is sure enough to be called told."""
    sure = max(grounds.normal_probability, 1.0 - grounds.normal_probability)
    return "cannot be told" if sure < DECIDED else reading(grounds.normal_probability)


def words_of(analysis: Analysis, output: str, change: Change) -> str:
    """An output's setting after a change of its group, on the device's step."""
    outputs = analysis.sound_check.outputs
    members = [outputs[name] for name in analysis.sound_check.group_of(output)]
    return setting_words([outputs[output]], rounded(members, change))


def sure_sentence(analysis: Analysis, row: Recommendation, grounds: OutputGrounds) -> str:
    """How sure the recommendation for one output is, and why."""
    setting = grounds.setting
    if row.decision == "reference":
        return f"It never moves, so there is no setting to be sure of; its wiring: {_reading_if_told(grounds)}."
    if setting is None:
        start = "Nothing can be claimed." if row.decision == "undecided" else "Not judged, so there is no figure."
        return f"{start} {row.reason}"
    if isinstance(setting, TimingGrounds):
        claim, because = _timing_words(analysis, row.output, setting)
    else:
        claim, because = _sum_words(analysis, row, setting)
    sure = percent(row.confidence)
    if row.confidence < DECIDED:
        return f"Only {sure} sure that {claim}, and {percent(DECIDED)} are needed{because}."
    return f"{sure[0].upper()}{sure[1:]} sure that {claim}{because}."


def _because(limits: tuple[Limit, ...], phrases: dict[str, str]) -> str:
    """What holds the confidence down, in phrases by cause; empty where nothing does."""
    parts = [f"{phrases[one.cause]} (otherwise {percent(one.without)})" for one in limits[:_MOST_LIMITS]]
    return f": {', and '.join(parts)}" if parts else ""


def _sum_words(analysis: Analysis, row: Recommendation, setting: SumGrounds) -> tuple[str, str]:
    """What is claimed of a setting that was judged by sums, and why no more or no less."""
    scatter = f"what that is worth varies by {_decibels(setting.scatter_db)} from one stretch of sound to the next"
    if setting.contradicted:
        scatter = f"two captures of {' and '.join(setting.contradicted)} disagree"
    hidden = percent(1.0 - setting.heard_share)
    phrases = {
        SCATTER: scatter,
        SHORTFALL: f"another setting adds {_decibels(setting.shortfall_db)} more on average",
        NOISE: f"noise or outputs playing alike hide {hidden} of the low bands where it may overlap with others",
        SEATS: f"{percent(1.0 - setting.measured_share)} of the audience has no response of it beside another output's",
        MODEL: f"no recording tells differences closer than {number(MODEL_DB, 2)} dB",
    }
    because = _because(setting.limits, phrases)
    if setting.claim == SPARES:
        change = setting.other_polarity.change if setting.other_polarity else setting.change
        return f"{words_of(analysis, row.output, change)} would take from the sum in the audience", because
    words = words_of(analysis, row.output, setting.change)
    if row.kind == "monitor":
        claim = f"{words} is the best setting on stage or within {RIGHT_DB:g} dB of it"
    else:
        claim = f"{words} is right, {_near_words(analysis, row.output)}"
    because = because or _lead_words(analysis, row.output, setting)
    if row.polarity_confidence < row.confidence - _LESS_SURE:
        because += f"; of the polarity alone {percent(row.polarity_confidence)}"
        if row.polarity_confidence < DECIDED and row.cost_if_wrong_db <= RIGHT_DB:
            because += ", as the other one, at a delay of its own, may do as well"
    return claim, because


def _near_words(analysis: Analysis, output: str) -> str:
    """What still counts as right, for the group of an output."""
    members = analysis.sound_check.group_of(output)
    near = right_within_ms(row.overlap_high_hz for row in analysis.recommendations if row.output in members)
    delay = f" or {number(near)} ms" if near else ""
    return f"within {RIGHT_DB:g} dB{delay} of the best"


def _decibels(db: float) -> str:
    """A small difference in tenths of a decibel.

    >>> _decibels(0.26), _decibels(0.04)
    ('0.3 dB', 'less than 0.1 dB')
    """
    return f"{number(db)} dB" if round(db, 1) else "less than 0.1 dB"


def _lead_words(analysis: Analysis, output: str, setting: SumGrounds) -> str:
    """What the next best setting costs, and how much hangs on the choice then."""
    rivals = [one for one in (setting.other_polarity, setting.runner_up) if one is not None]
    if not rivals:
        return ""
    nearest = min(rivals, key=lambda one: one.margin_db)
    lead, words = RunnerUp.of(analysis, output, nearest), words_of(analysis, output, nearest.change)
    called = "the runner-up" if setting.runner_up is not None else "the other polarity"
    if lead.is_equal:
        return f"; {called} ({words}) is as good, so little hangs on it"
    cost = number(lead.cost_db)
    if lead.is_as_good:
        return f"; {called} ({words}) costs {cost} dB, and up to {RIGHT_DB:g} counts as good: little hangs on it"
    error_of = error_db(setting, nearest)
    cost, error = (as_known(value, error_of) for value in (lead.cost_db, error_of))
    return f"; {called} ({words}) costs {cost} dB, give or take {error} dB"


def error_db(setting: SumGrounds, rival: Rival) -> float:
    """Standard error of a lead: what the recordings show and what they do not."""
    return math.hypot(rival.std_db, setting.model_db)


def _timing_words(analysis: Analysis, output: str, setting: TimingGrounds) -> tuple[str, str]:
    """What is claimed of a setting that was judged by arrivals, and why no more or no less."""
    reference = analysis.sound_check.reference
    every = dict.fromkeys(seat for seats in setting.seats.values() for seat in seats)
    where = " and ".join(setting.seats.get(output) or every)
    within = number(setting.std_ms, 2)
    own, other = setting.wiring_confidence, setting.reference_confidence
    late = f"{as_known(abs(setting.late_ms), setting.std_ms)} ms too {'late' if setting.late_ms > 0 else 'early'}"
    phrases = {
        ARRIVAL: f"how arrivals differ there is known within {within} ms only",
        OUT_OF_REACH: f"it comes out {late}",
        NOT_TURNED: f"its polarity is not that of {reference}, and it may not be turned",
        OWN_WIRING: f"its own wiring is only {percent(own)} sure",
        REFERENCE_WIRING: f"the wiring of {reference} is only {percent(other)} sure",
    }
    claim = f"at {where} it arrives within {RIGHT_MS:g} ms of what was asked, with the polarity of {reference}"
    known = f"; arrivals there are known within {within} ms, both wirings are {percent(min(own, other))} sure"
    return claim, _because(setting.limits, phrases) or known
