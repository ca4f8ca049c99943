"""The report folder appears whole or not at all, and nothing that is not ours is lost."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from analyze.errors import DescriptionError, OutputError
from analyze.reports import check_target, folder
from analyze.reports.datapackage import REPORT_NAME
from analyze.reports.folder import is_report, replace_folder


def files(word: str, *extra: str) -> list[tuple[str, bytes]]:
    """A small report: two files or more and their manifest."""
    names = ["a.csv", "plots/b.svg", *extra]
    made_by = {"program": "analyze", "version": "0.1.0", "format": 1}
    manifest = json.dumps({"name": REPORT_NAME, "made_by": made_by, "files": [*names, "datapackage.json"]})
    return [*((name, word.encode()) for name in names), ("datapackage.json", manifest.encode())]


def content(place: Path) -> dict[str, bytes]:
    return {p.relative_to(place).as_posix(): p.read_bytes() for p in sorted(place.rglob("*")) if p.is_file()}


def dead_process() -> int:
    """The number of a process that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


@pytest.fixture
def target(tmp_path) -> Path:
    return tmp_path / "place" / "report"


@pytest.fixture
def earlier(target) -> Path:
    """An earlier report at the target."""
    replace_folder(target, files("old"))
    return target


def only(target: Path) -> bool:
    """Whether nothing but the report is left beside it."""
    return [path.name for path in target.parent.iterdir()] == [target.name]


def test_a_report_is_written_with_its_parents(target):
    replace_folder(target, files("new"))
    assert content(target) == dict(files("new"))
    assert is_report(target)
    assert only(target)


def test_an_earlier_report_is_replaced_with_all_its_files(target):
    replace_folder(target, files("old", "plots/gone.svg"))
    check_target(target, force=False)
    replace_folder(target, files("new"))
    assert content(target) == dict(files("new"))
    assert only(target)


def test_what_somebody_put_into_a_report_is_carried_over(earlier):
    (earlier / "notes.txt").write_text("mine")
    (earlier / "plots" / "c.svg").write_text("mine too")
    (earlier / "link").symlink_to("notes.txt")
    (earlier / "own").mkdir()
    (earlier / "own" / "x").write_text("deep")
    replace_folder(earlier, files("new", "plots/c.svg"))
    assert (earlier / "notes.txt").read_text() == "mine"
    assert (earlier / "plots" / "c.svg").read_text() == "new"
    assert (earlier / "plots" / "c.svg.kept").read_text() == "mine too"
    assert (earlier / "own" / "x").read_text() == "deep"
    assert (earlier / "link").readlink() == Path("notes.txt")
    assert only(earlier)


def test_what_somebody_put_into_a_report_is_copied_where_links_are_not_possible(earlier, monkeypatch):
    def no_links(*_, **__):
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(os, "link", no_links)
    (earlier / "notes.txt").write_text("mine")
    replace_folder(earlier, files("new"))
    assert (earlier / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize("failing", range(3))
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EROFS])
def test_a_write_that_fails_leaves_the_earlier_report_whole(earlier, monkeypatch, failing, number):
    before, calls = content(earlier), []

    def fail(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == failing + 1:
            raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match="could not be written"):
        replace_folder(earlier, files("new"))
    assert len(calls) == failing + 1
    assert content(earlier) == before
    assert only(earlier)


@pytest.mark.parametrize("failing", range(2))
def test_a_rename_that_fails_leaves_the_earlier_report_whole(earlier, monkeypatch, failing):
    before, calls, rename = content(earlier), [], Path.rename

    def fail(self: Path, new: Path) -> Path:
        calls.append(self)
        if len(calls) == failing + 1:
            raise OSError(errno.EBUSY, "busy")
        return rename(self, new)

    monkeypatch.setattr(Path, "rename", fail)
    with pytest.raises(OutputError, match="busy"):
        replace_folder(earlier, files("new"))
    assert content(earlier) == before
    assert only(earlier)


