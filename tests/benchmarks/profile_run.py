"""Where the time and the memory of a whole run go: `python tests/benchmarks/profile_run.py`.

Looks at every thread of `analyze run` again and again, and at the memory of its process. Prints for every function of
the program the share of the looks that found it at work, itself or in what it had called, and the most memory held at
one of these. With one worker, as by default, shares of looks are shares of time; several threads at work count each.
The processes that draw are not looked at, and looking makes the run a little slower.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import threading
from collections import Counter
from pathlib import Path
from types import FrameType

from material import add_take_options, take_of, write_take

import analyze
from analyze.cli import commands

_LOOK_S = 0.01
_PACKAGE = Path(analyze.__file__).parent


def memory_mb() -> float:
    """What this process holds."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def functions(frame: FrameType | None) -> set[str]:
    """Functions of the program on one stack, as `module.function`."""
    found = set()
    while frame is not None:
        path = Path(frame.f_code.co_filename)
        if path.is_relative_to(_PACKAGE):
            module = path.relative_to(_PACKAGE).with_suffix("").as_posix().replace("/", ".")
            found.add(f"{module}.{frame.f_code.co_name}")
        frame = frame.f_back
    return found


class Looks:
    """Looks at all other threads from a thread of its own until stopped."""

    def __init__(self) -> None:
        self.n = 0
        self.at_work: Counter[str] = Counter()
        self.most_mb: dict[str, float] = {}
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Look no more."""
        self._stopped.set()
        self._thread.join()

    def _look(self) -> None:
        own = threading.get_ident()
        while not self._stopped.wait(_LOOK_S):
            now_mb = memory_mb()
            self.n += 1
            for thread, frame in sys._current_frames().items():
                for name in functions(frame) if thread != own else ():
                    self.at_work[name] += 1
                    self.most_mb[name] = max(self.most_mb.get(name, 0.0), now_mb)


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
    for function, n in looks.at_work.most_common():
        if 100.0 * n >= a.least * looks.n:
            print(f"{100.0 * n / looks.n:5.1f} %  {looks.most_mb[function]:6.0f} MB  {function}")  # noqa: T201


if __name__ == "__main__":
    main()
