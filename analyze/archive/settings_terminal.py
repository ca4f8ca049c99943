"""Verified settings on the terminal: one sentence for the whole, one per output, where the page is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analyze.archive.comparison_terminal import hanging
from analyze.archive.settings_rows import Verified
from analyze.archive.settings_words import headline
from analyze.reports.naming import clean, shortened

if TYPE_CHECKING:
    from rich.console import Console

_NAME_LENGTH = 24


def print_verified(verified: Verified, target: Path, *, console: Console | None = None) -> None:
    """Print what was done, on a console on stderr."""
    from rich.console import Console
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    console.print(Text(clean(headline(verified))))
    for text in verified.remarks:
        console.print(Text(clean(text)))
    console.print()
    for row in verified.settings:
        console.print(hanging(f"{shortened(row.output, _NAME_LENGTH)}: {row.outcome}. {clean(row.reason)}"))
    console.print()
    console.print(Text(f"Page: {clean(str(target / 'report.html'))}"), soft_wrap=True)
