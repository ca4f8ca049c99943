"""What a report says first: what to change, and what that does to the audience as a whole."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.reports.delay_words import delay_texts
from analyze.reports.naming import clean, shortened
from analyze.reports.page_sheet import is_changed
from analyze.reports.selections import BY_ARRIVAL
from analyze.reports.sheet_notes import is_optional, off_at_present_ms
from analyze.reports.summaries import listed, number, percent, plural, signed, unrelated_sum_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis

# So many outputs to change are named, with names so long.
_FEW_NAMES, _NAME_LENGTH = 4, 40


# From so many milliseconds on tenths do not matter in a headline.
_ROUGH_MS = 10.0
# A channel that is named longer than this is left to the sheet.
_CHANNEL_LENGTH = 20


@dataclass(frozen=True)
class _Item:
    """One output or stage input: its decision, whether a change may be left out, from what to what, and why.

    channel, values and why are empty where they are not known; items of one group that share them are said at once
    """

    name: str
    decision: str
    is_optional: bool
    group: str = ""
    channel: str = ""
    values: str = ""
    why: str = ""


def headline(analysis: Analysis) -> str:
    """What to do, in one sentence or two."""
    outputs = [_item(analysis, row) for row in analysis.recommendations]
    inputs = [_Item(row.input, row.decision, row.recommended_polarity == "normal") for row in analysis.inputs]
    if not outputs and not inputs:
        return "Nothing could be recommended."
    if outputs and all(one.decision == "reference" for one in outputs):
        alone = _alone(analysis.recommendations)
        return f"{alone} {_to_do([], inputs)}" if inputs else alone
    return _to_do(outputs, inputs)


def _item(analysis: Analysis, row: Recommendation) -> _Item:
    """One output, with what is typed and why where it is to change."""
    if row.decision != "change":
        return _Item(row.output, row.decision, is_optional(row))
    described = analysis.sound_check.outputs.get(row.output)
    channel = shortened(described.notes.get("channel", ""), _CHANNEL_LENGTH + 1) if described else ""
    return _Item(
        row.output,
        row.decision,
        is_optional(row),
        row.group,
        channel if len(channel) <= _CHANNEL_LENGTH else "",
        _values(row),
        _why(analysis, row) if is_changed(row) else "",
    )


def _values(row: Recommendation) -> str:
    """From what to what, of what changes."""
    now, then = delay_texts(row.setting_delay_ms, row.recommended_delay_ms)
    delay = f"{now} → {then} ms" if now != then else ""
    polarity = f"{row.setting_polarity} → {row.recommended_polarity}" if row.polarity_change == "yes" else ""
    return ", ".join(filter(None, (delay, polarity)))


def _why(analysis: Analysis, row: Recommendation) -> str:
    """Why an output changes: of a fill or tower when it arrives, of a main or sub what that adds."""
    if row.kind in ("main", "sub"):
        return f"{signed(row.gain_db)} dB where it overlaps with others" if math.isfinite(row.gain_db) else ""
    if row.kind not in BY_ARRIVAL:
        return ""
    from analyze.alignment.arrivals import RIGHT_MS  # brings in numpy

    return "; ".join(
        f"at {shortened(seat, _NAME_LENGTH)} it arrives {number(abs(off_ms), _late_decimals(off_ms))} ms too "
        f"{'late' if off_ms > 0.0 else 'early'}"
        for seat, off_ms in off_at_present_ms(analysis, row.output).items()
        if abs(off_ms) > RIGHT_MS
    )


def _late_decimals(late_ms: float) -> int:
    """Decimals that matter of a time in a headline."""
    return 0 if abs(late_ms) >= _ROUGH_MS else 1


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
        [one for one in every if one.decision == "change" and one.is_optional is wanted] for wanted in (False, True)
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


def _few(items: Sequence[_Item]) -> str:
    """Where they are few, after a colon: who, on which channel, from what to what and why."""
    if not 0 < len(items) <= _FEW_NAMES:
        return ""
    alike: dict[tuple[str, ...], list[_Item]] = defaultdict(list)
    for one in items:
        alike[(one.group or one.name, one.values, one.why) if one.values else ()].append(one)
    said = [_said(group) for group in alike.values()]
    return f": {'; '.join(said) if any(one.values for one in items) else listed(said)}"


def _said(items: Sequence[_Item]) -> str:
    """Outputs that share a change."""
    names = listed([shortened(one.name, _NAME_LENGTH) for one in items])
    channels = [one.channel for one in items if one.channel]
    where = f" ({listed(channels)})" if len(channels) == len(items) else ""
    first = items[0]
    return ": ".join(filter(None, (", ".join(filter(None, (f"{names}{where}", first.values))), first.why)))


def sure_sentence(analysis: Analysis) -> str:
    """How sure the changes of the headline are: few each, with polarities that stay, many together; empty for none."""
    from analyze.alignment.decision import DECIDED  # brings in numpy

    changed = [row for row in analysis.recommendations if row.decision == "change"]
    if not changed:
        return ""
    if len(changed) > _FEW_NAMES:
        return f"How sure: every change {percent(min(row.confidence for row in changed))} or more."
    alike: dict[str, list[str]] = defaultdict(list)
    for row in changed:
        stays = "" if row.polarity_change == "yes" else f", polarity stays {row.recommended_polarity}"
        stays = f", polarity alone {percent(row.polarity_confidence)}" if row.polarity_confidence < DECIDED else stays
        alike[f"{percent(row.confidence)}{stays}"].append(shortened(row.output, _NAME_LENGTH))
    return f"How sure: {'; '.join(f'{listed(names)} {what}' for what, names in alike.items())}."


def score_sentence(analysis: Analysis) -> str:
    """What the recommendation does to the audience as a whole; empty where no score is known."""
    present, recommended = analysis.score_present_db, analysis.score_recommended_db
    if not (math.isfinite(present) and math.isfinite(recommended)):
        return ""
    change = f" at present and to {number(recommended)} dB as recommended" if changes_anything(analysis) else ""
    return (
        f"Over the audience, all bands that count from 25 to 315 Hz, the outputs add to {number(present)} dB{change}; "
        f"at 0 dB nothing would be lost, and four outputs that have nothing to do with one another add to "
        f"{number(unrelated_sum_db(4))} dB.{_beside_arrival(analysis)}"
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
