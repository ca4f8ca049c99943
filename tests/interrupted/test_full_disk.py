"""A disk that fills up costs nothing but the new result. Every command, at many places, by hand: `full_disk.py`."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

_ALONE = ["unshare", "--map-root-user", "--mount"]


def has_small_disks() -> bool:
    """Whether a disk in memory may be mounted here."""
    if shutil.which("unshare") is None:
        return False
    return subprocess.run([*_ALONE, "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True).returncode == 0


_PROGRAM = """
import sys, tempfile
from pathlib import Path
from tests.interrupted.full_disk import filled_up
with tempfile.TemporaryDirectory() as folder:
    for command in (("compare", sys.argv[1], sys.argv[1], "--out"), ("history", sys.argv[1], "--out")):
        print(dict(filled_up(command, Path(folder) / "disk", 2)))
"""

_RECORD = Path(__file__).parent.parent / "archive" / "records" / "format_1"


@pytest.mark.skipif(not has_small_disks(), reason="no disk in memory may be mounted here")
def test_the_earlier_result_stays_whole() -> None:
    done = subprocess.run(
        [*_ALONE, sys.executable, "-c", _PROGRAM, str(_RECORD)], capture_output=True, text=True, timeout=280
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["{'exit 4, the earlier one whole': 2}"] * 2
