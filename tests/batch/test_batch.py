"""Batches of small sound checks, as a user calls them: what is done, what is not done again, what is lost (nothing)."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from analyze.batch.analysing import Analyses, Stopped, Task, analyse_one
from analyze.batch.outcome import Outcome
from analyze.batch.running import _result, default_workers
from analyze.errors import DescriptionError
from tests.field_making import write_check


def call(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "analyze", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, timeout=200, check=False)


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def checks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sound checks, one of them with a polarity to change; one that cannot be read; one without its audio."""
    base = tmp_path_factory.mktemp("checks")
    write_check(base / "field" / "june", seconds=5.0, sub_sign=-1.0)
    write_check(base / "hall", seconds=5.0)
    (base / "broken").mkdir()
    (base / "broken" / "soundcheck.toml").write_text('format = 1\ntitel = "x"\n')
    shutil.copytree(base / "hall", base / "lost")
    (base / "lost" / "sub.wav").unlink()
    return base


@pytest.fixture(scope="module")
def finished(checks: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The batch by one worker."""
    out = tmp_path_factory.mktemp("done") / "batch"
    return out, call("batch", checks, "--out", out, "--workers", 1)


def table(out: Path) -> pd.DataFrame:
    return pd.read_csv(out / "summary" / "batch.csv", keep_default_na=False).set_index("sound_check")


def test_what_cannot_be_analysed_does_not_stop_the_rest(checks: Path, finished) -> None:
    out, process = finished
    assert process.returncode == 8
    rows = table(out)
    assert list(rows.index) == ["broken", "field/june", "hall", "lost"]
    assert list(rows.status == "failed") == [True, False, False, True]
    assert "titel: unknown key" in rows.message["broken"]
    assert "sub.wav" in rows.message["lost"]
    assert str(checks) not in (out / "summary" / "batch.csv").read_text()  # the same wherever the folders lie
    for name in ("field_june", "hall"):
        assert (out / name / "report.html").is_file()
    assert not (out / "lost").exists()
    assert process.stderr.splitlines()[-2].startswith("4 sound checks: ")
    page = (out / "summary" / "report.html").read_text()
    assert 'href="../field_june/report.html"' in page


def test_every_report_is_that_of_a_run_by_itself(checks: Path, finished, tmp_path: Path) -> None:
    out, _ = finished
    call("run", checks / "hall", "--out", tmp_path / "hall")
    assert content(tmp_path / "hall") == content(out / "hall")


def test_two_workers_write_the_same_bytes(checks: Path, finished, tmp_path: Path) -> None:
    out, _ = finished
    assert call("batch", checks, "--out", tmp_path / "two", "--workers", 2).returncode == 8
    assert content(tmp_path / "two") == content(out)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A scheduler and two workers on loopback, as the guide starts them."""
    where = tmp_path_factory.mktemp("cluster") / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": where.parent}
    started = [
        subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
             "--no-dashboard", "--scheduler-file", str(where)], **quiet)
    ]  # fmt: skip
    deadline = time.monotonic() + 60.0
    while not where.is_file() and time.monotonic() < deadline:
        time.sleep(0.1)
    address = json.loads(where.read_text())["address"]
    started += [
        subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard"], **quiet
        )
        for _ in range(2)
    ]
    yield address
    for process in reversed(started):  # a worker that has lost its scheduler would look for it
        process.kill()
        process.wait(30)


def test_a_cluster_of_two_workers_writes_the_same_bytes(checks: Path, finished, cluster: str, tmp_path: Path) -> None:
    out, _ = finished
    process = call("batch", checks, "--out", tmp_path / "cluster", "--cluster", cluster)
    assert process.returncode == 8, process.stderr
    assert content(tmp_path / "cluster") == content(out)


def test_what_fails_between_machines_is_no_bug() -> None:
    future: Future[Outcome] = Future()
    future.set_exception(RuntimeError("different environments\nand more"))
    with pytest.raises(DescriptionError, match=r"the cluster failed \(RuntimeError: different environments\)"):
        _result(future, "tcp://scheduler:8786")
    with pytest.raises(RuntimeError):
        _result(future, None)


def test_no_scheduler_is_said(checks: Path, tmp_path: Path) -> None:
    process = call("batch", checks, "--out", tmp_path / "none", "--cluster", "tcp://127.0.0.1:9")
    assert process.returncode == 2
    assert "no scheduler answers at tcp://127.0.0.1:9" in process.stderr
    assert not (tmp_path / "none").exists()


