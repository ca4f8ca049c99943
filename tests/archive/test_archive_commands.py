"""`archive` and `archive verify` as a user calls them: exit codes, what is said, what is left."""

from __future__ import annotations

import json
import re
import resource
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import frictionless
import pytest
from archive_making import content, make_report
from calling import call
from kept_record import KEPT, write_sound_check

from analyze.archive.verification import verify_record


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    """A folder with the sound check `boathouse`, its report and the record with audio; not to be changed."""
    place = tmp_path_factory.mktemp("place")
    write_sound_check(place / "boathouse")
    assert call("run", "boathouse", "--bands", "1", "--quiet", cwd=place).returncode == 0
    done = call("archive", "reports/boathouse", "--with-audio", cwd=place)
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert "voices and performances" in done.stderr
    assert "analyze archive verify records/boathouse" in done.stderr
    return place


@pytest.fixture
def record(tmp_path) -> Path:
    """A copy of the kept record, to be damaged."""
    return Path(shutil.copytree(KEPT / "format_1", tmp_path / "records" / "boathouse"))


def test_a_record_verifies_and_the_reference_of_tables_reads_it(place):
    done = call("archive", "verify", "records/boathouse", cwd=place)
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr.startswith("records/boathouse: complete and valid (")
    assert frictionless.validate(str(place / "records/boathouse/data/report/datapackage.json")).valid


def test_the_description_comes_along_to_the_byte(place):
    description = (place / "boathouse" / "soundcheck.toml").read_bytes()
    for name in ("report/soundcheck.toml", "soundcheck.toml", "audio/soundcheck.toml"):
        assert (place / "records/boathouse/data" / name).read_bytes() == description


def test_the_audio_of_a_record_can_be_analysed_again_to_the_same_report(place, tmp_path):
    audio = place / "records/boathouse/data/audio"
    assert call("run", audio, "--bands", "1", "--quiet", "--out", tmp_path / "again").returncode == 0
    assert content(tmp_path / "again") == content(place / "records/boathouse/data/report")


def test_the_same_record_is_written_twice(place, tmp_path):
    done = call("archive", place / "reports/boathouse", "--to", tmp_path, "--with-audio", cwd=place)
    assert done.returncode == 0, done.stderr
    assert content(tmp_path / "boathouse") == content(place / "records/boathouse")


def test_damage_exits_7_and_every_record_is_looked_at(record, place):
    (record / "data/report/wiring.csv").write_text("output\n")
    (record / "data/report/bad\x1b[31m\nname").write_text("x")
    done = call("archive", "verify", record, place / "records/boathouse")
    assert (done.returncode, done.stdout) == (7, "")
    assert "\n  data/report/wiring.csv: altered (its sha512 is another)\n" in done.stderr
    assert "\n  data/report/bad\\x1b[31m\\nname: extra (not listed in manifest-sha512.txt)\n" in done.stderr
    assert f"{place}/records/boathouse: complete and valid" in done.stderr
    assert "Traceback" not in done.stderr


def test_what_is_no_record_does_not_keep_the_others_from_being_looked_at(record):
    (record.parent / "notes.txt").write_text("mine")
    one = call("archive", "verify", record.parent / "notes.txt", record, "--json")
    assert one.returncode == 2
    assert not json.loads(one.stdout)["is_valid"]
    assert f"{record}: complete and valid" in one.stderr
    (record / "data" / "report" / "results.json").write_text("{}")
    both = call("archive", "verify", record.parent / "notes.txt", record, "--json")
    assert both.returncode == 7
    assert len(json.loads(both.stdout)["records"]) == 1


