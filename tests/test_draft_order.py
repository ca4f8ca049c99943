"""Recordings of which nothing tells what their tracks are: a skeleton to be renamed, every guess marked."""

from __future__ import annotations

from pathlib import Path

from analyze.description import Track, load_sound_check
from analyze.draft import write_draft
from tests.draft_making import ixml, recordings, silent, tables, text_of, with_chunks


def filled_in(folder: Path, kind: str = "main") -> dict[str, dict[str, list[str]]]:
    """The tables of a draft whose kinds somebody filled in."""
    write_draft(folder)
    (folder / "soundcheck.toml").write_text(text_of(folder).replace('kind = "?"', f'kind = "{kind}"'), "utf-8")
    return tables(load_sound_check(folder))


def test_a_multitrack_says_nothing_of_its_tracks(tmp_path: Path) -> None:
    """Seven tracks, the first half for feeds; nothing is a stage input for a word of the file."""
    (names,) = filled_in(recordings(tmp_path, {"MULTITRACK_0412.wav": 7})).values()
    assert names == {"feeds": [f"output {n}" for n in range(1, 5)], "mics": ["mic 1", "mic 2", "mic 3"]}
    (capture,) = load_sound_check(tmp_path).captures
    assert capture.feeds["output 4"] == Track("MULTITRACK_0412.wav", 4)
    assert capture.mics["mic 1"] == Track("MULTITRACK_0412.wav", 5)


def test_a_skeleton_asks_for_kinds_and_for_nothing_else(tmp_path: Path) -> None:
    made = write_draft(recordings(tmp_path, {"take1.wav": 8}))
    assert (made.n_outputs, made.n_positions, made.n_captures, made.n_left_out) == (4, 4, 1, 0)
    *lines, _ = made.to_fill_in.splitlines()
    assert len(lines) == 4
    assert all("kind: unknown kind (found '?'" in line for line in lines)


def test_a_skeleton_is_marked_and_said_to_be_a_guess(tmp_path: Path) -> None:
    made = write_draft(recordings(tmp_path, {"take1.wav": 5}))
    order, nameless = made.doubts
    assert "guessed by their order. Hold every line against your notes" in order
    assert "Nothing names the feeds output 1, output 2 and output 3 and the microphones mic 1 and mic 2." in nameless
    assert "--mics mix,front,back" in nameless
    text = text_of(tmp_path)
    assert "# Which of these are feeds and which microphones is a guess by their order" in text
    why = "nothing says what it is; of 5 tracks the first half is taken for feeds"
    assert f'"output 1" = "take1.wav:1"  # guess: feed, and so are the 2 below: {why}' in text
    assert f'"mic 1" = "take1.wav:4"  # guess: microphone, and so is the one below: {why}' in text


def test_several_files_are_takes_of_one_output_each(tmp_path: Path) -> None:
    assert filled_in(recordings(tmp_path, {"REC0001.wav": 4, "REC0002.wav": 4})) == {
        "output 1": {"feeds": ["output 1"], "mics": ["mic 1", "mic 2", "mic 3"]},
        "output 2": {"feeds": ["output 2"], "mics": ["mic 1", "mic 2", "mic 3"]},
    }


def test_files_of_one_track_are_one_recording_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    (names,) = filled_in(recordings(tmp_path, [f"Track {n}.wav" for n in (1, 2, 10, 11)])).values()
    assert names == {"feeds": ["output 1", "output 2"], "mics": ["mic 1", "mic 2"]}
    assert load_sound_check(tmp_path).captures[0].mics["mic 1"] == Track("Track 10.wav", 1)


def test_a_file_that_is_called_something_keeps_its_name(tmp_path: Path) -> None:
    (names,) = filled_in(recordings(tmp_path, ["Anna.wav", "Bea.wav"])).values()
    assert names == {"feeds": ["Anna"], "mics": ["Bea"]}


def test_where_anything_is_known_the_order_counts_for_nothing(tmp_path: Path) -> None:
    made = write_draft(recordings(tmp_path, {"main.wav": 1, "mix.wav": 1, "day 2/REC0007.wav": 4}))
    assert (made.n_outputs, made.n_positions, made.n_left_out) == (1, 1, 4)
    assert '# "REC0007 4" = "day 2/REC0007.wav:4"' in text_of(tmp_path)
    assert not any("order" in doubt for doubt in made.doubts)


def test_a_track_alone_is_no_skeleton(tmp_path: Path) -> None:
    silent(tmp_path / "REC0001.wav")
    assert write_draft(tmp_path).n_outputs == 0


def test_names_in_a_multitrack_still_say_what_its_tracks_are(tmp_path: Path) -> None:
    with_chunks(tmp_path / "multitrack.wav", ixml("Kick In", "Kick Out", "Main L", "Mic Mix"), n_channels=4)
    made = write_draft(tmp_path)
    assert tables(load_sound_check(tmp_path)) == {
        "Main L": {"feeds": ["Main L"], "mics": ["Mix"]},
        "kick": {"inputs": ["Kick In", "Kick Out"]},
    }
    assert made.doubts == ()
