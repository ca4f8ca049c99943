"""Two runs never write one folder: the second is refused before it begins."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from analyze.errors import DescriptionError, OutputError
from analyze.reports import check_target, reserved

KEEPER = """
import sys, time
from pathlib import Path
from analyze.reports import reserved
with reserved(Path(sys.argv[1])):
    print("kept", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "reports" / "hall"


@pytest.fixture
def keeper(target: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that keeps the target."""
    with subprocess.Popen([sys.executable, "-c", KEEPER, str(target)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "kept\n"
        yield process
        process.kill()


def test_nothing_is_left_beside_it(target: Path) -> None:
    with reserved(target):
        assert [path.name.rpartition("-")[0] for path in target.parent.iterdir()] == [".hall.busy"]
    assert not target.parent.exists()


def test_what_was_written_meanwhile_stays(target: Path) -> None:
    with reserved(target):
        target.mkdir()
    assert [path.name for path in target.parent.iterdir()] == ["hall"]


def test_the_second_is_refused_and_the_first_kept(target: Path, keeper: subprocess.Popen[str]) -> None:
    before = sorted(target.parent.iterdir())
    check_target(target)  # clears what the dead have left, and the living not
    with (
        pytest.raises(DescriptionError, match=rf"being written by another run \(process {keeper.pid}\)"),
        reserved(target),
    ):
        pytest.fail("both may write")
    assert sorted(target.parent.iterdir()) == before
    with reserved(target.with_name("other")):
        pass


def test_a_command_says_so(target: Path, keeper: subprocess.Popen[str]) -> None:
    assert keeper.poll() is None
    sample = Path(__file__).parent.parent.parent / "sample_audio"
    command = [sys.executable, "-m", "analyze", "run", str(sample), "--out", str(target)]
    process = subprocess.run(command, capture_output=True, text=True, timeout=100, check=False)
    assert process.returncode == 2
    assert "Wait until it has finished" in process.stderr
    assert not target.exists()


def test_the_dead_keep_nothing(target: Path, keeper: subprocess.Popen[str]) -> None:
    keeper.kill()
    keeper.wait()
    assert list(target.parent.iterdir())
    check_target(target)
    assert not list(target.parent.iterdir())
    with reserved(target):
        pass


def test_where_nothing_can_be_written_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError), reserved(tmp_path / "file" / "hall"):
        pytest.fail("there is no such place")
