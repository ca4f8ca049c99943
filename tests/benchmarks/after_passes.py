"""What comes after the passes over the samples: `python tests/benchmarks/after_passes.py`.

Arrivals, polarity, relations, search, confidence with every resample, tables, plots and page: the time of a whole
analysis and its report, captures one after another on one thread, less what the passes themselves take.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from typing import Any

from material import Take, write_take

import analyze.responses.capture as capture_module
from analyze.description import load_sound_check
from analyze.pipeline import analyse
from analyze.reports import drawing_processes, write_report

#: Length of what each output plays, s: what comes after the passes does not depend on it.
_SECONDS = 15


class Passes:
    """Sums the time spent in the passes, which it stands in for."""

    def __init__(self) -> None:
        self.inner, self.seconds = capture_module.cross_spectra_of, 0.0

    def __call__(self, *arguments: Any) -> Any:
        start = time.perf_counter()
        try:
            return self.inner(*arguments)
        finally:
            self.seconds += time.perf_counter() - start


def seconds(n: int, *, solo: bool) -> tuple[float, float]:
    """Seconds of the decisions and of the report for n outputs at n positions, passes taken off."""
    with tempfile.TemporaryDirectory() as name, drawing_processes(2) as draw:
        draw.begin()
        folder = Path(name)
        write_take(folder, Take(n, n, _SECONDS * n, solo=solo))
        passes = Passes()
        capture_module.cross_spectra_of = passes
        start = time.perf_counter()
        analysis = analyse(load_sound_check(folder), workers=1)
        decided = time.perf_counter()
        write_report(analysis, folder / "report", draw=draw)
        capture_module.cross_spectra_of = passes.inner
        return decided - start - passes.seconds, time.perf_counter() - decided


def main() -> None:
    """Read the command line and print a row per size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[8, 16], help="outputs, and as many positions")
    parser.add_argument("--together", action="store_true", help="all outputs at once")
    a = parser.parse_args()
    for n in a.sizes:
        decide_s, report_s = seconds(n, solo=not a.together)
        how = "at once" if a.together else "in turn"
        what = f"{n} outputs {how}, {n} positions"
        print(f"{what:36s} decided {decide_s:6.1f} s  report {report_s:6.1f} s", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
