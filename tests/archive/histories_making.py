"""Many visits made of the small record that is kept: other days, other names, damaged, of later formats."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from kept_record import KEPT

from analyze.archive.record import write_record

KEPT_RECORD = KEPT / "format_1"

#: Changes the results of a report in place.
Edit = Callable[[dict[str, Any]], None]


def recorded_anew(results: dict[str, Any]) -> dict[str, Any]:
    """The same results of other recordings, as every visit has: their checksums follow from all that is said.

    What was heard differs in its last digit, and by a fifth of what noise makes.
    """
    told = json.dumps(results, sort_keys=True, default=str)
    for one in results["input_files"]:
        one["sha256"] = hashlib.sha256(f"{told} {one['path']}".encode()).hexdigest()
    for row in results["bands"][:1]:
        row["coherence"] = (row["coherence"] or 0.0) + int(hashlib.sha256(told.encode()).hexdigest()[:6], 16) / 1e12
    rng = np.random.default_rng(int(hashlib.sha256(told.encode()).hexdigest()[:8], 16))
    for row in results["bands"]:
        if row["level_db"] is not None and row["phase_std_deg"]:
            row["level_db"] += 0.2 * 8.7 * math.radians(row["phase_std_deg"]) * rng.standard_normal()
    return results


def rewritten(folder: Path, results: dict[str, Any]) -> Path:
    """The report in a folder with other results, as if the program had written them: its manifest states their sum."""
    content = json.dumps(results).encode()
    (folder / "results.json").write_bytes(content)
    manifest = json.loads((folder / "datapackage.json").read_bytes())
    if "sha256" in manifest:
        manifest["sha256"]["results.json"] = hashlib.sha256(content).hexdigest()
        (folder / "datapackage.json").write_text(json.dumps(manifest), encoding="utf-8")
    return folder


def make_report(folder: Path, date: str = "2026-05-14", edit: Edit | None = None, **check: Any) -> Path:
    """The report of the kept record on another day; `check` are keys of its description, `venue` its note."""
    shutil.copytree(KEPT_RECORD / "data" / "report", folder)
    file = folder / "results.json"
    results = json.loads(file.read_text("utf-8"))
    venue = check.pop("venue", results["sound_check"]["notes"]["venue"])
    results["sound_check"] |= {"date": date, **check}
    results["sound_check"]["notes"] = {"venue": venue} if venue else {}
    for capture in results["sound_check"]["captures"]:
        capture["temperature_c"] = results["sound_check"]["temperature_c"]
    if edit is not None:
        edit(results)
    return rewritten(folder, recorded_anew(results))


def make_record(folder: Path, date: str = "2026-05-14", edit: Edit | None = None, **check: Any) -> Path:
    """A record of such a report, whole and valid."""
    with tempfile.TemporaryDirectory() as place:
        report = make_report(Path(place) / folder.name, date, edit, **check)
        return write_record(report, folder.parent).folder


def of_later_format(record: Path) -> Path:
    """A record that says of itself that a later program wrote it."""
    info = record / "bag-info.txt"
    info.write_text(info.read_text("utf-8").replace("Record-Format: 1", "Record-Format: 2"), encoding="utf-8")
    return record


def damaged(record: Path, name: str = "data/report/results.json") -> Path:
    """A record of which one byte of one file has another value."""
    content = bytearray((record / name).read_bytes())
    content[len(content) // 2] ^= 1
    (record / name).write_bytes(content)
    return record
