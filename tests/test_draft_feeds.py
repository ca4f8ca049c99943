"""A desk's multitrack that holds feeds alone, microphones on recorders of their own; takes of the same feeds."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from analyze.description import Capture, SoundCheck, Track, load_sound_check
from analyze.draft import write_draft
from analyze.draft_said import Said
from analyze.errors import DescriptionError
from tests.draft_making import ixml, recordings, silent, text_of, with_chunks

FEEDS = ("main left", "main right", "sub", "front fill")
SEATS = ("back", "desk", "front left", "stand right")


def evening(folder: Path, desk: str = "desk_1510.wav", n_channels: int = 4, word: str = "handrecorder ") -> Path:
    """A desk's recording and four recorders of their own, none as long as another."""
    silent(folder / desk, n_channels)
    for number, seat in enumerate(SEATS, start=1):
        silent(folder / f"{word}{seat}.wav", n_frames=4800 + 100 * number)
    return folder


def told(folder: Path, said: Said) -> SoundCheck:
    """The sound check of a folder, drafted with what the user says and loaded."""
    assert write_draft(folder, said).to_fill_in == ""
    return load_sound_check(folder)


def refusal(folder: Path, said: Said) -> str:
    """Problem and mend of the refusal; nothing is written."""
    with pytest.raises(DescriptionError) as caught:
        write_draft(folder, said)
    assert not (folder / "soundcheck.toml").exists()
    return caught.value.message()


def is_evening(capture: Capture, desk: str = "desk_1510.wav") -> bool:
    """Whether a capture holds the desk's tracks as the feeds that were named, and every recorder with its own clock."""
    seats = {seat: Track(f"handrecorder {seat}.wav", 1) for seat in SEATS}
    feeds = {name: Track(desk, channel) for channel, name in enumerate(FEEDS, start=1)}
    clocks = tuple((track.file,) for track in seats.values())
    return (capture.feeds, capture.mics, capture.unsynced) == (feeds, seats, clocks)


# The feeds are named


@pytest.mark.parametrize("desk", ["desk_1510.wav", "foh desk 1510.wav", "foh/1510.wav", "stage.wav", "REC0001.wav"])
def test_a_recording_of_just_as_many_unnamed_tracks_is_the_feeds(tmp_path: Path, desk: str) -> None:
    """Also where its name, or that of its folder, has a word for a place; recorders of their own go with it."""
    check = told(evening(tmp_path, desk), Said(feeds=FEEDS))
    (capture,) = check.captures
    assert is_evening(capture, desk)
    assert [output.kind for output in check.outputs.values()] == ["main", "main", "sub", "fill"]
    assert "# guess: feed" not in text_of(tmp_path)


def test_microphones_may_be_named_as_their_files_are(tmp_path: Path) -> None:
    (capture,) = told(evening(tmp_path), Said(SEATS, feeds=FEEDS)).captures
    assert is_evening(capture)


def test_files_of_one_track_are_the_feeds_too(tmp_path: Path) -> None:
    recordings(tmp_path, [f"Track {n}.wav" for n in (1, 2, 10, 11)])
    silent(tmp_path / "phone lawn.wav", n_frames=5000)
    (capture,) = told(tmp_path, Said(feeds=FEEDS)).captures
    assert capture.feeds["sub"] == Track("Track 10.wav", 1)
    assert (list(capture.mics), capture.unsynced) == (["lawn"], (("phone lawn.wav",),))


def test_recorders_in_a_folder_that_says_so_are_of_their_own(tmp_path: Path) -> None:
    """A stereo one at the mix is not the two feeds."""
    silent(tmp_path / "desk.wav", 2)
    silent(tmp_path / "handheld" / "mix.wav", 2)
    (capture,) = told(tmp_path, Said(feeds=("main", "sub"))).captures
    assert {track.file for track in capture.feeds.values()} == {"desk.wav"}
    assert capture.unsynced == (("handheld/mix.wav",),)


