"""Captures measured side by side in threads (the transforms free the interpreter), stopped when the user says so."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

from analyze.responses.capture import ProgressStart


class _StoppedError(Exception):
    """Raised inside a worker after another failed or the user interrupted."""


@contextmanager
def capture_workers(
    workers: int, n_captures: int, progress: ProgressStart | None
) -> Iterator[tuple[Callable[..., Future[Any]], ProgressStart]]:
    """A function that submits work to threads, and the progress callback to hand to that work.

    With fewer captures than threads, the transforms of one capture share what is left. When the block is left by an
    exception the captures under way stop at their next block of samples.
    """
    from scipy import fft

    stop = threading.Event()
    threads = max(1, min(workers, n_captures))

    def start(capture: str, n_samples: int) -> Callable[[int], None]:
        advance = progress(capture, n_samples) if progress is not None else None

        def watched(done: int) -> None:
            if stop.is_set():
                raise _StoppedError
            if advance is not None:
                advance(done)

        return watched

    def call(function: Callable[..., Any], *arguments: Any) -> Any:
        with fft.set_workers(max(1, workers // threads)):
            return function(*arguments)

    pool = ThreadPoolExecutor(threads)
    try:
        yield lambda function, *arguments: pool.submit(call, function, *arguments), start
    except BaseException:
        stop.set()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
