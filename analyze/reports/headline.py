"""What a report says first: what to change, and what that does to the audience as a whole."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.reports.naming import clean, shortened
from analyze.reports.page_sheet import is_changed
from analyze.reports.sheet_notes import is_optional
from analyze.reports.summaries import listed, number, plural, unrelated_sum_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

# So many outputs to change are named, with names so long.
_FEW_NAMES, _NAME_LENGTH = 4, 40


@dataclass(frozen=True)
class _Item:
    """One output or stage input: its decision, and whether a change may be left out."""

    name: str
    decision: str
    is_optional: bool


def headline(analysis: Analysis) -> str:
    """What to do, in one sentence or two."""
    outputs = [_Item(row.output, row.decision, is_optional(row)) for row in analysis.recommendations]
    inputs = [_Item(row.input, row.decision, row.recommended_polarity == "normal") for row in analysis.inputs]
    if not outputs and not inputs:
        return "Nothing could be recommended."
    if outputs and all(one.decision == "reference" for one in outputs):
        alone = _alone(analysis.recommendations)
        return f"{alone} {_to_do([], inputs)}" if inputs else alone
    return _to_do(outputs, inputs)


def _alone(rows: Sequence[Recommendation]) -> str:
    """What to say where nothing but the reference was described."""
    if len(rows) == 1:
        return f"Nothing to line up: {clean(rows[0].output)} is the only output."
    whole = "both outputs are" if len(rows) == 2 else f"all {len(rows)} outputs are"
    return f"Nothing to line up: {whole} the reference's group, which never moves."


def _to_do(outputs: Sequence[_Item], inputs: Sequence[_Item]) -> str:
    """How many settings to change, which changes are optional, and how many could not be decided."""
    every = [*outputs, *inputs]
    needed, optional = (
        [one.name for one in every if one.decision == "change" and one.is_optional is wanted]
        for wanted in (False, True)
    )
    kinds = [("output", len(outputs)), ("stage input", len(inputs))]
    things = " and ".join(plural(n, name) for name, n in kinds if n)
    parts = [
        f"Change {len(needed)} of {things}{_few(needed)}." if needed else f"Keep the present settings of {things}."
    ]
    if optional:
        more = plural(len(optional), "more change" if needed else "change")
        parts.append(f"{more} {'is' if len(optional) == 1 else 'are'} optional{_few(optional)}.")
    n_open = sum(one.decision == "undecided" for one in every)
    if n_open:
        keep = "keeps its" if n_open == 1 else "keep their"
        parts.append(f"{n_open} could not be decided and {keep} setting for now.")
    return " ".join(parts)


def _few(names: Sequence[str]) -> str:
    """The names after a colon, where they are few."""
    return f": {listed([shortened(name, _NAME_LENGTH) for name in names])}" if 0 < len(names) <= _FEW_NAMES else ""


def score_sentence(analysis: Analysis) -> str:
    """What the recommendation does to the audience as a whole; empty where no score is known."""
    present, recommended = analysis.score_present_db, analysis.score_recommended_db
    if not (math.isfinite(present) and math.isfinite(recommended)):
        return ""
    change = f" at present and to {number(recommended)} dB as recommended" if changes_anything(analysis) else ""
    return (
        f"Over the audience, 25 to 315 Hz, the outputs add to {number(present)} dB{change}; "
        f"at 0 dB nothing would be lost, and four outputs that have nothing to do with one another add to "
        f"{number(unrelated_sum_db(4))} dB."
    )


def changes_anything(analysis: Analysis) -> bool:
    """Whether any output is given another setting."""
    return any(is_changed(row) for row in analysis.recommendations)
