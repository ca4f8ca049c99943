"""Visits over the years: in their order, held against one another as `compare` does, added up, in one air."""

from __future__ import annotations

import json
import math
import re
import shutil
import weakref
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from histories_making import damaged, make_record, make_report, of_later_format, recorded_anew, rewritten
from visits_making import compared, visit

import analyze.archive.history as module
from analyze.archive.comparison import compare
from analyze.archive.comparison_visits import STOOD
from analyze.archive.comparison_words import exchanged_words
from analyze.archive.history import history_of
from analyze.archive.history_rows import History
from analyze.archive.history_words import IN_DOUBT, spelling_words, venue_words
from analyze.archive.opening import open_report
from analyze.errors import DescriptionError

DAYS = {"first": "2024-05-14", "warmer": "2024-10-02", "several": "2025-05-20"}


@pytest.fixture(scope="module")
def simulated(tmp_path_factory) -> Path:
    """Three visits to one simulated hall; in the order of their names the newest stands first."""
    folder = tmp_path_factory.mktemp("hall")
    for number, (name, day) in enumerate(reversed(DAYS.items())):
        report = shutil.copytree(visit(name).folder, folder / f"{number}_{name}")
        results = json.loads((report / "results.json").read_text("utf-8"))
        results["sound_check"] |= {"date": day, "notes": {"venue": "Harbour hall"}}
        rewritten(report, recorded_anew(results))
    return folder


@pytest.fixture(scope="module")
def hall(simulated) -> History:
    return history_of(simulated)


def rows(history: History, path: str) -> dict:
    return {row.output: row for row in history.history if row.path == path}


def told(history: History) -> dict[str, tuple[str, str]]:
    """State and verdict of every folder that was found."""
    return {row.path: (row.state, row.verdict) for row in history.visits}


# Verdicts and changes


def test_visits_stand_in_the_order_of_their_days(hall):
    assert [row.path for row in hall.visits] == ["2_first", "1_warmer", "0_several"]
    assert [row.verdict for row in hall.visits] == ["first", "same", "changed"]
    assert [row.previous for row in hall.visits] == ["", "2_first", "1_warmer"]


def test_verdicts_are_those_of_a_comparison_with_the_visit_before(hall):
    again = {row.output: row for row in compared("warmer").outputs}
    for output, row in rows(hall, "1_warmer").items():
        assert (row.verdict, row.reason) == (again[output].verdict, again[output].reason)
        assert row.arrival_change_ms == again[output].arrival_change_ms
    newest = {row.output: row for row in compare(visit("warmer"), visit("several"), {}).outputs}
    said = {output: row.verdict for output, row in rows(hall, "0_several").items()}
    assert said == {output: row.verdict for output, row in newest.items()}
    for output, row in rows(hall, "0_several").items():
        assert row.level_change_db == newest[output].level_change_db
    assert (said["sub right"], said["front fill"]) == ("moved", "flipped")
    assert [said[name] for name in ("main left", "main right", "sub left")] == ["same"] * 3


def test_positions_that_looked_exchanged_at_a_visit_between_are_said(hall):
    middle = [row for row in hall.visits_of("Harbour hall") if row.date][1]
    told = replace(middle, remarks=" ".join(exchanged_words([("mix", "front")])))
    visits = tuple(told if row is middle else row for row in hall.visits)
    assert f"positions that look exchanged {middle.date}" in venue_words(replace(hall, visits=visits), "Harbour hall")


def test_a_visit_that_doubts_itself_is_said(hall):
    """All three do, for boxes of a pair that are set differently; then the second alone."""
    days = f"{DAYS['first']}, {DAYS['warmer']} and {DAYS['several']}"
    assert f" In doubt by its own findings: {days}. " in venue_words(hall, "Harbour hall")
    one = tuple(row if row.path == "1_warmer" else replace(row, remarks="") for row in hall.visits)
    assert f" In doubt by its own findings: {DAYS['warmer']}. " in venue_words(
        replace(hall, visits=one), "Harbour hall"
    )
    stood = tuple(replace(row, remarks=f"{STOOD} ...") if row.path == "0_several" else row for row in one)
    assert f" Perhaps of one day with the visit before: {DAYS['several']}" in venue_words(
        replace(hall, visits=stood), "Harbour hall"
    )
    assert one[1].remarks.startswith(f"{IN_DOUBT} (twins set differently), and every setting with it. ")


