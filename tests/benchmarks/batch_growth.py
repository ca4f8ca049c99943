"""What `analyze batch` takes over its numbers: `python tests/benchmarks/batch_growth.py --checks 1 10 50 200`.

Sound checks of two outputs at two seats, 8 s each take (`tests/field_making.py`), the recordings the same in all. Told
for each number: wall and processor time, most memory of the batch itself (its analyses are processes of their own), and
the same when it is called again and everything is finished.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from whole_run import Used, used_by

from tests.field_making import write_check


def copies(folder: Path, n: int) -> Path:
    """So many sound checks whose recordings are links to those of the first."""
    first = write_check(folder / "0000")
    for k in range(1, n):
        (folder / f"{k:04d}").mkdir()
        for file in first.iterdir():
            os.link(file, folder / f"{k:04d}" / file.name)
    return folder


def told(what: str, n: int, used: Used) -> None:
    """Print one row."""
    each = f"each {used.wall_s / n:6.2f} s, processor {used.processor_s / n:6.2f} s"
    print(f"{n:4d} sound checks, {what:8s} {each}, {used.memory_mb:4.0f} MB", flush=True)  # noqa: T201


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--checks", type=int, nargs="+", default=[1, 10, 50, 200])
    for n in parser.parse_args().checks:
        with tempfile.TemporaryDirectory() as name:
            checks = copies(Path(name) / "checks", n)
            batch = [sys.executable, "-m", "analyze", "batch", str(checks), "--out", str(Path(name) / "out"), "--quiet"]
            told("anew", n, used_by(batch))
            told("finished", n, used_by(batch))


if __name__ == "__main__":
    main()
