"""The commands as a user calls them: exit codes, what is written, what is said, and what is left behind."""

from __future__ import annotations

import filecmp
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from tests.field_making import RATE, write_check


def call(*arguments, cwd=None, **options):
    """Run `python -m analyze` and return the finished process."""
    command = [sys.executable, "-m", "analyze", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, timeout=200, check=False, **options)


@pytest.fixture(scope="module")
def check(tmp_path_factory):
    return write_check(tmp_path_factory.mktemp("sound") / "field")


@pytest.fixture(scope="module")
def report(check, tmp_path_factory):
    target = tmp_path_factory.mktemp("out") / "report"
    done = call("run", check, "--out", target)
    assert done.returncode == 0, done.stderr
    return target, done


def test_run_writes_every_table_and_says_what_to_do(report):
    target, done = report
    tables = [
        "recommendations",
        "wiring",
        "arrivals",
        "bands",
        "pairs",
        "prediction",
        "robustness",
        "inputs",
        "quality",
    ]
    for table in tables:
        pd.read_csv(target / f"{table}.csv")
    assert (target / "report.html").stat().st_size < 2_000_000
    assert {p.suffix for p in (target / "plots").iterdir()} == {".svg", ".png"}
    assert len(list((target / "responses").iterdir())) == 4
    assert done.stdout == ""
    assert "sub" in done.stderr
    assert str(target / "report.html") in done.stderr.replace("\n", "")


def test_arrivals_of_the_free_field_are_those_that_were_made(report):
    arrivals = pd.read_csv(report[0] / "arrivals.csv")
    made = {"mix": 1203 / RATE * 1000, "back": 2371 / RATE * 1000}
    main = arrivals[arrivals.output == "main"]
    assert np.abs(main.arrival_ms - main.position.map(made)).max() < 0.01
    sub = arrivals[arrivals.output == "sub"]
    assert np.abs(sub.arrival_ms - sub.position.map(made)).max() < 0.5
    assert set(arrivals.polarity) == {"normal"}


def test_a_foreign_folder_in_the_way_exits_2_unless_forced_and_a_second_run_writes_identical_files(
    check, report, tmp_path
):
    again = tmp_path / "again"
    again.mkdir()
    (again / "thesis.txt").write_text("mine")
    done = call("run", check, "--out", again)
    assert done.returncode == 2
    assert "--force" in done.stderr
    assert (again / "thesis.txt").read_text() == "mine"
    assert call("run", check, "--out", again, "--force", "--workers", "1", "--quiet").returncode == 0
    first = sorted(p.relative_to(report[0]) for p in report[0].rglob("*") if p.is_file())
    second = sorted(p.relative_to(again) for p in again.rglob("*") if p.is_file())
    assert first == second
    _, different, errors = filecmp.cmpfiles(report[0], again, map(str, first), shallow=False)
    assert (different, errors) == ([], [])


def test_json_goes_to_stdout_quiet_keeps_stderr_empty_and_bands_sets_those_of_the_tables(check, tmp_path):
    done = call("run", check, "--out", tmp_path / "r", "--json", "--quiet", "--bands", "1")
    assert done.stderr == ""
    assert json.loads(done.stdout) == json.loads((tmp_path / "r" / "results.json").read_text(encoding="utf-8"))
    bands = pd.read_csv(tmp_path / "r" / "bands.csv")
    assert set(bands.band_hz) <= {31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0}


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["run"], "PATH"),
        (["runn", "x"], "runn"),
        (["run", "nowhere"], "nowhere"),
        (["run", "x", "--bands", "2"], "--bands"),
    ],
)
def test_wrong_calls_exit_2(arguments, says, tmp_path):
    done = call(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_description_exits_2_with_every_mistake_and_writes_nothing(tmp_path):
    folder = write_check(tmp_path / "c", sub='delay_mss = 2.0\npolarity = "invertedd"')
    done = call("run", folder, "--out", tmp_path / "r")
    assert done.returncode == 2
    assert "delay_ms" in done.stderr
    assert "inverted" in done.stderr
    assert "soundcheck.toml:8" in done.stderr
    assert not (tmp_path / "r").exists()


def test_nothing_but_damage_exits_3_and_names_the_file(tmp_path):
    folder = write_check(tmp_path / "c")
    for name in ("main.wav", "sub.wav"):
        (folder / name).write_bytes(b"this is no audio at all" * 100)
    done = call("run", folder, "--out", tmp_path / "r")
    assert done.returncode == 3
    assert "main.wav" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "r").exists()


