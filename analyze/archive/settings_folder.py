"""The folder of verified settings."""

from __future__ import annotations

import math
from typing import Any

from analyze.archive.folders import MadeFolder
from analyze.archive.page import page_table, shown_visit
from analyze.archive.settings_plots import plots
from analyze.archive.settings_rows import DONE, Applied, Verified
from analyze.archive.settings_tables import SEATS, TABLES, VERIFICATION
from analyze.archive.settings_words import headline
from analyze.reports.summaries import number, percent

_SEAT_COLUMNS = ("position", "zone", "cells", "predicted_change_db", "measured_change_db", "measured_change_std_db",
                 "difference_db", "as_predicted")  # fmt: skip
_BAND_COLUMNS = ("position", "band_hz", "predicted_change_db", "measured_change_db", "measured_change_std_db",
                 "difference_db", "as_predicted")  # fmt: skip


def _title(verified: Verified) -> str:
    return f"{verified.after.title}: settings of {verified.before.name} as measured in {verified.after.name}"


def _results(verified: Verified) -> dict[str, Any]:
    return {
        "before": verified.before.as_object(),
        "after": verified.after.as_object(),
        "renames": verified.renames,
        "headline": headline(verified),
        "remarks": list(verified.remarks),
        "is_done": verified.is_done,
        "exchanged": [list(pair) for pair in verified.exchanged],
        "is_too_alike": verified.is_too_alike,
        "seat": verified.seat,
    }


def _content(verified: Verified) -> dict[str, Any]:
    """What the template prints."""
    return {
        "title": f"{verified.after.title}: were the settings put in force?",
        "is_one": verified.is_one,
        "before": shown_visit(verified.before),
        "after": shown_visit(verified.after),
        "headline": headline(verified),
        "remarks": verified.remarks,
        "settings": [_sheet_row(row) for row in verified.settings],
        "seats": page_table(
            verified.seats, SEATS, _SEAT_COLUMNS, "Change of the low end, mean over the cells that were scored"
        ),
        "bands": page_table(
            [row for row in verified.verification if row.cell == "yes"],
            VERIFICATION,
            _BAND_COLUMNS,
            "Change of the sum in every cell that was scored; all bands stand in verification.csv",
        ),
    }


def _sheet_row(row: Applied) -> dict[str, Any]:
    """One output as the page shows it."""
    return {
        "output": row.output,
        "kind": row.kind,
        "group": row.group,
        "recommended": f"{number(row.recommended_delay_ms, 2)} ms, {row.recommended_polarity}",
        "in_force": _in_force(row),
        "is_measured": row.outcome != "not measured",
        "outcome": f"{row.outcome}: {row.other}" if row.other and row.outcome == "another output's" else row.outcome,
        "is_done": row.outcome in DONE,
        "confidence": percent(row.confidence) or "–",
        "reason": row.reason,
    }


def _in_force(row: Applied) -> str:
    """What is in force, with its error, or as described where it cannot be heard."""
    if not math.isfinite(row.in_force_delay_std_ms):
        return f"{number(row.in_force_delay_ms, 2)} ms, {row.in_force_polarity}, as described"
    error = number(2.0 * row.in_force_delay_std_ms, 2)
    delay = f"{number(row.in_force_delay_ms, 2)} ± {error} ms"
    if row.plays_unlike_described:
        return f"{delay}, sounds as {row.in_force_polarity}"
    return f"{delay}, {row.in_force_polarity}"


SETTINGS_FOLDER = MadeFolder(
    name="sound-check-verified-settings",
    noun="verification of settings",
    source="one of the two reports",
    format=1,
    template="settings.html.j2",
    tables=TABLES,
    title=_title,
    plots=plots,
    results=_results,
    content=_content,
)