def test_what_stands_otherwise_than_at_the_first_visit_is_said_after_a_quiet_one_too(simulated, tmp_path):
    for number, name in enumerate(("2_first", "0_several", "0_several")):
        report = shutil.copytree(simulated / name, tmp_path / str(number))
        results = json.loads((report / "results.json").read_text("utf-8"))
        results["sound_check"]["date"] = f"{2024 + number}-01-01"
        rewritten(report, recorded_anew(results))
    found = history_of(tmp_path)
    assert [row.verdict for row in found.visits] == ["first", "changed", "same"]
    assert [bool(row.since_first) for row in found.visits] == [False, False, True]
    assert found.visits[2].since_first == found.visits[1].reason
    words = venue_words(found, "Harbour hall")
    assert "The newest against the one before it: 5 outputs: all as they were. In between: " in words
    moved = r" In between: sub right moved \(\d\.\d\d ms (later|earlier)\) and front fill flipped 2025-01-01\. Against"
    assert re.search(moved, words)
    assert "sub right (moved)" in words
    assert "front fill (flipped)" in words


def test_that_all_is_as_at_the_first_visit_is_said_too(tmp_path):
    for number in range(3):
        make_report(tmp_path / str(number), f"{2024 + number}-01-01")
    found = history_of(tmp_path)
    assert venue_words(found, found.venues[0]).endswith("Against the first visit: The output is as it was.")


def test_changes_are_added_up_with_their_errors(hall):
    """0.4 ms went into sub right; measured 0.391 with a standard error of 0.04."""
    second, third = rows(hall, "1_warmer")["sub right"], rows(hall, "0_several")["sub right"]
    assert third.arrival_since_ms == pytest.approx(second.arrival_change_ms + third.arrival_change_ms)
    both = math.hypot(second.arrival_change_std_ms, third.arrival_change_std_ms)
    assert third.arrival_since_std_ms == pytest.approx(both)
    assert third.arrival_since_ms == pytest.approx(0.4, abs=3.5 * both)
    assert third.counted_from == "2_first"


def test_arrivals_are_brought_to_one_air(hall):
    """Nine degrees make 0.6 ms at the mix; in one air the mains are 0.004 ms off at most, 0.02 allowed."""
    first, warmer = rows(hall, "2_first"), rows(hall, "1_warmer")
    for output in ("main left", "main right", "front fill"):
        assert first[output].position == warmer[output].position
        assert abs(first[output].arrival_ms - warmer[output].arrival_ms) > 0.3
        assert warmer[output].same_air_arrival_ms == pytest.approx(first[output].same_air_arrival_ms, abs=0.02)
        assert warmer[output].relative_arrival_ms == pytest.approx(first[output].relative_arrival_ms, abs=0.02)


def test_relative_to_the_reference_means_minus_it_at_the_same_position(hall):
    first = rows(hall, "2_first")
    reference = first["main left"]
    assert (reference.relative_arrival_ms, reference.relative_arrival_std_ms, reference.relative_level_db) == (0, 0, 0)
    right = first["main right"]
    assert right.relative_arrival_ms == pytest.approx(right.same_air_arrival_ms - reference.same_air_arrival_ms)
    assert right.relative_arrival_std_ms == pytest.approx(math.hypot(right.arrival_std_ms, reference.arrival_std_ms))
    assert right.relative_level_db == pytest.approx(right.level_db - reference.level_db)


def test_wiring_setting_and_which_way_up_it_plays(tmp_path):
    def turned(results):
        results["sound_check"]["outputs"]["horn"]["setting"]["polarity"] = "inverted"

    make_record(tmp_path / "may")
    make_record(tmp_path / "october", "2026-10-01", turned)
    (first,), (second,) = (tuple(rows(history_of(tmp_path), path).values()) for path in ("may", "october"))
    assert (first.wiring, first.setting_polarity, first.polarity) == ("normal", "normal", "normal")
    assert (second.wiring, second.setting_polarity, second.polarity) == ("normal", "inverted", "inverted")


def test_an_output_that_is_gone_has_a_row_and_begins_anew_when_it_is_back(simulated, tmp_path):
    def without(results):
        del results["sound_check"]["outputs"]["sub left"], results["responses"]["sub left"]
        for table in ("arrivals", "recommendations", "wiring"):
            results[table] = [row for row in results[table] if row["output"] != "sub left"]

    days = (("2_first", "2024-01-01"), ("1_warmer", "2024-02-01"), ("2_first", "2024-03-01"))
    for number, (name, day) in enumerate(days):
        report = shutil.copytree(simulated / name, tmp_path / str(number))
        results = json.loads((report / "results.json").read_text("utf-8"))
        results["sound_check"]["date"] = day
        if number == 1:
            without(results)
        rewritten(report, recorded_anew(results))
    found = history_of(tmp_path)
    said = [rows(found, str(number))["sub left"] for number in range(3)]
    assert [row.verdict for row in said] == ["", "gone", "new"]
    assert [row.counted_from for row in said] == ["0", "", "2"]
    assert np.isnan(said[1].arrival_since_ms)
    assert rows(found, "2")["main left"].counted_from == "0"