def test_one_unreadable_capture_is_a_finding_and_the_rest_is_used(tmp_path):
    folder = write_check(tmp_path / "c")
    (folder / "sub.wav").write_bytes(b"this is no audio at all" * 100)
    done = call("run", folder, "--out", tmp_path / "r", "--quiet")
    assert done.returncode == 5
    quality = pd.read_csv(tmp_path / "r" / "quality.csv")
    assert "capture unreadable" in set(quality.finding)
    rows = pd.read_csv(tmp_path / "r" / "recommendations.csv").set_index("output")
    assert rows.decision["sub"] == "undecided"
    assert "record it alone" in rows.reason["sub"]


def test_differing_sample_rates_exit_3_and_name_both_files(tmp_path):
    folder = write_check(tmp_path / "c")
    text = (folder / "soundcheck.toml").read_text(encoding="utf-8")
    data, _ = soundfile.read(folder / "main.wav")
    soundfile.write(folder / "other.wav", data[:, 1], 44100)
    text = text.replace('mix = "main.wav:2"', 'mix = "other.wav"').split('[[captures]]\nname = "sub alone"')[0]
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    done = call("run", folder, "--out", tmp_path / "r")
    assert done.returncode == 3
    assert "other.wav" in done.stderr
    assert "main.wav" in done.stderr
    assert "44100" in done.stderr


