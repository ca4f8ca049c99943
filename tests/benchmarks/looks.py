"""Which functions of the program are at work, seen by looking at every thread again and again."""

from __future__ import annotations

import os
import sys
import threading
from collections import Counter
from pathlib import Path
from types import FrameType

import analyze

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

    def told(self, least: float) -> None:
        """Print the functions with at least this share of the looks in percent, the most first."""
        for function, n in self.at_work.most_common():
            if 100.0 * n >= least * self.n:
                print(f"{100.0 * n / self.n:5.1f} %  {self.most_mb[function]:6.0f} MB  {function}")  # noqa: T201
