"""Folders as they come from a sound check, drafted and loaded: what was recorded together, and what each track is."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

from analyze.description import Track
from analyze.draft import write_draft
from analyze.simulate import make_demo
from tests.draft_making import bext, drafted, ixml, kinds, recordings, silent, tables, text_of, with_chunks

CONSOLE = [
    "01 Kick In.wav",
    "02 Kick Out.wav",
    "03 Snare Top.wav",
    "04 Snare Bottom.wav",
    "05 Hat.wav",
    "06 Tom 1.wav",
    "07 OH L.wav",
    "08 OH R.wav",
    "09 Bass DI.wav",
    "10 Bass Mic.wav",
    "11 Lead Vox.wav",
    "12 Susi.wav",
]


# Folders


def test_a_multitrack_of_a_console_becomes_a_capture_per_instrument(tmp_path: Path) -> None:
    check = drafted(recordings(tmp_path, CONSOLE))
    assert tables(check) == {
        "kick": {"inputs": ["Kick In", "Kick Out"]},
        "snare": {"inputs": ["Snare Top", "Snare Bottom"]},
        "overhead": {"inputs": ["OH L", "OH R"]},
        "bass": {"inputs": ["Bass DI", "Bass Mic"]},
    }
    assert (check.outputs, check.positions) == ({}, {})
    assert [found.finding for found in check.findings] == ["guesses in the description", "recording not used"]


def test_what_a_capture_has_no_use_for_is_listed(tmp_path: Path) -> None:
    text = text_of_draft(recordings(tmp_path, CONSOLE))
    placed = {"05 Hat.wav", "06 Tom 1.wav", "11 Lead Vox.wav", "12 Susi.wav"}
    assert all(any(name in line and line.startswith("#") for line in text.splitlines()) for name in placed)


def test_main_outputs_of_a_multitrack_without_microphones_stand_in_comments(tmp_path: Path) -> None:
    check = drafted(recordings(tmp_path, [*CONSOLE, "13 Main L.wav", "14 Main R.wav"]))
    assert check.outputs == {}
    assert '# "Main L" = "13 Main L.wav"' in text_of(tmp_path)


def test_a_distance_by_tape_is_asked_for_in_words_that_load(tmp_path: Path) -> None:
    drafted(recordings(tmp_path, ["take1_main_L.wav", "take1 mic mix.wav"]))
    (line,) = (line for line in text_of(tmp_path).splitlines() if "by tape" in line)
    written = tomllib.loads(line.removeprefix("# "))
    assert written == {"distance_m": {"main L": 0.0}}


def test_a_position_under_two_names_is_doubted(tmp_path: Path) -> None:
    """Whoever named the second take by the place alone has no microphone in common with the first."""
    files = ["take1_main_L.wav", "take1 mic 1.wav", "take2_sub_L.wav", "take2 mic mix.wav"]
    doubts = write_draft(recordings(tmp_path, files)).doubts
    assert len(doubts) == 2
    assert "'mic 1' and 'mix' are never in one take" in doubts[0]
    assert "No position hears 'sub L' together with 'main L'" in doubts[1]


def test_a_folder_of_measurements(tmp_path: Path) -> None:
    """Feeds and microphones of one length, one take apart from the other, recorders of their own beside them."""
    recordings(tmp_path, ["mains feed.wav", "mic mix.wav", "take2_sub_L.wav", "take2 mic lawn.wav"])
    silent(tmp_path / "handheld.wav", n_frames=5000)
    silent(tmp_path / "take2 phone.wav", rate_hz=44_100)
    check = drafted(tmp_path)
    assert kinds(check) == {"mains": "main", "sub L": "sub"}
    assert tables(check) == {
        "mains": {"feeds": ["mains"], "mics": ["mix", "handheld"]},
        "take 2, sub L": {"feeds": ["sub L"], "mics": ["lawn", "phone"]},
    }
    assert [capture.unsynced for capture in check.captures] == [(("handheld.wav",),), (("take2 phone.wav",),)]
    assert {position.zone for position in check.positions.values()} == {"audience"}


def test_several_captures_of_one_length_are_told_apart_by_the_output_heard(tmp_path: Path) -> None:
    names = [f"{output} {track}.wav" for output in ("main left", "sub") for track in ("feed", "mic mix", "mic back")]
    check = drafted(recordings(tmp_path, names))
    assert tables(check) == {
        "main left": {"feeds": ["main left"], "mics": ["back", "mix"]},
        "sub": {"feeds": ["sub"], "mics": ["back", "mix"]},
    }


def test_folders_by_kind_of_track_are_one_recording_and_by_day_several(tmp_path: Path) -> None:
    recordings(tmp_path / "by kind", ["feeds/main.wav", "mics/mix.wav", "mics/A4.wav"])
    assert tables(drafted(tmp_path / "by kind")) == {"main": {"feeds": ["main"], "mics": ["A4", "mix"]}}
    recordings(tmp_path / "by day", ["monday/main.wav", "monday/mic mix.wav", "friday/main.wav", "friday/mic mix.wav"])
    both = {"feeds": ["main"], "mics": ["mix"]}
    assert tables(drafted(tmp_path / "by day")) == {"friday, main": both, "monday, main": both}


def test_a_file_with_feed_and_microphones_takes_in_what_was_recorded_beside_it(tmp_path: Path) -> None:
    check = drafted(recordings(tmp_path, {"main.wav": 3, "mic back.wav": 1}))
    assert tables(check) == {"main": {"feeds": ["main"], "mics": ["mic 1", "mic 2", "back"]}}
    assert check.captures[0].unsynced == ()


def test_a_position_is_one_however_it_is_spelt(tmp_path: Path) -> None:
    names = ["take1 main.wav", "take1 mic Mix.wav", "take2 main.wav", "take2 mic mix.wav"]
    check = drafted(recordings(tmp_path, names))
    assert list(check.positions) == ["Mix"]
    assert [list(capture.mics) for capture in check.captures] == [["Mix"], ["Mix"]]


def test_single_stage_inputs_beside_a_measurement_are_left_out(tmp_path: Path) -> None:
    check = drafted(recordings(tmp_path, ["main.wav", "mix.wav", "Kick.wav", "Snare.wav"]))
    assert tables(check) == {"main": {"feeds": ["main"], "mics": ["mix"]}}
    assert "# Kick.wav: a stage input" in text_of(tmp_path)


def test_german_names(tmp_path: Path) -> None:
    names = ["Haupt links Ausgang", "Tieftöner links Ausgang", "Messmikro Reihe 5", "Messmikro Bühne"]
    check = drafted(recordings(tmp_path, [f"{name}.wav" for name in names]))
    assert kinds(check) == {"Haupt links": "main", "Tieftöner links": "sub"}
    assert {name: p.zone for name, p in check.positions.items()} == {"Bühne": "stage", "Reihe 5": "audience"}


def test_left_and_right_are_a_group_and_the_main_is_the_reference(tmp_path: Path) -> None:
    names = ["sub L", "sub R", "main L", "main R", "front fill L", "front fill R", "wedge 1", "wedge 2", "mic mix"]
    check = drafted(recordings(tmp_path, [f"{name}.wav" for name in names]))
    assert check.reference == "main L"
    assert check.groups == (
        ("main L", "main R"),
        ("sub L", "sub R"),
        ("front fill L", "front fill R"),
        ("wedge 1",),
        ("wedge 2",),
    )


# Files of several channels


def test_channels_are_named_by_the_track_list(tmp_path: Path) -> None:
    names = ["Main L", "Main R", "Sub", "Mic Mix", "Mic Drummer", "Kick In", "Kick Out", "Lead Vox"]
    with_chunks(tmp_path / "take1.wav", ixml(*names), n_channels=8)
    check = drafted(tmp_path)
    assert tables(check) == {
        "take 1, Main L, Main R, Sub": {"feeds": ["Main L", "Main R", "Sub"], "mics": ["Mix", "Drummer"]},
        "take 1, kick": {"inputs": ["Kick In", "Kick Out"]},
    }
    assert check.captures[0].mics["Drummer"] == Track("take1.wav", 5)
    assert check.positions["Drummer"].zone == "stage"
    assert "take1.wav:8" in text_of(tmp_path)
    assert '"Sub" in the track list in the file' in text_of(tmp_path)


def test_eight_channels_of_which_only_the_output_is_known(tmp_path: Path) -> None:
    check = drafted(recordings(tmp_path, {"main left.wav": 8}))
    (capture,) = check.captures
    assert capture.feeds == {"main left": Track("main left.wav", 1)}
    assert capture.mics == {f"mic {n}": Track("main left.wav", n + 1) for n in range(1, 8)}


def test_two_channels_called_after_an_output(tmp_path: Path) -> None:
    """Feed and microphone, but left and right where the microphones have files of their own or the name says so."""
    alone = drafted(recordings(tmp_path / "alone", {"main.wav": 2}))
    assert tables(alone) == {"main": {"feeds": ["main"], "mics": ["mic 1"]}}
    beside = drafted(recordings(tmp_path / "beside", {"main.wav": 2, "mic mix.wav": 1}))
    assert beside.captures[0].feeds == {"main left": Track("main.wav", 1), "main right": Track("main.wav", 2)}
    said = drafted(recordings(tmp_path / "said", {"main LR.wav": 2, "mix.wav": 1}))
    assert list(said.outputs) == ["main left", "main right"]


# Recorders on their own clock


def test_a_recorder_that_may_belong_to_several_recordings_is_left_to_the_user(tmp_path: Path) -> None:
    recordings(tmp_path, ["take1 main.wav", "take1 mic mix.wav", "take2 main.wav", "take2 mic mix.wav"])
    silent(tmp_path / "handheld.wav", n_frames=9999)
    check = drafted(tmp_path)
    assert [capture.unsynced for capture in check.captures] == [(), ()]
    assert '# handheld = "handheld.wav"' in text_of(tmp_path)


def test_a_recorder_that_names_the_output_it_heard_goes_there(tmp_path: Path) -> None:
    recordings(tmp_path, [f"{o} {t}.wav" for o in ("main", "sub") for t in ("feed", "mic mix")])
    silent(tmp_path / "sub handheld lawn.wav", n_frames=9999)
    main, sub = drafted(tmp_path).captures
    assert (main.unsynced, sub.unsynced) == ((), (("sub handheld lawn.wav",),))
    assert list(sub.mics) == ["mix", "lawn"]


def test_a_recorder_goes_with_the_recording_of_its_folder(tmp_path: Path) -> None:
    names = [f"{day}{track}" for day in ("", "monday/", "friday/") for track in ("main feed.wav", "mic mix.wav")]
    recordings(tmp_path, names)
    for day, n_frames in (("", 5000), ("monday/", 5001)):
        silent(tmp_path / f"{day}phone.wav", n_frames=n_frames)
    clocks = {capture.name: capture.unsynced for capture in drafted(tmp_path).captures}
    assert clocks == {"main": (("phone.wav",),), "friday, main": (), "monday, main": (("monday/phone.wav",),)}


def test_a_recorder_of_another_day_is_left_to_the_user(tmp_path: Path) -> None:
    recordings(tmp_path, ["monday/main feed.wav", "monday/mic mix.wav"])
    silent(tmp_path / "sunday" / "phone.wav", n_frames=5000)
    (capture,) = drafted(tmp_path).captures
    assert capture.unsynced == ()
    assert '# phone = "sunday/phone.wav"' in text_of(tmp_path)


def test_a_recorder_that_started_in_step_is_on_the_same_clock(tmp_path: Path) -> None:
    with_chunks(tmp_path / "main.wav", bext(start_s=72_000))
    with_chunks(tmp_path / "mic mix.wav", bext(start_s=72_000), n_frames=4900)
    (capture,) = drafted(tmp_path).captures
    assert (list(capture.mics), capture.unsynced) == (["mix"], ())


def test_a_recorder_shows_in_the_name_of_the_file_too(tmp_path: Path) -> None:
    silent(tmp_path / "main.wav")
    with_chunks(tmp_path / "phone.wav", ixml("lawn"))
    (capture,) = drafted(tmp_path).captures
    assert (list(capture.mics), capture.unsynced) == (["lawn"], (("phone.wav",),))


def test_files_of_one_other_recorder_share_its_clock(tmp_path: Path) -> None:
    recordings(tmp_path, ["main feed.wav", "mic mix.wav"])
    for name in ("lawn", "back"):
        silent(tmp_path / f"mic {name}.wav", n_frames=4801)
    (capture,) = drafted(tmp_path).captures
    assert capture.unsynced == (("mic back.wav", "mic lawn.wav"),)


def test_an_unknown_track_beside_another_recorder_is_left_to_the_user(tmp_path: Path) -> None:
    recordings(tmp_path, ["main feed.wav", "mic mix.wav"])
    for name in ("phone", "REC0001"):
        silent(tmp_path / f"{name}.wav", n_frames=5000)
    (capture,) = drafted(tmp_path).captures
    assert (list(capture.mics), capture.unsynced) == (["mix", "phone"], (("phone.wav",),))
    assert '# REC0001 = "REC0001.wav"' in text_of(tmp_path)


def test_a_handheld_of_the_same_length_is_on_its_own_clock_all_the_same(tmp_path: Path) -> None:
    (capture,) = drafted(recordings(tmp_path, ["main feed.wav", "mic mix.wav", "phone lawn.wav"])).captures
    assert capture.unsynced == (("phone lawn.wav",),)


# What cannot be guessed


def test_a_feed_of_no_known_kind_asks_for_it_by_line(tmp_path: Path) -> None:
    recordings(tmp_path, ["feed 1.wav", "feed 2.wav", "mic 1.wav"])
    to_fill_in = write_draft(tmp_path).to_fill_in
    lines = text_of(tmp_path).splitlines()
    number = next(n for n, line in enumerate(lines, 1) if line.startswith('kind = "?"'))
    assert f"soundcheck.toml:{number}: outputs.\"feed 1\".kind: unknown kind (found '?', expected main |" in to_fill_in


def test_tracks_of_one_name_are_told_apart_in_comments(tmp_path: Path) -> None:
    write_draft(recordings(tmp_path, ["Kick In.wav", "Kick Out.wav", "REC1.wav", "REC1.flac"]))
    assert '# # REC1 = "REC1.flac"\n# # "REC1 2" = "REC1.wav"' in text_of(tmp_path)


def test_the_only_output_is_taken_for_the_main(tmp_path: Path) -> None:
    assert kinds(drafted(recordings(tmp_path, ["feed.wav", "mic 1.wav"]))) == {"feed": "main"}


def test_microphones_without_a_feed_ask_for_it(tmp_path: Path) -> None:
    recordings(tmp_path, ["mic mix.wav", "mic back.wav"])
    assert "captures[1].feeds: missing" in write_draft(tmp_path).to_fill_in


def test_single_stage_inputs_and_nothing_else_are_compared_with_the_first(tmp_path: Path) -> None:
    check = drafted(recordings(tmp_path, ["Kick.wav", "Snare.wav"]))
    assert tables(check) == {"stage inputs": {"inputs": ["Kick", "Snare"]}}


def test_one_stage_input_alone_asks_for_a_capture(tmp_path: Path) -> None:
    recordings(tmp_path, ["Kick.wav"])
    assert "captures: missing" in write_draft(tmp_path).to_fill_in


# The text


def text_of_draft(folder: Path) -> str:
    """The description that is drafted for a folder."""
    write_draft(folder)
    return text_of(folder)


def test_every_guess_is_marked_with_what_it_was_made_from(tmp_path: Path) -> None:
    text = text_of_draft(recordings(tmp_path, ["main L.wav", "mic mix.wav"]))
    told = [line for line in text.splitlines() if "=" in line and not line.startswith(("#", "format", "name"))]
    assert len(told) == 9
    assert all("# guess: " in line for line in told)
    assert '"mix" in the file name' in text


def test_a_guess_that_holds_for_several_tracks_is_marked_once(tmp_path: Path) -> None:
    text = text_of_draft(recordings(tmp_path, {"main L.wav": 1, "mics.wav": 3}))
    lines = [line for line in text.splitlines() if '"mics.wav:' in line]
    assert ["# guess: " in line for line in lines] == [True, False, False]
    assert "and so are the 2 below" in lines[0]


def test_what_files_are_by_their_own_words_is_marked_once(tmp_path: Path) -> None:
    """And apart from what no word tells: `left` is a microphone for other reasons than `back`."""
    text = text_of_draft(recordings(tmp_path, ["main.wav", "back.wav", "front.wav", "left.wav", "mix.wav"]))
    marks = {line.split(" = ")[0]: line.partition("# guess: ")[2] for line in text.partition("mics]\n")[2].splitlines()}
    assert marks == {
        "back": "microphone, and so is the one below: each by its own words in the file name",
        "front": "",
        "left": "microphone: nothing says what it is, and this recording has a feed",
        "mix": 'microphone: "mix" in the file name',
    }


def test_a_group_is_marked_at_the_first_of_its_outputs(tmp_path: Path) -> None:
    text = text_of_draft(recordings(tmp_path, ["main L.wav", "main R.wav", "sub L.wav", "sub R.wav", "mic mix.wav"]))
    groups = [line.split("  # ") for line in text.splitlines() if line.startswith("group")]
    assert [(name, bool(mark)) for name, *mark in groups] == [
        ('group = "mains"', True),
        ('group = "mains"', False),
        ('group = "subs"', True),
        ('group = "subs"', False),
    ]


def test_drafting_again_gives_the_same_text(tmp_path: Path) -> None:
    recordings(tmp_path, [*CONSOLE, "main feed.wav", "mic mix.wav", "b/mic back.wav"])
    first = text_of_draft(tmp_path)
    (tmp_path / "soundcheck.toml").unlink()
    assert text_of_draft(tmp_path) == first


def test_the_title_is_the_name_of_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / 'Hall "7" \n Ost'
    recordings(folder, ["main.wav", "mix.wav"])
    assert drafted(folder).title == 'Hall "7" Ost'


# There and back


def test_the_demo_is_drafted_as_it_is(tmp_path: Path) -> None:
    """Kinds, sides and captures of the demo's own description; six microphones have no names in most of its files."""
    make_demo(tmp_path / "demo", 3, duration_s=3.0, sample_rate_hz=16_000)
    truth = tomllib.loads(text_of(tmp_path / "demo"))
    (tmp_path / "demo" / "soundcheck.toml").unlink()
    check = drafted(tmp_path / "demo")
    assert kinds(check) == {name: output["kind"] for name, output in truth["outputs"].items()}
    assert check.reference == truth["reference"]
    assert {frozenset(group) for group in check.groups} == {
        frozenset({"main left", "main right"}),
        frozenset({"sub left", "sub right"}),
        *(frozenset({name}) for name in ("front fill", "delay tower", "wedge", "side fill")),
    }
    named = {name: position["zone"] for name, position in truth["positions"].items()}
    found = {name: position.zone for name, position in check.positions.items()}
    assert {name: found[name] for name in named} == {**named, "centre": "audience"}  # of the stage, which nothing says
    feeds = {name: track for capture in truth["captures"] for name, track in capture["feeds"].items()}
    for capture in check.captures:
        ((output, track),) = capture.feeds.items()
        assert f"{track.file}:{track.channel}".removesuffix(":1") == feeds[output].removesuffix(":1")
        assert len(capture.mics) == 6
        assert math.isnan(capture.end_s)
    tracks = {track for c in truth["captures"] for table in (c["feeds"], c["mics"]) for track in table.values()}
    placed = {t for c in check.captures for table in (c.feeds, c.mics) for t in table.values()}
    assert len(placed) == len(tracks)
