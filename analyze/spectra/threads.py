"""Work on several cores: threads, since transforms and products free the interpreter.

How many is what `scipy.fft.get_workers` tells where the work is begun; with one, it is done where it stands.

Source: `mallopt(3)` of the GNU C library, the options' numbers from its `malloc.h`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import nullcontext, suppress
from typing import TypeVar

Task = Callable[[], None]

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
#: Bytes that stay with the process once it is done with them, and from which on memory is taken by itself.
_KEPT, _BY_ITSELF = 64 << 20, 32 << 20

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def one_heap() -> None:
    """Let all threads begun from now on take their memory from one heap, where the C library has one for each.

    What one thread has freed no other could use: that is a tenth to a fifth of what a run takes. And keep it: arrays
    made batch after batch would else be given back to the system and taken again, page by page.
    """
    import ctypes

    with suppress(OSError, TypeError, AttributeError):  # another C library: it has its own way
        mallopt = ctypes.CDLL(None).mallopt
        for option, value in ((_M_ARENA_MAX, 1), (_M_TRIM_THRESHOLD, _KEPT), (_M_MMAP_THRESHOLD, _BY_ITSELF)):
            mallopt(option, value)


def worker_threads() -> ThreadPoolExecutor | nullcontext[None]:
    """Threads to work in; none where the caller's own is all there should be."""
    from scipy import fft

    workers = fft.get_workers()
    return ThreadPoolExecutor(workers) if workers > 1 else nullcontext()


def start(pool: ThreadPoolExecutor | None, tasks: Sequence[Task]) -> list[Future[None]]:
    """Begin these tasks; without a pool, do them."""
    if pool is not None:
        return [pool.submit(task) for task in tasks]
    for task in tasks:
        task()
    return []


def wait(begun: Sequence[Future[None]]) -> None:
    """Wait until all of these are done; raises what the first of them that failed raised."""
    for future in begun:
        future.result()


def for_each(function: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """`function` of every item, side by side, the results in order."""
    with worker_threads() as pool:
        return list(map(function, items) if pool is None else pool.map(function, items))
