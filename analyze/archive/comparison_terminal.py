"""A comparison on the terminal: one sentence for the whole, one per output, what else changed, where the page is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analyze.archive.comparison_rows import Comparison
from analyze.archive.comparison_words import headline
from analyze.reports.naming import clean, shortened

if TYPE_CHECKING:
    from rich.console import Console
    from rich.padding import Padding

_NAME_LENGTH = 24


def print_comparison(comparison: Comparison, target: Path, *, console: Console | None = None) -> None:
    """Print verdicts on a console on stderr, plain text that reads the same without a terminal."""
    from rich.console import Console
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    console.print(Text(clean(headline(comparison))))
    for text in comparison.remarks:
        console.print(Text(clean(text)))
    console.print()
    for row in comparison.outputs:
        console.print(hanging(f"{shortened(row.output, _NAME_LENGTH)}: {row.verdict}. {clean(row.reason)}"))
    for one in comparison.positions:
        if one.verdict != "same":
            console.print(hanging(f"Microphone at {shortened(one.position, _NAME_LENGTH)}: {clean(one.reason)}"))
    console.print()
    console.print(Text(f"Page: {clean(str(target / 'report.html'))}"), soft_wrap=True)


def hanging(text: str) -> Padding:
    """A sentence set in from the margin, in all its lines."""
    from rich.padding import Padding
    from rich.text import Text

    return Padding(Text(text), (0, 0, 0, 2), expand=False)
