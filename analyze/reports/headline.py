"""What a report says first: how much is to change, and what that does to the audience as a whole."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.reports import effects
from analyze.reports.change_lines import change_lines, is_optional_input
from analyze.reports.naming import clean, shortened
from analyze.reports.page_findings import is_description_doubtful
from analyze.reports.page_sheet import is_changed
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.sheet_notes import is_optional
from analyze.reports.summaries import listed, number, percent, plural
from analyze.reports.wiring_notes import stopgaps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

# So many outputs that keep what they have are named, with names so long.
_FEW_NAMES, _NAME_LENGTH = 4, 40


def lead(analysis: Analysis) -> str:
    """How much is to change, in a sentence or two."""
    outputs, inputs = analysis.recommendations, analysis.inputs
    if not outputs and not inputs:
        return "Nothing could be recommended."
    alone = _alone(outputs) if outputs and all(row.decision == "reference" for row in outputs) else ""
    if alone and not inputs:
        return alone
    kinds = [("output", 0 if alone else len(outputs)), ("stage input", len(inputs))]
    things = " and ".join(plural(n, name) for name, n in kinds if n)
    every = (alone, _to_do(analysis, things), undecided_words(analysis), _every_sure(analysis))
    said = " ".join(words for words in every if words)
    return f"If the description is right: {said[0].lower()}{said[1:]}" if is_description_doubtful(analysis) else said


def headline(analysis: Analysis) -> list[str]:
    """What to do, as text: how much is to change, then change by change where they are few."""
    return [lead(analysis), *(f"- {line.words}" for line in change_lines(analysis))]


def effect_words(analysis: Analysis) -> str:
    """What gets better and what gets worse, unless it is said change by change; empty where nothing changes."""
    is_told = any(line.effects for line in change_lines(analysis))
    return "" if is_told else " ".join(effects.effect_words(analysis))


def _alone(rows: Sequence[Recommendation]) -> str:
    """What to say where nothing but the reference was described."""
    if len(rows) == 1:
        return f"Nothing to line up: {clean(rows[0].output)} is the only output."
    whole = "both outputs are" if len(rows) == 2 else f"all {len(rows)} outputs are"
    return f"Nothing to line up: {whole} the reference's group, which never moves."


def _to_do(analysis: Analysis, things: str) -> str:
    """How many settings to change, which only until a wiring is mended, and which changes are optional."""
    optional = [is_optional(row) for row in analysis.recommendations if row.decision == "change"]
    optional += [is_optional_input(row) for row in analysis.inputs if row.decision == "change"]
    n_needed, n_optional, n_until = optional.count(False), optional.count(True), len(stopgaps(analysis))
    until = f"{n_until} more" if n_needed else f"{n_until} of {things}"
    mended = f"{until} only until {'its' if n_until == 1 else 'their'} wiring is mended" if n_until else ""
    if n_needed or n_until:
        words = f"Change {' and '.join(filter(None, (f'{n_needed} of {things}' if n_needed else '', mended)))}."
    else:
        words = _kept(analysis, things)
    if n_optional:
        more = plural(n_optional, "more change" if n_needed else "change")
        words += f" {more} {'is' if n_optional == 1 else 'are'} optional."
    return words


def _kept(analysis: Analysis, things: str) -> str:
    """That nothing changes of what is decided, and how much that is."""
    decisions = [row.decision for row in analysis.recommendations] + [row.decision for row in analysis.inputs]
    if "undecided" not in decisions:
        return f"Keep the present settings of {things}."
    n_kept = sum(decision not in ("undecided", "reference") for decision in decisions)
    if not n_kept:
        return "Nothing can be decided yet."
    n_fixed = decisions.count("reference")
    aside = f", {n_fixed} as the reference" if n_fixed else ""
    return f"Keep the present settings of {n_kept + n_fixed} of {things}{aside}."


def undecided_words(analysis: Analysis) -> str:
    """What could not be decided and stays as it is."""
    names = [row.output for row in analysis.recommendations if row.decision == "undecided"]
    names = [name for name in names if name not in stopgaps(analysis)]
    names += [row.input for row in analysis.inputs if row.decision == "undecided"]
    if not names:
        return ""
    few = listed([shortened(name, _NAME_LENGTH) for name in names])
    who = few if len(names) <= _FEW_NAMES else str(len(names))
    return f"Not decided: {who}, which {'keeps its setting' if len(names) == 1 else 'keep their settings'} for now."


def _every_sure(analysis: Analysis) -> str:
    """How sure changes are that are too many for lines of their own."""
    changed = [row.confidence for row in analysis.recommendations if row.decision == "change"]
    if not changed or change_lines(analysis):
        return ""
    return f"Every change is {percent(min(changed))} sure or more."


def score_sentence(analysis: Analysis) -> str:
    """What the recommendation does to the audience as a whole; empty where no score is known."""
    present, recommended = analysis.score_present_db, analysis.score_recommended_db
    if not (math.isfinite(present) and math.isfinite(recommended)):
        return ""
    change = f" at present and to {number(recommended)} dB as recommended" if changes_anything(analysis) else ""
    chance = analysis.score_chance_db
    by_chance = f", and left to chance it would be {number(chance)} dB" if math.isfinite(chance) else ""
    return (
        f"Over the audience, all bands that count from 25 to 315 Hz, the outputs add to {number(present)} dB{change}; "
        f"at 0 dB nothing would be lost{by_chance}.{_beside_arrival(analysis)}"
    )


def _beside_arrival(analysis: Analysis) -> str:
    """That this figure is no reason for what changes, where all of it is lined up by arrival."""
    changed = [row for row in analysis.recommendations if is_changed(row)]
    if not changed or any(row.kind not in BY_ARRIVAL for row in changed):
        return ""
    return " What changes is set for its arrival, not for this figure."


def changes_anything(analysis: Analysis) -> bool:
    """Whether any output is given another setting."""
    return any(is_changed(row) for row in analysis.recommendations)
