"""The folder of a comparison, and the command: tables as declared, one page, exit codes, nothing half-written."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import frictionless
import pytest
from archive_making import make_report
from calling import ReadPage, call, read_table
from visits_making import compared, visit

from analyze.archive.comparison_folder import COMPARISON_FOLDER
from analyze.archive.comparison_tables import TABLES
from analyze.archive.comparison_terminal import print_comparison
from analyze.errors import DescriptionError
from analyze.reports.summaries import percent


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("comparison") / "may-october"
    COMPARISON_FOLDER.check(target, [visit("first").place, visit("several").place])
    COMPARISON_FOLDER.write(compared("several"), target)
    return target


# Files


def test_the_data_package_describes_every_table(folder: Path) -> None:
    report = frictionless.Package(str(folder / "datapackage.json")).to_descriptor()
    assert [one["name"] for one in report["resources"]] == [table.name for table in TABLES]
    checked = frictionless.validate(str(folder / "datapackage.json"))
    assert checked.valid, checked.flatten(["rowNumber", "fieldName", "note"])


def test_every_file_is_listed_and_there(folder: Path) -> None:
    listed = json.loads((folder / "datapackage.json").read_text())["files"]
    there = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    assert listed == there


def test_the_same_comparison_gives_the_same_bytes() -> None:
    assert dict(COMPARISON_FOLDER.files(compared("several"))) == dict(COMPARISON_FOLDER.files(compared("several")))


def test_tables_and_results_say_the_same(folder: Path) -> None:
    results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert results["format"] == 1
    for table in TABLES:
        rows = read_table(folder / table.path)
        assert len(rows) == len(results[table.name])
        assert [column.name for column in table.columns] == list(rows[0])
    assert results == json.loads(json.dumps(COMPARISON_FOLDER.as_object(compared("several"))))


# Page and terminal


def test_the_page_says_the_verdicts_and_loads_nothing(folder: Path) -> None:
    page = ReadPage(folder / "report.html")
    assert page.loads == []
    assert "2 of 5 outputs changed" in page.text
    for row in compared("several").outputs:
        assert row.reason in page.text
    assert "default-src 'none'" in (folder / "report.html").read_text(encoding="utf-8")


def test_the_terminal_has_a_sentence_per_output() -> None:
    from rich.console import Console

    console = Console(file=io.StringIO(), width=80)
    print_comparison(compared("several"), Path("there"), console=console)
    text = console.file.getvalue()
    assert all(len(line) <= 80 for line in text.splitlines())
    for row in compared("several").outputs:
        sure = percent(row.confidence)
        assert sure
        assert re.search(rf"^  {row.output}: {row.verdict}, {sure}\. ", text, re.MULTILINE)


# Where it may be written


def test_neither_visit_nor_another_folder_is_replaced(tmp_path: Path, folder: Path) -> None:
    places = [visit("first").place, visit("several").place]
    with pytest.raises(DescriptionError, match="one of the two visits"):
        COMPARISON_FOLDER.check(places[0], places)
    with pytest.raises(DescriptionError, match="not a comparison"):
        COMPARISON_FOLDER.check(make_report(tmp_path / "another"), places)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine")
    with pytest.raises(DescriptionError, match="--force"):
        COMPARISON_FOLDER.check(tmp_path / "mine", places)
    COMPARISON_FOLDER.check(folder, places)


# The command


def test_the_command_says_six_for_a_change(tmp_path: Path) -> None:
    """That it says 0 for none is tested with the records that are kept (`test_formats.py`)."""
    first, several = visit("first").place, visit("several").place
    done = call("compare", first, several, "--out", tmp_path / "changed")
    assert done.returncode == 6, done.stderr
    assert done.stdout == ""
    assert "2 of 5 outputs changed: " in done.stderr
    done = call("compare", first, several, "--out", tmp_path / "wide", "--arrival-ms", "1", "--quiet", "--json")
    assert (done.returncode, done.stderr) == (6, "")
    said = {row["output"]: row["verdict"] for row in json.loads(done.stdout)["outputs"]}
    assert said["sub right"] == "same"
    assert said["front fill"] == "flipped"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere", "FIRST"], "no such folder"),
        (["FIRST", "FIRST", "--rename", "main left"], "not OLD=NEW"),
        (["FIRST", "FIRST", "--rename", "main=main left"], "Did you mean"),
        (["FIRST", "FIRST", "--out", "FIRST"], "one of the two visits"),
    ],
)
def test_what_is_wrong_with_a_call_is_said_in_two_lines(arguments: list[str], words: str) -> None:
    place = str(visit("first").place)
    done = call("compare", *(place if one == "FIRST" else one for one in arguments))
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) <= 2
