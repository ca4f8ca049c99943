"""Names that act on spreadsheets, terminals and pages, all the way: batch, report, record, comparison, history."""

from __future__ import annotations

import csv
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.reports.tables import FORMULA_NOTE
from tests.hostile.broken_audio import RATE_HZ, noise
from tests.hostile.calling import FINISHED, UNDECIDED, Called, called, check_said, untouched

TAG, FORMULA, TURNED = "<script>alert(1)</script>", "=cmd|' /C calc'!A1", "\u202egnp.exe"
OUTPUTS = (FORMULA, f"@SUM(1)<img src=x onerror=alert(1)>{TURNED}")
POSITIONS = ("-2+3", f"CON/../../{TAG}")
INPUTS = ("+1", '"=1",=2')
#: What no spreadsheet may be given at the start of a text, and how it is written instead.
STARTS = ("=", "+", "-", "@", "\t", "\r")
N_SHORT = 4000


def quoted(text: str) -> str:
    """A text for TOML."""
    return json.dumps(text, ensure_ascii=False)


def write_strange(folder: Path) -> None:
    """A sound check in which every name does harm where it is taken for more than a name."""
    folder.mkdir(parents=True)
    lines = ["format = 1", f"title = {quoted(FORMULA + TAG)}", 'venue = "\\t=1"', f"notes = {quoted(TAG)}"]
    for n, name in enumerate(OUTPUTS):
        lines += [
            f"[outputs.{quoted(name)}]",
            f"kind = {quoted(('main', 'sub')[n])}",
            'device = "=1+1"',
            'group = "-1"',
        ]
    for name in POSITIONS:
        lines += [f"[positions.{quoted(name)}]", 'zone = "audience"']
    for n, name in enumerate(OUTPUTS):
        file = f"={TAG.replace('/', '')} {n}.wav"
        soundfile.write(folder / file, noise(n_channels=1 + len(POSITIONS)), RATE_HZ, subtype="FLOAT")
        mics = ", ".join(f"{quoted(p)} = {quoted(f'{file}:{k}')}" for k, p in enumerate(POSITIONS, 2))
        lines += ["[[captures]]", f"name = {quoted(f'=HYPERLINK({n})')}"]
        lines += [f"feeds = {{ {quoted(name)} = {quoted(f'{file}:1')} }}", f"mics = {{ {mics} }}"]
    soundfile.write(folder / "@broken.wav", np.full((N_SHORT, 2), np.nan), RATE_HZ, subtype="FLOAT")
    inputs = ", ".join(f"{quoted(name)} = {quoted(f'@broken.wav:{k}')}" for k, name in enumerate(INPUTS, 1))
    lines += ["[[captures]]", f"name = {quoted(TAG)}", f"inputs = {{ {inputs} }}"]
    (folder / "soundcheck.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("strange")


@pytest.fixture(scope="module")
def said(base: Path) -> dict[str, Called]:
    """Every command on it, one after the other; what is written where is held against where it belongs."""
    check, out = base / "checks" / f"={TAG.replace('/', '')}\n\x1b[31m", base / "out"
    write_strange(check)
    found = {}
    with untouched(base, "out"):
        found["batch"] = called("batch", base / "checks", "--out", out / "batch", "--json")
        (report,) = (path for path in (out / "batch").iterdir() if path.name != "summary")
        found["archive"] = called("archive", report, "--to", out / "records")
        (record,) = (out / "records").iterdir()
        found["verify"] = called("archive", "verify", record, "--json")
        found["compare"] = called("compare", report, record, "--out", out / "compared", "--json")
        found["settings"] = called("verify-settings", report, record, "--out", out / "verified", "--json")
        found["history"] = called("history", out / "records", "--out", out / "history", "--json")
    return found


@pytest.mark.parametrize("command", ["batch", "archive", "verify", "compare", "settings", "history"])
def test_nothing_acts_on_the_terminal(said: dict[str, Called], command: str) -> None:
    check_said(said[command], FINISHED, UNDECIDED, 6, most_s=60.0)
    assert said[command].out == "" or json.loads(said[command].out)


def tables(base: Path) -> list[Path]:
    found = sorted((base / "out").rglob("*.csv"))
    assert {path.parent.name for path in found} >= {"summary", "report", "compared", "verified", "history"}
    return found


@pytest.mark.usefixtures("said")
def test_no_cell_is_a_formula(base: Path) -> None:
    """And the data package of every folder says how to get the text back."""
    defused = set()
    for path in tables(base):
        (package,) = (json.loads(p.read_text("utf-8")) for p in path.parent.glob("datapackage.json"))
        (schema,) = (one["schema"] for one in package["resources"] if one["path"] == path.name)
        text_fields = [field for field in schema["fields"] if field["type"] == "string"]
        assert all(field.get("note") == FORMULA_NOTE or "constraints" in field for field in text_fields)
        for row in csv.DictReader(io.StringIO(path.read_text("utf-8"), newline="")):
            for field in text_fields:
                cell = row[field["name"]]
                assert not cell.startswith(STARTS), (path, cell)
                assert not re.search(r"[\x00-\x08\x0b-\x0c\x0e-\x1f\x7f-\x9f]", cell)
                if cell.startswith("'"):
                    defused.add(re.sub(r"^'(?='*[=+\-@\t\r\n])", "", cell))
    assert {FORMULA, "-2+3", "+1", "-1", f"@SUM(1)<img src=x onerror=alert(1)>{TURNED}"} <= defused


class Page(HTMLParser):
    """What a page would run, and what it shows."""

    def __init__(self, page: Path) -> None:
        super().__init__()
        self.handlers: list[str] = []
        self.text = ""
        self.feed(page.read_text(encoding="utf-8"))

    def handle_starttag(self, _: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handlers += [
            name for name, value in attrs if name.startswith("on") or (value or "").startswith("javascript")
        ]

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.usefixtures("said")
def test_pages_show_tags_as_text(base: Path) -> None:
    pages = sorted((base / "out").rglob("report.html"))
    assert len(pages) >= 6
    for page in pages:
        read = Page(page)
        assert read.handlers == []
        assert "alert(1)" in read.text
        assert "<script>alert" not in page.read_text("utf-8")
        assert "<img src=x" not in page.read_text("utf-8")


@pytest.mark.usefixtures("said")
def test_files_are_named_by_numbers_and_ascii(base: Path) -> None:
    """No name of a user's becomes a path, on any system."""
    for path in (base / "out").rglob("*"):
        if path.is_file() and path.parent.name in ("plots", "responses"):
            assert re.fullmatch(r"[0-9]{3}_[a-z0-9_-]+\.(svg|png|wav)", path.name), path.name
