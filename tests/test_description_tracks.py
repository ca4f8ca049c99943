"""Tracks of a description: what is refused, and how the right file is named."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.description_example import EXAMPLE, FILES, MEND, edited, load, refusal, write_files

TRACK = "expected FILE or FILE:CHANNEL, with a channel from 1 to 1024"
INSIDE = "Put the file into the folder of the description and write its path from there, with / between folders."
ABSOLUTE = "expected a path inside the folder of the description"


#: A track whose file is not there, and what may be meant.
NO_FILE = [
    ("handheld.wv", ""),  # handheld.wav:1 is the lawn's
    ("handheld.wv:2", " Did you mean 'handheld.wav:2'?"),
    ("take3.wav:2", " Did you mean 'more/take3.wav:2'?"),
    ("xxxxxxxx/x", ""),
    ("handheld.wav/x:2", " Did you mean 'handheld.wav:2'?"),
]

#: A track, and the message about it behind `(found 'TRACK'`.
BAD_TRACKS = [
    ("handheld.wav:0", "bad channel", TRACK, ""),
    ("handheld.wav:1025", "bad channel", TRACK, ""),
    ("handheld.wav:-1", "bad channel", TRACK, ""),
    ("handheld.wav:left", "bad channel", TRACK, ""),
    ("handheld.wav:", "bad channel", TRACK, ""),
    ("", "no file name", "expected FILE or FILE:CHANNEL", ""),
    (":1", "no file name", "expected FILE or FILE:CHANNEL", ""),
    ("more", "not a file but a folder", "expected an audio file", ""),
    ("../x.wav", "path leaves the folder of the description", "", f" {INSIDE}"),
    ("more/../../x.wav", "path leaves the folder of the description", "", f" {INSIDE}"),
    ("/x/y.wav", "absolute path", ABSOLUTE, f" {INSIDE}"),
    ("C:/x/y.wav", "absolute path", ABSOLUTE, f" {INSIDE}"),
    (r"C:\x\y.wav", "absolute path", ABSOLUTE, f" {INSIDE}"),
    (r"\\host\y.wav", "absolute path", ABSOLUTE, f" {INSIDE}"),
    (r"more\take3.wav", "backslash in a path", "expected / between folders, as in 'more/take3.wav'", ""),
]


@pytest.mark.parametrize(("track", "more"), NO_FILE)
def test_no_file(tmp_path: Path, track: str, more: str) -> None:
    text, line = edited('"more/take3.wav:2" }\nunsynced = [["handheld.wav"], "more//take3.wav"]', f"'{track}' }}")
    message = f"captures[2].mics.drums: no such file in the folder of the description: {track!r}.{more}"
    assert refusal(write_files(tmp_path), text) == [f"soundcheck.toml:{line}: {message}", MEND]


@pytest.mark.parametrize("n_missing", [1, 3, 4, 6])
def test_where_most_files_are_missing_that_is_said_once(tmp_path: Path, n_missing: int) -> None:
    folder = write_files(tmp_path)
    for name in list(FILES)[:n_missing]:
        (folder / name).unlink()
    message = "\n".join(refusal(folder, EXAMPLE))
    said = f"{n_missing} of the 6 files of the description are not there: were the recordings copied beside it?"
    assert message.count(said) == message.count("copied") == (n_missing > 3)
    assert "no such file in the folder of the description: 'take1.wav', named by 3 tracks." in message


@pytest.mark.parametrize(("track", "problem", "expected", "more"), BAD_TRACKS)
def test_bad_track(tmp_path: Path, track: str, problem: str, expected: str, more: str) -> None:
    text, line = edited('"more/take3.wav:2" }\nunsynced = [["handheld.wav"], "more//take3.wav"]', f"'{track}' }}")
    inside = ", ".join(part for part in (f"found {track!r}", expected) if part)
    message = f"soundcheck.toml:{line}: captures[2].mics.drums: {problem} ({inside}).{more}"
    assert refusal(write_files(tmp_path), text) == [message, MEND]


def test_backslash_that_became_a_control_character(tmp_path: Path) -> None:
    text, line = edited('"handheld.wav"', '"C:\\take1.wav"')
    message = refusal(write_files(tmp_path), text.replace('["handheld.wav"], ', ""))[0]
    assert message == (
        f"soundcheck.toml:{line}: captures[2].mics.lawn: control character in a file name (found 'C:\\take1.wav'). "
        "A backslash in double quotes may have turned into it: write / between folders."
    )


def test_links_may_not_lead_out_of_the_folder(tmp_path: Path) -> None:
    folder = write_files(tmp_path / "inside")
    (tmp_path / "handheld.wav").write_bytes((folder / "handheld.wav").read_bytes())
    (folder / "handheld.wav").unlink()
    (folder / "handheld.wav").symlink_to(tmp_path / "handheld.wav")
    text, line = edited('lawn = "handheld.wav"', 'lawn = "handheld.wav"')
    assert refusal(folder, text) == [
        f"soundcheck.toml:{line}: captures[2].mics.lawn: symbolic link leads out of the folder of the description "
        f"(found 'handheld.wav'). {INSIDE}",
        MEND,
    ]
    (folder / "handheld.wav").unlink()
    (folder / "handheld.wav").symlink_to("handheld.wav")
    assert "lawn: file cannot be opened: " in refusal(folder, text)[0]


def test_device_is_not_a_recording(tmp_path: Path) -> None:
    folder = write_files(tmp_path)
    (folder / "handheld.wav").unlink()
    os.mkfifo(folder / "handheld.wav")
    assert "captures[2].mics.lawn: not a file but a device or pipe" in refusal(folder, EXAMPLE)[0]


def test_file_name_too_long_for_the_disk(tmp_path: Path) -> None:
    text, line = edited('"kick_in.wav"', f'"{"a" * 300}"')
    message = refusal(write_files(tmp_path), text)[0]
    assert message.startswith(f'soundcheck.toml:{line}: captures[3].inputs."kick in": file cannot be opened: ')
    assert message.endswith(f"(found '{'a' * 80}'...).")


def test_colon_in_a_file_name_is_no_channel(tmp_path: Path) -> None:
    folder = write_files(tmp_path)
    (folder / "handheld.wav").rename(folder / "20:15 walk.wav")
    text = EXAMPLE.replace("handheld.wav", "20:15 walk.wav")
    track = load(folder, text).captures[1].mics["lawn"]
    assert (track.file, track.channel) == ("20:15 walk.wav", 1)


def test_links_inside_the_folder_are_followed(tmp_path: Path) -> None:
    folder = write_files(tmp_path)
    (folder / "handheld.wav").rename(folder / "walk.wav")
    (folder / "handheld.wav").symlink_to("walk.wav")
    assert load(folder, EXAMPLE).captures[1].mics["lawn"].file == "handheld.wav"