def test_what_is_finished_is_not_done_again(checks: Path, finished) -> None:
    out, _ = finished
    before = {p: p.stat().st_mtime_ns for p in out.rglob("*") if p.is_file() and "summary" not in p.parts}
    summary = content(out / "summary")
    process = call("batch", checks, "--out", out)
    assert process.returncode == 8
    assert process.stderr.count("(finished before)") == 2
    assert {p: p.stat().st_mtime_ns for p in out.rglob("*") if p.is_file() and "summary" not in p.parts} == before
    assert content(out / "summary") == summary


@pytest.mark.parametrize("change", ["nothing", "audio", "description", "bands", "version", "report", "force"])
def test_what_has_changed_is_done_again(
    checks: Path, finished, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    """Audio that was changed without changing its size, too."""
    out, _ = finished
    begun: list[list[str]] = []
    if change != "report":  # one is analysed, of the others it is enough that it would be
        monkeypatch.setattr(Analyses, "run", lambda _self, command: (begun.append(command), (0, ""))[1])
    folder, report = tmp_path / "hall", tmp_path / "report"
    shutil.copytree(checks / "hall", folder)
    shutil.copytree(out / "hall", report)
    task = Task(folder, "hall", report, 3, 2)
    if change == "audio":
        path = folder / "sub.wav"
        data = bytearray(path.read_bytes())
        data[-1] ^= 1
        path.write_bytes(data)
    elif change == "description":
        with (folder / "soundcheck.toml").open("a") as file:
            file.write("# seen\n")
    elif change == "bands":
        task = Task(folder, "hall", report, 6, 2)
    elif change == "version":
        path = report / "results.json"
        results = json.loads(path.read_text())
        results["program"]["version"] = "0.0.1"
        path.write_text(json.dumps(results))
    elif change == "report":
        shutil.rmtree(report)
    elif change == "force":
        task = replace(task, force=True)
    outcome = analyse_one(task)
    assert outcome.is_new == (change != "nothing")
    assert bool(begun) == (change not in ("nothing", "report"))
    assert outcome.status == "decided"


def test_an_analysis_that_is_killed_is_a_row(checks: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def killed(self: Analyses, _: list[str]) -> tuple[int, str]:
        return own(self, [sys.executable, "-c", "import os; os.kill(os.getpid(), 9)"])

    own = Analyses.run
    monkeypatch.setattr(Analyses, "run", killed)
    outcome = analyse_one(Task(checks / "hall", "hall", tmp_path / "hall", 3, 1))
    assert (outcome.status, outcome.report) == ("failed", "")
    assert "killed (SIGKILL)" in outcome.message


def test_stopped_analyses_end_and_none_begins() -> None:
    analyses, ended = Analyses(), []
    thread = threading.Thread(
        target=lambda: ended.append(analyses.run([sys.executable, "-c", "import time; time.sleep(60)"])[0])
    )
    thread.start()
    while not analyses._running:
        time.sleep(0.01)
    time.sleep(0.2)
    analyses.stop()
    thread.join(20)
    assert ended
    assert ended[0] != 0
    with pytest.raises(Stopped):
        analyses.run([sys.executable, "-c", ""])


def test_an_interrupted_batch_goes_on_where_it_was(checks: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = [sys.executable, "-m", "analyze", "batch", str(checks), "--out", str(out), "--workers", "1"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, start_new_session=True) as process:
        assert process.stderr is not None
        for said in process.stderr:
            if "june" in said:
                break
        os.kill(process.pid, signal.SIGINT)
        rest = process.stderr.read()
    assert process.returncode == 130, rest
    assert not (out / "summary").exists()
    assert not [path for path in out.iterdir() if path.name.startswith(".")]
    again = call("batch", checks, "--out", out, "--workers", 1)
    assert again.returncode == 8, again.stderr
    assert again.stderr.count("(finished before)") == 1
    assert len(table(out)) == 4


def test_a_summary_that_is_something_else_is_left_alone(checks: Path, tmp_path: Path) -> None:
    (tmp_path / "out" / "summary").mkdir(parents=True)
    (tmp_path / "out" / "summary" / "mine.txt").write_text("x")
    process = call("batch", checks, "--out", tmp_path / "out")
    assert process.returncode == 2
    assert (tmp_path / "out" / "summary" / "mine.txt").read_text() == "x"


def test_workers_are_what_cores_and_memory_allow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 64)
    free = "analyze.batch.running._free_bytes"
    for n_bytes, n in ((int(3.3 * 900e6), 3), (10**6, 1), (10**13, 64), (None, 64)):
        monkeypatch.setattr(free, lambda n_bytes=n_bytes: n_bytes)
        assert default_workers() == n
