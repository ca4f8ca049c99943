"""Formats carry a number. Those from 1 up to the newest that this program knows are read, later ones refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analyze.archive.about import RECORD_FORMAT, RECORD_FORMAT_LABEL
from analyze.archive.bag_reading import stated
from analyze.errors import DescriptionError


def check_format(found: Any, newest: int, place: Path) -> None:
    """Refuse a format that this program does not know. Raises DescriptionError."""
    if type(found) is not int:
        raise DescriptionError("states no format.", "Use what this program wrote.", path=place)
    if not 1 <= found <= newest:
        which = "a later format than this program knows" if found > newest else "no format that there ever was"
        raise DescriptionError(
            f"is of {which} (found {found}, expected {newest}).",
            "Use the program that wrote it, or a later one.",
            path=place,
        )


def check_record_format(record: Path) -> None:
    """Refuse a record of a later format; a bag that states none is somebody else's. Raises DescriptionError."""
    for value in stated(record, RECORD_FORMAT_LABEL):
        is_number = value.isascii() and value.isdigit() and len(value) < 9
        check_format(int(value) if is_number else None, RECORD_FORMAT, record)
