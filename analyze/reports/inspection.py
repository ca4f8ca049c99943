"""What `analyze inspect` says: what can be run and what is to be mended, the findings with what to do, every track."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from analyze.reports.naming import clean, shortened
from analyze.reports.page_findings import FOLLOWS
from analyze.reports.short_takes import Sounding, short_takes
from analyze.reports.summaries import first_few, listed, plural

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from rich.console import Console

    from analyze.findings import Finding
    from analyze.spectra.inspection import InspectedTrack

_NAME_LENGTH = 24
_SEVERITIES = ("error", "warning", "note")
# Takes that the verdict names, and tracks from which on it is said once more at the end.
_MOST_NAMED, _MANY_TRACKS = 3, 12
_AGAIN = "Make it again while all stands: from 20 s on it is surer."
_AT_ONCE_AGAIN = "Make it again while all stands: a minute or more tells outputs apart."
#: What a look leaves open.
_LATER = (
    "Left to analyze run: wiring, polarity, delays. Exchanged microphones show by tape or name (left, row 5), "
    "or among five if 4 ms apart: look at the patch."
)


def inspection_object(tracks: Sequence[InspectedTrack], findings: Sequence[Finding]) -> dict[str, Any]:
    """Tracks and findings as JSON has them; what is not known is null."""
    return {"tracks": [_plain(asdict(t)) for t in tracks], "findings": [_plain(asdict(f)) for f in findings]}


def _plain(values: dict[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()}


def print_inspection(
    tracks: Sequence[InspectedTrack],
    findings: Sequence[Finding],
    missing: Sequence[str] = (),
    *,
    console: Console | None = None,
) -> None:
    """Print the verdict, the findings, all tracks, and after a long list the verdict where the eye is; on stderr.

    missing : outputs that are described, and in no take
    """
    from rich import box
    from rich.console import Console
    from rich.markup import escape
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    console = console or Console(stderr=True, highlight=False)
    said = [Text(line) for line in verdict(tracks, findings, missing)]
    console.print(*said, sep="\n")
    for line in _finding_lines(findings):
        console.print(Padding(Text(line), (0, 0, 0, 2), expand=False))
    for capture in dict.fromkeys(t.capture for t in tracks):
        title = f"{clean(capture)}, {_length(tracks, capture)}"
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, title=escape(title))
        table.title_justify = "left"
        for name in ("track", "file and channel"):
            table.add_column(name, overflow="fold")
        for name in ("level dBFS", "peak dBFS"):
            table.add_column(name, justify="right", no_wrap=True)
        for t in (t for t in tracks if t.capture == capture):
            label, place = f"{t.kind} {shortened(t.name, _NAME_LENGTH)}", f"{clean(t.file)}:{t.channel}"
            table.add_row(escape(label), escape(place), _db(t.level_dbfs), _db(t.peak_dbfs))
        console.print(table)
    if len(tracks) >= _MANY_TRACKS:
        console.print("", *said, sep="\n")


def verdict(tracks: Sequence[InspectedTrack], findings: Sequence[Finding], missing: Sequence[str] = ()) -> list[str]:
    """What can be run, what is to be mended first and what is to be looked at: a line each."""
    grave = [one for one in findings if one.severity != "note"]
    takes = dict.fromkeys([*(one.capture for one in tracks), *(one.capture for one in grave if one.capture)])
    bad = {one.capture for one in grave if one.severity == "error"}
    doubtful = {one.capture for one in grave} - bad
    n_good = len(takes.keys() - bad - doubtful)
    alone, at_once = short_takes(
        Sounding(t.capture, t.kind, t.name, t.sounds_s, t.length_s, (t.level_dbfs, t.peak_dbfs)) for t in tracks
    )
    to_come = sum(one.finding == "not recorded yet" for one in findings)
    said = {
        f"In no take: {_few(missing)}. Describe its take, record it, or take out what did not play.": bool(missing),
        f"Short, {alone}. {_AGAIN}": bool(alone),
        f"Short, {at_once}. {_AT_ONCE_AGAIN}": bool(at_once),
        f"Nothing needs a hand. {f'All {len(takes)} takes' if len(takes) > 1 else 'The take'} can be run.": not grave
        and not missing
        and not alone
        and not at_once,
        _LATER: not grave,
        f"{n_good} of {plural(len(takes), 'take')} {'has' if n_good == 1 else 'have'} no error and no warning.": bool(
            grave and n_good
        ),
        f"Mend before you run it: {_named(bad, grave)}.": bool(bad),
        f"Look at this before you run it: {_named(doubtful, grave)}.": bool(doubtful),
        f"Not recorded yet: {plural(to_come, 'take')}.": bool(to_come),
    }
    return [line for line, is_so in said.items() if is_so]


def _few(names: Sequence[str]) -> str:
    """The first few of some names, the others counted."""
    return first_few([shortened(one, _NAME_LENGTH) for one in names], _MOST_NAMED)


def _named(captures: Collection[str], grave: Sequence[Finding]) -> str:
    """Captures with what was found, the first few of them; what has no capture is of the description."""
    found: dict[str, list[str]] = {}
    for one in sorted(grave, key=lambda f: (_SEVERITIES.index(f.severity), f.finding in FOLLOWS)):
        if one.capture in captures and one.finding not in found.setdefault(one.capture, []):
            found[one.capture].append(one.finding)
    named = [
        f"{shortened(capture, _NAME_LENGTH) if capture else 'the description'} ({listed(names)})"
        for capture, names in found.items()
    ]
    return first_few(named, _MOST_NAMED)


def _finding_lines(findings: Sequence[Finding]) -> list[str]:
    """The findings, the gravest first; those of one capture that say the same are joined."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for one in sorted(findings, key=lambda f: (_SEVERITIES.index(f.severity), f.finding in FOLLOWS)):
        said = f"{one.finding}{_at(one)}. {clean(one.detail)}"
        alike.setdefault((one.severity, one.capture, said), []).append(one.track)
    return [
        f"{severity}{f' ({clean(where)})' if (where := ', '.join(filter(None, (capture, *tracks)))) else ''}: {said}"
        for (severity, capture, said), tracks in alike.items()
    ]


def _at(finding: Finding) -> str:
    return f" at {finding.at_s:.1f} s" if math.isfinite(finding.at_s) else ""


def _length(tracks: Sequence[InspectedTrack], capture: str) -> str:
    """How long a capture is: on each of its clocks where they differ."""
    lengths = dict.fromkeys(f"{t.length_s:.1f} s" for t in tracks if t.capture == capture)
    return listed(list(lengths))


def _db(value: float) -> str:
    return f"{value:.1f}" if math.isfinite(value) else "silent"
