"""Folders that are made from reports: where they may stand, and what all of them hold.

Each holds its tables as CSV, plots, `results.json` with everything, the data package that describes them, and a page.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from analyze.archive.bag import is_bag
from analyze.archive.page import PAGE, page_bytes
from analyze.errors import DescriptionError
from analyze.reports.columns import Table
from analyze.reports.datapackage import MANIFEST, PROGRAM, json_bytes, resource
from analyze.reports.drawing import draw_here
from analyze.reports.folder import Kind, check_folder, made_kind, replace_folder
from analyze.reports.results import plots_object
from analyze.reports.tables import csv_bytes, records
from analyze.reports.writer import RESULTS
from analyze.version import VERSION

if TYPE_CHECKING:
    from analyze.reports.plots import Plot

Found = TypeVar("Found")


def _nothing_further(_: Any) -> dict[str, bytes]:
    return {}


@dataclass(frozen=True)
class MadeFolder(Generic[Found]):
    """A kind of folder that is made from what was found in reports.

    name : of its data package, by which a folder is known as one of these
    noun, source : what it is called, and what it is made from, which it never replaces
    format : raised when a key or column is renamed or dropped
    template : of its page; tables : of which each is a field of what was found
    title, plots, results, content : of what was found: what the data package calls it, its plots, the keys of
    `results.json` beside tables and plots, and what the template prints
    further : more files by name
    """

    name: str
    noun: str
    source: str
    format: int
    template: str
    tables: Sequence[Table]
    title: Callable[[Found], str]
    plots: Callable[[Found], Sequence[Plot]]
    results: Callable[[Found], Mapping[str, Any]]
    content: Callable[[Found], Mapping[str, Any]]
    further: Callable[[Found], Mapping[str, bytes]] = _nothing_further

    def check(self, target: Path, sources: Iterable[Path], *, force: bool = False) -> None:
        """Refuse early a target that holds one of its sources, lies in a record, or is something else.

        Raises
        ------
        DescriptionError : the target may not be replaced
        OutputError : nothing can be written there
        """
        check_outside_records(target, self._kind)
        for source in sources:
            check_folder(target, force, source=source, kind=self._kind)

    def write(self, found: Found, target: Path) -> None:
        """Write the folder; call `check` first.

        Raises
        ------
        OutputError : it cannot be written; what stood there stands there still
        """
        replace_folder(target, self.files(found), kind=self._kind)

    def as_object(self, found: Found) -> dict[str, Any]:
        """The object of `results.json`: keys are those of the tables and columns; what is not known is null."""
        return {
            "format": self.format,
            "program": {"name": PROGRAM, "version": VERSION},
            **self.results(found),
            **{table.name: records(found, table) for table in self.tables},
            "plots": plots_object(self.plots(found)),
        }

    def files(self, found: Found) -> Iterator[tuple[str, bytes]]:
        """Name and content of every file, the manifest last."""
        tables = {table.path: csv_bytes(table, getattr(found, table.field)) for table in self.tables}
        plots = self.plots(found)
        drawn = list(zip(plots, draw_here(plots), strict=True))
        drawings = {name: file for plot, (svg, png) in drawn for name, file in ((plot.svg, svg), (plot.png, png))}
        contents = {**tables, RESULTS: json_bytes(self.as_object(found)), **drawings, **self.further(found)}
        svgs = [(plot, svg) for plot, (svg, _) in drawn]
        contents[PAGE] = page_bytes(self.template, svgs, {**self.content(found), "version": VERSION})
        yield from contents.items()
        names = [*contents, MANIFEST]
        yield MANIFEST, json_bytes(package(self.name, self.title(found), self.format, self.tables, tables, names))

    @property
    def _kind(self) -> Kind:
        return made_kind(self.noun, self.name, self.source)


def check_outside_records(target: Path, kind: Kind) -> None:
    """Refuse a place inside a record, which would not verify any more. Raises DescriptionError."""
    for parent in target.expanduser().resolve().parents:
        if is_bag(parent):
            raise DescriptionError(
                f"lies in a record ({parent}), which would not verify any more.",
                f"Choose another folder with {kind.option}.",
                path=target,
            )


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
