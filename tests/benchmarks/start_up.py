"""How long the command takes to say what it is: `python tests/benchmarks/start_up.py`.

Medians of wall time, in turn with an interpreter that does nothing; modules are compiled before.
"""

from __future__ import annotations

import compileall
import statistics
import subprocess
import sys
import time
from pathlib import Path

import analyze

_ROUNDS = 21


def seconds(arguments: list[str]) -> float:
    """Wall time of one process."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    """Time each command and print the medians in milliseconds."""
    compileall.compile_dir(Path(analyze.__file__).parent, quiet=1)
    commands = {
        "python -c pass": ["-c", "pass"],
        "analyze --version": ["-m", "analyze", "--version"],
        "analyze --help": ["-m", "analyze", "--help"],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(_ROUNDS):
        for name, arguments in commands.items():
            times[name].append(seconds(arguments))
    for name, found in times.items():
        print(f"{name:20s} {1000.0 * statistics.median(found):6.0f} ms")  # noqa: T201


if __name__ == "__main__":
    main()
