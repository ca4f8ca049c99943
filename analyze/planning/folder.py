"""The folder of a plan: a list to be printed and taken along, and the description to be filled in."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyze.archive.folders import check_outside_records, package
from analyze.archive.page import page_bytes
from analyze.description_text import FILE_NAME, decoded
from analyze.errors import DescriptionError
from analyze.planning.describing import planned_text
from analyze.reports.cautions import CAUTIONS
from analyze.reports.datapackage import MANIFEST, json_bytes
from analyze.reports.folder import check_folder, made_kind, replace_folder
from analyze.reports.reading import manifest_of
from analyze.version import VERSION

if TYPE_CHECKING:
    from analyze.planning.asked import Asked

#: Raised when a file is renamed or dropped.
FORMAT = 1
#: Name of the data package, by which a folder is known as one of these.
NAME = "sound-check-plan"
#: Key of the data package with the SHA-256 of the description as it was planned.
_PLANNED = "planned_sha256"
#: The list.
LIST = "checklist.html"

_KIND = made_kind("plan", NAME, "the description")


def check_target(target: Path, asked: Asked, *, force: bool = False) -> None:
    """Refuse early a folder in which no plan can be written.

    Raises
    ------
    DescriptionError : it holds what the plan is made from, or something else stands in its place, or its description
        was filled in since
    OutputError : nothing can be written there
    """
    check_outside_records(target, _KIND)
    if not force:
        _check_unedited(target)
    check_folder(target, force, source=asked.check.folder, kind=_KIND)


def _check_unedited(target: Path) -> None:
    """Refuse to replace a description that was filled in since it was planned."""
    planned = manifest_of(target).get(_PLANNED)
    try:
        data = (target / FILE_NAME).read_bytes()
    except OSError:
        return
    if isinstance(planned, str) and sha256(data).hexdigest() != planned:
        raise DescriptionError(
            "was filled in since it was planned, which would be lost.",
            "Plan into another folder with --out, or replace it with --force.",
            path=target / FILE_NAME,
        )


def write_plan(asked: Asked, target: Path) -> None:
    """Write the folder; call `check_target` first.

    Raises
    ------
    OutputError : it cannot be written; what stood there stands there still
    """
    replace_folder(target, _files(asked), kind=_KIND)


def _files(asked: Asked) -> Iterator[tuple[str, bytes]]:
    """Name and content of every file, the manifest last."""
    text = decoded(asked.check.source, asked.check.path)
    contents = {
        LIST: page_bytes("checklist.html.j2", [], _content(asked), package="analyze.planning"),
        FILE_NAME: planned_text(text, asked.plan, asked.check, is_of_report=asked.is_of_report).encode("utf-8"),
    }
    yield from contents.items()
    manifest = package(NAME, f"Plan: {asked.name}", FORMAT, [], {}, [*contents, MANIFEST])
    yield MANIFEST, json_bytes({**manifest, _PLANNED: sha256(contents[FILE_NAME]).hexdigest()})


def _content(asked: Asked) -> dict[str, Any]:
    """What the template prints."""
    return {"list": asked.checklist, "cautions": CAUTIONS, "version": VERSION}
