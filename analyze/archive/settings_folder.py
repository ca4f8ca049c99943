"""The folder of verified settings: tables, plots, `results.json`, the data package and the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyze.archive.folders import check_place, drawn_files, made_by, package
from analyze.archive.page import PAGE, page_bytes, page_table
from analyze.archive.settings_plots import plots
from analyze.archive.settings_rows import DONE, Applied, Verified
from analyze.archive.settings_tables import SEATS, TABLES, VERIFICATION
from analyze.archive.settings_words import headline
from analyze.reports.datapackage import MANIFEST, json_bytes
from analyze.reports.folder import made_kind, replace_folder
from analyze.reports.results import plots_object
from analyze.reports.summaries import number
from analyze.reports.tables import csv_bytes, records
from analyze.version import VERSION

if TYPE_CHECKING:
    from analyze.archive.opening import ReportRead

#: Raised when a key or column is renamed or dropped.
FORMAT = 1
#: Name of the data package, by which a folder is known as one of these.
NAME = "sound-check-verified-settings"

_KIND = made_kind("verification of settings", NAME, "one of the two reports")
_SEAT_COLUMNS = ("position", "zone", "cells", "predicted_change_db", "measured_change_db", "measured_change_std_db",
                 "difference_db", "as_predicted")  # fmt: skip
_BAND_COLUMNS = ("position", "band_hz", "predicted_change_db", "measured_change_db", "measured_change_std_db",
                 "difference_db", "as_predicted")  # fmt: skip


def check_target(target: Path, before: ReportRead, after: ReportRead, *, force: bool = False) -> None:
    """Refuse early a folder that holds one of the two reports, or something that is no verification of settings.

    Raises
    ------
    DescriptionError : the target may not be replaced
    OutputError : nothing can be written there
    """
    check_place(target, (before.place, after.place), _KIND, force=force)


def write_verified(verified: Verified, target: Path) -> None:
    """Write the folder; call `check_target` first.

    Raises
    ------
    OutputError : it cannot be written; what stood there stands there still
    """
    replace_folder(target, verified_files(verified), kind=_KIND)


def verified_object(verified: Verified) -> dict[str, Any]:
    """The object of `results.json`: keys are those of the tables and columns; what is not known is null."""
    return {
        **made_by(FORMAT),
        "before": asdict(verified.before),
        "after": asdict(verified.after),
        "headline": headline(verified),
        "remarks": list(verified.remarks),
        "is_done": verified.is_done,
        "seat": verified.seat,
        **{table.name: records(verified, table) for table in TABLES},
        "plots": plots_object(plots(verified)),
    }


def verified_files(verified: Verified) -> Iterator[tuple[str, bytes]]:
    """Name and content of every file, the manifest last."""
    tables = {table.path: csv_bytes(table, getattr(verified, table.field)) for table in TABLES}
    drawn, drawings = drawn_files(plots(verified))
    contents = {**tables, "results.json": json_bytes(verified_object(verified)), **drawings}
    contents[PAGE] = page_bytes("settings.html.j2", drawn, _content(verified))
    yield from contents.items()
    title = f"{verified.after.title}: settings of {verified.before.name} as measured in {verified.after.name}"
    yield MANIFEST, json_bytes(package(NAME, title, FORMAT, TABLES, tables, [*contents, MANIFEST]))


def _content(verified: Verified) -> dict[str, Any]:
    """What the template prints."""
    return {
        "title": f"{verified.after.title}: were the settings put in force?",
        "before": {**asdict(verified.before), "temperature": number(verified.before.temperature_c)},
        "after": {**asdict(verified.after), "temperature": number(verified.after.temperature_c)},
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
        "version": VERSION,
    }


def _sheet_row(row: Applied) -> dict[str, Any]:
    """One output as the page shows it."""
    return {
        "output": row.output,
        "kind": row.kind,
        "group": row.group,
        "recommended": f"{number(row.recommended_delay_ms, 2)} ms, {row.recommended_polarity}",
        "in_force": f"{number(row.in_force_delay_ms, 2)} ± {number(2.0 * row.in_force_delay_std_ms, 2)} ms, "
        f"{row.in_force_polarity}",
        "is_measured": row.outcome != "not measured",
        "outcome": f"{row.outcome}: {row.other}" if row.other and row.outcome == "another output's" else row.outcome,
        "is_done": row.outcome in DONE,
        "reason": row.reason,
    }
