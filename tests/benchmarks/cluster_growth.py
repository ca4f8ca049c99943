"""What a cluster's own work takes for many sound checks: `python tests/benchmarks/cluster_growth.py`.

Analyses that do nothing go to two workers and come back as rows, as `analyze batch --cluster` sends and takes them;
then the summary of all of them is written. So what is told is the cost beside the analyses: time, memory of scheduler
and batch together, bytes over the wire, size of the summary.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import psutil
from distributed import Client, LocalCluster
from distributed.protocol import serialize_bytes

from analyze.batch.analysing import Task
from analyze.batch.outcome import Outcome
from analyze.batch.running import gathered
from analyze.batch.summary import write_summary


def pretend(task: Task) -> Outcome:
    """The row of an analysis that was not made."""
    place = "Rope store at Lantern Quay: warehouse hall, 34 x 22 x 9 m (invented)"
    return Outcome(task.name, task.report.name, "decided", "Empty hall", place, "2026-04-18", 8, 3, 0, 2, 0)


def memory_mb() -> float:
    """What this process holds, the scheduler in it."""
    return float(psutil.Process().memory_info().rss / 1e6)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--checks", type=int, nargs="+", default=[1000, 10_000, 100_000])
    for n in parser.parse_args().checks:
        tasks = [Task(Path(f"/checks/{k:06d}"), f"{k:06d}", Path(f"/out/{k:06d}"), 3, 1) for k in range(n)]
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
            Client(cluster) as client,
        ):
            before, began = memory_mb(), time.monotonic()
            rows = gathered(client.get_executor(pure=False), pretend, tasks)
            took_s, held_mb = time.monotonic() - began, memory_mb() - before
        wire = len(serialize_bytes(tasks[0])) + len(serialize_bytes(rows[0]))
        with tempfile.TemporaryDirectory() as name:
            began = time.monotonic()
            write_summary(rows, Path(name))
            summary_s = time.monotonic() - began
            page_mb = (Path(name) / "summary" / "report.html").stat().st_size / 1e6
        sent = f"{1e3 * took_s / n:.1f} ms each, {held_mb:.0f} MB more, about {wire} bytes there and back"
        print(f"{n:6d} sound checks: {sent}; summary {summary_s:.1f} s, page {page_mb:.1f} MB", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