def test_a_stereo_recorder_of_its_own_is_no_pair_of_feeds(tmp_path: Path) -> None:
    silent(tmp_path / "foh.wav", 2)
    silent(tmp_path / "handheld balcony.wav", 2, n_frames=5000)
    (capture,) = told(tmp_path, Said(feeds=("main", "sub"))).captures
    assert {track.file for track in capture.feeds.values()} == {"foh.wav"}
    assert {track.file for track in capture.mics.values()} == {"handheld balcony.wav"}


def test_an_unnamed_recorder_beside_it_is_the_microphones_that_are_named(tmp_path: Path) -> None:
    silent(tmp_path / "desk.wav", 4)
    silent(tmp_path / "REC0001.wav", 2, n_frames=5000)
    (capture,) = told(tmp_path, Said(("mix", "back"), feeds=FEEDS)).captures
    assert list(capture.feeds) == list(FEEDS)
    assert capture.mics == {"mix": Track("REC0001.wav", 1), "back": Track("REC0001.wav", 2)}


def test_a_recording_alone_is_the_feeds_and_asks_for_microphones(tmp_path: Path) -> None:
    assert "captures[1].mics: missing" in write_draft(evening_desk(tmp_path), Said(feeds=FEEDS)).to_fill_in
    assert '"front fill" = "desk_1510.wav:4"' in text_of(tmp_path)


def evening_desk(folder: Path) -> Path:
    """The desk's recording without any recorder."""
    silent(folder / "desk_1510.wav", 4)
    return folder


def test_of_several_recordings_it_is_left_to_the_user_where_recorders_belong(tmp_path: Path) -> None:
    evening(tmp_path)
    silent(tmp_path / "desk_1540.wav", 4, n_frames=7000)
    write_draft(tmp_path, Said(feeds=FEEDS))
    captures = tomllib.loads(text_of(tmp_path))["captures"]
    assert [len(capture.get("feeds", ())) for capture in captures] == [4, 4, 0, 0, 0, 0]
    assert not any("unsynced" in capture for capture in captures)
    assert "move them there, and list their files under unsynced" in text_of(tmp_path)


def test_where_the_feeds_bear_their_names_others_are_not_taken_for_them(tmp_path: Path) -> None:
    recordings(tmp_path, ["main feed.wav", "sub feed.wav"])
    silent(tmp_path / "REC0001.wav", 2)
    (capture,) = told(tmp_path, Said(feeds=("main", "sub"))).captures
    assert {track.file for track in capture.feeds.values()} == {"main feed.wav", "sub feed.wav"}
    assert {track.file for track in capture.mics.values()} == {"REC0001.wav"}


def test_numbered_feeds_are_those_that_are_named(tmp_path: Path) -> None:
    recordings(tmp_path, ["feed 1.wav", "feed 2.wav"])
    silent(tmp_path / "REC0001.wav", 2)
    (capture,) = told(tmp_path, Said(feeds=("main", "sub"))).captures
    assert {track.file for track in capture.feeds.values()} == {"feed 1.wav", "feed 2.wav"}


def test_a_recording_of_no_name_is_the_feeds_before_one_of_a_place(tmp_path: Path) -> None:
    recordings(tmp_path, {"desk.wav": 2, "foh.wav": 2})
    (capture,) = told(tmp_path, Said(feeds=("main", "sub"))).captures
    assert {track.file for track in capture.feeds.values()} == {"desk.wav"}
    assert {track.file for track in capture.mics.values()} == {"foh.wav"}


@pytest.mark.parametrize("name", ["mics.wav", "main left foh.wav"])
def test_what_is_known_for_microphones_is_no_feed(tmp_path: Path, name: str) -> None:
    text = refusal(recordings(tmp_path, {name: 2}), Said(feeds=("main", "sub")))
    assert "no recording has feeds without names.\nLeave the option away" in text


def test_files_named_after_several_places_are_no_feeds(tmp_path: Path) -> None:
    recordings(tmp_path, {"foh.wav": 2, "balcony.wav": 2})
    assert "--feeds names main | sub, and nothing says which recording they are of" in refusal(
        tmp_path, Said(feeds=("main", "sub"))
    )


