"""The folder of a history, and the command: tables as declared, one page, Parquet with its extra, exit codes."""

from __future__ import annotations

import io
import json
import sys
from datetime import date
from pathlib import Path

import frictionless
import numpy as np
import pytest
from calling import ReadPage, call, read_table
from histories_making import damaged, make_record, make_report, of_later_format
from rich.console import Console

import analyze.archive.history_folder as module
from analyze.archive.history import history_of
from analyze.archive.history_finding import visit_folders
from analyze.archive.history_folder import HISTORY_FOLDER, PARQUET
from analyze.archive.history_plots import plots
from analyze.archive.history_rows import History
from analyze.archive.history_tables import HISTORY, TABLES
from analyze.archive.history_terminal import print_history, print_left_out
from analyze.errors import DescriptionError
from analyze.reports.plot_style import render
from analyze.reports.summaries import percent

#: A name that is a formula, a tag, a command to a terminal and right-to-left at once.
HOSTILE = "=1+1\x1b[31m<script>alert(1)</script>\u202e\nü"


@pytest.fixture(scope="module")
def records(tmp_path_factory) -> Path:
    """Two venues, one with three visits and a hostile name, a copy, and a damaged record."""
    folder = tmp_path_factory.mktemp("records")
    for number, day in enumerate(("2024-05-14", "2025-05-20", "2026-05-16")):
        make_record(folder / f"quay {number}", day, venue=HOSTILE, title=HOSTILE, temperature_c=15.0 + 4 * number)
    make_report(folder / "=2+2\x1b[31m<b>", "2026-01-01", venue="Boathouse")
    make_report(folder / "copy", "2026-01-01", venue="Boathouse")
    damaged(make_record(folder / "damaged\x1b[31m", "2026-02-01"))
    return folder


@pytest.fixture(scope="module")
def history(records) -> History:
    return history_of(records)


