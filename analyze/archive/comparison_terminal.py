"""A comparison on the terminal: one sentence for the whole, one per output, what else changed, where the page is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analyze.archive.comparison_rows import Comparison
from analyze.archive.comparison_words import headline
from analyze.archive.terminal import judged, print_found
from analyze.reports.naming import shortened

if TYPE_CHECKING:
    from rich.console import Console

_NAME_LENGTH = 24


def print_comparison(comparison: Comparison, target: Path, *, console: Console | None = None) -> None:
    """Print verdicts on a console on stderr."""
    outputs = [
        f"{shortened(row.output, _NAME_LENGTH)}: {judged(row.verdict, row.confidence)}. {row.reason}"
        for row in comparison.outputs
    ]
    positions = [
        f"Microphone at {shortened(row.position, _NAME_LENGTH)}: {row.reason}"
        for row in comparison.positions
        if row.verdict != "same"
    ]
    things = [] if comparison.is_one else outputs + positions
    print_found([headline(comparison), *comparison.remarks], things, target, console=console)
