"""The whole of `analyze run` against reading the files alone: `python tests/benchmarks/whole_run.py`.

Outputs one after the other in one take of 24 bits at 48 kHz; wall and processor time as ratios, the median of rounds in
turn, and the most memory that the command and the processes it started held at once. `--growth` goes through lengths,
tracks and outputs, one round each.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from material import Take, add_take_options, take_of, write_take

#: Lengths in seconds, tracks in all and outputs that `--growth` goes through.
_MINUTES, _TRACKS, _OUTPUTS = (10, 30, 60, 180), (4, 16, 64), (2, 4, 8, 16)

#: How often memory is looked at.
_LOOK_S = 0.05

_READ = """
import sys, numpy, soundfile
for path in sys.argv[1:]:
    with soundfile.SoundFile(path) as file:
        block = numpy.empty((1 << 17, file.channels), dtype=numpy.float32)
        while len(file.read(out=block)):
            pass
"""


@dataclass(frozen=True)
class Used:
    """Wall and processor time of a command in seconds, its most memory and what it read, libraries too, in MB."""

    wall_s: float
    processor_s: float
    memory_mb: float
    read_mb: float


def used_by(command: list[str]) -> Used:
    """Run a command to its end and tell what it used; exit codes of findings and undecided outputs are no failure."""
    with tempfile.TemporaryFile() as said:
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said)
        memory, read, status = 0.0, 0.0, None
        while status is None:
            time.sleep(_LOOK_S)
            memory, read = max(memory, memory_mb(process.pid)), max(read, read_mb(process.pid))
            pid, ended, usage = os.wait4(process.pid, os.WNOHANG)
            status = ended if pid else None
        wall = time.perf_counter() - start
        if os.waitstatus_to_exitcode(status) not in (0, 5, 6):
            said.seek(0)
            raise SystemExit(said.read().decode())
    return Used(wall, usage.ru_utime + usage.ru_stime, memory, read)


def memory_mb(process: int) -> float:
    """What a process and those it started hold together in MB, shared files once; 0 where the system does not tell."""
    try:
        sizes = [Path(f"/proc/{one}/statm").read_text().split() for one in started_by(process)]
    except OSError:  # one has just ended
        return 0.0
    shared = max(int(of_files) for _, _, of_files, *_ in sizes)
    own = sum(int(resident) - int(of_files) for _, resident, of_files, *_ in sizes)
    return (own + shared) * os.sysconf("SC_PAGE_SIZE") / 1e6


def started_by(process: int) -> list[int]:
    """A process, those it started, and theirs."""
    started = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    return [process, *(one for child in started for one in started_by(int(child)))]


def read_mb(process: int) -> float:
    """What a process has read from files so far in MB, out of the cache or not; 0 where the system does not tell."""
    try:
        told = Path(f"/proc/{process}/io").read_text().split()
    except OSError:
        return 0.0
    return int(told[1]) / 1e6


def rounds(take: Take, n: int) -> list[tuple[Used, Used]]:
    """Reading alone and the whole run, in turn."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_take(folder, take)
        read = [sys.executable, "-c", _READ, *(str(path) for path in sorted(folder.glob("*.wav")))]
        run = [
            sys.executable,
            "-m",
            "analyze",
            "run",
            str(folder),
            "--out",
            str(folder / "report"),
            "--quiet",
            "--force",
        ]
        return [(used_by(read), used_by(run)) for _ in range(n)]


def told(what: str, found: list[tuple[Used, Used]]) -> None:
    """Print one row."""
    wall = statistics.median(run.wall_s / read.wall_s for read, run in found)
    processor = statistics.median(run.processor_s / read.processor_s for read, run in found)
    memory = max(run.memory_mb for _, run in found)
    wall_s = statistics.median(run.wall_s for _, run in found)
    read_mb = max(run.read_mb for _, run in found)
    processor_s = statistics.median(run.processor_s for _, run in found)
    used = f"{wall_s:6.1f} s, {processor_s:6.1f} of processor  {memory:5.0f} MB  read {read_mb:5.0f} MB"
    print(f"{what:44s} wall {wall:6.2f}  processor {processor:6.2f}  {used}", flush=True)  # noqa: T201


def growth() -> None:
    """One row for each length, number of tracks, number of outputs."""
    for minutes in _MINUTES:
        told(f"{minutes} min, 2 outputs, 4 positions", rounds(Take(2, 4, 60 * minutes), 1))
    for tracks in _TRACKS:
        n_outputs = min(4, tracks // 2)
        told(f"10 min, {tracks} tracks, {n_outputs} outputs", rounds(Take(n_outputs, tracks - n_outputs, 600), 1))
    for n_outputs in _OUTPUTS:
        told(f"10 min, {n_outputs} outputs, 8 positions", rounds(Take(n_outputs, 8, 600), 1))


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    add_take_options(parser)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--growth", action="store_true")
    a = parser.parse_args()
    if a.growth:
        growth()
        return
    take = take_of(a)
    how = ("at once" if a.together else "in turn") + (", own clock" if a.own_clock else "")
    told(f"{a.minutes} min, {a.outputs} outputs {how}, {a.positions} positions", rounds(take, a.rounds))


if __name__ == "__main__":
    main()