@pytest.fixture(scope="module")
def folder(records, history, tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("out") / "history"
    HISTORY_FOLDER.check(target, [records])
    HISTORY_FOLDER.write(history, target)
    return target


# Files


def test_the_data_package_describes_both_tables(folder):
    package = json.loads((folder / "datapackage.json").read_text("utf-8"))
    assert [one["name"] for one in package["resources"]] == [one.name for one in TABLES]
    checked = frictionless.validate(str(folder / "datapackage.json"))
    assert checked.valid, checked.flatten(["rowNumber", "fieldName", "note"])
    for resource in package["resources"]:
        assert next(one["type"] for one in resource["schema"]["fields"] if one["name"] == "date") == "date"


def test_every_file_is_listed_and_there(folder):
    listed = json.loads((folder / "datapackage.json").read_text())["files"]
    assert listed == sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    assert {"history.csv", "visits.csv", "report.html", "results.json"} <= set(listed)
    assert len([name for name in listed if name.endswith(".png")]) == 3  # a venue with one visit has no plots


def test_tables_and_results_say_the_same(folder, history):
    results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert results == json.loads(json.dumps(HISTORY_FOLDER.as_object(history)))
    assert results["format"] == HISTORY_FOLDER.format == 1
    for one in TABLES:
        rows = read_table(folder / one.path)
        assert [column.name for column in one.columns] == list(rows[0])
        assert len(rows) == len(results[one.name])


def test_the_same_records_give_the_same_bytes(records, history):
    assert dict(HISTORY_FOLDER.files(history_of(records))) == dict(HISTORY_FOLDER.files(history))


def test_one_row_per_visit_and_output(folder):
    paths = [row["path"] for row in read_table(folder / "history.csv")]
    assert paths == [
        "quay 0",
        "quay 1",
        "quay 2",
        "'=2+2\ufffd[31m<b>",
    ]
    states = {row["path"]: row["state"] for row in read_table(folder / "visits.csv")}
    assert (states["copy"], states["damaged\ufffd[31m"]) == ("copy", "left out")


def test_names_are_no_formulas_in_a_spreadsheet(folder):
    for one in TABLES:
        for row in read_table(folder / one.path):
            assert not any(cell.startswith(("=", "+", "@")) for cell in row.values())


# Parquet


def test_parquet_holds_the_same_rows(folder):
    parquet = pytest.importorskip("pyarrow.parquet")
    held = parquet.read_table(folder / PARQUET)
    rows = json.loads((folder / "results.json").read_text("utf-8"))["history"]
    days = [{**row, "date": date.fromisoformat(row["date"])} for row in rows]
    assert held.to_pylist() == days
    assert held.schema.field("arrival_ms").metadata[b"unit"] == b"ms"
    assert held.column_names == [column.name for column in HISTORY.columns]


def test_text_that_is_no_unicode_can_be_stored(history):
    parquet = pytest.importorskip("pyarrow.parquet")
    from dataclasses import replace

    odd = replace(history, history=(replace(history.history[0], output="a\ud800"),))
    read = parquet.read_table(io.BytesIO(module.parquet_bytes(odd, HISTORY)))
    assert read.column("output").to_pylist() == ["a\\ud800"]


def test_without_the_extra_the_csv_stands_alone(history, monkeypatch):
    monkeypatch.setattr(module, "can_write_parquet", lambda: False)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    files = dict(HISTORY_FOLDER.files(history))
    assert PARQUET not in files
    assert "history.csv" in files
    assert PARQUET.encode() not in files["report.html"]


# Plots


def test_no_day_stands_over_a_temperature_and_visits_of_one_day_side_by_side(tmp_path):
    make_report(tmp_path / "a", "2026-05-14", temperature_c=18.0)
    make_report(tmp_path / "b", "2026-05-15", temperature_c=18.3)
    make_report(tmp_path / "c", "2026-05-15", temperature_c=18.1)
    boxes: list[list] = []
    marks: list[float] = []

    def draw(figure):
        plot.draw(figure)
        figure.canvas.draw()
        for axes in figure.axes:
            (low, high), ticks = axes.get_xlim(), axes.xaxis.get_major_ticks()
            boxes.append([t.label1.get_window_extent() for t in ticks if low <= t.get_loc() <= high])

    def draw_polarity(figure):
        plots_of[2].draw(figure)
        axes = figure.axes[0]
        marks.extend(axes.transData.transform((line.get_xdata()[0], 0.0))[0] * 72.0 / figure.dpi for line in axes.lines)

    plots_of = plots(history_of(tmp_path))
    plot = plots_of[0]
    render(draw, plot.size_in)
    render(draw_polarity, plots_of[2].size_in)
    assert len(marks) == 3
    assert min(np.diff(marks)) > 14.0  # points, as wide as a ring is
    days, temperatures = boxes
    assert len(days) == 2
    assert max(one.x1 for one in days) + 4.0 < min(one.x0 for one in temperatures)


# Page and terminal


def test_the_page_tells_every_venue_and_loads_nothing(folder):
    page = ReadPage(folder / "report.html")
    assert page.loads == []
    passed = "passed over as copies of others: copy"
    assert f"4 visits to 2 venues; {passed}; 1 that cannot be relied on left out." in page.text
    assert "3 visits from 2024-05-14 to 2026-05-16. The newest against the one before it: The output" in page.text
    assert "never the only copy" in page.text
    assert "Its results are the same as those of =2+2[31m<b>." in page.text
    assert "is damaged (data/report/results.json: altered)" in page.text
    assert "\x1b" not in page.text
    assert "\u202e" not in page.text


def test_the_page_says_where_the_name_of_a_venue_is_guessed(tmp_path):
    make_report(tmp_path / "a", "", venue="", title="Quay, empty")
    make_report(tmp_path / "b", venue="Quay empty", title="")
    found = history_of(tmp_path)
    page = dict(HISTORY_FOLDER.files(found))["report.html"].decode()
    assert "is taken from the title of the sound check" in page
    console = Console(file=io.StringIO(), width=300)
    print_history(found, Path("there"), console=console)
    text = console.file.getvalue()
    for words in ("1 visit without a date", "Nearly one name: Quay empty and Quay, empty."):
        assert words in page
        assert words in text


def test_the_terminal_has_a_sentence_per_venue_and_nothing_that_it_would_act_on(history):
    console = Console(file=io.StringIO(), width=80)
    print_history(history, Path("there"), console=console)
    print_left_out(history, console=console)
    text = console.file.getvalue()
    assert "=1+1[31m<script>alert(1)</script>" in text
    assert "Left out: damaged[31m: is damaged" in text
    newest = next(row for row in history.history if row.path == "quay 2")
    assert f"How sure, output by output: horn same, {percent(newest.confidence)}." in " ".join(text.split())
    assert "\x1b" not in text
    assert "\u202e" not in text


# Where it may be written


def test_neither_records_nor_another_folder_are_replaced(tmp_path, folder):
    record = make_record(tmp_path / "records" / "may")
    sources = [tmp_path / "records", *visit_folders(tmp_path / "records")]
    for force in (False, True):
        with pytest.raises(DescriptionError, match="one of the records or reports"):
            HISTORY_FOLDER.check(tmp_path / "records", sources, force=force)
        with pytest.raises(DescriptionError, match="one of the records" if force else "not a history"):
            HISTORY_FOLDER.check(record, sources, force=force)
        with pytest.raises(DescriptionError, match="lies in a record"):
            HISTORY_FOLDER.check(record / "data" / "history", sources, force=force)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine")
    with pytest.raises(DescriptionError, match=r"not a history(.|\n)*--force"):
        HISTORY_FOLDER.check(tmp_path / "mine", sources)
    HISTORY_FOLDER.check(folder, sources)


# The command


def test_the_command_leaves_out_what_is_damaged_and_goes_on(tmp_path):
    make_record(tmp_path / "records" / "may")
    make_record(tmp_path / "records" / "october", "2026-10-01")
    of_later_format(make_record(tmp_path / "records" / "later", "2026-11-01"))
    done = call("history", "records", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (0, ""), done.stderr
    assert "2 visits from 2026-05-14 to 2026-10-01" in done.stderr
    assert "Left out: later: is of a later format than this program knows (found 2, expected 1)" in done.stderr
    assert (tmp_path / "histories" / "records" / "history.csv").is_file()
    done = call("history", "records", "--json", "--quiet", cwd=tmp_path)
    assert done.returncode == 0
    assert done.stderr.startswith("Left out: later:")
    assert len(done.stderr.splitlines()) == 1
    said = {row["path"]: row["verdict"] for row in json.loads(done.stdout)["visits"]}
    assert said == {"may": "first", "october": "same", "later": None}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere"], "no such folder"),
        (["."], "there is no record or report in it"),
        (["records"], "nothing in it can be read (1 found). may: is damaged"),
    ],
)
def test_where_nothing_can_be_read_it_exits_2_and_writes_nothing(tmp_path, arguments, words):
    if arguments == ["records"]:
        damaged(make_record(tmp_path / "records" / "may"))
    done = call("history", *arguments, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) <= 2
    assert not (tmp_path / "histories").exists()
