"""Who reads a command's output may go away: the work goes on, its result and exit code are the same."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.field_making import write_check
from tests.interrupted.killing_commands import content


def call(
    *arguments: object, stdout: int | None = None, stderr: int | None = None
) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "analyze", *map(str, arguments)]
    return subprocess.run(
        command, stdout=stdout or subprocess.PIPE, stderr=stderr or subprocess.PIPE, timeout=200, check=False
    )


@pytest.fixture
def unheard():
    """The end of a pipe from which nobody reads."""
    reading, writing = os.pipe()
    os.close(reading)
    yield writing
    os.close(writing)


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report, beside the sound check it was made from."""
    base = tmp_path_factory.mktemp("unheard")
    write_check(base / "field", seconds=5.0)
    assert call("run", base / "field", "--out", base / "report").returncode == 0
    return base / "report"


def test_a_batch_that_nobody_hears_is_done_whole(report: Path, tmp_path: Path, unheard: int) -> None:
    done = call("batch", report.parent / "field", "--out", tmp_path, stdout=unheard, stderr=unheard)
    assert done.returncode == 0
    assert content(tmp_path / "field") == content(report)
    assert (tmp_path / "summary" / "batch.csv").exists()


def test_a_summary_that_nobody_hears_changes_no_exit_code(report: Path, tmp_path: Path, unheard: int) -> None:
    done = call("compare", report, report, "--out", tmp_path / "same", "--json", stdout=unheard, stderr=unheard)
    assert done.returncode == 6  # of one visit twice, heard or not
    assert (tmp_path / "same" / "report.html").exists()


def test_an_error_that_nobody_hears_keeps_its_exit_code(tmp_path: Path, unheard: int) -> None:
    assert call("run", tmp_path, stderr=unheard).returncode == 2
    assert call("rum", stderr=unheard).returncode == 2


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is always full")
def test_json_onto_a_full_disk_is_said(report: Path, tmp_path: Path) -> None:
    with Path("/dev/full").open("wb") as full:
        done = call("compare", report, report, "--out", tmp_path / "same", "--json", stdout=full.fileno())
    assert done.returncode == 4
    assert done.stderr.decode().splitlines()[-2:] == [
        "analyze: standard output could not be written: no space left on device.",
        "Send it elsewhere; a report is not touched.",
    ]
    assert (tmp_path / "same" / "report.html").exists()
