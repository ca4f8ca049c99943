"""All sound checks of a batch, side by side on one machine or on a cluster.

Both are executors of the standard library's form: threads here, each waiting for the process of one analysis; the
workers of dask.distributed there. The rows do not depend on which, nor on how many.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from analyze.batch.analysing import ANALYSES, Task, analyse_one
from analyze.batch.finding import Found
from analyze.batch.outcome import Outcome
from analyze.errors import DescriptionError

#: Memory that an analysis of 16 tracks takes at the most, with a recorder of its own (measured; guide, `speed`).
_BYTES_EACH = 900_000_000
#: Tasks handed out at a time: more than most clusters have cores, and the scheduler holds 17 kB for each.
_AT_ONCE = 2000
#: How long to wait for a scheduler.
_CONNECT_S = 10.0

#: Called with every row as it comes.
Told = Callable[[Outcome], None]


def default_workers() -> int:
    """Analyses that this machine's cores and free memory allow at once."""
    cores = os.cpu_count() or 1
    free = _free_bytes()
    return cores if free is None else max(1, min(cores, free // _BYTES_EACH))


def _free_bytes() -> int | None:
    """Memory that is free, as Linux tells; None elsewhere."""
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        return next(1024 * int(line.split()[1]) for line in lines if line.startswith("MemAvailable:"))
    except (OSError, StopIteration, ValueError, IndexError):
        return None


def run_batch(
    found: Sequence[Found],
    target: Path,
    *,
    bands_per_octave: int = 3,
    workers: int | None = None,
    cluster: str | None = None,
    force: bool = False,
    told: Told | None = None,
) -> list[Outcome]:
    """Analyse every sound check into `target`/its report's name; rows in the order of `found`.

    Parameters
    ----------
    workers : analyses at once, as many as cores and memory allow if None; a cluster has as many as its threads
    cluster : address of a dask scheduler whose workers see the same folders under the same paths
    force : do again what is finished
    told : called with every row as it comes

    Raises
    ------
    DescriptionError : the cluster cannot be reached or fails, or dask is not installed
    """
    workers = workers or default_workers()
    threads = 1 if cluster else max(1, (os.cpu_count() or 1) // workers)
    base = target.expanduser().resolve()
    tasks = [Task(one.folder, one.name, base / one.report, bands_per_octave, threads, force) for one in found]
    with _threads(workers) if cluster is None else _cluster(cluster) as executor:
        try:
            return gathered(executor, analyse_one, tasks, told=told, cluster=cluster)
        except BaseException:  # the user has had enough, as a rule: what has not begun never does, the rest is stopped
            ANALYSES.stop()
            raise


def gathered(
    executor: Executor,
    analyse: Callable[[Task], Outcome],
    tasks: Sequence[Task],
    *,
    told: Told | None = None,
    cluster: str | None = None,
) -> list[Outcome]:
    """The rows of tasks, in their order, whenever each comes; no more than `_AT_ONCE` are handed out at a time.

    Raises
    ------
    DescriptionError : the cluster fails
    """
    rows: dict[int, Outcome] = {}
    place: dict[Future[Outcome], int] = {}
    waiting, done = enumerate(tasks), SimpleQueue[Future[Outcome]]()
    try:
        while len(rows) < len(tasks):
            for k, task in itertools.islice(waiting, _AT_ONCE - len(place)):
                future = executor.submit(analyse, task)
                place[future] = k
                future.add_done_callback(done.put)
            ready = done.get()
            k = place.pop(ready)
            rows[k] = _result(ready, cluster)
            if told is not None:
                told(rows[k])
    except BaseException:
        for future in place:
            future.cancel()
        raise
    return [rows[k] for k in range(len(tasks))]


def _result(future: Future[Outcome], cluster: str | None) -> Outcome:
    """The row of one sound check; what goes wrong between machines is no bug of an analysis."""
    try:
        return future.result()
    except Exception as error:
        if cluster is None:
            raise
        reason = (str(error).splitlines() or [""])[0]
        raise DescriptionError(
            f"the cluster failed ({type(error).__name__}: {reason}).",
            "Check that scheduler and workers run, with this version of analyze; then begin again: what is done stays.",
            path=cluster,
        ) from error


@contextmanager
def _threads(workers: int) -> Iterator[Executor]:
    with ThreadPoolExecutor(workers) as executor:
        yield executor


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError as error:
        raise DescriptionError(
            "--cluster needs dask.distributed, which is not installed.", 'Install it: pip install -e ".[cluster]"'
        ) from error
    try:
        client: Any = Client(address, timeout=_CONNECT_S)  # type: ignore[no-untyped-call]  # its types are not told
    except (OSError, ValueError) as error:
        raise DescriptionError(
            f"no scheduler answers at {address}.", "Start one (analyze guide batch), or check the address."
        ) from error
    with client:
        yield client.get_executor(pure=False)
