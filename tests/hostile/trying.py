"""One input tried: what became of it, as a word that inputs of one sort share. What must never be is raised."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from tests.hostile.calling import (
    CHANGED,
    FINISHED,
    REFUSED,
    UNDECIDED,
    UNREADABLE,
    Called,
    called,
    check_said,
    untouched,
)
from tests.hostile.folders import GOOD_TAKE, check_of, uses_of

#: A report of this program, with one output at one position.
KEPT = Path(__file__).parents[1] / "archive" / "records" / "format_1" / "data" / "report"
#: How long one small input may take, with generous room.
_MOST_S = 20.0


def try_description(folder: Path, data: bytes) -> str:
    """A description in a folder of its recordings: analysed, or refused as what its first line says."""
    (folder / "soundcheck.toml").write_bytes(data)
    out = folder.parent / "out"
    with untouched(folder.parent, "out"):
        call = called("run", folder, "--out", out)
        check_said(call, FINISHED, UNDECIDED, REFUSED, UNREADABLE, most_s=_MOST_S)
    shutil.rmtree(out, ignore_errors=True)
    return kind_of(call)


def try_audio(folder: Path, ending: str, content: bytes, command: str = "inspect") -> str:
    """An audio file in every use, beside a good take: read, or refused as what is said of it; by a command.

    `draft` is called on a folder without a description, `run` and `inspect` on one whose captures use the file.
    """
    name = f"take.{ending}"
    for path in folder.iterdir() if folder.exists() else ():
        path.unlink()
    if command == "draft":
        check_of(folder).joinpath("soundcheck.toml").unlink()
    else:
        check_of(folder, GOOD_TAKE, *uses_of(name))
    (folder / name).write_bytes(content)
    out = folder.parent / "out"
    more = {"run": ("--out", out, "--json"), "inspect": ("--json",), "draft": ()}[command]
    with untouched(folder.parent, "out", *(["check/soundcheck.toml"] if command == "draft" else [])):
        call = check_said(called(command, folder, *more), FINISHED, UNDECIDED, REFUSED, most_s=_MOST_S)
    shutil.rmtree(out, ignore_errors=True)
    said = re.search(rf"{re.escape(name)}(?: channel \d+)?(?: at [\d.]+ s)?: (.*?)\.[ \"]", call.out)
    return _sort(said[1]) if call.code != REFUSED and said else kind_of(call)


def try_results(report: Path, data: bytes) -> str:
    """Results of a report, compared with those of the report that they were once: compared, or refused."""
    (report / "results.json").write_bytes(data)
    out = report.parent / "out"
    with untouched(report.parent, "out"):
        call = called("compare", KEPT, report, "--out", out, "--json")
        check_said(call, FINISHED, CHANGED, REFUSED, most_s=_MOST_S)
    shutil.rmtree(out, ignore_errors=True)
    return kind_of(call)


def kind_of(call: Called) -> str:
    """What became of a call: `read`, or the sort of its error."""
    if call.code in (FINISHED, UNDECIDED, CHANGED):
        return "read"
    first = call.problem.split("\n")[0]
    return _sort(re.sub(r"^.*?: ", "", first, count=1))


def _sort(text: str) -> str:
    """An error without the names and figures in it."""
    text = re.sub(r"^(?:[\w.\[\]-]|\"[^\"]*\")+: ", "", text)  # the key of a description
    text = re.sub(r"\"[^\"]*\"|'[^']*'|0x[0-9a-f]+|\d+", "..", re.sub(r" \(found.*", "", text))
    return text.strip(" .")[:70]
