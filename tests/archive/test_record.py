"""A report becomes a record: everything in it, the same every time, in no place where it does harm."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from archive_making import DESCRIPTION, content, make_record, make_report

from analyze.archive.about import record_tags
from analyze.archive.bag import Entry, decoded_path, encoded_path, tag_lines
from analyze.archive.record import Record, write_record
from analyze.archive.telling import record_text
from analyze.archive.verification import verify_record
from analyze.errors import DescriptionError, OutputError

AUDIO = {"take 1.wav": b"RIFF one" * 1000, "day 2/100 % wet ü.wav": b"two", "舞台.flac": b"three"}


@pytest.fixture
def report(tmp_path) -> Path:
    return make_report(tmp_path / "reports" / "harbour", extra={"own notes/read me.txt": b"mine"})


def sound_check(folder: Path, audio: dict[str, bytes] = AUDIO) -> Path:
    for name, data in audio.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    (folder / "soundcheck.toml").write_bytes(b"another by now")
    return folder


def info(record: Path) -> dict[str, str]:
    """`bag-info.txt` with its values unfolded."""
    text = (record / "bag-info.txt").read_text("utf-8").replace("\n  ", " ")
    return dict(line.split(": ", 1) for line in text.splitlines())


# What is in it


def test_everything_of_the_report_is_in_its_record(report, tmp_path):
    record = write_record(report, tmp_path / "records")
    held = content(record.folder)
    assert {name: data for name, data in held.items() if name.startswith("data/report/")} == {
        f"data/report/{name}": data for name, data in content(report).items()
    }
    assert held["data/soundcheck.toml"] == DESCRIPTION
    assert held["bagit.txt"] == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert record.has_sofa
    assert not any(name.startswith("data/audio") for name in held)
    assert verify_record(record.folder).is_valid


def test_a_description_without_date_or_venue_is_told_of(tmp_path):
    """By these a history places a visit, and no record can be mended."""
    notes, nothing = {"venue": "Quay hall"}, {"venue": " "}
    for k, (said, missing) in enumerate(
        [
            ({"date": "2026-05-14", "notes": notes}, ()),
            ({"date": "", "notes": notes}, ("date",)),
            ({"date": "", "notes": nothing}, ("date", "venue")),
        ]
    ):
        record = make_record(tmp_path / str(k), **said)
        assert record.missing == missing
        assert ("states no" in record_text(record)) is bool(missing)
    assert "Its description states no date and no venue: " in record_text(record)


def test_manifests_hold_every_checksum_sorted_by_path(report, tmp_path):
    record = write_record(report, tmp_path / "records").folder
    held = content(record)
    for name, files in (
        ("manifest-sha512.txt", [one for one in held if one.startswith("data/")]),
        ("tagmanifest-sha512.txt", ["README.txt", "bag-info.txt", "bagit.txt", "manifest-sha512.txt"]),
    ):
        expected = "".join(f"{hashlib.sha512(held[one]).hexdigest()}  {one}\n" for one in sorted(files))
        assert held[name].decode() == expected


def test_the_same_report_makes_the_same_record(report, tmp_path):
    first = content(write_record(report, tmp_path / "one").folder)
    os.utime(report / "wiring.csv", (1, 1))
    assert content(write_record(report, tmp_path / "two").folder) == first


def test_what_the_description_says_stands_in_bag_info(tmp_path):
    notes = {"venue": "Quay\n\x1b[31m hall", "engineer": "A. Person", "notes": "loud " * 60 + "end"}
    record = make_record(tmp_path, notes=notes, title="=1+1: tïtle").folder
    found = info(record)
    payload = [data for name, data in content(record).items() if name.startswith("data/")]
    assert found["Payload-Oxum"] == f"{sum(map(len, payload))}.{len(payload)}"
    assert (found["External-Description"], found["Venue"]) == ("=1+1: tïtle", "Quay [31m hall")
    assert (found["Contact-Name"], found["Measurement-Date"]) == ("A. Person", "2026-05-14")
    assert found["Internal-Sender-Description"] == notes["notes"]
    assert found["Temperature-C"] == "21"
    assert (found["Record-Format"], found["Bag-Software-Agent"]) == ("1", "analyze 0.1.0")
    assert max(map(len, (record / "bag-info.txt").read_text("utf-8").splitlines())) <= 79
    readme = (record / "README.txt").read_text("utf-8")
    assert "tïtle" in readme
    assert "\x1b" not in readme
    assert "data/audio" not in readme


def test_what_the_description_does_not_say_is_left_out(tmp_path):
    found = info(make_record(tmp_path, title="", date="", temperature_c=20.0, is_temperature_assumed=True).folder)
    assert set(found) == {
        "Internal-Sender-Identifier",
        "Record-Format",
        "Bag-Software-Agent",
        "Payload-Oxum",
    }


def test_long_words_and_empty_values_are_no_trouble():
    lines = tag_lines([("Venue", "x" * 200), ("Notes", "a " * 100)]).decode().splitlines()
    assert lines[0] == "Venue:"
    assert lines[1] == "  " + "x" * 200
    assert all(line.startswith("  ") for line in lines[3:])


@pytest.mark.skipif(shutil.which("sha512sum") is None, reason="no sha512sum on this machine")
@pytest.mark.parametrize("extra", [{}, {"100 %.txt": b"per cent"}])
def test_the_command_in_the_readme_verifies_as_far_as_it_says(tmp_path, extra):
    record = make_record(tmp_path, extra=extra).folder
    command = next(line for line in (record / "README.txt").read_text().splitlines() if "sha512sum" in line).split()
    done = subprocess.run(command, cwd=record, capture_output=True, text=True, check=False)
    failed = [line for line in done.stdout.splitlines() if not line.endswith(": OK")]
    assert failed == (["data/report/100 %25.txt: FAILED open or read"] if extra else [])
    assert "percent sign" in (record / "README.txt").read_text()


# RFC 8493, 2.1.3: line ends and the percent sign, and only those, are encoded


@pytest.mark.parametrize(
    ("path", "text"),
    [("data/a b", "data/a b"), ("data/5 %", "data/5 %25"), ("data/\r\n", "data/%0D%0A"), ("data/%41ü", "data/%2541ü")],
)
def test_paths_are_encoded_as_rfc_8493_asks(path, text):
    assert encoded_path(path) == text
    assert decoded_path(text) == path


def test_names_with_percent_signs_and_line_ends_come_back(tmp_path):
    extra = {"100 %.txt": b"a", "%25.txt": b"b", "two\nlines.txt": b"c", "ü ö/x  y.txt": b"d"}
    record = make_record(tmp_path, extra=extra)
    assert verify_record(record.folder).is_valid
    lines = (record.folder / "manifest-sha512.txt").read_text("utf-8").splitlines()
    assert [line.split("  ", 1)[1] for line in lines if "%" in line] == [
        "data/report/%2525.txt",
        "data/report/100 %25.txt",
        "data/report/two%0Alines.txt",
    ]


# The recordings


def test_the_audio_is_packed_beside_the_description_it_was_analysed_by(tmp_path):
    sound_check(tmp_path / "harbour")
    record = make_record(tmp_path, audio=AUDIO, with_audio=True).folder
    held = content(record / "data" / "audio")
    assert held == {**AUDIO, "soundcheck.toml": DESCRIPTION}
    assert verify_record(record).is_valid


def test_the_recordings_are_sought_in_the_folder_one_works_in_too(tmp_path, monkeypatch):
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    sound_check(tmp_path / "here" / "harbour")
    (tmp_path / "harbour").mkdir()
    record = make_record(tmp_path, audio=AUDIO, with_audio=True).folder
    assert set(content(record / "data" / "audio")) == {*AUDIO, "soundcheck.toml"}


def test_other_recordings_of_the_same_name_are_refused_by_name(tmp_path):
    sound_check(tmp_path / "harbour", {**AUDIO, "take 1.wav": b"another evening"})
    with pytest.raises(DescriptionError, match=r"take 1\.wav: is not the file that was analysed.*\n.*--sound-check"):
        make_record(tmp_path, audio=AUDIO, with_audio=True)
    assert not (tmp_path / "records").exists()


def test_a_missing_recording_is_named(tmp_path):
    (sound_check(tmp_path / "harbour") / "舞台.flac").unlink()
    with pytest.raises(DescriptionError, match=r"no such file.*舞台\.flac"):
        make_record(tmp_path, audio=AUDIO, with_audio=True)


def test_recordings_that_lie_nowhere_ask_for_their_folder(tmp_path):
    with pytest.raises(DescriptionError, match=r"recordings were not found.*\n.*--sound-check"):
        make_record(tmp_path, audio=AUDIO, with_audio=True)


def test_the_folder_of_the_recordings_can_be_named(tmp_path):
    report = make_report(tmp_path / "reports" / "harbour", audio=AUDIO)
    elsewhere = sound_check(tmp_path / "elsewhere")
    for number, place in enumerate((elsewhere, elsewhere / "soundcheck.toml")):
        record = write_record(report, tmp_path / str(number), with_audio=True, sound_check=place)
        assert (record.folder / "data/audio/take 1.wav").read_bytes() == AUDIO["take 1.wav"]


@pytest.mark.parametrize("name", ["../secret.wav", "/etc/hostname", "link.wav"])
def test_recordings_outside_the_sound_check_are_never_packed(tmp_path, name):
    (tmp_path / "secret.wav").write_bytes(b"secret")
    (sound_check(tmp_path / "harbour") / "link.wav").symlink_to(tmp_path / "secret.wav")
    with pytest.raises(DescriptionError, match=r"leaves|absolute|leads out"):
        make_record(tmp_path, audio={name: b"secret"}, with_audio=True)


# Reports that are not kept


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("wiring.csv", b"output,polarity\r\nmain,inverted\r\n", "has changed"),
        ("soundcheck.toml", b"format = 1\n", "has changed"),
        ("results.json", b"{", "not valid JSON"),
        ("results.json", b"[]", "holds no object"),
        ("results.json", b"{}", "states no format"),
        ("results.json", b'{"format": 1}', "as the program wrote it"),
        (
            "results.json",
            b'{"format": 1, "description_file": {"sha256": ""}, "sound_check": {}}',
            "as the program wrote",
        ),
        ("results.json", b'{"format": 2}', "later format"),
        ("wiring.csv", None, "missing"),
        ("responses/002.wav", None, "missing"),
        ("responses/002.wav", b"no audio", "002.wav: an impulse response cannot be read"),
        ("datapackage.json", b"{}", "not a report"),
    ],
)
def test_a_report_that_is_not_as_it_was_written_is_refused(report, tmp_path, name, data, says):
    (report / name).unlink() if data is None else (report / name).write_bytes(data)
    with pytest.raises(DescriptionError, match=says) as caught:
        write_record(report, tmp_path / "records")
    assert caught.value.exit_code == 2
    assert not (tmp_path / "records").exists()


def test_a_sound_check_is_told_from_a_report(tmp_path):
    with pytest.raises(DescriptionError, match="analyze it first"):
        write_record(sound_check(tmp_path / "harbour"), tmp_path / "records")
    with pytest.raises(DescriptionError, match="no such folder"):
        write_record(tmp_path / "nowhere", tmp_path / "records")


def test_links_and_names_that_are_no_text_are_refused(report, tmp_path):
    (report / "plots").symlink_to("/")
    with pytest.raises(DescriptionError, match=r"plots: is a link"):
        write_record(report, tmp_path / "records")
    (report / "plots").unlink()
    (Path(os.fsdecode(os.fsencode(report) + b"/\xff.txt"))).write_bytes(b"")
    with pytest.raises(DescriptionError, match=r"udcff.*not UTF-8"):
        write_record(report, tmp_path / "records")


# Places


def test_a_record_is_never_replaced_unasked(report, tmp_path):
    record = write_record(report, tmp_path / "records").folder
    (record / "own.txt").write_text("mine")
    before = content(record)
    with pytest.raises(DescriptionError, match=r"is there already.*\n.*--to.*--force"):
        write_record(report, tmp_path / "records")
    assert content(record) == before
    write_record(report, tmp_path / "records", force=True)
    assert set(before) - set(content(record)) == {"own.txt"}
    assert [path.name for path in (tmp_path / "records").iterdir()] == ["harbour"]


def test_another_folder_is_never_replaced_unasked(report, tmp_path):
    (tmp_path / "records" / "harbour").mkdir(parents=True)
    (tmp_path / "records" / "harbour" / "thesis.txt").write_text("ten years")
    with pytest.raises(DescriptionError, match="is there already"):
        write_record(report, tmp_path / "records")
    assert (tmp_path / "records" / "harbour" / "thesis.txt").read_text() == "ten years"


@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize("to", ["reports", "reports/harbour", "reports/harbour/responses"])
def test_the_report_itself_is_never_replaced_or_grown(report, tmp_path, to, force):
    before = content(report)
    with pytest.raises(DescriptionError, match="the report"):
        write_record(report, tmp_path / to, force=force)
    assert content(report) == before


def test_a_record_inside_another_is_refused(report, tmp_path):
    record = write_record(report, tmp_path / "records").folder
    with pytest.raises(DescriptionError, match="lies in a record"):
        write_record(report, record / "data")
    assert verify_record(record).is_valid


def test_a_report_inside_the_folder_to_be_replaced_is_refused(tmp_path):
    report = make_report(tmp_path / "harbour" / "harbour")
    with pytest.raises(DescriptionError, match="holds the report"):
        write_record(report, tmp_path, force=True)


def test_a_full_disk_leaves_what_stood_there(report, tmp_path, monkeypatch):
    record = write_record(report, tmp_path / "records").folder
    before, fsync, calls = content(record), os.fsync, []

    def fail(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 7:
            raise OSError(errno.ENOSPC, "full")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match=r"the record could not be written: no space is left\.\n.*--to") as caught:
        write_record(report, tmp_path / "records", force=True)
    assert caught.value.exit_code == 4
    assert content(record) == before
    assert [path.name for path in (tmp_path / "records").iterdir()] == ["harbour"]


def test_a_recording_that_cannot_be_read_is_no_fault_of_the_record(tmp_path, monkeypatch):
    sound_check(tmp_path / "harbour")
    opened = Path.open

    def fail(self: Path, mode: str = "r", **how):
        if self.name == "take 1.wav" and mode == "rb" and (tmp_path / "records").exists():
            raise OSError(errno.EIO, "Input/output error")
        return opened(self, mode, **how)

    monkeypatch.setattr(Path, "open", fail)
    with pytest.raises(DescriptionError, match=r"take 1\.wav: cannot be read: input/output error"):
        make_record(tmp_path, audio=AUDIO, with_audio=True)
    assert not (tmp_path / "records").exists()


def test_a_record_can_be_archived_from_a_record(tmp_path):
    first = make_record(tmp_path).folder
    again = write_record(first / "data" / "report", tmp_path / "again").folder
    assert content(again)["manifest-sha512.txt"] == content(first)["manifest-sha512.txt"]


def test_a_description_in_doubt_is_said_before_it_is_kept(tmp_path):
    sure = Record(tmp_path, 3, 1000, has_sofa=True)
    said = record_text(replace(sure, doubts=("channels exchanged", "louder elsewhere")))
    assert "Its description is in doubt (channels exchanged, louder elsewhere)" in said
    assert "in doubt" not in record_text(sure)


def test_a_record_says_itself_that_its_description_is_in_doubt():
    """Whoever opens the folder alone, or reads its labels, does not see what the program said of it."""
    sound_check = {"notes": {}, "title": "Harbour hall", "date": "", "temperature_c": 21.0}
    entries = {"data/report/results.json": Entry("", 0)}
    for doubts in (("channels exchanged", "louder elsewhere"), ()):
        written = {name: one.decode() for name, one in record_tags(sound_check, "harbour", doubts)(entries).items()}
        for name, label in (("README.txt", "In doubt:"), ("bag-info.txt", "Description-In-Doubt:")):
            told = [text in written[name] for text in (label, "channels exchanged, louder elsewhere")]
            assert told == [bool(doubts)] * 2
