"""A report or a record opened, and what is neither refused with one clear line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from visits_making import visit

from analyze.archive.opening import open_report
from analyze.errors import DescriptionError
from analyze.reports.datapackage import FORMAT


@pytest.fixture
def report(tmp_path: Path) -> Path:
    """A copy of a report: what a comparison reads of it."""
    source = visit("first").folder
    shutil.copytree(source / "responses", tmp_path / "may" / "responses")
    shutil.copy(source / "results.json", tmp_path / "may" / "results.json")
    return tmp_path / "may"


def changed(report: Path, **values) -> Path:
    results = json.loads((report / "results.json").read_text(encoding="utf-8"))
    results.update(values)
    (report / "results.json").write_text(json.dumps(results), encoding="utf-8")
    return report


def test_a_report_says_what_it_holds(report: Path) -> None:
    one = open_report(report)
    assert (one.name, one.is_record) == ("may", False)
    assert one.outputs == visit("first").outputs
    assert len(one.heard) == len(one.outputs) * len(one.positions)
    arrivals = one.table("arrivals")
    assert len(arrivals) == len(one.heard)
    assert arrivals.arrival_ms.notna().all()
    impulse = one.response("main left", "mix")
    assert len(impulse.samples) == round(1.4 * impulse.sample_rate_hz)


def test_a_record_is_opened_where_its_report_lies(report: Path, tmp_path: Path) -> None:
    bag = tmp_path / "bag"
    (bag / "data").mkdir(parents=True)
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    shutil.copytree(report, bag / "data" / "report")
    one = open_report(bag)
    assert (one.name, one.is_record) == ("bag", True)
    assert one.response("main left", "mix").sample_rate_hz == visit("first").response("main left", "mix").sample_rate_hz


@pytest.mark.parametrize("kept", ["bagit.txt", "manifest-sha512.txt"])
def test_a_record_that_lost_one_of_what_shows_it_is_opened(report: Path, tmp_path: Path, kept: str) -> None:
    bag = tmp_path / "bag"
    (bag / "data").mkdir(parents=True)
    (bag / kept).write_text("")
    shutil.copytree(report, bag / "data" / "report")
    assert open_report(bag).is_record


def test_a_name_that_a_spreadsheet_would_compute_is_read_as_it_was_given(report: Path) -> None:
    results = json.loads((report / "results.json").read_text(encoding="utf-8"))
    results["arrivals"][0]["output"] = "=1+1"
    one = open_report(changed(report, arrivals=results["arrivals"]))
    assert one.table("arrivals").output[0] == "=1+1"


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"format": FORMAT + 1}, "later format"),
        ({"format": "1"}, "states no format"),
        ({"format": True}, "states no format"),
        ({"arrivals": None}, "arrivals: input should be a valid list"),
        ({"arrivals": [1]}, "arrivals.0: input should be a valid dictionary"),
        ({"arrivals": [{"capture": "a", "output": "a", "position": "b"}]}, r"lacks arrivals\.0\.arrival_ms"),
        ({"sound_check": {"outputs": {}}}, r"lacks sound_check\.positions"),
        (
            {"sound_check": {"outputs": {"a": {}}, "positions": {}, "captures": []}},
            r"outputs\.a\.kind",
        ),
        ({"responses": {"a box nobody described": {}}}, "that is not described"),
    ],
)
def test_results_of_another_form_are_refused(report: Path, values: dict, words: str) -> None:
    with pytest.raises(DescriptionError, match=words):
        open_report(changed(report, **values))


@pytest.mark.parametrize("content", ["", "{", "[]", "[" * 100_000, '{"format": 1}'])
def test_results_that_are_no_results_are_refused(report: Path, content: str) -> None:
    (report / "results.json").write_text(content)
    with pytest.raises(DescriptionError, match="neither a report nor a record"):
        open_report(report)


def test_a_response_outside_the_report_is_not_read(report: Path, tmp_path: Path) -> None:
    shutil.copy(next((report / "responses").iterdir()), tmp_path / "other.wav")
    for name in ("../other.wav", str(tmp_path / "other.wav")):
        one = open_report(changed(report, responses={"main left": {"mix": name}}))
        with pytest.raises(DescriptionError, match="leads out of it"):
            one.response("main left", "mix")
    link = report / "responses" / "link.wav"
    link.symlink_to(tmp_path / "other.wav")
    one = open_report(changed(report, responses={"main left": {"mix": "responses/link.wav"}}))
    with pytest.raises(DescriptionError, match="leads out of it"):
        one.response("main left", "mix")


@pytest.mark.parametrize("name", ["responses/\ud800.wav", "responses/\0.wav"])
def test_a_response_whose_name_is_no_path_is_refused(report: Path, name: str) -> None:
    with pytest.raises(DescriptionError, match="is none"):
        open_report(changed(report, responses={"main left": {"mix": name}})).response("main left", "mix")


def test_results_that_lie_elsewhere_are_not_read(report: Path, tmp_path: Path) -> None:
    (report / "results.json").rename(tmp_path / "elsewhere.json")
    (report / "results.json").symlink_to(tmp_path / "elsewhere.json")
    with pytest.raises(DescriptionError, match="leads out of it"):
        open_report(report)


def test_what_it_is_instead_is_said(tmp_path: Path) -> None:
    check = tmp_path / "hall"
    check.mkdir()
    (check / "soundcheck.toml").write_text("format = 1")
    with pytest.raises(DescriptionError, match="analyze it first"):
        open_report(check)
    (check / "datapackage.json").write_text(
        json.dumps({"name": "sound-check-history", "made_by": {"program": "analyze"}, "files": ["a"]})
    )
    with pytest.raises(DescriptionError, match="made from reports"):
        open_report(check)


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [("level_db", 1e300, "arrivals"), ("arrival_std_ms", "soon", "arrivals"), ("coherence", {}, "arrivals")],
)
def test_a_table_with_what_are_no_figures_is_refused(report: Path, column: str, value: object, words: str) -> None:
    rows = json.loads((report / "results.json").read_text(encoding="utf-8"))["arrivals"]
    rows[0][column] = value
    with pytest.raises(DescriptionError, match=f"the {words} in its results.json are not as the program wrote them"):
        open_report(changed(report, arrivals=rows)).table("arrivals")


def test_a_response_that_is_missing_or_damaged_is_named(report: Path) -> None:
    name = json.loads((report / "results.json").read_text())["responses"]["main left"]["mix"]
    (report / name).write_bytes(b"RIFF")
    with pytest.raises(DescriptionError, match=Path(name).name):
        open_report(report).response("main left", "mix")
    (report / name).unlink()
    with pytest.raises(DescriptionError, match=Path(name).name):
        open_report(report).response("main left", "mix")
