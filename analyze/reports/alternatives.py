"""What else might be set: the likeliest so far, the runner-up, the other polarity, and how sure each is."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analyze.reports.sheet_notes import other_main_settings
from analyze.reports.step_words import out_of_step_then
from analyze.reports.summaries import percent

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

# A polarity this much less sure than its setting is said beside it.
_CLEARLY_LESS = 0.02

# A setting in words, and the two things that an alternative may say of one (the column of that name).
_SETTING = r"(?:normal|inverted), \d+\.\d+ ms"
_CANDIDATE = re.compile(rf"candidate ({_SETTING}[^;]*)(?:; (.*))?", re.DOTALL)
_LIKELIEST = "Likeliest so far, not to be typed"
_RUNNER_UP = re.compile(rf"({_SETTING}) (?:costs (\d+\.\d) dB|is as good)(.*)", re.DOTALL)


def is_polarity_doubtful(row: Recommendation) -> bool:
    """Whether the polarity alone is clearly less sure than the setting."""
    return row.polarity_confidence < row.confidence - _CLEARLY_LESS


def alternatives(analysis: Analysis, row: Recommendation) -> tuple[tuple[str, str], ...]:
    """What else might be set: of its arrival by itself, all else said of the first of a group, in whose settings."""
    others = other_main_settings(analysis, row)
    if row.output != analysis.sound_check.group_of(row.output)[0]:
        return others
    parts = _with_step(analysis, row, labelled(row.alternative))
    return (*others, *_how_sure(row, parts), *_either_way(row))


def _with_step(
    analysis: Analysis, row: Recommendation, parts: tuple[tuple[str, str], ...]
) -> tuple[tuple[str, str], ...]:
    """The parts, of the runner-up how far out of step it would be."""
    from analyze.reports.runner_up import runner_up  # brings in numpy

    rival = runner_up(analysis, row.output)
    far = out_of_step_then(analysis, row, rival.delay_ms) if rival else ""
    return tuple((label, f"{words}{far}" if label.startswith("Runner-up") else words) for label, words in parts)


def _how_sure(row: Recommendation, parts: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
    """The parts, what is likeliest so far with how sure it is."""
    sure = f", {percent(row.confidence)} sure" if percent(row.confidence) else ""
    return tuple((f"{label}{sure}" if label == _LIKELIEST else label, words) for label, words in parts)


def polarity_alone(row: Recommendation) -> str:
    """How sure the polarity by itself is; empty where that is no less, or nothing is decided."""
    is_said = is_polarity_doubtful(row) and row.decision != "undecided"
    return f"polarity alone {percent(row.polarity_confidence)}" if is_said else ""


def _either_way(row: Recommendation) -> tuple[tuple[str, str], ...]:
    """Why a setting is surer than its polarity: because the other one would do as well."""
    from analyze.alignment.confidence import RIGHT_DB  # brings in numpy

    if not (is_polarity_doubtful(row) and row.cost_if_wrong_db <= RIGHT_DB):
        return ()
    sure, alone = percent(row.confidence), percent(row.polarity_confidence)
    which = "the likeliest" if row.decision == "undecided" else "this setting"
    each = "" if row.kind == "monitor" else ", each at its best delay,"  # a monitor's delay stays
    words = f"Either polarity{each} is as good within {RIGHT_DB:g} dB: {sure} sure is that {which}"
    return (("", f"{words} is right, {alone} that its polarity is the better one"),)


def labelled(alternative: str) -> tuple[tuple[str, str], ...]:
    """The parts of an alternative, each with what it is; without a label where the words say it themselves.

    >>> labelled("candidate normal, 4.10 ms, +0.6 dB; inverted, 9.00 ms costs 0.7 dB")
    (('Likeliest so far, not to be typed', 'normal, 4.10 ms, +0.6 dB'), ('Runner-up', 'inverted, 9.00 ms costs 0.7 dB'))
    >>> labelled("inverted, 9.00 ms costs 0.3 dB")
    (('Runner-up, as good within 0.5 dB', 'inverted, 9.00 ms, 0.3 dB less'),)
    >>> labelled("normal, 2.10 ms is as good")
    (('Runner-up, as good', 'normal, 2.10 ms'),)
    >>> labelled("the present setting costs 1.2 dB on stage")
    (('', 'The present setting costs 1.2 dB on stage'),)
    """
    found = _CANDIDATE.fullmatch(alternative)
    candidate, rest = (found[1], found[2] or "") if found else ("", alternative)
    parts = [(_LIKELIEST, candidate)] if candidate else []
    if rest:
        parts.append(_labelled_rest(rest))
    return tuple(parts)


def _labelled_rest(text: str) -> tuple[str, str]:
    """A runner-up, which within what counts as right is no rival, or words that say themselves what they are."""
    found = _RUNNER_UP.fullmatch(text)
    if not found:
        return "", text[0].upper() + text[1:]
    from analyze.alignment.confidence import RIGHT_DB  # brings in numpy

    setting, cost_db, more = found.groups()
    if cost_db is None:
        return "Runner-up, as good", f"{setting}{more}"
    if float(cost_db) <= RIGHT_DB:
        return f"Runner-up, as good within {RIGHT_DB:g} dB", f"{setting}, {cost_db} dB less{more}"
    return "Runner-up", text