def test_a_full_disk_exits_4_and_the_earlier_report_stays_whole(check, report, tmp_path):
    target = shutil.copytree(report[0], tmp_path / "r")
    before = {p.relative_to(target): p.read_bytes() for p in target.rglob("*") if p.is_file()}

    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = call("run", check, "--out", target, preexec_fn=limit)
    assert done.returncode == 4
    assert "Traceback" not in done.stderr
    assert {p.relative_to(target): p.read_bytes() for p in target.rglob("*") if p.is_file()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["r"]


def test_too_much_noise_exits_5_and_says_what_to_record(tmp_path):
    folder = write_check(tmp_path / "c", noise=3.0)
    done = call("run", folder, "--out", tmp_path / "r")
    assert done.returncode in (3, 5)
    assert "louder" in done.stderr


def wait_until_it_transforms(pid: int) -> None:
    """Until the transforms are loaded, which is when the first capture is under way."""
    for _ in range(600):
        if "pypocketfft" in Path(f"/proc/{pid}/maps").read_text():
            return
        time.sleep(0.05)


def test_interrupt_exits_130_and_leaves_nothing(tmp_path):
    folder = write_check(tmp_path / "c", seconds=60.0)
    command = [sys.executable, "-m", "analyze", "run", str(folder), "--out", str(tmp_path / "r")]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    wait_until_it_transforms(process.pid)
    os.kill(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=100)
    assert process.returncode == 130
    assert "interrupted" in said
    assert "Traceback" not in said
    assert sorted(p.name for p in tmp_path.iterdir()) == ["c"]


def test_what_is_started_after_an_interrupt_can_be_interrupted_too(tmp_path):
    """A batch may be starting its next analysis at that moment; the batch itself hears of no second interrupt."""
    (tmp_path / "interrupted.py").write_text(
        "import os, signal, subprocess, sys\n"
        "import analyze.cli\n"
        "from analyze.__main__ import main\n"
        "def interrupted(*a, **k):\n"
        "    try:\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "    except KeyboardInterrupt:\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "    child = 'import os, signal; os.kill(os.getpid(), signal.SIGINT)'\n"
        "    return 50 - subprocess.run([sys.executable, '-c', child], stderr=subprocess.DEVNULL).returncode\n"
        "analyze.cli.commands.main = interrupted\n"
        "main()\n"
    )
    process = subprocess.run([sys.executable, "interrupted.py"], cwd=tmp_path, capture_output=True, text=True)
    assert process.returncode == 50 + signal.SIGINT, process.stderr


def test_interrupt_while_a_class_is_made_exits_130_too(check, tmp_path):
    """Libraries make classes by running texts; Python takes an interrupt in there for one that nobody answers."""
    (tmp_path / "interrupted.py").write_text(
        "import analyze.pipeline, sys\n"
        "def analyse(*a, **k): exec('raise KeyboardInterrupt')\n"
        "analyze.pipeline.analyse = analyse\n"
        "from analyze.__main__ import main\n"
        f"sys.argv = ['analyze', 'run', {str(check)!r}, '--out', {str(tmp_path / 'r')!r}]\n"
        "main()\n"
    )
    command = [sys.executable, "-m", "interrupted"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=100, check=False)
    assert done.returncode == 130
    assert "interrupted" in done.stderr


def test_a_bug_exits_1_with_one_line_and_debug_shows_where(check, tmp_path):
    script = (
        "import analyze.pipeline, sys\n"
        "def broken(*a, **k): raise ZeroDivisionError('on purpose')\n"
        "analyze.pipeline.analyse = broken\n"
        "from analyze.__main__ import main\n"
        f"sys.argv = ['analyze', 'run', {str(check)!r}, '--out', {str(tmp_path / 'r')!r}, *sys.argv[1:]]\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=100, check=False)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "ZeroDivisionError: on purpose" in done.stderr
    debug = subprocess.run(
        [sys.executable, "-c", script, "--debug"], capture_output=True, text=True, timeout=100, check=False
    )
    assert debug.returncode == 1
    assert "Traceback" in debug.stderr


def test_inverted_sub_is_named_in_the_report_under_the_folders_name(tmp_path):
    folder = write_check(tmp_path / "c", sub_sign=-1.0)
    done = call("run", folder / "soundcheck.toml", "--quiet", cwd=tmp_path)
    assert done.returncode in (0, 5)
    wiring = pd.read_csv(tmp_path / "reports" / "c" / "wiring.csv").set_index("output")
    assert wiring.polarity["sub"] == "inverted"
    assert wiring.polarity["main"] == "normal"


def test_demo_makes_a_sound_check_and_refuses_a_folder_in_use(tmp_path):
    assert call("demo", "--out", tmp_path / "d", "--seed", "2").returncode == 0
    assert (tmp_path / "d" / "truth.json").exists()
    again = call("demo", "--out", tmp_path / "d", "--seed", "2")
    assert again.returncode == 2
    assert "--out" in again.stderr


def test_a_flac_that_breaks_off_late_is_used_up_to_there(tmp_path):
    folder = write_check(tmp_path / "c", seconds=50.0)
    data, _ = soundfile.read(folder / "sub.wav")
    soundfile.write(folder / "sub.flac", data, RATE, subtype="PCM_16")
    whole = (folder / "sub.flac").read_bytes()
    (folder / "sub.flac").write_bytes(whole[: int(0.8 * len(whole))])
    text = (folder / "soundcheck.toml").read_text(encoding="utf-8").replace("sub.wav", "sub.flac")
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    done = call("run", folder, "--out", tmp_path / "r", "--quiet")
    assert done.returncode in (0, 5), done.stderr
    quality = pd.read_csv(tmp_path / "r" / "quality.csv").set_index("finding")
    assert 35.0 < quality.at_s["damaged file"] < 45.0
    wiring = pd.read_csv(tmp_path / "r" / "wiring.csv").set_index("output")
    assert wiring.polarity["sub"] == "normal"
