"""The closing words on the terminal: what to set and why, what needs a hand, where the report is.

Plain text that reads the same without a terminal and in 80 columns; on stderr, so that stdout stays free for `--json`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyze.reports.confidences import confidence_words
from analyze.reports.granted import granted_words
from analyze.reports.naming import clean, shortened
from analyze.reports.page_findings import findings
from analyze.reports.page_sheet import SheetRow, identity, input_rows, sheet_rows
from analyze.reports.page_text import first_lines

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from rich.console import Console
    from rich.table import Table

    from analyze.pipeline import Analysis

_NAME_LENGTH, _MAX_FINDINGS = 24, 12


def print_summary(
    analysis: Analysis, target: Path | None = None, *, before: str = "", console: Console | None = None
) -> None:
    """Print the recommended settings with their reasons, the findings that need a hand, and where the report is.

    Parameters
    ----------
    target : the report folder; None if none was written
    before : fingerprint of the report that was there and gave way; empty if there was none
    console : where to print; a console on stderr if None
    """
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    for line in first_lines(analysis):
        console.print(Text(_ascii(clean(line))))
    if analysis.recommendations:
        console.print(_settings(analysis))
        console.print(Text(confidence_words(analysis)))
        if said := granted_words(analysis):
            console.print(Text(_ascii(clean(said))))
    for line in (*_reasons(analysis), *_finding_lines(analysis)):
        console.print(Padding(Text(line), (0, 0, 0, 2), expand=False))
    if target is not None:
        console.print(Text(f"Report: {clean(str(target / 'report.html'))}"), soft_wrap=True)
        if before not in ("", identity(analysis)):
            console.print(Text(f"It took the place of another report, fingerprint {before}: use --out to keep both."))


def _settings(analysis: Analysis) -> Table:
    """One line per output: from, to, gain, confidence."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    table.add_column("output", overflow="fold")
    table.add_column("present", overflow="fold")
    table.add_column("set to", overflow="fold")
    table.add_column("better by", justify="right", no_wrap=True)
    table.add_column("confidence", justify="right", no_wrap=True)
    for row in sheet_rows(analysis):
        table.add_row(
            escape(shortened(row.output, _NAME_LENGTH)),
            f"{row.delay_from} ms {row.polarity_from}",
            _set_to(row),
            _ascii(row.gain),
            row.confidence,
        )
    return table


def _set_to(row: SheetRow) -> str:
    """The setting to type in, or why none is."""
    if row.decision == "change":
        more = " (optional)" if row.is_optional else ""
        return f"{row.delay_to} ms {row.polarity_to}{more}"
    if row.is_until_mended:
        return f"{row.delay_to} ms {row.polarity_to} until mended"
    return ": ".join(filter(None, (row.decision_words, row.decision_more)))


def _reasons(analysis: Analysis) -> Iterator[str]:
    """Why, output by output and input by input."""
    for row in sheet_rows(analysis):
        length = f"{row.delay_change}." if row.delay_change else ""
        words = " ".join(filter(None, (row.reason, length, row.repair, *row.notes)))
        yield f"{shortened(row.output, _NAME_LENGTH)}: {clean(words)}"
    for one in input_rows(analysis):
        delay = f"{one.delay} ({one.delay_length})" if one.delay_length else one.delay
        setting = f"{delay}, {one.polarity}" if delay else one.polarity
        names = f"{shortened(one.input, _NAME_LENGTH)} against {shortened(one.against, _NAME_LENGTH)}"
        yield f"{names}: {one.decision_words} ({clean(setting)}). {clean(one.reason)}"


def _finding_lines(analysis: Analysis) -> Iterator[str]:
    """Warnings and errors, the gravest first; the rest are counted."""
    rows = findings(analysis)
    for row in rows[:_MAX_FINDINGS]:
        place = f" ({clean(row.place)})" if row.place else ""
        yield f"{row.severity}{place}: {clean(row.name)}. {clean(row.detail)}"
    if len(rows) > _MAX_FINDINGS:
        yield f"{len(rows) - _MAX_FINDINGS} more stand in quality.csv."


def _ascii(text: str) -> str:
    """Text with a hyphen for a minus sign and for the shaft of an arrow, for terminals without Unicode."""
    return text.replace("−", "-").replace("→", "->")
