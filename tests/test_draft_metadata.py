"""What recorders and engineers wrote into the files, as far as a draft goes by it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.draft_making import bext, drafted, ixml, kinds, marked, recordings, silent, text_of, with_chunks


def test_equal_starts_join_folders_and_different_ones_part_takes(tmp_path: Path) -> None:
    for hour, folder in ((20, "a"), (21, "b")):
        start_s = hour * 3600
        with_chunks(tmp_path / "console" / f"{folder} main.wav", bext(start_s=start_s, day=b"2026-05-14"))
        with_chunks(tmp_path / "recorder" / f"{folder} mic mix.wav", bext(start_s=start_s, day=b"2026-05-14"))
    check = drafted(tmp_path)
    assert [[track.file for track in (*c.feeds.values(), *c.mics.values())] for c in check.captures] == [
        ["console/a main.wav", "recorder/a mic mix.wav"],
        ["console/b main.wav", "recorder/b mic mix.wav"],
    ]
    assert check.date == "2026-05-14"
    assert "begun at 20:00:00" in text_of(tmp_path)


def test_days_that_differ_are_no_date(tmp_path: Path) -> None:
    with_chunks(tmp_path / "main.wav", bext(day=b"2026-05-14"))
    with_chunks(tmp_path / "mix.wav", bext(day=b"1904-01-01"))
    assert drafted(tmp_path).date == ""


@pytest.mark.parametrize(
    "chunks",
    [bext(b"sub left"), bext(b"TRK1=sub left\r\nTRK2=other"), ixml("sub left"), marked((0.01, "sub left"))],
)
def test_words_in_the_file_come_before_its_name(tmp_path: Path, chunks: bytes) -> None:
    with_chunks(tmp_path / "main.wav", chunks)
    silent(tmp_path / "mix.wav")
    assert kinds(drafted(tmp_path)) == {"sub left": "sub"}


def test_a_long_description_is_no_name(tmp_path: Path) -> None:
    with_chunks(
        tmp_path / "main.wav",
        bext(b"sub left, then the sub right, and at the end all the subs with the wedges on stage"),
    )
    silent(tmp_path / "mix.wav")
    assert kinds(drafted(tmp_path)) == {"main": "main"}


def test_words_that_say_nothing_or_stand_in_several_files_leave_it_to_the_name(tmp_path: Path) -> None:
    with_chunks(tmp_path / "main.wav", bext(b"the stage, all wedges") + ixml("CH 01"))
    with_chunks(tmp_path / "mix.wav", bext(b"the stage, all wedges") + ixml("CH 02"))
    check = drafted(tmp_path)
    assert (kinds(check), list(check.positions)) == ({"main": "main"}, ["mix"])


def test_marks_are_listed_with_their_times(tmp_path: Path) -> None:
    with_chunks(tmp_path / "main.wav", marked((0.02, "main alone"), (0.05, "sub\nalone")))
    silent(tmp_path / "mix.wav")
    drafted(tmp_path)
    assert "# mark at 0.02 s in main.wav: main alone\n# mark at 0.05 s in main.wav: sub\\nalone\n" in text_of(tmp_path)


def test_a_mark_of_any_length_fits_on_a_line(tmp_path: Path) -> None:
    with_chunks(tmp_path / "main.wav", marked((0.02, "🎸" * 3000), (0.03, "end")))
    silent(tmp_path / "mix.wav")
    drafted(tmp_path)
    assert max(len(line.encode()) for line in text_of(tmp_path).splitlines()) < 4096


def test_a_file_that_was_cut_off_stays_with_those_of_its_length(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav", "mix.wav", "back.wav"])
    content = (tmp_path / "mix.wav").read_bytes()
    (tmp_path / "mix.wav").write_bytes(content[:-1001])
    (capture,) = drafted(tmp_path).captures
    assert list(capture.mics) == ["back", "mix"]
    assert capture.unsynced == ()
