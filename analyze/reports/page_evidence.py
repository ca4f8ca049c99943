"""What stands on the page below the settings sheet: findings and tables of evidence, as text.

Cells come from the column declarations, so that the page and the CSV files say the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analyze.reports.columns import ARRIVALS, RECOMMENDATIONS, WIRING, Column, Table, rows_of
from analyze.reports.selections import seats
from analyze.reports.summaries import frequency, number, signed

if TYPE_CHECKING:
    from analyze.findings import Finding
    from analyze.pipeline import Analysis

#: Rows of a table on the page; all of them stand in its CSV file.
MAX_ROWS = 200

_SEVERITIES = ("error", "warning")


@dataclass(frozen=True)
class Heading:
    """A column of a page table: its text and whether it holds numbers or names."""

    text: str
    is_number: bool = False
    is_name: bool = False


@dataclass(frozen=True)
class PageTable:
    """A table on the page; every cell is text, the first of a row its heading. `n_left` rows are in `file` alone."""

    caption: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[str, ...], ...]
    file: str = ""
    n_left: int = 0


@dataclass(frozen=True)
class FindingRow:
    """One finding: severity, where, what, the figure behind it and what to do."""

    severity: str
    place: str
    name: str
    figure: str
    detail: str


def findings(analysis: Analysis, severities: tuple[str, ...] = _SEVERITIES) -> list[FindingRow]:
    """Findings of these severities, the gravest first."""
    rows = [row for row in analysis.findings if row.severity in severities]
    return [finding_row(row) for row in sorted(rows, key=lambda row: severities.index(row.severity))]


def finding_row(row: Finding) -> FindingRow:
    """One finding as text."""
    parts = [row.capture, row.track, row.file]
    if row.channel is not None:
        parts.append(f"channel {row.channel}")
    if math.isfinite(row.at_s):
        parts.append(f"at {number(row.at_s, 2)} s")
    figure = f"{row.value:.4g} {row.unit}".strip().replace("-", "−") if math.isfinite(row.value) else ""
    place = ", ".join(part for part in parts if part)
    return FindingRow(row.severity, place, row.finding.replace("_", " "), figure, row.detail)


def arrival_table(analysis: Analysis) -> PageTable:
    """When every output arrives where."""
    columns = ("output", "position", "capture", "arrival_ms", "arrival_std_ms", "distance_m", "level_db", "coherence")
    return _from_table(analysis, ARRIVALS, columns, "Arrivals as captured, the setting included")


def wiring_table(analysis: Analysis) -> PageTable:
    """Polarity of every chain without its setting."""
    columns = tuple(column.name for column in WIRING.columns)
    return _from_table(analysis, WIRING, columns, "Wiring: polarity from feed to air, without the setting")


def certainty_table(analysis: Analysis) -> PageTable:
    """How sure every recommendation is."""
    columns = (
        "output",
        "decision",
        "confidence",
        "polarity_confidence",
        "cost_if_wrong_db",
        "gain_db",
        "worst_position",
        "worst_gain_db",
        "overlap_low_hz",
        "overlap_high_hz",
    )
    return _from_table(analysis, RECOMMENDATIONS, columns, "Confidence, and what a mistake would cost")


def _from_table(analysis: Analysis, table: Table, names: tuple[str, ...], caption: str) -> PageTable:
    """Some columns of a declared table."""
    columns = [table.column(name) for name in names]
    rows = rows_of(analysis, table)
    headings = tuple(
        Heading(column.label, column.type != "string", column.type == "string" and not column.words)
        for column in columns
    )
    cells = tuple(tuple(page_cell(column, getattr(row, column.name)) for column in columns) for row in rows[:MAX_ROWS])
    return PageTable(caption, headings, cells, table.path, max(len(rows) - MAX_ROWS, 0))


def page_cell(column: Column, raw: Any) -> str:
    """A value with the decimals of its column and a true minus sign; a dash where it is not known."""
    if raw is None or raw == "" or (column.type != "string" and not math.isfinite(raw)):
        return "–"
    if column.type == "string":
        return str(raw)
    return number(float(raw), column.decimals or 0)


def seat_table(analysis: Analysis) -> PageTable:
    """What the recommendation does at every seat."""
    headings = (
        Heading("position", is_name=True),
        Heading("zone"),
        Heading("bands", is_number=True),
        Heading("at present (dB)", is_number=True),
        Heading("as recommended (dB)", is_number=True),
        Heading("change (dB)", is_number=True),
        Heading("weakest band then"),
        Heading("counts in the score"),
    )
    rows = tuple(
        (
            seat.position,
            seat.zone,
            str(seat.n_bands),
            number(seat.present_db),
            number(seat.recommended_db),
            signed(seat.change_db),
            f"{frequency(seat.worst_hz)}, {number(seat.worst_db)} dB",
            "yes" if seat.is_scored else "no",
        )
        for seat in seats(analysis)
    )
    return PageTable("Sum of all outputs at every position, mean over its bands", headings, rows, "prediction.csv")


def trick_table(analysis: Analysis) -> PageTable:
    """What inverting a monitor on purpose would do."""
    headings = (
        Heading("monitor", is_name=True),
        Heading("low end on stage (dB)", is_number=True),
        Heading("what a fader move of 3 dB leaves of it (dB)", is_number=True),
        Heading("score of the audience (dB)", is_number=True),
    )
    rows = tuple(
        (one.output, signed(one.thinner_db), signed(one.after_fader_db), signed(one.audience_db, 2))
        for one in analysis.monitor_tricks
    )
    return PageTable("Change by inverting this monitor on purpose; negative on stage is thinner", headings, rows)


def file_table(analysis: Analysis) -> PageTable:
    """Every audio file that was read."""
    headings = (
        Heading("file", is_name=True),
        Heading("format"),
        Heading("channels", is_number=True),
        Heading("rate (Hz)", is_number=True),
        Heading("length (s)", is_number=True),
        Heading("SHA-256"),
    )
    rows = tuple(
        (
            one.path,
            one.format,
            str(one.n_channels),
            str(one.sample_rate_hz),
            number(one.n_frames / one.sample_rate_hz if one.sample_rate_hz else math.nan),
            one.sha256,
        )
        for one in analysis.input_files
    )
    return PageTable("Audio files", headings, rows)


def capture_table(analysis: Analysis) -> PageTable:
    """Every capture: what sounded, what was recorded where."""
    headings = (
        Heading("capture", is_name=True),
        Heading("playing", is_name=True),
        Heading("microphones at", is_name=True),
        Heading("stage inputs", is_name=True),
        Heading("part (s)"),
        Heading("air (°C)", is_number=True),
    )
    rows = tuple(
        (
            one.name,
            ", ".join(one.playing) or "–",
            ", ".join(one.mics) or "–",
            ", ".join(one.inputs) or "–",
            f"{number(one.start_s)} to {number(one.end_s) if math.isfinite(one.end_s) else 'end'}",
            number(one.temperature_c),
        )
        for one in analysis.sound_check.captures
    )
    return PageTable("Captures", headings, rows)
