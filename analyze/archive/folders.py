"""What the folders of this layer have in common: where they may stand, their drawings and their data package."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyze.archive.bag import DECLARATION
from analyze.errors import DescriptionError
from analyze.reports.columns import Table
from analyze.reports.datapackage import PROGRAM, resource
from analyze.reports.drawing import draw_here
from analyze.reports.folder import Kind, check_folder
from analyze.version import VERSION

if TYPE_CHECKING:
    from analyze.reports.plots import Plot


def check_place(target: Path, sources: Iterable[Path], kind: Kind, *, force: bool = False) -> None:
    """Refuse early a folder that holds what it is to be made from, lies in a record, or is of another kind.

    Raises
    ------
    DescriptionError : the target may not be replaced
    OutputError : nothing can be written there
    """
    check_outside_records(target, kind)
    for source in sources:
        check_folder(target, force, source=source, kind=kind)


def check_outside_records(target: Path, kind: Kind) -> None:
    """Refuse a place inside a record, which would not verify any more. Raises DescriptionError."""
    for parent in target.expanduser().resolve().parents:
        if (parent / DECLARATION).is_file():
            raise DescriptionError(
                f"lies in a record ({parent}), which would not verify any more.",
                f"Choose another folder with {kind.option}.",
                path=target,
            )


def drawn_files(plots: Sequence[Plot]) -> tuple[list[tuple[Plot, bytes]], dict[str, bytes]]:
    """Every plot with its SVG, for a page; and SVG and PNG of all by file name."""
    drawn: list[tuple[Plot, bytes]] = []
    files: dict[str, bytes] = {}
    for plot, (svg, png) in zip(plots, draw_here(plots), strict=True):
        drawn.append((plot, svg))
        files |= {plot.svg: svg, plot.png: png}
    return drawn, files


def made_by(number: int) -> dict[str, Any]:
    """What every `results.json` begins with: the number of its format, and what wrote it."""
    return {"format": number, "program": {"name": PROGRAM, "version": VERSION}}


def package(
    name: str,
    title: str,
    number: int,
    tables: Sequence[Table],
    contents: Mapping[str, bytes],
    files: Iterable[str],
) -> dict[str, Any]:
    """A Frictionless Data Package (Tabular Data Package, version 1).

    Parameters
    ----------
    number : of the format; contents : every CSV by its file name, as written; files : names of all files
    """
    return {
        "profile": "tabular-data-package",
        "name": name,
        "title": title,
        "description": "Differences are newer minus older. An empty cell is not known.",
        "version": str(number),
        "made_by": {"program": PROGRAM, "version": VERSION, "format": number},
        "files": sorted(files),
        "resources": [resource(table, contents[table.path]) for table in tables],
    }
