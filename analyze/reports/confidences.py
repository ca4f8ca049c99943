"""How a confidence stands on page, text and terminal, and what it is the probability of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyze.reports.page_findings import is_description_doubtful
from analyze.reports.summaries import percent

if TYPE_CHECKING:
    from analyze.pipeline import Analysis


def confidence_text(analysis: Analysis, probability: float, of_what: str = "") -> str:
    """How sure an answer is, in brackets while the description that it hangs on is in doubt."""
    text = f"{percent(probability)}{of_what}"
    return f"({text})" if percent(probability) and is_description_doubtful(analysis) else text


def confidence_words(analysis: Analysis) -> str:
    """What a confidence is the probability of, in the words of who types the settings."""
    from analyze.alignment.arrivals import RIGHT_MS  # brings in numpy
    from analyze.alignment.confidence import RIGHT_DB
    from analyze.alignment.decision import DECIDED

    return (
        "Confidence: how likely it is that the setting is right. For mains, subs and monitors: another one adds at "
        f"most {RIGHT_DB:g} dB more where the output meets others, or the polarity is the best and the delay within a "
        "sixth of a period of the best (1 ms where they meet up to 160 Hz). For fills and towers: it arrives within "
        f"{RIGHT_MS:g} ms of what was asked, in the polarity of the reference. "
        f"Under {percent(DECIDED)} nothing is changed."
        f"{' In brackets: only if the description is right.' if is_description_doubtful(analysis) else ''}"
    )