@pytest.mark.parametrize("command", [("compare",), ("verify-settings",)])
def test_a_damaged_record_is_not_compared(record, tmp_path, command):
    results = record / "data" / "report" / "results.json"
    results.write_bytes(results.read_bytes().replace(b"normal", b"inverted"))
    done = call(*command, KEPT / "format_1", record, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "is damaged (data/report/results.json: " in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", [("compare",), ("verify-settings",)])
@pytest.mark.parametrize("name", ["results.json", "responses"])
def test_a_report_whose_figures_were_changed_is_not_compared(place, tmp_path, command, name):
    report = shutil.copytree(place / "reports" / "boathouse", tmp_path / "boathouse")
    file = report / name if (report / name).is_file() else sorted((report / name).iterdir())[0]
    file.write_bytes(file.read_bytes() + b" ")
    done = call(*command, KEPT / "format_1", report, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert f"{file}: has changed since the report was written." in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_report_that_was_commented_is_compared_all_the_same(place, tmp_path):
    """Its page is nothing that a comparison reads."""
    report = shutil.copytree(place / "reports" / "boathouse", tmp_path / "boathouse")
    (report / "report.html").write_text("seen by me")
    done = call("compare", KEPT / "format_1", report, "--out", tmp_path / "out")
    assert "has changed" not in done.stderr


@pytest.mark.parametrize("name", ["report.html", "results.json", "responses", "plots"])
def test_a_report_that_was_edited_is_not_kept(place, tmp_path, name):
    report = shutil.copytree(place / "reports" / "boathouse", tmp_path / "boathouse")
    file = report / name if (report / name).is_file() else sorted((report / name).iterdir())[0]
    data = bytearray(file.read_bytes())
    data[-20 if name == "responses" else 0] ^= 1
    file.write_bytes(data)
    done = call("archive", report, "--to", tmp_path / "records")
    assert done.returncode == 2
    assert not (tmp_path / "records").exists()


def test_all_that_was_edited_in_a_report_or_is_gone_is_named_at_once(place, tmp_path):
    report = shutil.copytree(place / "reports" / "boathouse", tmp_path / "boathouse")
    for name in ("bands.csv", "arrivals.csv", "report.html"):
        (report / name).write_text("x")
    done = call("archive", report, "--to", tmp_path / "records")
    assert f"{report / 'arrivals.csv'}: has changed since the report was written (likewise" in done.stderr
    assert {"bands.csv", "report.html"} <= set(re.findall(r"[\w.]+", done.stderr.partition("likewise")[2]))
    for name in ("bands.csv", "arrivals.csv"):
        (report / name).unlink()
    done = call("archive", report, "--to", tmp_path / "records")
    assert "is missing from this report (likewise bands.csv)." in done.stderr


def test_json_goes_to_stdout(record):
    (record / "data/report/wiring.csv").unlink()
    done = call("archive", "verify", record, "--json")
    assert done.returncode == 7
    found = json.loads(done.stdout)
    assert (found["is_valid"], found["records"][0]["record"]) == (False, str(record))
    assert {
        "file": "data/report/wiring.csv",
        "problem": "missing",
        "detail": "listed in manifest-sha512.txt",
    } in found["records"][0]["problems"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["archive"], "REPORT"),
        (["archive", "nowhere"], "no such folder"),
        (["archive", "boathouse"], "analyze it first (analyze run boathouse)"),
        (["archive", "reports/boathouse"], "is there already"),
        (
            ["archive", "reports/boathouse", "extra"],
            "unexpected extra argument (extra). A name with blanks needs quotes.",
        ),
        (["archive", "reports/boathouse", "--to", "reports"], "is the report or lies in it"),
        (["archive", "reports/boathouse", "--with-audio", "--to", "x", "--sound-check", "nowhere"], "no such file"),
        (["archive", "verify"], "RECORD"),
        (["archive", "verify", "nowhere"], "no such folder"),
        (["archive", "verify", "records"], "It holds records: name them, as in records/boathouse."),
    ],
)
def test_wrong_calls_exit_2_and_write_nothing(place, arguments, says):
    before = sorted(place.rglob("*"))
    done = call(*arguments, cwd=place)
    assert (done.returncode, done.stdout) == (2, "")
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert sorted(place.rglob("*")) == before


def test_a_report_called_verify_is_reached_by_its_path(tmp_path):
    make_report(tmp_path / "verify")
    assert call("archive", "./verify", cwd=tmp_path).returncode == 0
    assert verify_record(tmp_path / "records" / "verify").is_valid


def test_help_names_both_calls():
    done = call("archive", "--help")
    assert "Usage: analyze archive [OPTIONS] REPORT" in done.stdout
    assert "analyze archive verify RECORD..." in done.stdout
    assert "Usage: analyze archive verify [OPTIONS] RECORD..." in call("archive", "verify", "--help").stdout


@pytest.mark.parametrize("most_bytes", [100, 3000, 60_000])
def test_a_full_disk_exits_4_and_leaves_nothing(place, tmp_path, most_bytes):
    """By a limit on the size of files: the first to pass it is a table, a drawing, the responses as SOFA."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    done = call("archive", place / "reports/boathouse", "--to", tmp_path / "records", "--with-audio", preexec_fn=limit)
    assert done.returncode == 4
    assert "no space is left" in done.stderr
    assert "--to" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fills_up_under_the_sofa_library_exits_4(tmp_path):
    """HDF5 itself fails here: 2 kB are enough for every other file of this report, made without responses as WAV."""
    script = (
        "import resource, signal, sys\nfrom pathlib import Path\n"
        "from analyze.archive import record\nfrom analyze.archive.bag import bag_files\n"
        "from analyze.archive.report_files import read_report\nfrom analyze.archive.sofa import sofa_files\n"
        "from analyze.errors import OutputError\nfrom analyze.reports.folder import replace_folder\n"
        "import sofar\n"
        "files = sofa_files(read_report(Path(sys.argv[1])))\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))\n"
        "try:\n    replace_folder(Path(sys.argv[2]), bag_files(files, lambda _: {}), kind=record.RECORD)\n"
        "except OutputError as error:\n    print(error)\n    sys.exit(error.exit_code)\n"
    )
    report = make_report(tmp_path / "reports" / "harbour")
    arguments = [sys.executable, "-c", script, str(report), str(tmp_path / "records" / "harbour")]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False, timeout=100)
    assert done.returncode == 4, done.stderr
    assert "could not be written: no space is left" in done.stdout
    assert not (tmp_path / "records").exists()
