"""Files that are none, or not where they seem to be: pipes, devices, links, locked ones; none is waited for."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.hostile.broken_audio import noise, written
from tests.hostile.calling import FINISHED, REFUSED, SOME_FAILED, called, check_said, untouched
from tests.hostile.folders import GOOD_TAKE, check_of, uses_of

#: What may stand where a file should; each is told what to make, and where things outside the folder are.
Maker = Callable[[Path, Path], object]
STRANGE: dict[str, Maker] = {
    "a pipe": lambda path, _: os.mkfifo(path),
    "a folder": lambda path, _: path.mkdir(),
    "a link to zeros without end": lambda path, _: path.symlink_to("/dev/zero"),
    "a link to a terminal": lambda path, _: path.symlink_to("/dev/tty"),
    "a link to nothing": lambda path, outside: path.symlink_to(outside / "nothing"),
    "a link to itself": lambda path, _: path.symlink_to(path),
    "a link to a folder": lambda path, outside: path.symlink_to(outside),
}
OUT = "a link out of the folder"


def outside(folder: Path) -> Path:
    """What lies beside a stranger's folder and is none of his business."""
    place = folder.parent / "outside"
    place.mkdir()
    (place / "good.wav").write_bytes(written(noise()))
    (place / "soundcheck.toml").write_text("secret = 1\n")
    return place


@pytest.mark.parametrize("what", [*STRANGE, OUT])
def test_named_as_audio(tmp_path: Path, what: str) -> None:
    folder = check_of(tmp_path / "check", *uses_of("take.wav"))
    place = outside(folder)
    make = STRANGE.get(what, lambda path, place: path.symlink_to(place / "good.wav"))
    make(folder / "take.wav", place)
    with untouched(tmp_path):
        call = check_said(called("run", folder, "--out", tmp_path / "out"), REFUSED)
        check_said(called("inspect", folder), REFUSED)
    assert call.said.count("take.wav") >= 5 or "'take.wav', named by 5 tracks" in call.said


@pytest.mark.parametrize("what", [*STRANGE, OUT])
def test_among_recordings_to_draft_from(tmp_path: Path, what: str) -> None:
    folder = check_of(tmp_path / "check")
    (folder / "soundcheck.toml").unlink()
    place = outside(folder)
    STRANGE.get(what, lambda path, place: path.symlink_to(place / "good.wav"))(folder / "mic.wav", place)
    with untouched(tmp_path, "check/soundcheck.toml"):
        check_said(called("draft", folder), FINISHED)
    text = (folder / "soundcheck.toml").read_text()
    assert what in ("a folder", "a link to a folder") or "# mic.wav: " in text


@pytest.mark.parametrize("what", STRANGE)
def test_in_place_of_the_description(tmp_path: Path, what: str) -> None:
    folder = check_of(tmp_path / "check")
    (folder / "soundcheck.toml").unlink()
    STRANGE[what](folder / "soundcheck.toml", outside(folder))
    with untouched(tmp_path):
        for path in (folder, folder / "soundcheck.toml"):
            check_said(called("run", path, "--out", tmp_path / "out"), REFUSED)
        check_said(called("draft", folder), REFUSED)


@pytest.mark.parametrize("what", STRANGE)
def test_in_place_of_what_the_program_wrote(tmp_path: Path, what: str) -> None:
    """Folders are asked whether they are reports or records wherever one is sought."""
    folder = tmp_path / "check"
    folder.mkdir()
    place = outside(folder)
    for name in ("datapackage.json", "results.json", "bagit.txt", "manifest-sha512.txt"):
        STRANGE[what](folder / name, place)
    with untouched(tmp_path, "out"):
        for command in (["compare", folder, folder], ["archive", folder], ["batch", folder], ["draft", folder]):
            more = ["--out", tmp_path / "out"] if command[0] in ("compare", "batch") else []
            check_said(called(*command, *more), REFUSED)
        check_said(called("archive", "verify", folder), REFUSED, 7)
        check_said(called("history", tmp_path, "--out", tmp_path / "out", "--quiet"), FINISHED, REFUSED)


NO_PATHS = ["/dev/zero", "/dev/null", "/dev/stdin", "/", "/proc/self/mem", "", ".", "a\nb", "\x1b]0;x\a", "x" * 5000]


@pytest.mark.parametrize("path", NO_PATHS)
def test_called_with_what_is_no_sound_check(tmp_path: Path, path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for command in ("run", "inspect", "compare"):
        arguments = [path, path] if command == "compare" else [path]
        check_said(called(command, *arguments), REFUSED)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root reads everything")
@pytest.mark.parametrize("name", ["take.wav", "soundcheck.toml"])
def test_locked(tmp_path: Path, name: str) -> None:
    folder = check_of(tmp_path / "check", *uses_of("take.wav"))
    (folder / "take.wav").write_bytes(written(noise()))
    (folder / name).chmod(0)
    check_said(called("run", folder, "--out", tmp_path / "out"), REFUSED, 3)


def test_one_of_two_names_that_read_the_same(tmp_path: Path) -> None:
    """Where both are there each means itself, and a third spelling is refused or finds one of them."""
    folder = check_of(tmp_path / "check", 'playing = ["main"]\nmics = { mix = "é.wav" }')
    for n, name in ((1, "\u00e9.wav"), (2, "e\u0301.wav")):
        (folder / name).write_bytes(written(noise(n_channels=n)))
    text = (folder / "soundcheck.toml").read_text(encoding="utf-8")
    for spelt, codes in (("\u00e9.wav:2", (REFUSED,)), ("e\u0301.wav:2", (FINISHED,))):
        (folder / "soundcheck.toml").write_text(text.replace("é.wav", spelt), encoding="utf-8")
        check_said(called("inspect", folder), *codes)


def test_strange_folders_are_rows_of_a_batch(tmp_path: Path) -> None:
    """Names that act on spreadsheets, terminals and pages, that are no text, or too long for one folder."""
    names = ["=1+1", "\x1b[2J\x07<script>x</script>", "-rf\nb", os.fsdecode(b"caf\xe9"), "/".join(["long" * 40] * 3)]
    for name in names:
        (tmp_path / "checks" / name).mkdir(parents=True)
        (tmp_path / "checks" / name / "soundcheck.toml").write_text("x")
    os.mkfifo(tmp_path / "checks" / "=1+1" / "datapackage.json")
    with untouched(tmp_path, "out"):
        call = called("batch", tmp_path / "checks", "--out", tmp_path / "out", "--json")
        check_said(call, SOME_FAILED, most_s=60.0)
    assert call.said.count("failed. ") == len(names)
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["summary"]
    table = (tmp_path / "out" / "summary" / "batch.csv").read_text(encoding="utf-8")
    assert "'=1+1," in table
    assert "'-rf" in table
    assert "\x1b" not in table
    page = (tmp_path / "out" / "summary" / "report.html").read_text(encoding="utf-8")
    assert "<script>" not in page


def test_a_take_beside_it_is_still_analysed(tmp_path: Path) -> None:
    """The sound check that all of these are made of."""
    check_said(called("inspect", check_of(tmp_path / "check", GOOD_TAKE)), FINISHED)
