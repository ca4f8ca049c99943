"""A plan on the terminal, as plain text that reads the same without one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from analyze.description_text import FILE_NAME
from analyze.planning.checklist import Checklist
from analyze.planning.folder import LIST
from analyze.reports.cautions import CAUTIONS
from analyze.reports.naming import clean

if TYPE_CHECKING:
    from rich.console import Console

    from analyze.planning.asked import Asked


def print_plan(asked: Asked, target: Path, *, console: Console | None = None) -> None:
    """Print the takes, what the description lacks and where the list is, on a console on stderr."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    for indent, text in _lines(asked.checklist):
        console.print(Padding(Text(clean(text)), (0, 0, 0, indent), expand=False))
    for file, what in ((LIST, "The list to print, with what to set up and to mind"), (FILE_NAME, "The description")):
        console.print(Text(f"{what}: {clean(str(target / file))}"), soft_wrap=True)


def _lines(listed: Checklist) -> Iterator[tuple[int, str]]:
    """Every line with its indent."""
    if listed.first:
        yield 0, listed.first
    yield 0, listed.lead
    for lack in listed.lacking:
        yield 0, f"Missing: {lack}"
    for where, takes in listed.rounds:
        yield 0, where
        for take in takes:
            yield 2, f"{take.file}  {take.output} alone, {take.seconds:.0f} s"
            if take.why:
                yield 6, take.why
    yield 0, f"Caution. {CAUTIONS[0]}"