def test_a_write_that_fails_leaves_no_new_parents(tmp_path, monkeypatch):
    def fail(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "full", descriptor)

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match=r"no space is left\.\nMake room"):
        replace_folder(tmp_path / "one" / "two" / "report", files("new"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("at", range(4))
def test_an_interruption_leaves_the_earlier_report_whole(earlier, at):
    before = content(earlier)

    def interrupted():
        yield from files("new")[:at]
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        replace_folder(earlier, interrupted())
    assert content(earlier) == before
    assert only(earlier)


@pytest.mark.parametrize("at", range(2))
def test_an_interruption_between_the_renames_leaves_one_whole_report(earlier, monkeypatch, at):
    before, calls, rename = content(earlier), [], Path.rename

    def interrupted(self: Path, new: Path) -> Path:
        done = rename(self, new)
        calls.append(self)
        if len(calls) == at + 1:
            raise KeyboardInterrupt
        return done

    monkeypatch.setattr(Path, "rename", interrupted)
    with pytest.raises(KeyboardInterrupt):
        replace_folder(earlier, files("new"))
    assert content(earlier) == (before if at == 0 else dict(files("new")))
    assert only(earlier)


def test_a_folder_that_is_not_ours_is_refused_and_kept(target):
    target.mkdir(parents=True)
    (target / "thesis.txt").write_text("ten years")
    with pytest.raises(DescriptionError, match=r"not a report of this program\.\n.*--out.*--force") as caught:
        check_target(target, force=False)
    assert caught.value.exit_code == 2
    assert (target / "thesis.txt").read_text() == "ten years"
    assert only(target)


def test_force_replaces_it(target):
    target.mkdir(parents=True)
    (target / "thesis.txt").write_text("ten years")
    check_target(target, force=True)
    replace_folder(target, files("new"))
    assert content(target) == dict(files("new"))


@pytest.mark.parametrize(
    "manifest",
    [
        b"",
        b"[]",
        b"{}",
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"name": "sound-check-report", "made_by": {"program": "other"}, "files": ["a"]}',
        b'{"name": "sound-check-report", "made_by": {"program": "analyze"}}',
        b'{"name": "sound-check-report", "made_by": {"program": "analyze"}, "files": 3}',
        b'{"name": "sound-check-report", "made_by": "analyze", "files": []}',
        b'{"name": "sound-check-comparison", "made_by": {"program": "analyze"}, "files": ["a"]}',
    ],
)
def test_a_manifest_that_is_not_ours_does_not_open_the_door(target, manifest):
    target.mkdir(parents=True)
    (target / "datapackage.json").write_bytes(manifest)
    with pytest.raises(DescriptionError):
        check_target(target, force=False)


def test_an_empty_folder_may_be_filled(target):
    target.mkdir(parents=True)
    check_target(target, force=False)
    replace_folder(target, files("new"))
    assert content(target) == dict(files("new"))


@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize("where", [".", "show", "show/audio"])
def test_the_recordings_are_never_replaced(tmp_path, where, force):
    source = tmp_path / "show" / "audio"
    source.mkdir(parents=True)
    with pytest.raises(DescriptionError, match="recordings"):
        check_target(tmp_path / where, force=force, source=source)
    check_target(source / "report", force=force, source=source)


@pytest.mark.parametrize("force", [False, True])
def test_the_folder_one_works_in_is_never_replaced(tmp_path, monkeypatch, force):
    (tmp_path / "here" / "below").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "here" / "below")
    for target in (Path(), Path(".."), tmp_path / "here"):
        with pytest.raises(DescriptionError, match="you work in"):
            check_target(target, force=force)


def test_a_home_and_the_disk_are_never_replaced(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    (tmp_path / "home").mkdir()
    with pytest.raises(DescriptionError, match="home"):
        check_target(tmp_path / "home", force=True)
    with pytest.raises(DescriptionError, match="disk"):
        check_target(Path("/"), force=True)


def test_a_file_is_not_replaced(tmp_path):
    (tmp_path / "report").write_text("a file")
    with pytest.raises(DescriptionError, match="is a file"):
        check_target(tmp_path / "report", force=True)


@pytest.mark.parametrize("place", ["/dev/full/report", "/proc/report", "/proc/1/nothing/report"])
def test_a_place_that_cannot_be_written_is_found_before_the_work(place):
    with pytest.raises(OutputError, match="--out") as caught:
        check_target(Path(place), force=False)
    assert caught.value.exit_code == 4


def test_a_check_leaves_nothing(tmp_path):
    check_target(tmp_path / "one" / "two", force=False)
    assert list(tmp_path.iterdir()) == []


def test_a_link_is_followed(tmp_path):
    replace_folder(tmp_path / "real", files("old"))
    (tmp_path / "link").symlink_to("real")
    check_target(tmp_path / "link", force=False)
    replace_folder(tmp_path / "link", files("new"))
    assert (tmp_path / "link").is_symlink()
    assert content(tmp_path / "real") == dict(files("new"))


def test_parts_of_dead_processes_are_cleared(earlier):
    dead = dead_process()
    for kind in ("partial", "old"):
        part = earlier.parent / f".report.{kind}-{dead}"
        part.mkdir()
        (part / "half").write_text("x")
    check_target(earlier, force=False)
    assert only(earlier)
    assert content(earlier) == dict(files("old"))


def test_an_earlier_report_that_was_moved_aside_comes_back(earlier):
    earlier.rename(earlier.parent / f".report.old-{dead_process()}")
    check_target(earlier, force=False)
    assert content(earlier) == dict(files("old"))


def test_parts_of_living_processes_and_other_targets_stay(earlier):
    process = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    names = [f".report.partial-{process.pid}", f".other.partial-{dead_process()}", ".report.partial-x"]
    try:
        for name in names:
            (earlier.parent / name).mkdir()
        check_target(earlier, force=False)
        assert sorted(path.name for path in earlier.parent.iterdir()) == sorted([*names, "report"])
    finally:
        process.communicate(b"\n")


@pytest.mark.parametrize("name", ["r" * 255, "舞" * 85, "report.with.dots", "-report"])
def test_any_name_the_disk_allows_will_do(tmp_path, name):
    for word in ("old", "new"):
        check_target(tmp_path / name, force=False)
        replace_folder(tmp_path / name, files(word))
    assert content(tmp_path / name) == dict(files("new"))
    assert only(tmp_path / name)


def test_long_names_that_begin_alike_do_not_share_parts(tmp_path):
    one, two = (tmp_path / ("r" * 60 + end) for end in "ab")
    assert folder._part(one, "old") != folder._part(two, "old")
