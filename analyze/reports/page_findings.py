"""Findings as text, for the page and the terminal: the gravest first, those that say the same at several places joined.

The table of findings keeps a row for each.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analyze.reports.naming import shortened
from analyze.reports.page_order import typing_order
from analyze.reports.short_takes import short_takes, soundings
from analyze.reports.summaries import first_few, listed, number, percent, plural
from analyze.responses.transfer import DISAGREE
from analyze.responses.wiring import CHAIN_INVERTED, TWINS_OPPOSITE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analyze.findings import Finding
    from analyze.pipeline import Analysis

_SEVERITIES = ("error", "warning")
#: Of a cable or a box that is to be mended.
WIRED_INVERTED = "output wired inverted"
# What may make the description wrong, and every setting with it.
_OF_THE_DESCRIPTION = (
    "guesses in the description",
    "twins set differently",
    "other side missing",
    "one position under two names",
    "microphones exchanged",
    "channels exchanged",
    "groups of nearly one name",
    "kind and name differ",
    "alignment wish without effect",
    "distance contradicted",
    "delay contradicted",
    "name contradicted",
    "arrives before it was sent",
    "delay not written",
    "copied take",
    "recording not used",
    "louder elsewhere",
)
# What may follow from another finding, and is told behind it.
FOLLOWS = ("distance contradicted", "louder elsewhere")
# What stands for a cable or a box to be mended comes before what a take suffered from.
_TO_MEND = (WIRED_INVERTED, TWINS_OPPOSITE, CHAIN_INVERTED, "every output reads inverted")
# Beside the headline so many are named, and outputs with names so long.
_MOST_NAMES, _MOST_PLACES, _NAME_LENGTH = 3, 2, 40

# Of a take of one output that holds too little of it: the reason of an output undecided for that says what to record.
_TOO_WEAK = ("output not heard", "little level over the noise")


@dataclass(frozen=True)
class FindingRow:
    """One finding, or several alike: severity, where, what, the figure behind it and what to do.

    tracks : what it was found at; lines : numbers on the sheet of the outputs it is about
    """

    severity: str
    place: str
    name: str
    figure: str
    detail: str
    tracks: tuple[str, ...]
    lines: tuple[int, ...]


def findings(analysis: Analysis, severities: Sequence[str] = _SEVERITIES) -> list[FindingRow]:
    """Errors and warnings, or what else is asked for, the gravest first, each once."""
    numbers = {name: number for number, name in enumerate(typing_order(analysis), 1)}
    alike: dict[tuple[Any, ...], list[Finding]] = defaultdict(list)
    for found in analysis.findings:
        if found.severity in severities:
            row = replace(found, detail=_told_once(analysis, found, numbers))
            alike[row.severity, row.finding, row.capture, row.unit, _around_place(row)].append(row)
    joined = [_joined(analysis, rows, numbers) for rows in alike.values()]
    return sorted(
        joined, key=lambda row: (severities.index(row.severity), row.name not in _TO_MEND, row.name in FOLLOWS)
    )


def notice(analysis: Analysis) -> str:
    """How many errors and warnings there are, what of, and what hangs on them; that there is none.

    Outputs that are wired inverted are left out: of them the sheet says more.
    """
    every = findings(analysis)
    rows = [row for row in every if row.name != WIRED_INVERTED]
    short = _short_takes(analysis)
    if not rows:
        return short or ("" if every else "No warnings.")
    counts = [plural(n, word) for word in _SEVERITIES if (n := sum(row.severity == word for row in rows))]
    besides = "" if len(rows) == len(every) else " besides inverted wiring"
    found_at: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        found_at[row.name] += row.tracks
    what = first_few([_with_places(name, tracks) for name, tracks in found_at.items()], _MOST_NAMES)
    said = f"{' and '.join(counts)}{besides}: {what}{_on_the_reference(analysis, rows)}. {_what_hangs(analysis, rows)}"
    return " ".join(filter(None, (said, short)))


def _with_places(name: str, tracks: Sequence[str]) -> str:
    """A finding with the outputs or positions it was made at, as far as those are few."""
    places = [shortened(track, _NAME_LENGTH) for track in dict.fromkeys(tracks) if track]
    return f"{name} ({listed(places)})" if 0 < len(places) <= _MOST_PLACES else name


def _short_takes(analysis: Analysis) -> str:
    """Which takes are short, so that whoever has only the page knows; empty where none is."""
    return " ".join(f"Short takes, {words}." for words in short_takes(soundings(analysis)) if words)


def is_description_doubtful(analysis: Analysis) -> bool:
    """Whether findings doubt the description itself, which is to be said before any setting."""
    return bool(_doubts(analysis))


def doubt_note(analysis: Analysis, output: str) -> str:
    """What of the description is in doubt for one output; empty where nothing is."""
    names = list(dict.fromkeys(one.finding for one in _doubts(analysis) if output in _outputs_of(analysis, one)))
    return f"See to this first: {listed(names)}." if names else ""


def doubts(analysis: Analysis) -> list[str]:
    """The names of the findings by which the description may be wrong, each once."""
    return list(dict.fromkeys(one.finding for one in _doubts(analysis)))


def _doubts(analysis: Analysis) -> list[Finding]:
    """Findings by which the description may be wrong."""
    return [one for one in analysis.findings if is_doubt(one.finding, one.severity)]


def is_doubt(finding: str, severity: str) -> bool:
    """Whether a finding of that name and severity puts the description in doubt."""
    return finding in _OF_THE_DESCRIPTION and severity in _SEVERITIES


def _on_the_reference(analysis: Analysis, rows: Sequence[FindingRow]) -> str:
    """That some are about the reference, against which everything is set."""
    reference = analysis.sound_check.reference
    lines = {line for row in rows for line in row.lines}
    names = typing_order(analysis)
    is_hit = reference in names and names.index(reference) + 1 in lines
    also = "also " if len(lines) > 1 else ""
    return f", {also}in what was recorded of the reference, {shortened(reference, _NAME_LENGTH)}" if is_hit else ""


def _what_hangs(analysis: Analysis, rows: Sequence[FindingRow]) -> str:
    """What to do about them before anything is typed."""
    if is_description_doubtful(analysis):
        return "Put the description right and run it again before you type anything: the settings hang on it."
    undecided = {row.output for row in analysis.recommendations if row.decision == "undecided"}
    lines = {line for row in rows for line in row.lines}
    again = [name for line, name in enumerate(typing_order(analysis), 1) if line in lines and name in undecided]
    if again:
        names = listed([shortened(name, _NAME_LENGTH) for name in again])
        is_one = len(again) == 1
        return f"{names} {'is' if is_one else 'are'} not decided: the sheet says what to put right or record again."
    if any(row.severity == "error" for row in rows):
        return "See to what is an error before you type; the settings rest on what is left without it."
    if any(row.name == DISAGREE for row in rows):
        return (
            "Takes of one output disagree, and the newest counts, beside older ones of the others: if a gain or a "
            "microphone was changed in between, record every output in one round before you type."
        )
    if not any(row.decision in ("keep", "change") for row in analysis.recommendations):
        return "No setting is decided yet: the sheet says what to record."
    return "The settings were decided with this known, and stand."


def mends(rows: Sequence[FindingRow]) -> dict[str, int]:
    """Per output that is wired inverted the number of the finding that says how to mend it."""
    return {track: i for i, row in enumerate(rows, 1) if row.name == WIRED_INVERTED for track in row.tracks}


def _told_once(analysis: Analysis, row: Finding, numbers: Mapping[str, int]) -> str:
    """The detail, or where on the sheet it stands what to do: of an output that is undecided for too weak a take."""
    rows = {one.output: one for one in analysis.recommendations}
    for name in _outputs_of(analysis, row) if row.finding in _TOO_WEAK else ():
        first = analysis.sound_check.group_of(name)[0]  # with whom a group's reason stands
        if first in rows and rows[first].decision == "undecided" and _says_what_to_record(rows[first].reason, name):
            return f"What to record stands on the sheet, no. {numbers[first]}, {first}."
    return row.detail


def _says_what_to_record(reason: str, output: str) -> bool:
    """Whether a reason asks for another capture of an output: by name, or as `it`."""
    return bool(re.search(rf"\brecord (?:it\b|{re.escape(output)}(?!\w))", reason, re.IGNORECASE))


def _outputs_of(analysis: Analysis, row: Finding) -> tuple[str, ...]:
    """The output that a finding is about: the one it was found at, or the only one of the capture."""
    if row.track in analysis.sound_check.outputs:
        return (row.track,)
    captures = {one.name: one for one in analysis.sound_check.captures}
    feeds = tuple(captures[row.capture].feeds) if row.capture in captures else ()
    return feeds if len(feeds) == 1 else ()


def _around_place(row: Finding) -> tuple[str, ...]:
    """The detail in pieces, cut wherever it says `at <track>`."""
    return tuple(re.split(rf"\bat {re.escape(row.track)}(?!\w)", row.detail)) if row.track else (row.detail,)


def _joined(analysis: Analysis, rows: Sequence[Finding], numbers: Mapping[str, int]) -> FindingRow:
    """Findings that differ in nothing but place and figure as one."""
    first = rows[0]
    tracks = list(dict.fromkeys(row.track for row in rows))
    places = "; ".join(dict.fromkeys(filter(None, map(_place, rows))))
    about = dict.fromkeys(name for row in rows for name in _outputs_of(analysis, row) if name in numbers)
    return FindingRow(
        first.severity,
        ": ".join(filter(None, (first.capture, places))),
        first.finding.replace("_", " "),
        _figure(rows),
        f"at {listed(tracks)}".join(_around_place(first)),
        tuple(tracks),
        tuple(numbers[name] for name in about),
    )


def _place(row: Finding) -> str:
    """Where one finding is, its capture left out."""
    parts = [row.track, row.file]
    if row.channel is not None:
        parts.append(f"channel {row.channel}")
    if math.isfinite(row.at_s):
        parts.append(f"at {number(row.at_s, 2)} s")
    return ", ".join(part for part in parts if part)


def _figure(rows: Sequence[Finding]) -> str:
    """The figure behind a finding, or the range of several."""
    known = sorted(row.value for row in rows if math.isfinite(row.value))
    if not known:
        return ""
    if rows[0].unit == "confidence":
        return " to ".join(dict.fromkeys(percent(value) for value in (known[0], known[-1])))
    ends = dict.fromkeys(_digits(value) for value in (known[0], known[-1]))
    return f"{' to '.join(ends)} {rows[0].unit}".strip()


def _digits(value: float) -> str:
    """Two digits, all of them where there are more before the point; never an exponent.

    >>> _digits(-12.34), _digits(3.14159), _digits(123456.7), _digits(0.0), _digits(-0.04567)
    ('−12', '3.1', '123457', '0', '−0.046')
    """
    before = math.floor(math.log10(abs(value))) if value else 0
    return f"{value:.{max(0, 1 - before)}f}".replace("-", "−") if value and value % 1.0 else number(value, 0)
