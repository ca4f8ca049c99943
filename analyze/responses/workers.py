"""Captures measured side by side in threads (the transforms free the interpreter), stopped when the user says so."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

from analyze.responses.capture import ProgressStart

#: Tracks of captures under way together, at the most: each holds tens of MB of its samples and spectra.
_MOST_TRACKS = 64


class _StoppedError(Exception):
    """Raised inside a worker after another failed or the user interrupted."""


@contextmanager
def capture_workers(
    workers: int, n_captures: int, n_tracks: int, progress: ProgressStart | None
) -> Iterator[tuple[Callable[..., Future[Any]], ProgressStart]]:
    """A function that submits work to threads, and the progress callback to hand to that work.

    n_tracks : of the capture that has the most; of captures with many, few go side by side. With fewer captures than
    threads, the transforms of one capture share what is left. When the block is left by an exception the captures under
    way stop at their next block of samples.
    """
    from scipy import fft

    stop = threading.Event()
    threads = max(1, min(workers, n_captures, _MOST_TRACKS // max(1, n_tracks)))

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
