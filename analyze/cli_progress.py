"""How far a command is, for whoever sits at the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analyze.responses.capture import ProgressStart


@contextmanager
def progress(quiet: bool) -> Iterator[ProgressStart | None]:
    """A bar per capture with the time left; nothing when quiet or not on a terminal."""
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    from analyze.reports.naming import clean

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console) as bars:

        def start(capture: str, n_samples: int) -> Callable[[int], None]:
            task = bars.add_task(escape(clean(capture)), total=n_samples)
            return lambda done: bars.update(task, advance=done)

        yield start
