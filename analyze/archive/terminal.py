"""What was found, on the terminal: the whole, a sentence per thing, where the page is.

Plain text that reads the same without a terminal.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from analyze.archive.page import PAGE
from analyze.reports.naming import clean
from analyze.reports.summaries import percent

if TYPE_CHECKING:
    from rich.console import Console


def judged(word: str, confidence: float) -> str:
    """A verdict or outcome with how sure it is, where that is known.

    >>> judged("moved", 0.984), judged("gone", float("nan"))
    ('moved, 98 %', 'gone')
    """
    return ", ".join(filter(None, (word, percent(confidence))))


def print_found(whole: Iterable[str], things: Iterable[str], target: Path, *, console: Console | None = None) -> None:
    """Print on a console on stderr.

    Parameters
    ----------
    whole : sentences for the whole; things : one sentence or more for each thing, set in; target : the folder written
    """
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    for text in whole:
        console.print(Text(clean(text)))
    console.print()
    things = list(things)
    for text in things:
        console.print(Padding(Text(clean(text)), (0, 0, 0, 2), expand=False))
    if things:
        console.print()
    console.print(Text(f"Page: {clean(str(target / PAGE))}"), soft_wrap=True)
