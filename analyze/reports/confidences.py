"""How a confidence stands on page, text and terminal, and what it is the probability of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyze.reports.page_findings import is_description_doubtful
from analyze.reports.sheet_notes import is_optional
from analyze.reports.summaries import percent

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.pipeline import Analysis


def confidence_text(analysis: Analysis, row: Recommendation, of_what: str = "") -> str:
    """How sure a setting is, in brackets while the description that it hangs on is in doubt.

    Empty where nothing is decided: what is likeliest so far is another setting than the one that stays. So it is of a
    change that may be left out: it would read as if the present setting were wrong.
    """
    if row.decision == "undecided" or is_optional(row):
        return ""
    text = f"{percent(row.confidence)}{of_what}"
    return f"({text})" if percent(row.confidence) and is_description_doubtful(analysis) else text


def confidence_words(analysis: Analysis) -> str:
    """What a confidence is the probability of, in the words of who types the settings."""
    from analyze.alignment.arrivals import RIGHT_MS  # brings in numpy
    from analyze.alignment.confidence import RIGHT_DB
    from analyze.alignment.decision import DECIDED

    doubt = " A figure in brackets holds only if the description is right."
    return (
        "Confidence: how likely it is that the setting is right. For mains, subs and monitors: no other one "
        f"adds over {RIGHT_DB:g} dB more where the output meets others; or its polarity is the best and its delay "
        "within a sixth of a cycle of the best, at the top of where they meet (1 ms for 160 Hz). For fills and towers: "
        f"it arrives within {RIGHT_MS:g} ms of what was asked, in the polarity of the reference. "
        f"Under {percent(DECIDED)} the present setting is kept.{doubt if is_description_doubtful(analysis) else ''}"
    )
