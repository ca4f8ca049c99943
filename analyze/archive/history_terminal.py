"""A history on the terminal: a sentence per venue, where the page is, and what had to be left out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analyze.archive.history_rows import History
from analyze.archive.history_words import spelling_words, venue_words, whole_words
from analyze.archive.terminal import judged, print_found
from analyze.reports.naming import clean, shortened

if TYPE_CHECKING:
    from rich.console import Console

_NAME_LENGTH = 40
#: Of so many copies it is said what they are copies of.
_MOST_COPIES = 4


def print_history(history: History, target: Path, *, console: Console | None = None) -> None:
    """Print what was found on a console on stderr."""
    venues = [
        f"{shortened(venue, _NAME_LENGTH)}: {venue_words(history, venue)}{_sure_words(history, venue)}"
        for venue in history.venues
    ]
    print_found([whole_words(history), *spelling_words(history.venues)], venues, target, console=console)


def _sure_words(history: History, venue: str) -> str:
    """How sure the newest visit's verdict is of every output."""
    newest = history.newest(venue)
    said = [
        f"{shortened(row.output, _NAME_LENGTH)} {judged(row.verdict, row.confidence)}"
        for row in history.outputs_of(venue)
        if newest is not None and row.path == newest.path and row.verdict
    ]
    return f" How sure, output by output: {'; '.join(said)}." if said else ""


def print_left_out(history: History, *, console: Console | None = None) -> None:
    """Print of everything that cannot be relied on, and of the first copies, where it is and why."""
    from rich.console import Console
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    copies = [row for row in history.not_read if row.state == "copy"]
    lines = [f"Left out: {clean(row.path)}: {clean(row.reason)}" for row in history.not_read if row.state == "left out"]
    lines += [f"Passed over: {clean(row.path)}: {clean(row.reason)}" for row in copies[:_MOST_COPIES]]
    lines += (
        [f"Why {len(copies) - _MOST_COPIES} more are passed over: visits.csv"] if len(copies) > _MOST_COPIES else []
    )
    for line in lines:
        console.print(Text(line), soft_wrap=True)
