"""Verified settings on the terminal: one sentence for the whole, one per output, where the page is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analyze.archive.settings_rows import Verified
from analyze.archive.settings_words import headline
from analyze.archive.terminal import judged, print_found
from analyze.reports.naming import shortened

if TYPE_CHECKING:
    from rich.console import Console

_NAME_LENGTH = 24


def print_verified(verified: Verified, target: Path, *, console: Console | None = None) -> None:
    """Print what was done, on a console on stderr."""
    outputs = [
        f"{shortened(row.output, _NAME_LENGTH)}: {judged(row.outcome, row.confidence)}. {row.reason}"
        for row in verified.settings
    ]
    things = [] if verified.is_one else outputs
    print_found([headline(verified), *verified.remarks], things, target, console=console)
