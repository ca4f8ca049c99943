"""What bears another name now: said once, believed by every command."""

from __future__ import annotations

from pathlib import Path

import pytest
from calling import call
from histories_making import KEPT_RECORD, make_report

from analyze.archive.history import history_of
from analyze.archive.opening import ReportRead, open_report
from analyze.archive.renaming import names_in, parsed_renames, renamed, renamed_visit, renames_over
from analyze.archive.settings import verify_settings
from analyze.errors import DescriptionError

OUTPUT, *_ = open_report(KEPT_RECORD).outputs
POSITION, *_ = open_report(KEPT_RECORD).positions


def under(names: dict[str, str]):
    """Gives a report other names, as an edit of its results."""

    def edit(results: dict) -> None:
        results |= renamed(ReportRead(KEPT_RECORD, KEPT_RECORD, False, results), names).results

    return edit


def said(value, name: str) -> bool:
    """Whether a name stands anywhere in an object, as a key or a value."""
    if isinstance(value, dict):
        return name in value or any(said(one, name) for one in value.values())
    if isinstance(value, list):
        return any(said(one, name) for one in value)
    return value == name


def test_a_renamed_report_has_the_new_name_wherever_it_had_the_old_one():
    report = open_report(KEPT_RECORD)
    new = renamed(report, {OUTPUT: "lip fill", POSITION: "row 5"})
    for key in ("sound_check", "responses", "arrivals", "bands", "recommendations", "prediction", "wiring"):
        assert not said(new.results[key], OUTPUT), key
        assert not said(new.results[key], POSITION), key
    assert new.outputs[0] == "lip fill"
    assert new.setting("lip fill") == report.setting(OUTPUT)
    assert (new.response("lip fill", "row 5").samples == report.response(OUTPUT, POSITION).samples).all()
    assert names_in(report) == names_in(renamed(new, {"lip fill": OUTPUT, "row 5": POSITION}))
    assert report.outputs[0] == OUTPUT


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        (["fill"], "not OLD=NEW"),
        (["fill="], "not OLD=NEW"),
        (["=fill"], "not OLD=NEW"),
        (["a=b", "a=c"], "two new names"),
    ],
)
def test_a_rename_that_is_none_is_refused(pairs, words):
    with pytest.raises(DescriptionError, match=words):
        parsed_renames(pairs)


def test_names_are_taken_as_they_read():
    assert parsed_renames(["cafe\u0301 = a=b"]) == {"caf\u00e9": "a=b"}


# Settings


def test_settings_of_what_was_renamed_are_verified(tmp_path: Path):
    before, again = open_report(KEPT_RECORD), open_report(make_report(tmp_path / "again", "2027-05-14"))
    after = renamed(again, {OUTPUT: "lip fill", POSITION: "row 5"})
    verified = verify_settings(before, after, {OUTPUT: "lip fill", POSITION: "row 5"})
    plain = verify_settings(before, again)
    assert verified.settings[0].output == "lip fill"
    assert [row.outcome for row in verified.settings] == [row.outcome for row in plain.settings] == ["left alone"]
    assert [row.measured_change_db for row in verified.verification] == [
        r.measured_change_db for r in plain.verification
    ]
    assert f"Renamed: lip fill was {OUTPUT}; row 5 was {POSITION}." in verified.remarks


# Over the years


def test_a_history_goes_through_renames_from_visit_to_visit(tmp_path: Path):
    make_report(tmp_path / "a", "2024-05-14")
    make_report(tmp_path / "b", "2025-05-14", under({OUTPUT: "fill"}))
    make_report(tmp_path / "c", "2026-05-14", under({OUTPUT: "lip fill"}))
    apart, joined = history_of(tmp_path), history_of(tmp_path, renames={OUTPUT: "fill", "fill": "lip fill"})
    assert {row.output for row in apart.history} == {OUTPUT, "fill", "lip fill"}
    assert {row.output for row in joined.history} == {"lip fill"}
    assert [row.verdict for row in joined.visits] == ["first", "same", "same"]
    assert {row.counted_from for row in joined.history} == {"a"}


def test_where_a_visit_has_both_names_both_stay():
    report = open_report(KEPT_RECORD)
    assert renamed_visit(report, {OUTPUT: POSITION}) is report
    assert renamed_visit(report, {"never": "heard of"}) is report


@pytest.mark.parametrize(
    ("renames", "words"),
    [
        ({"a": "b", "b": "a"}, "back to it"),
        ({"x": "a"}, "OLD is no output"),
        ({"a": "bb"}, r"(?s)NEW is no .*'b'"),
        ({"b": "c"}, "changes nothing"),
    ],
)
def test_renames_over_visits_must_lead_somewhere(renames, words):
    with pytest.raises(DescriptionError, match=words):
        renames_over([["a"], ["b", "c"]], renames)


@pytest.mark.parametrize("command", ["compare", "verify-settings", "history"])
def test_every_command_that_matches_names_takes_renames(command: str, tmp_path: Path):
    folders = [KEPT_RECORD] * (1 if command == "history" else 2)
    done = call(command, *folders, "--rename", f"{OUTPUT}x={OUTPUT}", "--out", tmp_path / command)
    assert done.returncode == 2
    assert f"--rename OLD=NEW: OLD is no output or position there (found '{OUTPUT}x')." in done.stderr
    assert f"Did you mean '{OUTPUT}'?" in done.stderr
    assert list(tmp_path.iterdir()) == []
