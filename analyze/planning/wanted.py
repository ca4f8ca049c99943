"""Which outputs does a report want recorded again, and why?

Those that are undecided, with their groups, which share their changes; those that a reason or a finding asks for,
whoever it is about; those of which every take is short; those found wired inverted, once that is mended.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from analyze.archive.opening import ReportRead
from analyze.description import SoundCheck
from analyze.planning.requests import NO_RECORDING, asked_for, named_to_record
from analyze.reports.page_findings import WIRED_INVERTED
from analyze.reports.short_takes import SHORT_S, SHORT_TOGETHER_S
from analyze.reports.summaries import first_few, listed

#: Takes that a reason names.
_MOST_NAMED = 2
#: Tables of one row per output with a reason.
_REASONED = ("recommendations", "wiring")


def wanted(report: ReportRead, check: SoundCheck) -> dict[str, str]:
    """Outputs to be recorded and why, undecided ones first; empty for one that only belongs to the group of another."""
    undecided = {name: reason for name, reason in undecided_reasons(report).items() if NO_RECORDING not in reason}
    whys: dict[str, list[str]] = {name: [reason] if reason else [] for name, reason in undecided.items()}
    groups = [check.group_of(name) for name in undecided if name in check.outputs]
    whys |= {name: [] for group in groups for name in group if name not in whys}
    asked, beside = _asked(report, check)
    for name, why in (*asked, *_short(report), *_inverted(report)):
        if name in check.outputs and why not in whys.setdefault(name, []):
            whys[name].append(why)
    for name, of in _as_for(beside, whys).items():
        whys.setdefault(name, []).append(f"Needed to settle {listed(of)}.")
    return {name: " ".join(each) for name, each in whys.items()}


def _as_for(beside: Iterable[tuple[str, str, str]], whys: Mapping[str, list[str]]) -> dict[str, list[str]]:
    """Outputs that reasons of others ask for, with those others, where they do not have the reason themselves."""
    found: dict[str, list[str]] = {}
    for name, of, why in beside:
        if why not in whys.get(name, ()) and of not in found.setdefault(name, []):
            found[name].append(of)
    return {name: of for name, of in found.items() if of}


def undecided_reasons(report: ReportRead) -> dict[str, str]:
    """The reason of every undecided output."""
    rows = rows_of(report, "recommendations")
    return {row["output"]: row["reason"] for row in rows if row["decision"] == "undecided"}


def rows_of(report: ReportRead, table: str) -> list[dict[str, Any]]:
    """The rows of a table, none where the report has no such table."""
    return report.rows(table) if table in report.results else []


def captures_of(report: ReportRead) -> list[Mapping[str, Any]]:
    """The captures of the description."""
    return report.results.get("sound_check", {}).get("captures", [])  # type: ignore[no-any-return]


def _asked(report: ReportRead, check: SoundCheck) -> tuple[list[tuple[str, str]], list[tuple[str, str, str]]]:
    """What reasons and findings ask for: (output, why), and (output, the other one whose reason asks for it, why)."""
    kinds = {output.name: output.kind for output in check.outputs.values()}
    asked, beside = [], []
    for row in (row for table in _REASONED for row in rows_of(report, table)):
        for name in asked_for(row["reason"], kinds, [row["output"]]):
            if name == row["output"]:
                asked.append((name, row["reason"]))
            else:
                beside.append((name, row["output"], row["reason"]))
    feeds = {capture["name"]: list(capture.get("feeds", ())) for capture in captures_of(report)}
    for row in rows_of(report, "quality"):
        asked += [(name, row["detail"]) for name in _asked_by(row, kinds, feeds.get(row["capture"], ()))]
    return asked, beside


def _asked_by(row: Mapping[str, Any], kinds: Mapping[str, str], feeds: Sequence[str]) -> list[str]:
    """Outputs that a finding asks for; a note asks for those alone that it names."""
    if row["severity"] == "note":
        return named_to_record(row["detail"], kinds)
    return asked_for(row["detail"], kinds, [row["track"]] if row["track"] in kinds else (), feeds)


_MENDED = (
    "Found wired inverted: look at the processor first, as the report says. Once it is mended, record it, and write "
    "its polarity of that day under [outputs]."
)


def _inverted(report: ReportRead) -> Iterator[tuple[str, str]]:
    """Outputs that were found wired inverted."""
    for row in rows_of(report, "quality"):
        if row["finding"] == WIRED_INVERTED:
            yield row["track"], _MENDED


def _short(report: ReportRead) -> Iterator[tuple[str, str]]:
    """Outputs of which every take holds too little sound, as the page and `inspect` call it."""
    short: dict[str, list[Mapping[str, Any]]] = {}
    for take in report.results.get("short_takes", ()):
        for output in take["outputs"]:
            short.setdefault(output, []).append(take)
    for output, takes in short.items():
        if len(takes) == sum(output in capture.get("feeds", ()) for capture in captures_of(report)):
            yield output, _short_words(takes)


def _short_words(takes: Sequence[Mapping[str, Any]]) -> str:
    """That takes are short, the newest first, and what to do about it."""
    names, is_one = first_few([repr(take["capture"]) for take in reversed(takes)], _MOST_NAMED), len(takes) == 1
    if takes[-1]["is_at_once"]:
        return f"{names} {'holds' if is_one else 'hold'} all at once for under {SHORT_TOGETHER_S:g} s: make it alone."
    which = f"take {names} is" if is_one else f"takes {names} are"
    return f"Its {which} short, under {SHORT_S:g} s: make it again."