# Venues and days


def test_a_venue_is_told_by_its_note_then_by_the_title_then_by_a_folder(tmp_path):
    make_record(tmp_path / "a", venue="Harbour  hall")
    make_record(tmp_path / "b", "2026-06-01", venue="HARBOUR HALL")
    make_record(tmp_path / "c", venue="", title="Quay, empty")
    make_record(tmp_path / "town" / "d", venue="", title="")
    make_record(tmp_path / "e", "2026-06-01", venue="", title="")
    found = history_of(tmp_path)
    said = {row.path: (row.venue, row.venue_from, row.verdict) for row in found.visits}
    assert said == {
        "a": ("HARBOUR HALL", "venue", "first"),
        "b": ("HARBOUR HALL", "venue", "same"),
        "c": ("Quay, empty", "title", "first"),
        "town/d": ("town", "folder", "first"),
        "e": ("e", "folder", "first"),
    }


@pytest.mark.parametrize(
    ("one", "other", "is_nearly"),
    [
        ("Harbour hall", "Harbor Hall", True),
        ("Harbour hall", "Harbour-Hall", True),
        ("Harbour hall", "Harbuor hall", True),
        ("Quay 1", "Quay 2", False),
        ("Studio A", "Studio B", False),
        ("North hall", "South hall", False),
        ("Quay", "Bay", False),
    ],
)
def test_venues_of_nearly_one_name_are_said(one, other, is_nearly) -> None:
    assert bool(spelling_words([one, other])) is is_nearly


def test_what_has_no_day_is_listed_and_compared_with_nothing(tmp_path):
    make_record(tmp_path / "a", "")
    make_record(tmp_path / "b", "2026-06-01")
    make_record(tmp_path / "c", "2026-07-01")
    found = history_of(tmp_path)
    assert told(found) == {"b": ("read", "first"), "c": ("read", "same"), "a": ("read", "not compared")}
    said = venue_words(found, found.venues[0])
    assert said.startswith("2 visits from 2026-06-01 to 2026-07-01.")
    assert said.endswith("Without a date, and so compared with nothing: a.")
    assert np.isnan(rows(found, "a")["horn"].arrival_since_ms)
    assert rows(found, "a")["horn"].arrival_ms > 0


def test_visits_without_a_name_in_common_are_not_compared_and_the_rest_goes_on(tmp_path):
    def renamed(results):
        text = json.dumps(results).replace('"horn"', '"box"')
        results |= json.loads(text)

    make_record(tmp_path / "a")
    make_record(tmp_path / "b", "2026-06-01", renamed)
    make_record(tmp_path / "c", "2026-07-01", lambda results: (renamed(results), results.update(is_undecided=True)))
    found = history_of(tmp_path)
    assert [verdict for _, verdict in told(found).values()] == ["first", "not compared", "same"]
    assert "no output of the same name" in found.visits[1].reason


# What is found, and what cannot be relied on


def test_records_and_reports_are_found_at_any_depth_and_nothing_else(tmp_path):
    make_record(tmp_path / "halls" / "harbour" / "2026" / "a")
    make_report(tmp_path / "reports" / "b", "2026-06-01")
    make_record(tmp_path / ".hidden" / "c", "2026-07-01")
    make_record(tmp_path / "away" / "d", "2026-08-01")
    (tmp_path / "away").rename(tmp_path.parent / f"{tmp_path.name}-away")
    (tmp_path / "link").symlink_to(tmp_path.parent / f"{tmp_path.name}-away")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "results.json").write_text("{}")
    (tmp_path / "made").mkdir()
    made = {"name": "sound-check-comparison", "made_by": {"program": "analyze"}, "files": ["results.json"]}
    (tmp_path / "made" / "datapackage.json").write_text(json.dumps(made))
    assert told(history_of(tmp_path)) == {
        "halls/harbour/2026/a": ("read", "first"),
        "reports/b": ("read", "same"),
    }


def test_a_record_may_be_the_folder_itself(tmp_path):
    assert told(history_of(make_record(tmp_path / "a"))) == {".": ("read", "first")}


def test_copies_count_once_and_records_before_reports(tmp_path):
    record = make_record(tmp_path / "records" / "z")
    shutil.copytree(record, tmp_path / "disk two" / "z")
    shutil.copytree(record / "data" / "report", tmp_path / "a report")
    found = history_of(tmp_path)
    assert {row.path: (row.state, row.reason) for row in found.visits if row.state == "copy"} == {
        "a report": ("copy", "Its results are the same as those of disk two/z."),
        "records/z": (
            "copy",
            "Its results are the same as those of disk two/z. analyze archive verify tells whether its other files are "
            "whole.",
        ),
    }
    assert [row.path for row in found.history] == ["disk two/z"]