def test_tracks_that_feeds_and_microphones_share_are_not_all_feeds(tmp_path: Path) -> None:
    """Where a recording has room for both, one of the feeds' number beside it is the other recorder."""
    recordings(tmp_path, {"desk.wav": 4})
    silent(tmp_path / "REC0001.wav", 2, n_frames=5000)
    (capture,) = told(tmp_path, Said(("mix", "back"), feeds=("main", "sub"))).captures
    assert capture.feeds == {"main": Track("desk.wav", 1), "sub": Track("desk.wav", 2)}
    assert capture.unsynced == (("REC0001.wav",),)


# What is refused


def test_too_many_feeds_are_held_against_the_recording(tmp_path: Path) -> None:
    text = refusal(evening(tmp_path), Said(feeds=(*FEEDS, "tower")))
    assert "found 4 without names: from desk_1510.wav:1 to desk_1510.wav:4, expected 5: main left |" in text
    assert "Name all that have no name, in the order of the tracks." in text


def test_microphones_that_have_names_are_said(tmp_path: Path) -> None:
    text = refusal(evening(tmp_path), Said(("w", "x", "y", "z"), feeds=FEEDS))
    assert "--mics names w | x | y | z, and no recording has microphones without names." in text
    assert "as their files or track lists say, back | desk | front left | stand right." in text


def test_where_two_recordings_may_be_either_their_names_have_to_say(tmp_path: Path) -> None:
    """And the mend holds: under the name that is asked for the file is taken for the feeds."""
    recordings(tmp_path, {"desk.wav": 2, "REC0001.wav": 2})
    said = Said(("mix", "back"), feeds=("main", "sub"))
    text = refusal(tmp_path, said)
    assert "nothing says which recording they are of (found REC0001.wav | desk.wav)" in text
    assert "say so: feeds.wav" in text
    (tmp_path / "desk.wav").rename(tmp_path / "feeds.wav")
    (capture,) = told(tmp_path, said).captures
    assert capture.feeds == {"main": Track("feeds.wav", 1), "sub": Track("feeds.wav", 2)}


def test_more_microphones_than_tracks_ask_whether_these_are_feeds(tmp_path: Path) -> None:
    text = refusal(evening(tmp_path), Said(("a", "b", "c", "d", "e")))
    assert "desk_1510.wav: has 4 tracks of which nothing is known, and --mics names 5 microphones." in text
    assert "If all are feeds, name them with --feeds;" in text


# Nobody names them


def test_the_sole_recording_beside_recorders_of_their_own_is_guessed_to_be_feeds(tmp_path: Path) -> None:
    made = write_draft(evening(tmp_path))
    assert (made.n_outputs, made.n_positions, made.n_captures, made.n_left_out) == (4, 4, 1, 0)
    text = text_of(tmp_path)
    why = "nothing says what it is, and beside it there are none but recorders of their own"
    assert f'"output 1" = "desk_1510.wav:1"  # guess: feed, and so are the 3 below: {why}' in text
    (capture,) = tomllib.loads(text)["captures"]
    assert list(capture["mics"]) == list(SEATS)
    assert capture["unsynced"] == [f"handrecorder {seat}.wav" for seat in SEATS]
    assert made.doubts[-1].startswith("Nothing names the feeds output 1, output 2, output 3 and output 4.")
    assert made.doubts[-1].count("--feeds main_left,main_right,sub") == 1


def test_a_draft_that_guessed_the_feeds_gives_way_to_their_names(tmp_path: Path) -> None:
    write_draft(evening(tmp_path))
    (capture,) = told(tmp_path, Said(feeds=FEEDS)).captures
    assert is_evening(capture)


def test_microphones_named_as_their_files_leave_the_guess_of_the_feeds(tmp_path: Path) -> None:
    assert write_draft(evening(tmp_path), Said(SEATS)).n_outputs == 4


@pytest.mark.parametrize(
    "beside",
    [{"REC0001.wav": 2}, {"mic mix.wav": 1}, {"desk_1540.wav": 4}, {"phone kick.wav": 1}],
)
def test_beside_anything_else_it_is_no_guess(tmp_path: Path, beside: dict[str, int]) -> None:
    evening(tmp_path)
    for name, n_channels in beside.items():
        silent(tmp_path / name, n_channels, n_frames=7000)
    assert write_draft(tmp_path).n_outputs == 0


