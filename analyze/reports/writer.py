"""An analysis becomes a report folder.

Every file's bytes depend on the analysis alone: the same analysis written twice gives the same folder.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from analyze.description_text import FILE_NAME
from analyze.reports.datapackage import MANIFEST, descriptor, json_bytes
from analyze.reports.drawing import Draw, draw_here
from analyze.reports.folder import check_folder, replace_folder
from analyze.reports.page import page_bytes
from analyze.reports.plots import plots
from analyze.reports.results import results_with
from analyze.reports.tables import csv_tables
from analyze.reports.wav import response_files, wav_bytes

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from analyze.pipeline import Analysis
    from analyze.reports.plots import Plot

#: Names of the two files that are not tables, plots or responses.
RESULTS, PAGE = "results.json", "report.html"


def write_report(analysis: Analysis, target: Path, *, force: bool = False, draw: Draw = draw_here) -> None:
    """Write the report folder of an analysis.

    Parameters
    ----------
    target : the folder; made with its parents if it does not exist, replaced if it is an earlier report
    force : replace it even if it is not one of ours
    draw : draws the plots, in other processes within a block of `drawing_processes`; the bytes are the same

    Raises
    ------
    DescriptionError : the target may not be replaced
    OutputError : it cannot be written; what stood there stands there still
    """
    check_folder(target, force=force, source=analysis.sound_check.folder)
    replace_folder(target, report_files(analysis, draw))


def report_files(analysis: Analysis, draw: Draw = draw_here) -> Iterator[tuple[str, bytes]]:
    """Name and content of every file of a report, one after the other; the manifest comes last."""
    sums = {}
    drawn = plots(analysis)
    drawings = draw(drawn)
    tables = csv_tables(analysis)
    for name, content in _contents(analysis, tables, drawn, drawings):
        sums[name] = hashlib.sha256(content).hexdigest()
        yield name, content
    yield MANIFEST, json_bytes(descriptor(analysis, tables, sums))


def _contents(
    analysis: Analysis, tables: dict[str, bytes], drawn: tuple[Plot, ...], drawings: Iterator[tuple[bytes, bytes]]
) -> Iterator[tuple[str, bytes]]:
    """Every file but the manifest; the drawings may be under way elsewhere."""
    yield from tables.items()
    yield RESULTS, json_bytes(results_with(analysis, drawn))
    yield FILE_NAME, analysis.sound_check.source
    paths = response_files(analysis.impulse_responses)
    for response in analysis.impulse_responses:
        yield paths[response.output, response.position], wav_bytes(response)
    shown = []
    for plot, (svg, png) in zip(drawn, drawings, strict=True):
        shown.append((plot, svg))
        yield plot.svg, svg
        yield plot.png, png
    yield PAGE, page_bytes(analysis, shown)
