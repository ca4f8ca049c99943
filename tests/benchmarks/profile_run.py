"""Where the time and the memory of a whole run go: `python tests/benchmarks/profile_run.py`.

Looks at every thread of `analyze run` again and again, and at the memory of its process. Prints for every function of
the program the share of the looks that found it at work, itself or in what it had called, and the most memory held at
one of these. With one worker, as by default, shares of looks are shares of time; several threads at work count each.
The processes that draw are not looked at, and looking makes the run a little slower.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from looks import Looks
from material import add_take_options, take_of, write_take

from analyze.cli import commands


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    add_take_options(parser)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--least", type=float, default=2.0, help="share in percent from which a function is printed")
    a = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_take(folder, take_of(a))
        run = ["run", str(folder), "--out", str(folder / "report"), "--quiet", "--workers", str(a.workers)]
        looks = Looks()
        commands(run, standalone_mode=False)
        looks.stop()
    looks.told(a.least)


if __name__ == "__main__":
    main()
