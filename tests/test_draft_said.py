"""What the user says once of all recordings: which microphones there are, in which order, and which stand on stage."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyze.cli import commands
from analyze.description import SoundCheck, Track, load_sound_check
from analyze.draft import write_draft
from analyze.draft_said import Said, names_in
from analyze.errors import DescriptionError
from tests.draft_making import ixml, recordings, tables, text_of, with_chunks

MICS = ("mix", "front", "left", "back", "centre", "drummer")
#: Feed and microphones in one file, apart, and each in a file of its own.
NIGHT = {
    "main_left.flac": 7,
    "tower_feed.flac": 1,
    "tower_mics.flac": 6,
    "main_right/feed.flac": 1,
    **{f"main_right/{name}.flac": 1 for name in MICS},
}


def told(folder: Path, mics: tuple[str, ...] = MICS, on_stage: tuple[str, ...] = ()) -> SoundCheck:
    """The sound check of a folder, drafted with what the user says and loaded."""
    assert write_draft(folder, Said(mics, on_stage)).to_fill_in == ""
    return load_sound_check(folder)


def refused(folder: Path, said: Said, match: str) -> None:
    """Drafting is refused, and nothing is written."""
    with pytest.raises(DescriptionError, match=match):
        write_draft(folder, said)
    assert not (folder / "soundcheck.toml").exists()


def test_microphones_have_one_name_on_every_recording(tmp_path: Path) -> None:
    check = told(recordings(tmp_path, NIGHT))
    assert tuple(check.positions) == MICS
    assert [set(capture.mics) for capture in check.captures] == [set(MICS)] * 3
    by_name = {capture.name: capture for capture in check.captures}
    assert by_name["main left"].mics["mix"] == Track("main_left.flac", 2)
    assert by_name["tower"].mics["drummer"] == Track("tower_mics.flac", 6)
    assert by_name["main right"].mics["left"] == Track("main_right/left.flac", 1)


def test_without_it_they_are_twelve_and_the_draft_says_how_to_mend_that(tmp_path: Path) -> None:
    made = write_draft(recordings(tmp_path, NIGHT))
    assert made.n_positions == 12
    assert "Nothing names the microphones mic 1, mic 2, mic 3, mic 4, mic 5 and mic 6." in made.doubts[-1]


def test_what_was_said_is_no_guess(tmp_path: Path) -> None:
    told(recordings(tmp_path, NIGHT))
    blocks = text_of(tmp_path).split("\n\n")
    mics = [line for block in blocks for line in block.partition("[captures.mics]\n")[2].splitlines()]
    assert len(mics) == 18
    assert not any("# guess" in line for line in mics)
    zones = [line for line in text_of(tmp_path).splitlines() if line.startswith("zone")]
    assert zones[0] == 'zone = "audience"  # guess: "mix" in --mics'
    assert all("# guess: " in line for line in zones)


def test_positions_on_stage_are_said_once_and_the_others_are_audience(tmp_path: Path) -> None:
    check = told(recordings(tmp_path, NIGHT), on_stage=("Centre", "drummer"))
    stage = [name for name, position in check.positions.items() if position.zone == "stage"]
    assert stage == ["centre", "drummer"]
    zones = [line for line in text_of(tmp_path).splitlines() if line.startswith("zone")]
    assert not any("# guess" in line for line in zones)


def test_the_feeds_of_an_unknown_recording_stand_before_the_microphones(tmp_path: Path) -> None:
    made = write_draft(recordings(tmp_path, {"MULTITRACK_0412.wav": 7}), Said(("FOH", "row 8", "back row", "balcony")))
    assert (made.n_outputs, made.n_positions) == (3, 4)
    (doubt,) = made.doubts
    assert "Nothing names the feeds output 1, output 2 and output 3. If" in doubt
    text = text_of(tmp_path)
    assert '"output 1" = "MULTITRACK_0412.wav:1"  # guess: feed, and so are the 2 below: it stands before the' in text
    assert 'balcony = "MULTITRACK_0412.wav:7"\n' in text


def test_an_unknown_recording_beside_known_ones_is_placed_too(tmp_path: Path) -> None:
    write_draft(recordings(tmp_path, {"main left.wav": 3, "REC0007.wav": 3}), Said(("mix", "back")))
    text = text_of(tmp_path)
    assert 'back = "main left.wav:3"' in text
    assert '[captures.feeds]\n"output 1" = "REC0007.wav:1"' in text
    assert 'back = "REC0007.wav:3"' in text


def test_numbered_files_of_one_track_are_named_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    check = told(recordings(tmp_path, ["main feed.wav", "mic 2.wav", "mic 10.wav"]), ("mix", "back"))
    assert check.captures[0].mics == {"mix": Track("mic 2.wav", 1), "back": Track("mic 10.wav", 1)}


def test_tracks_with_names_of_their_own_keep_them(tmp_path: Path) -> None:
    recordings(tmp_path, {"sub.wav": 3})
    with_chunks(tmp_path / "take.wav", ixml("Main L", "Mic Balcony", "Mic Mix"), n_channels=3)
    check = told(tmp_path, ("mix", "back"))
    assert tables(check) == {
        "sub": {"feeds": ["sub"], "mics": ["mix", "back"]},
        "Main L": {"feeds": ["Main L"], "mics": ["Balcony", "mix"]},
    }


def test_left_and_right_of_a_feed_are_no_microphone(tmp_path: Path) -> None:
    """A file of two tracks that is called after an output, beside microphones in a file of their own."""
    check = told(recordings(tmp_path, {"main.wav": 2, "mics.wav": 3}), ("mix", "front", "back"))
    assert tables(check) == {
        "main left, main right": {"feeds": ["main left", "main right"], "mics": [*MICS[:2], "back"]}
    }


@pytest.mark.parametrize(("n_channels", "found"), [(6, "from main.wav:2 to main.wav:6"), (8, "main.wav:8")])
def test_a_number_that_does_not_fit_is_refused(tmp_path: Path, n_channels: int, found: str) -> None:
    match = (
        rf"--mics does not fit a recording \(found {n_channels - 1} without names: .*{found}, expected 6: mix \| front"
    )
    refused(recordings(tmp_path, {"main.wav": n_channels}), Said(MICS), match)


def test_too_few_tracks_of_which_nothing_is_known_are_refused(tmp_path: Path) -> None:
    match = r"REC0007\.wav: has 4 tracks of which nothing is known, and --mics names 6 microphones"
    refused(recordings(tmp_path, {"main.wav": 7, "REC0007.wav": 4}), Said(MICS), match)


def test_names_that_no_recording_has_use_for_are_refused(tmp_path: Path) -> None:
    refused(recordings(tmp_path, ["main.wav", "mic balcony.wav"]), Said(MICS), "no recording has microphones without")


def test_a_position_on_stage_that_is_none_is_refused(tmp_path: Path) -> None:
    match = r"--on-stage names a position that no recording has \(found 'drums', expected mix \| back\)"
    refused(recordings(tmp_path, {"main.wav": 3}), Said(("mix", "back"), ("drums",)), match)


@pytest.mark.parametrize(
    ("text", "match"),
    [("mix,,back", "an empty name"), ("mix, ", "an empty name"), ("Mix,back,mix", "names 'Mix' twice")],
)
def test_names_that_are_none_or_stand_twice_are_refused(text: str, match: str) -> None:
    with pytest.raises(DescriptionError, match=f"--mics {match}" if "names" in match else f"--mics has {match}"):
        names_in(text, "--mics")


def test_the_command_takes_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recordings(tmp_path, {"main.wav": 3})
    assert (
        commands.main(["draft", str(tmp_path), "--mics", "mix, front row", "--on-stage", "mix"], standalone_mode=False)
        == 0
    )
    assert "1 output, 2 positions, 1 capture." in capsys.readouterr().err
    check = load_sound_check(tmp_path)
    assert {name: position.zone for name, position in check.positions.items()} == {
        "mix": "stage",
        "front row": "audience",
    }


def test_a_draft_that_nobody_touched_gives_way_to_what_is_said(tmp_path: Path) -> None:
    folder = recordings(tmp_path, NIGHT)
    write_draft(folder)
    before = text_of(folder)
    with pytest.raises(DescriptionError, match="never overwritten"):
        write_draft(folder)  # nothing more is said
    with pytest.raises(DescriptionError, match="--mics"):
        write_draft(folder, Said(MICS[:4]))  # does not fit, and nothing is lost
    assert text_of(folder) == before
    assert tuple(told(folder).positions) == MICS
    assert told(folder, on_stage=("centre",)).positions["centre"].zone == "stage"


def test_a_draft_that_was_touched_stays(tmp_path: Path) -> None:
    folder = recordings(tmp_path, NIGHT)
    write_draft(folder)
    mine = text_of(folder).replace("temperature_c = 20.0", "temperature_c = 15.0")
    (folder / "soundcheck.toml").write_text(mine, encoding="utf-8")
    with pytest.raises(DescriptionError, match="never overwritten"):
        write_draft(folder, Said(MICS))
    assert text_of(folder) == mine
    assert not list(folder.glob(".*"))


def test_feeds_of_a_multitrack_are_named_in_the_order_of_its_tracks(tmp_path: Path) -> None:
    """Their names tell kinds and groups, so nothing is left to fill in."""
    said = Said(("mix", "back"), feeds=("main left", "main right", "sub"))
    made = write_draft(recordings(tmp_path, {"MULTITRACK_0412.wav": 5}), said)
    assert (made.to_fill_in, made.doubts) == ("", ())
    check = load_sound_check(tmp_path)
    assert check.captures[0].feeds == {
        name: Track("MULTITRACK_0412.wav", channel) for channel, name in enumerate(said.feeds, start=1)
    }
    assert [(o.kind, o.group) for o in check.outputs.values()] == [("main", "mains"), ("main", "mains"), ("sub", "")]
    assert "# guess: feed" not in text_of(tmp_path)


def test_without_microphones_named_all_tracks_behind_the_feeds_are_theirs(tmp_path: Path) -> None:
    write_draft(recordings(tmp_path, {"MULTITRACK_0412.wav": 5}), Said(feeds=("main", "sub")))
    (capture,) = load_sound_check(tmp_path).captures
    assert list(capture.feeds) == ["main", "sub"]
    assert [track.channel for track in capture.mics.values()] == [3, 4, 5]
    assert "it stands behind the feeds that --feeds names" in text_of(tmp_path)


def test_one_feed_a_recording_is_named_in_the_order_of_the_recordings(tmp_path: Path) -> None:
    names = [f"REC{number:04d}.wav" for number in (2, 9, 10)]
    write_draft(recordings(tmp_path, dict.fromkeys(names, 3)), Said(("mix", "back"), feeds=("main", "sub", "tower")))
    check = load_sound_check(tmp_path)
    feeds = [dict(capture.feeds) for capture in check.captures]
    outputs = zip(("main", "sub", "tower"), names, strict=True)
    assert feeds == [{output: Track(name, 1)} for output, name in outputs]
    assert all(list(capture.mics) == ["mix", "back"] for capture in check.captures)


def test_numbered_tracks_beside_microphones_with_names_are_feeds(tmp_path: Path) -> None:
    recordings(tmp_path, ["Track 1.wav", "Track 2.wav", "mic balcony.wav", "mic mix.wav"])
    write_draft(tmp_path, Said(feeds=("main", "sub")))
    (capture,) = load_sound_check(tmp_path).captures
    assert capture.feeds == {"main": Track("Track 1.wav", 1), "sub": Track("Track 2.wav", 1)}
    assert set(capture.mics) == {"balcony", "mix"}


def test_numbered_tracks_beside_feeds_with_names_are_microphones(tmp_path: Path) -> None:
    recordings(tmp_path, ["main feed.wav", "sub feed.wav", "Track 3.wav", "Track 4.wav"])
    write_draft(tmp_path, Said(("mix", "back")))
    (capture,) = load_sound_check(tmp_path).captures
    assert capture.mics == {"mix": Track("Track 3.wav", 1), "back": Track("Track 4.wav", 1)}


def test_feeds_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    match = (
        r"--feeds does not fit a recording \(found 3 without names: from R\.wav:1 to R\.wav:3, expected 2: main \| s"
    )
    refused(recordings(tmp_path, {"R.wav": 5}), Said(("mix", "back"), feeds=("main", "sub")), match)


def test_feeds_that_no_recording_has_use_for_are_refused(tmp_path: Path) -> None:
    recordings(tmp_path, ["main feed.wav", "mic balcony.wav"])
    refused(tmp_path, Said(feeds=("tower",)), "no recording has feeds without names")


def test_a_draft_of_nameless_feeds_says_how_to_name_them(tmp_path: Path) -> None:
    made = write_draft(recordings(tmp_path, {"MULTITRACK_0412.wav": 4}))
    assert "the feeds output 1 and output 2 and the microphones mic 1 and mic 2" in made.doubts[-1]
    assert "--feeds main_left,main_right,sub and --mics mix,front,back" in made.doubts[-1]


def test_a_draft_that_nobody_touched_gives_way_to_what_is_said_later(tmp_path: Path) -> None:
    """Also where something had been said before; what was typed in since is never overwritten."""
    recordings(tmp_path, {"MULTITRACK_0412.wav": 5})
    write_draft(tmp_path, Said(("front row", "back")))
    assert "# Asked for with --mics 'front row,back'\n" in text_of(tmp_path)
    write_draft(tmp_path, Said(("front row", "back"), feeds=("main left", "main right", "sub")))
    assert list(load_sound_check(tmp_path).outputs) == ["main left", "main right", "sub"]
    description = tmp_path / "soundcheck.toml"
    description.write_text(text_of(tmp_path).replace("temperature_c = 20.0", "temperature_c = 21.0"))
    with pytest.raises(DescriptionError, match="is never overwritten"):
        write_draft(tmp_path, Said(("mix", "back")))
