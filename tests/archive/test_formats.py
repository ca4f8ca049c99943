"""Formats carry a number: whatever is written states it, kept records of each open in every command, later ones not."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from calling import call, read_table
from histories_making import KEPT_RECORD, make_record, make_report, of_later_format, recorded_anew
from kept_record import KEPT

from analyze.archive.about import RECORD_FORMAT
from analyze.archive.bag_reading import stated
from analyze.archive.comparison import compare
from analyze.archive.comparison_folder import COMPARISON_FOLDER
from analyze.archive.history import history_of
from analyze.archive.history_folder import HISTORY_FOLDER
from analyze.archive.opening import open_report
from analyze.archive.settings import verify_settings
from analyze.archive.settings_folder import SETTINGS_FOLDER
from analyze.reports.datapackage import FORMAT

RECORDS = sorted(KEPT.iterdir())


@pytest.fixture(scope="module", params=RECORDS, ids=lambda record: record.name)
def record(request) -> Path:
    return request.param


# What is written states its format


def test_a_record_states_the_formats_of_record_and_report():
    assert stated(KEPT_RECORD, "Record-Format") == (str(RECORD_FORMAT),)
    assert f"record format {RECORD_FORMAT}" in (KEPT_RECORD / "README.txt").read_text("utf-8")
    report = KEPT_RECORD / "data" / "report"
    assert json.loads((report / "results.json").read_text("utf-8"))["format"] == FORMAT
    assert json.loads((report / "datapackage.json").read_text("utf-8"))["made_by"]["format"] == FORMAT


@pytest.mark.parametrize(
    ("folder", "found"),
    [
        (COMPARISON_FOLDER, lambda one: compare(one, one, {})),
        (SETTINGS_FOLDER, lambda one: verify_settings(one, one)),
        (HISTORY_FOLDER, lambda _: history_of(KEPT_RECORD)),
    ],
    ids=["comparison", "verified settings", "history"],
)
def test_every_other_folder_states_its_format(folder, found):
    content = dict(folder.files(found(open_report(KEPT_RECORD))))
    package = json.loads(content["datapackage.json"])
    assert json.loads(content["results.json"])["format"] == folder.format
    assert (package["version"], package["made_by"]["format"]) == (str(folder.format), folder.format)


# A record of every format that was ever written opens in every command


def test_a_kept_record_verifies(record):
    done = call("archive", "verify", record)
    assert done.returncode == 0, done.stderr


def again(record: Path, folder: Path) -> Path:
    """The report of a kept record as from other recordings of the same rig."""
    shutil.copytree(record / "data" / "report", folder)
    file = folder / "results.json"
    results = recorded_anew(json.loads(file.read_text(encoding="utf-8")))
    file.write_text(json.dumps(results), encoding="utf-8")
    return folder


def test_a_kept_record_and_itself_are_one_visit(record, tmp_path):
    done = call("compare", record, record, "--out", tmp_path / "comparison")
    assert (done.returncode, done.stdout) == (6, "")
    assert "No second visit: both reports were made from the very same recordings." in done.stderr


def test_a_kept_record_is_the_same_as_one_that_heard_the_same(record, tmp_path):
    done = call("compare", record, again(record, tmp_path / "again"), "--out", tmp_path / "comparison", "--quiet")
    assert (done.returncode, done.stdout) == (0, "")
    for name in ("outputs.csv", "positions.csv"):
        rows = read_table(tmp_path / "comparison" / name)
        assert rows
        assert {row["verdict"] for row in rows} == {"same"}


def test_the_settings_of_a_kept_record_are_verified(record, tmp_path):
    """It recommends no change, and nothing was changed."""
    after = again(record, tmp_path / "again")
    done = call("verify-settings", record, after, "--out", tmp_path / "verified", "--quiet", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["is_done"] is True
    assert {row["outcome"] for row in read_table(tmp_path / "verified" / "settings.csv")} == {"left alone"}


def test_a_kept_record_has_a_history(record, tmp_path):
    make_record(tmp_path / "next visit", "2027-05-14", venue=open_report(record).check["notes"]["venue"])
    shutil.copytree(record, tmp_path / "kept")
    done = call("history", tmp_path, "--out", tmp_path / "history", "--quiet")
    assert (done.returncode, done.stderr) == (0, "")
    rows = read_table(tmp_path / "history" / "visits.csv")
    assert [(row["path"], row["verdict"]) for row in rows] == [("kept", "first"), ("next visit", "same")]


# One of a later format is refused by every command, in two lines


@pytest.fixture(scope="module")
def later(tmp_path_factory) -> dict[str, Path]:
    place = tmp_path_factory.mktemp("later")
    return {
        "record": of_later_format(make_record(place / "a" / "record")),
        "report": make_report(place / "b" / "report", edit=lambda results: results.update(format=FORMAT + 1)),
    }


@pytest.mark.parametrize(
    "arguments",
    [
        ("archive", "verify", "record"),
        ("archive", "report"),
        ("compare", "record", "KEPT"),
        ("compare", "KEPT", "report"),
        ("verify-settings", "record", "KEPT"),
        ("verify-settings", "KEPT", "report"),
        ("history", "record"),
        ("history", "report"),
    ],
    ids=" ".join,
)
def test_a_later_format_is_refused_with_one_clear_error(later, tmp_path, arguments):
    done = call(*({"KEPT": KEPT_RECORD, **later}.get(one, one) for one in arguments), cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "is of a later format than this program knows (found 2, expected 1)." in done.stderr
    assert "Use the program that wrote it, or a later one." in done.stderr
    assert len(done.stderr.strip().splitlines()) <= 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("value", ["", "two", "0", "-1", "1.0", "99999999999", "²"])
def test_a_record_format_that_is_no_number_is_refused(tmp_path, value):
    record = make_record(tmp_path / "odd")
    info = record / "bag-info.txt"
    info.write_text(info.read_text("utf-8").replace("Record-Format: 1", f"Record-Format: {value}"), encoding="utf-8")
    done = call("archive", "verify", record)
    assert done.returncode == 2
    assert "format" in done.stderr
    assert "Traceback" not in done.stderr
