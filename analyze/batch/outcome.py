"""What became of one sound check, as a row of the summary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analyze.archive.comparison_tables import counted, declared
from analyze.reports.columns import Table
from analyze.reports.delay_words import change_texts
from analyze.reports.naming import clean
from analyze.reports.summaries import listed

if TYPE_CHECKING:
    from analyze.archive.opening import ReportRead

#: `decided`: every output; `undecided`: at least one is not; `failed`: there is no report of it as it is now.
STATUSES = ("decided", "undecided", "failed")


@dataclass(frozen=True)
class Outcome:
    """One row of the summary; counts are None where there is no report.

    is_new : whether it was analysed now, or found finished; not part of the table
    """

    sound_check: str
    report: str
    status: str
    title: str = ""
    venue: str = ""
    date: str = ""
    outputs: int | None = None
    to_change: int | None = None
    undecided: int | None = None
    warnings: int | None = None
    errors: int | None = None
    changes: str = ""
    left_open: str = ""
    message: str = ""
    is_new: bool = True


OUTCOMES = Table(
    "batch",
    "Sound checks",
    "One row per sound check that was found, in the order in which they were found.",
    (
        declared("sound_check", "its folder, from the folder that was given"),
        declared("report", "folder of its report beside the summary's; empty where there is none of it as it is now"),
        declared("status", "whether every output is decided, or why not", words=STATUSES),
        declared("title", "title of the sound check"),
        declared("venue", "venue, as the description has it"),
        declared("date", "date of the sound check, YYYY-MM-DD"),
        counted("outputs", "outputs described"),
        counted("to_change", "outputs and stage inputs whose setting should be changed"),
        counted("undecided", "outputs and stage inputs that are left undecided"),
        counted("warnings", "findings of severity warning"),
        counted("errors", "findings of severity error"),
        declared("changes", "what should be changed, each from what to what"),
        declared("left_open", "outputs and stage inputs that are left undecided"),
        declared("message", "why there is no report, and what to do"),
    ),
    "outcomes",
    ("sound_check",),
)


def outcome_of(name: str, folder: str, report: ReportRead, *, is_new: bool) -> Outcome:
    """The row of a sound check that has a report.

    Parameters
    ----------
    name : of the sound check in the summary; folder : name of its report's folder
    """
    results = report.results
    rows = *results["recommendations"], *results["inputs"]
    decisions = [row["decision"] for row in rows]
    severities = [row["severity"] for row in results["quality"]]
    return Outcome(
        sound_check=name,
        report=folder,
        status="undecided" if "undecided" in decisions else "decided",
        title=_text(report.check, "title"),
        venue=_text(report.check.get("notes") or {}, "venue"),
        date=report.date,
        outputs=len(report.check["outputs"]),
        to_change=decisions.count("change"),
        undecided=decisions.count("undecided"),
        warnings=severities.count("warning"),
        errors=severities.count("error"),
        changes=_changes(rows),
        left_open=", ".join(clean(_name(row)) for row in rows if row["decision"] == "undecided"),
        is_new=is_new,
    )


def _name(row: Mapping[str, Any]) -> str:
    """The output or stage input of a row."""
    return str(row.get("output") or row["input"])


def _changes(rows: Sequence[Mapping[str, Any]]) -> str:
    """What changes, those together that change alike; a stage input is as it was recorded until something is set."""
    alike: dict[str, list[str]] = {}
    for row in rows:
        if row["decision"] == "change":
            delays_ms = row.get("setting_delay_ms", 0.0), row["recommended_delay_ms"]
            polarities = row.get("setting_polarity", "normal"), row["recommended_polarity"]
            alike.setdefault(", ".join(change_texts(delays_ms, polarities)), []).append(clean(_name(row)))
    return "; ".join(f"{listed(names)} {texts}" for texts, names in alike.items())


def _text(described: Any, key: str) -> str:
    return str(described.get(key) or "")
