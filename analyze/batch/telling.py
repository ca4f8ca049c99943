"""A batch on the terminal: a line for every sound check as it comes, the whole at the end."""

from __future__ import annotations

from pathlib import Path

from analyze.batch.outcome import Outcome
from analyze.reports.naming import clean, shortened

_NAME_LENGTH = 60


def line(outcome: Outcome) -> str:
    """What became of one sound check.

    >>> line(Outcome("june/hall", "june_hall", "undecided", to_change=2, undecided=1, is_new=False))
    'june/hall: 2 to change, 1 undecided (finished before)'
    """
    name = shortened(outcome.sound_check, _NAME_LENGTH)
    if outcome.status == "failed":
        return f"{name}: failed. {clean(outcome.message)}"
    parts = [(outcome.to_change, "to change"), (outcome.undecided, "undecided"), (outcome.errors, "findings to mend")]
    what = ", ".join(f"{count} {word}" for count, word in parts if count) or "nothing to change"
    return f"{name}: {what}{'' if outcome.is_new else ' (finished before)'}"


def where(target: Path) -> str:
    """Where the summary's page is."""
    return f"Page: {clean(str(target))}"