def test_a_single_track_and_tracks_of_other_names_are_no_guess(tmp_path: Path) -> None:
    assert write_draft(evening(tmp_path / "one", "REC0001.wav", 1)).n_outputs == 0
    assert write_draft(evening(tmp_path / "place", "foh.wav")).n_outputs == 0
    with_chunks(evening(tmp_path / "two") / "desk_1510.wav", ixml("Ann", "Bea", "Cleo", "Dora"), n_channels=4)
    assert write_draft(tmp_path / "two").n_outputs == 0


# Takes of the same feeds


def settings_lines(folder: Path) -> list[int]:
    """Lines, from 0, that show how a setting of one take is written."""
    return [n for n, line in enumerate(text_of(folder).splitlines()) if line.startswith("# settings = ")]


def test_each_further_take_of_the_same_feeds_shows_how_a_flip_is_written(tmp_path: Path) -> None:
    """As a comment that loads where it stands: above the tracks of every one but the first."""
    told(recordings(tmp_path, {"take1.wav": 5, "take2.wav": 5}), Said(("mix", "back"), feeds=("main", "sub", "tower")))
    (place,) = settings_lines(tmp_path)
    lines = text_of(tmp_path).splitlines()
    assert "[captures.feeds]" in lines[place + 1]
    assert lines[:place].count("[[captures]]") == 2
    assert "another polarity or delay than [outputs] says, e.g. flipped for a test" in lines[place]
    assert "an inverted output that was flipped is written normal" in lines[place]
    lines[place] = lines[place].removeprefix("# ")
    (tmp_path / "soundcheck.toml").write_text("\n".join(lines), encoding="utf-8")
    first, second = load_sound_check(tmp_path).captures
    assert (second.settings["sub"].polarity, second.settings["main"].polarity) == ("inverted", "normal")
    assert first.settings["sub"].polarity == "normal"
    three = tmp_path / "three"
    told(
        recordings(three, dict.fromkeys(("a1.wav", "a2.wav", "a3.wav"), 5)),
        Said(("mix", "back"), feeds=("main", "sub", "tower")),
    )
    assert len(settings_lines(three)) == 2


def test_one_take_and_takes_of_single_outputs_show_none(tmp_path: Path) -> None:
    told(recordings(tmp_path / "one", {"take1.wav": 5}), Said(("mix", "back"), feeds=("main", "sub", "tower")))
    told(recordings(tmp_path / "single", {"take1 main.wav": 3, "take2 main.wav": 3}), Said(("mix", "back")))
    told(recordings(tmp_path / "others", {"R1.wav": 3, "R2.wav": 3}), Said(("mix", "back"), feeds=("main", "sub")))
    assert [settings_lines(tmp_path / folder) for folder in ("one", "single", "others")] == [[], [], []]


def test_an_example_names_an_output_as_it_has_to_be_quoted(tmp_path: Path) -> None:
    told(recordings(tmp_path, {"take1.wav": 3, "take2.wav": 3}), Said(("mix",), feeds=("main left", "main right")))
    assert '# settings = { "main left" = { polarity = "inverted" } }' in text_of(tmp_path)


def test_takes_of_many_outputs_are_called_as_their_files(tmp_path: Path) -> None:
    """The first three outputs of every take, and a number, would tell nobody which is which."""
    for name in ("SAT_0001.wav", "SAT_0002.wav"):
        silent(tmp_path / name, 6)
    check = told(tmp_path, Said(feeds=("main left", "main right", "sub", "wedge"), mics=("mix", "hill")))
    assert [capture.name for capture in check.captures] == ["SAT_0001", "SAT_0002"]


def test_of_files_of_one_track_each_the_first_outputs_are_named(tmp_path: Path) -> None:
    for name in ("main left", "main right", "sub", "tower", "mix"):
        silent(tmp_path / f"{name}.wav")
    assert [capture.name for capture in told(tmp_path, Said()).captures] == ["main left, main right, sub and others"]
