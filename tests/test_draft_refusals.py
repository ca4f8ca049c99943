"""Folders that cannot be drafted, files that cannot be used, names that are strange: one clear error or a comment."""

from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.description import load_sound_check
from analyze.draft import write_draft
from analyze.errors import AudioError, DescriptionError, OutputError
from tests.draft_making import drafted, recordings, silent, text_of, with_chunks

#: What a draft may complain of when it is loaded: what could not be guessed, and nothing else.
TO_FILL_IN = re.compile(
    r".*soundcheck\.toml:\d+: (captures: missing|captures\[\d+\](\.(feeds|mics): missing|: capture without tracks)"
    r"|outputs\..*\.kind: unknown kind \(found '\?').*"
)


def call(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command."""
    command = [sys.executable, "-m", "analyze", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


# The command


def test_the_command_says_what_it_wrote_and_what_comes_next(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav", "mic mix.wav", "01 Vox.wav"])
    done = call("draft", str(tmp_path))
    assert (done.returncode, done.stdout) == (0, "")
    assert "1 output, 1 position, 1 capture." in done.stderr
    assert "1 tracks or files could not be placed" in done.stderr
    assert f"analyze run {tmp_path}" in done.stderr


def test_the_command_says_what_to_fill_in(tmp_path: Path) -> None:
    done = call("draft", str(recordings(tmp_path, {"take.wav": 4})))
    assert done.returncode == 0
    assert "To be filled in first" in done.stderr
    assert 'soundcheck.toml:14: outputs."output 1".kind' in done.stderr


def test_a_description_is_never_overwritten(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav", "mix.wav"])
    (tmp_path / "soundcheck.toml").write_text("mine")
    done = call("draft", str(tmp_path))
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert "rename it and draft again" in done.stderr
    assert "Traceback" not in done.stderr
    assert text_of(tmp_path) == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["main.wav", "mix.wav", "soundcheck.toml"]


@pytest.mark.parametrize("folder", ["nowhere", "a file", "empty", "no audio"])
def test_a_folder_without_recordings_is_one_clear_error(tmp_path: Path, folder: str) -> None:
    (tmp_path / "a file").write_text("x")
    (tmp_path / "empty").mkdir()
    (tmp_path / "no audio").mkdir()
    (tmp_path / "no audio" / "notes.txt").write_text("x")
    (tmp_path / "no audio" / ".hidden.wav").write_bytes(silent(tmp_path / "b.wav").read_bytes())
    done = call("draft", str(tmp_path / folder))
    assert done.returncode == 2
    assert folder in done.stderr
    assert done.stderr.count("\n") == 2
    assert not (tmp_path / folder / "soundcheck.toml").exists()


def test_a_link_that_leads_nowhere_stands_in_the_way_too(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav"])
    (tmp_path / "soundcheck.toml").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(DescriptionError, match="is there already"):
        write_draft(tmp_path)
    assert not (tmp_path / "elsewhere").exists()


def test_a_description_that_appears_meanwhile_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recordings(tmp_path, ["main.wav"])
    sync = os.fsync

    def slow(number: int) -> None:
        sync(number)
        (tmp_path / "soundcheck.toml").write_text("mine")

    monkeypatch.setattr(os, "fsync", slow)
    with pytest.raises(DescriptionError, match="is there already"):
        write_draft(tmp_path)
    assert text_of(tmp_path) == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["main.wav", "soundcheck.toml"]


def test_a_full_disk_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recordings(tmp_path, ["main.wav"])

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        write_draft(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["main.wav"]


# Files


def test_files_that_cannot_be_read_become_comments(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav", "mix.wav"])
    (tmp_path / "broken.wav").write_bytes(b"no audio at all" * 10)
    (tmp_path / "empty.flac").write_bytes(b"")
    (tmp_path / "memo.m4a").write_bytes(b"\0\0\0\x20ftypM4A " * 10)
    (tmp_path / "folder.wav").mkdir()
    drafted(tmp_path)
    left_out = text_of(tmp_path).partition("# Left out:")[2]
    assert [line.split(":")[0] for line in left_out.strip().splitlines()] == [
        "# broken.wav",
        "# empty.flac",
        "# memo.m4a",
    ]
    assert "# empty.flac: is empty (found 0 bytes)." in left_out


def test_nothing_that_can_be_read_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "broken.wav").write_bytes(b"no audio at all" * 10)
    with pytest.raises(AudioError, match=r"its one audio file cannot be used \('broken.wav'"):
        write_draft(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["broken.wav"]
    (tmp_path / "another.wav").write_bytes(b"no audio either" * 10)
    with pytest.raises(AudioError, match=r"none of its 2 audio files can be used \(the first, 'another.wav'"):
        write_draft(tmp_path)


def test_recordings_that_are_described_where_they_are_are_not_drafted_again(tmp_path: Path) -> None:
    recordings(tmp_path, ["monday/main.wav"])
    (tmp_path / "monday" / "soundcheck.toml").write_text("format = 1")
    with pytest.raises(AudioError, match=r"passed over \('monday/': the folder has a soundcheck.toml of its own\)"):
        write_draft(tmp_path)


def test_links_out_are_not_followed_and_links_inside_are(tmp_path: Path) -> None:
    silent(tmp_path / "outside" / "secret.wav")
    folder = recordings(tmp_path / "inside", ["main.wav", "mix.wav"])
    (folder / "back.wav").symlink_to(folder / "mix.wav")
    (folder / "out.wav").symlink_to(tmp_path / "outside" / "secret.wav")
    (folder / "lost.wav").symlink_to(folder / "nothing")
    (folder / "loop.wav").symlink_to(folder / "loop.wav")
    (folder / "linked").symlink_to(tmp_path / "outside")
    check = drafted(folder)
    assert list(check.positions) == ["back", "mix"]
    text = text_of(folder)
    assert "secret" not in text
    assert "# out.wav: symbolic link leads out of the folder" in text
    assert "# lost.wav: no such file" in text
    assert "# loop.wav: file cannot be opened" in text


def test_hidden_files_reports_and_other_sound_checks_are_passed_over(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav", "mix.wav", "._main.wav", ".trash/back.wav", "monday/lawn.wav", "reports/a/h.wav"])
    (tmp_path / "monday" / "soundcheck.toml").write_text("format = 1")
    (tmp_path / "reports" / "a" / "datapackage.json").write_text(
        '{"name": "sound-check-report", "made_by": {"program": "analyze"}, "files": ["h.wav"]}'
    )
    check = drafted(tmp_path)
    assert list(check.positions) == ["mix"]
    text = text_of(tmp_path)
    assert "# monday/: the folder has a soundcheck.toml of its own." in text
    assert "# reports/a/: the folder is a report." in text
    assert "trash" not in text


def test_too_many_files_are_no_sound_check(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analyze.draft_files._MAX_FILES", 3)
    recordings(tmp_path, [f"{n}.wav" for n in range(4)])
    with pytest.raises(DescriptionError, match="too much for one sound check"):
        write_draft(tmp_path)
    monkeypatch.setattr("analyze.draft_files._MAX_TRACKS", 2)
    monkeypatch.setattr("analyze.draft_files._MAX_FILES", 2000)
    with pytest.raises(DescriptionError, match="too much for one sound check"):
        write_draft(tmp_path)


def test_more_tracks_than_a_description_holds_are_refused(tmp_path: Path) -> None:
    """Three thousand lines of more than 400 bytes each."""
    deep = tmp_path / ("x" * 200) / ("y" * 200)
    for n in range(3):
        silent(deep / f"{n}.wav", n_channels=1000, n_frames=1)
    with pytest.raises(DescriptionError, match="more tracks than a description may have"):
        write_draft(tmp_path)
    assert not (tmp_path / "soundcheck.toml").exists()


# Names

STRANGE = [
    'a "quoted" main.wav',
    "'''mix'''.wav",
    "#mic [1] = {2}.wav",
    "mic: 3:2.wav",
    "C:mic.wav",
    "C:/mic.wav",
    "mic 🎸 हिन्दी.wav",
    "mic e\u0301.wav",
    "mic \u00e9.wav",
    "mic\u2028line.wav",
    "mic\u202egnp.wav",
    "mic \x7f.wav",
    "mic \t tab.wav",
    "mic new\nline.wav",
    "mic back\\slash.wav",
    f"mic {'long ' * 45}.wav",
    ".wav.wav",
    "MIC.WAV",
    "mic.wav",
    " mic .wav",
    "mic..wav",
]


def test_strange_names_load_or_stand_in_comments(tmp_path: Path) -> None:
    check = drafted(recordings(tmp_path, [*STRANGE, "main feed.wav"]))
    placed = {track.file for capture in check.captures for track in (*capture.feeds.values(), *capture.mics.values())}
    unusable = {name for name in STRANGE if any(c in name for c in "\\\n\t\x7f")} | {"C:/mic.wav"}
    assert placed == {*STRANGE, "main feed.wav"} - unusable - {".wav.wav"}
    text = text_of(tmp_path)
    assert len(text.partition("# Left out:")[2].strip().splitlines()) == len(unusable)
    assert all(character.isprintable() or character == "\n" for character in text)
    assert '"mic: 3:2.wav:1"' in text


def test_a_path_too_long_for_a_line_stands_in_a_comment(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav", "mix.wav"])
    recordings(tmp_path, ["/".join(["\u00ad" * 110] * 3) + "/back.wav"])  # soft hyphens: ten characters each, escaped
    drafted(tmp_path)
    assert "its path is too long (expected at most 500 bytes)" in text_of(tmp_path)
    assert max(len(line.encode()) for line in text_of(tmp_path).splitlines()) < 4096


def test_a_name_that_is_no_text_stands_in_a_comment(tmp_path: Path) -> None:
    recordings(tmp_path, ["main.wav", "mix.wav"])
    raw = os.path.join(os.fsencode(tmp_path), b"caf\xe9.wav")  # noqa: PTH118  # a path of bytes
    Path(os.fsdecode(raw)).write_bytes((tmp_path / "mix.wav").read_bytes())
    drafted(tmp_path)
    assert "# caf\\udce9.wav: its name is no text" in text_of(tmp_path)


def test_equal_names_in_one_recording_are_numbered(tmp_path: Path) -> None:
    (capture,) = drafted(recordings(tmp_path, ["main.wav", "main.flac", "mic mix.wav", "mic mix.flac"])).captures
    assert list(capture.feeds) == ["main", "main 2"]
    assert list(capture.mics) == ["mix", "mix 2"]
    assert len({track.file for track in (*capture.feeds.values(), *capture.mics.values())}) == 4


def test_strange_text_in_files_is_only_text(tmp_path: Path) -> None:
    """A name of a track must not become a line of the description."""
    hostile = b'main"\n[outputs.evil]\nkind = "main"\n# \xff\x00'
    track = b"<TRACK><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>main&#10;kind = 'sub'&#8232;x</NAME></TRACK>"
    payload = b"<BWFXML><TRACK_LIST>" + track + b"</TRACK_LIST></BWFXML>"
    chunks = b"bext" + (602).to_bytes(4, "little") + hostile.ljust(602, b"\0")
    chunks += b"iXML" + len(payload).to_bytes(4, "little") + payload + b"\0" * (len(payload) % 2)
    with_chunks(tmp_path / "x.wav", chunks)
    silent(tmp_path / "mix.wav")
    check = drafted(tmp_path)
    assert list(check.outputs) == ["main"]


WORDS = "main sub fill tower wedge left R 1 02 feed mic mix stage kick in out take 2 handheld drummer bass DI LR"
words = st.sampled_from(re.findall(r"\S+", WORDS))
signs = st.text(st.characters(exclude_characters="/\0", exclude_categories=("Cs",)), min_size=1, max_size=6)
file_names = st.builds(
    lambda parts, gap: gap.join(parts)[:60], st.lists(words | signs, min_size=1, max_size=5), st.sampled_from("_ -.")
)
files = st.tuples(
    st.sampled_from(["", "feeds/", "main left/", "day 2/", "x/mics/"]),
    file_names,
    st.integers(1, 3),
    st.sampled_from([(64, 48_000), (80, 48_000), (64, 44_100)]),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(files, min_size=1, max_size=8))
def test_any_folder_gives_a_draft_that_loads_or_asks(
    tmp_path_factory: pytest.TempPathFactory, made: list[tuple[str, str, int, tuple[int, int]]]
) -> None:
    """Every file is named in the text, and loading it complains of nothing but what could not be guessed."""
    folder = tmp_path_factory.mktemp("any")
    for inside, name, n_channels, (n_frames, rate_hz) in made:
        if len(name.encode()) < 200 and not name.startswith("."):
            silent(folder / f"{inside}{name}.wav", n_channels, n_frames, rate_hz)
    try:
        to_fill_in = write_draft(folder).to_fill_in
    except (DescriptionError, AudioError):  # no file made, or none that a description may name
        return
    text = text_of(folder)
    document = tomllib.loads(text)
    assert all(TO_FILL_IN.fullmatch(line) for line in to_fill_in.splitlines()[:-1])
    if not to_fill_in:
        load_sound_check(folder)
    for path in folder.rglob("*.wav"):
        name = path.relative_to(folder).as_posix()
        in_comment = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in name)
        in_track = name.replace("\\", "\\\\").replace('"', '\\"')
        in_track = "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in in_track)
        assert in_comment in text or in_track in text
    assert document["format"] == 1