def test_what_is_damaged_or_of_a_later_format_is_left_out_with_its_reason(tmp_path):
    make_record(tmp_path / "good")
    damaged(make_record(tmp_path / "flipped", "2026-06-01"))
    wav = sorted((tmp_path / "good" / "data/report/responses").iterdir())[0].name
    damaged(make_record(tmp_path / "response", "2026-06-02"), f"data/report/responses/{wav}")
    of_later_format(make_record(tmp_path / "later record", "2026-06-03"))
    make_report(tmp_path / "later report", "2026-06-04", lambda results: results.update(format=2))
    shutil.rmtree(make_record(tmp_path / "empty", "2026-06-05") / "data")
    (make_record(tmp_path / "undeclared", "2026-06-09") / "bagit.txt").unlink()  # its manifest still vouches for it
    (make_record(tmp_path / "unlisted", "2026-06-06") / "manifest-sha512.txt").unlink()
    make_report(tmp_path / "odd", "2026-06-07", lambda results: results["sound_check"].pop("outputs"))
    (make_report(tmp_path / "torn", "2026-06-08") / "results.json").write_text('{"format": 1')
    found = history_of(tmp_path)
    said = {row.path: row.reason for row in found.visits if row.state == "left out"}
    words = {
        "flipped": "is damaged (data/report/results.json: altered)",
        "response": f"is damaged (data/report/responses/{wav}: altered)",
        "later record": "is of a later format than this program knows (found 2, expected 1)",
        "later report": "is of a later format than this program knows (found 2, expected 1)",
        "empty": "is damaged (data/report/",
        "unlisted": "is damaged (manifest-sha512.txt: missing",
        "odd": "lacks sound_check.outputs",
        "torn": "is not valid JSON",
    }
    assert set(said) == set(words)
    for path, text in words.items():
        assert text in said[path], path
    assert [row.path for row in found.history] == ["good", "undeclared"]


def test_a_report_whose_figures_were_changed_is_no_visit(simulated, tmp_path):
    folder = shutil.copytree(simulated, tmp_path / "hall")
    file = folder / "1_warmer" / "results.json"
    file.write_bytes(file.read_bytes() + b"\n")
    found = history_of(folder)
    (left_out,) = [row for row in found.visits if row.state == "left out"]
    assert (left_out.path, left_out.reason[:46]) == ("1_warmer", "has changed since the report was written. Take")


def test_damage_beside_what_is_read_leaves_nothing_out(tmp_path):
    make_record(tmp_path / "a")
    damaged(tmp_path / "a", "data/report/report.html")
    assert told(history_of(tmp_path)) == {"a": ("read", "first")}


def test_a_response_that_cannot_be_read_says_so_and_the_rest_goes_on(tmp_path):
    make_record(tmp_path / "a")
    report = make_report(tmp_path / "b", "2026-06-01")
    for wav in (report / "responses").iterdir():
        wav.write_bytes(b"RIFF")
    make_record(tmp_path / "c", "2026-07-01")
    found = history_of(tmp_path)
    assert told(found) == {"a": ("read", "first"), "b": ("read", "not compared"), "c": ("read", "not compared")}
    assert "an impulse response cannot be read" in found.visits[1].reason
    assert [row.counted_from for row in found.history] == ["a", "b", "c"]


@pytest.mark.parametrize("is_empty", [True, False])
def test_nothing_that_can_be_read_is_an_error(tmp_path, is_empty):
    if not is_empty:
        damaged(make_record(tmp_path / "a"))
    with pytest.raises(DescriptionError, match="no record or report" if is_empty else r"nothing in it can be read \(1"):
        history_of(tmp_path)
    with pytest.raises(DescriptionError, match="no such folder"):
        history_of(tmp_path / "nowhere")


def test_visits_are_read_one_after_the_other(tmp_path, monkeypatch):
    """However many there are, two are in memory when they are compared, and the one that lines begin at."""
    for month in range(1, 8):
        make_report(tmp_path / str(month), f"2026-{month:02d}-01")
    opened: list[weakref.ref] = []
    alive: list[int] = []

    def noted(path):
        report = open_report(path)
        opened.append(weakref.ref(report))
        return report

    def counted(older, newer, renames):
        alive.append(sum(one() is not None for one in opened))
        return compare(older, newer, renames)

    monkeypatch.setattr(module, "open_report", noted)
    monkeypatch.setattr(module, "compare", counted)
    history_of(tmp_path)
    assert alive == [2] + [3] * 6
