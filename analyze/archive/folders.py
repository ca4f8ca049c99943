"""What the folders of comparisons and verified settings have in common: how they are known, and their data package."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyze.reports.columns import Table
from analyze.reports.datapackage import MANIFEST, PROGRAM, resource
from analyze.reports.drawing import draw_here
from analyze.reports.folder import Kind
from analyze.version import VERSION

if TYPE_CHECKING:
    from analyze.reports.plots import Plot

_MOST_BYTES = 16 << 20


def made_kind(noun: str, name: str, source: str) -> Kind:
    """The kind of folder whose data package bears a name: it may replace its like and nothing else.

    Parameters
    ----------
    noun : what it is called; source : what it is made from
    """

    def is_one(folder: Path) -> bool:
        return package_name(folder) == name

    return Kind(noun, source, "--out", is_one, f"exists and is no {noun} of this program.")


def package_name(folder: Path) -> str:
    """Name of the data package of a folder of ours, empty if it is none."""
    manifest = folder / MANIFEST
    try:
        if manifest.stat().st_size > _MOST_BYTES:
            return ""
        content = json.loads(manifest.read_bytes())
        return str(content["name"]) if content["made_by"]["program"] == PROGRAM else ""
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ""


def drawn_files(plots: Sequence[Plot]) -> tuple[list[tuple[Plot, bytes]], dict[str, bytes]]:
    """Every plot with its SVG, for a page; and SVG and PNG of all by file name."""
    drawn: list[tuple[Plot, bytes]] = []
    files: dict[str, bytes] = {}
    for plot, (svg, png) in zip(plots, draw_here(plots), strict=True):
        drawn.append((plot, svg))
        files |= {plot.svg: svg, plot.png: png}
    return drawn, files


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
