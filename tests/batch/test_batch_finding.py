"""What counts as a sound check, and what its report is called."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyze.archive.bag import DECLARATION
from analyze.batch.finding import find_sound_checks
from analyze.errors import DescriptionError


def put(base: Path, *names: str) -> None:
    for name in names:
        (base / name).mkdir(parents=True, exist_ok=True)
        (base / name / "soundcheck.toml").write_text("format = 1\n")


def test_all_below_are_found_in_order_and_what_holds_copies_is_passed_over(tmp_path: Path) -> None:
    put(tmp_path, "b", "a/may", "a/june/again", ".hidden/x", "reports/b", "records/r/data")
    (tmp_path / "reports/b/datapackage.json").write_text(
        '{"name": "sound-check-report", "made_by": {"program": "analyze"}, "files": ["soundcheck.toml"]}'
    )
    (tmp_path / "records/r/bagit.txt").write_text("BagIt-Version: 1.0\n")
    (tmp_path / "link").symlink_to(tmp_path / "a", target_is_directory=True)
    found = find_sound_checks([tmp_path])
    assert [one.name for one in found] == ["a/june/again", "a/may", "b"]
    assert [one.report for one in found] == ["a_june_again", "a_may", "b"]
    assert all(one.folder.is_absolute() for one in found)


def test_a_folder_that_is_one_itself_and_those_inside_it(tmp_path: Path) -> None:
    put(tmp_path / "hall", ".", "second day")
    assert [(one.name, one.report) for one in find_sound_checks([tmp_path / "hall"])] == [
        ("hall", "hall"),
        ("second day", "second day"),
    ]


def test_each_is_analysed_once_and_no_two_share_a_report(tmp_path: Path) -> None:
    """Also names that differ in case alone, which some disks do not tell apart, and the summary's own."""
    put(tmp_path, "one/hall", "two/Hall", "two/summary", "three/a_b", "three/a/b")
    folders = [tmp_path / "one", tmp_path / "two", tmp_path / "three", tmp_path / "one/hall"]
    found = find_sound_checks(folders, reserved=["summary"])
    assert [one.report for one in found] == ["hall", "Hall-2", "summary-2", "a_b", "a_b-2"]


def test_nothing_to_do_is_said(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="no such folder"):
        find_sound_checks([tmp_path / "none"])
    with pytest.raises(DescriptionError, match=r"no soundcheck\.toml in or below it"):
        find_sound_checks([tmp_path])
    put(tmp_path, "records/hall")
    (tmp_path / "records/hall" / DECLARATION).write_text("")
    with pytest.raises(DescriptionError, match=r"no sound check in or below it: .*records/hall is a report or a rec"):
        find_sound_checks([tmp_path])
