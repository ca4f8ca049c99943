"""The folder of a comparison.

The answer first: verdicts in `outputs.csv`; why in `positions.csv`, `changes.csv` and `comparison.csv`.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from analyze.archive.comparison_plots import plots
from analyze.archive.comparison_rows import Comparison, OutputChange
from analyze.archive.comparison_tables import CHANGES, OUTPUTS, POSITIONS, TABLES
from analyze.archive.comparison_words import headline
from analyze.archive.folders import MadeFolder
from analyze.archive.page import page_table, shown_visit
from analyze.reports.summaries import number, percent, signed

# What the page shows of each table; all columns stand in its CSV file.
_POSITION_COLUMNS = (
    "position", "verdict", "distance_m", "arrival_change_ms", "arrival_spread_ms", "polarity", "level_change_db",
    "outputs", "reason",
)  # fmt: skip
_CHANGE_COLUMNS = (
    "output", "position", "arrival_change_ms", "setting_change_ms", "air_ms", "common_ms", "own_ms",
    "arrival_change_std_ms", "polarity", "level_change_db", "likeness",
)  # fmt: skip
_RESPONSE_COLUMNS = ("output", "response_change_hz", "response_change_db", "response_change_std_db", "positions")


def _title(comparison: Comparison) -> str:
    return f"{comparison.newer.title}: {comparison.newer.name} against {comparison.older.name}"


def _results(comparison: Comparison) -> dict[str, Any]:
    return {
        "older": comparison.older.as_object(),
        "newer": comparison.newer.as_object(),
        "renames": comparison.renames,
        "tolerances": asdict(comparison.tolerances),
        "headline": headline(comparison),
        "remarks": list(comparison.remarks),
        "is_changed": comparison.is_changed,
        "exchanged": [list(pair) for pair in comparison.exchanged],
        "is_too_alike": comparison.is_too_alike,
        "settings_unheard": list(comparison.unheard),
        "air": {
            "stretch": round(comparison.air_stretch, 6) + 0.0,
            "error_c": _rounded(comparison.air_error_c, 2),
            "error_std_c": _rounded(comparison.air_error_std_c, 2),
        },
        "rig": {
            "later_ms": _rounded(comparison.rig_later_ms, 4),
            "later_std_ms": _rounded(comparison.rig_later_std_ms, 4),
            "louder_db": _rounded(comparison.rig_louder_db, 3),
            "louder_std_db": _rounded(comparison.rig_louder_std_db, 3),
            "is_flipped": comparison.is_rig_flipped,
        },
    }


def _rounded(value: float, decimals: int) -> float | None:
    return round(value, decimals) + 0.0 if math.isfinite(value) else None


def _content(comparison: Comparison) -> dict[str, Any]:
    """What the template prints."""
    tolerances = comparison.tolerances
    return {
        "title": f"{comparison.newer.title}: then and now",
        "is_one": comparison.is_one,
        "older": shown_visit(comparison.older),
        "newer": shown_visit(comparison.newer),
        "headline": headline(comparison),
        "remarks": comparison.remarks,
        "outputs": [_sheet_row(row) for row in comparison.outputs],
        "tolerance_arrival": f"{tolerances.arrival_ms:g}",
        "tolerance_level": f"{tolerances.level_db:g}",
        "tolerance_response": f"{tolerances.response_db:g}",
        "positions": page_table(
            comparison.positions,
            POSITIONS,
            _POSITION_COLUMNS,
            "Every microphone position; arrival and level: what all outputs share here and at no other position",
        ),
        "changes": page_table(
            comparison.changes,
            CHANGES,
            _CHANGE_COLUMNS,
            "Change of arrival taken apart: setting, air, what is common, and the output's own",
        ),
        "responses": page_table(
            comparison.outputs,
            OUTPUTS,
            _RESPONSE_COLUMNS,
            "The band that changed most, mean over positions, level over all bands taken out",
        ),
    }


def _sheet_row(row: OutputChange) -> dict[str, Any]:
    """One output as the page shows it."""
    return {
        "output": row.output,
        "kind": row.kind,
        "verdict": row.verdict,
        "is_changed": row.verdict != "same",
        "arrival": _with_error(row.arrival_change_ms, row.arrival_change_std_ms, 2),
        "polarity": row.polarity,
        "level": _with_error(row.level_change_db, row.level_change_std_db, 1),
        "confidence": percent(row.confidence) or "–",
        "reason": row.reason,
    }


def _with_error(value: float, std: float, decimals: int) -> str:
    """A change with two standard errors, a dash where it is not known."""
    return f"{signed(value, decimals)} ± {number(2.0 * std, decimals)}" if math.isfinite(value) else "–"


COMPARISON_FOLDER = MadeFolder(
    name="sound-check-comparison",
    noun="comparison",
    source="one of the two visits",
    format=1,
    template="comparison.html.j2",
    tables=TABLES,
    title=_title,
    plots=plots,
    results=_results,
    content=_content,
)
