"""Plots drawn by several processes: matplotlib holds the interpreter, so threads would only wait for one another.

One process loads matplotlib while something else goes on, and becomes several once it has; where a process cannot be
split, each loads it. They are begun once the recordings are read: till then the cores have enough to do, and what these
processes hold would come on top of what reading takes. Whatever goes wrong in one of them, its share is drawn here. A
plot that cannot be drawn says so in its place: no picture is worth the settings sheet.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from multiprocessing import resource_tracker
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from analyze.reports.plots import Plot

#: Plots -> SVG and PNG of each, in the same order. Work may begin at the call; going through the result waits for it.
Draw = Callable[[Sequence["Plot"]], Iterator[tuple[bytes, bytes]]]

#: What takes the time of loading.
_DRAWN_WITH = ("analyze.reports.plots", "matplotlib.figure", "matplotlib.backends.backend_svg")
#: More processes than this would be begun for a plot or two each.
_MOST = 4
#: How long processes have to end by themselves, which takes them milliseconds when nothing is left to draw.
_TO_END_S = 0.5
#: Whether a process can become several that share what it has loaded. Elsewhere it may not be safe, or cannot be done.
_SPLITS = sys.platform == "linux"


def draw_here(plots: Sequence[Plot]) -> Iterator[tuple[bytes, bytes]]:
    """Draw one after the other in this process."""
    return (_rendered(plot) for plot in plots)


def _rendered(plot: Plot) -> tuple[bytes, bytes]:
    """The plot, or that it could not be drawn."""
    try:
        return plot.render()
    except Exception as error:
        return plot.render_without(error)


class Drawing:
    """Draws plots (`Draw`) in up to `n` processes, which `begin` starts, else the first plots; here with one."""

    def __init__(self, n: int) -> None:
        self._n = min(n, _MOST)
        self._ours: list[Connection] = []
        self._started: list[Any] = []

    def begin(self) -> None:
        """Start the processes, if that has not been done."""
        if self._n < 2 or self._ours:
            return
        context = multiprocessing.get_context("spawn")
        pipes = [context.Pipe() for _ in range(self._n)]
        self._ours, theirs = [list(ends) for ends in zip(*pipes, strict=True)]
        shared = [theirs] if _SPLITS else [[one] for one in theirs]
        self._started = [_started(context, connections) for connections in shared]
        for connection in theirs:
            connection.close()

    def __call__(self, plots: Sequence[Plot]) -> Iterator[tuple[bytes, bytes]]:
        """SVG and PNG of each plot, in the same order."""
        self.begin()
        return _drawn(plots, self._ours) if self._ours else draw_here(plots)

    def end(self) -> None:
        """Leave no process behind."""
        for connection in self._ours:
            connection.close()
        for process in self._started:
            process.join(_TO_END_S)
            process.terminate()  # one that still draws what nobody waits for
            process.join()


@contextmanager
def drawing_processes(n: int) -> Iterator[Drawing]:
    """Up to `n` processes that end with the block, however it is left; with one, plots are drawn in this process.

    Processes are started anew, so a program that uses this needs the `__name__ == "__main__"` guard.
    """
    drawing = Drawing(n)
    try:
        yield drawing
    finally:
        drawing.end()


def _started(context: Any, connections: list[Connection]) -> Any:
    process = context.Process(target=_draw_for, args=(connections,), daemon=True)
    with _no_interrupts():
        process.start()
    return process


@contextmanager
def _no_interrupts() -> Iterator[None]:
    """What is started within never hears of a user's interrupt, which would make it print a traceback."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # started with the first process it would let interrupts through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _draw_for(connections: list[Connection]) -> None:
    """Load what draws, and draw what comes through every connection in a process of its own. Does not return."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    new = 0
    with suppress(Exception):  # whoever waits at the other end sees that it closed, and draws
        for module in _DRAWN_WITH:
            import_module(module)
        own, *others = connections
        while others and not (new := os.fork()):  # the new process takes what is left of them
            own.close()
            own, *others = others
        for connection in others:
            connection.close()  # or nobody would hear that the process that serves it has ended
        while True:
            own.send([_rendered(plot) for plot in own.recv()])
    for connection in connections:
        connection.close()
    if new:
        os.waitpid(new, 0)
    os._exit(0)  # there is nothing to clear up, and taking libraries down takes time


def _drawn(plots: Sequence[Plot], connections: list[Connection]) -> Iterator[tuple[bytes, bytes]]:
    """Give every process its share at once; returns what collects them."""
    n = len(connections)
    shares = [plots[k::n] for k in range(n)]
    for share, connection in zip(shares, connections, strict=True):
        with suppress(OSError):  # it has ended: that shows again where its share is waited for
            connection.send(share)
    parts = [_received(share, connection) for share, connection in zip(shares, connections, strict=True)]
    return (next(parts[k % n]) for k in range(len(plots)))


def _received(share: Sequence[Plot], connection: Connection) -> Iterator[tuple[bytes, bytes]]:
    """The share of one process, drawn here if the process has ended."""
    try:
        drawn = connection.recv()
    except (EOFError, OSError):
        drawn = draw_here(share)
    yield from drawn
