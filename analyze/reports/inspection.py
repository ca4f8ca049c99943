"""What `analyze inspect` says: every track with its level, and the findings with what to do."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from analyze.reports.naming import clean, shortened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from analyze.findings import Finding
    from analyze.spectra.inspection import InspectedTrack

_NAME_LENGTH = 24
_SEVERITIES = ("error", "warning", "note")


def inspection_object(tracks: Sequence[InspectedTrack], findings: Sequence[Finding]) -> dict[str, Any]:
    """Tracks and findings as JSON has them; what is not known is null."""
    return {"tracks": [_plain(asdict(t)) for t in tracks], "findings": [_plain(asdict(f)) for f in findings]}


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()}


def print_inspection(
    tracks: Sequence[InspectedTrack], findings: Sequence[Finding], *, console: Console | None = None
) -> None:
    """Print a table of all tracks, then the findings, the gravest first; on stderr."""
    from rich import box
    from rich.console import Console
    from rich.markup import escape
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    for capture in dict.fromkeys(t.capture for t in tracks):
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, title=escape(clean(capture)))
        table.title_justify = "left"
        for name in ("track", "file and channel"):
            table.add_column(name, overflow="fold")
        for name in ("level dBFS", "peak dBFS"):
            table.add_column(name, justify="right", no_wrap=True)
        for t in (t for t in tracks if t.capture == capture):
            label, place = f"{t.kind} {shortened(t.name, _NAME_LENGTH)}", f"{clean(t.file)}:{t.channel}"
            table.add_row(escape(label), escape(place), _db(t.level_dbfs), _db(t.peak_dbfs))
        console.print(table)
    for line in _finding_lines(findings):
        console.print(Padding(Text(line), (0, 0, 0, 2), expand=False))
    if not any(f.severity != "note" for f in findings):
        console.print(Text("Nothing needs a hand."))


def _finding_lines(findings: Sequence[Finding]) -> list[str]:
    """The findings, the gravest first; those of one capture that say the same are joined."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for one in sorted(findings, key=lambda f: _SEVERITIES.index(f.severity)):
        said = f"{one.finding}{_at(one)}. {clean(one.detail)}"
        alike.setdefault((one.severity, one.capture, said), []).append(one.track)
    return [
        f"{severity}{f' ({clean(where)})' if (where := ', '.join(filter(None, (capture, *tracks)))) else ''}: {said}"
        for (severity, capture, said), tracks in alike.items()
    ]


def _at(finding: Finding) -> str:
    return f" at {finding.at_s:.1f} s" if math.isfinite(finding.at_s) else ""


def _db(value: float) -> str:
    return f"{value:.1f}" if math.isfinite(value) else "silent"
