"""The program called on hostile input: what it says, how long it takes, how much memory, and what it touches.

Called in this process, on a terminal that shows every character it is given, so that an escape that gets through is
seen; a bug is raised where it happens. What libraries print past the program is caught at the file descriptors.
"""

from __future__ import annotations

import contextlib
import io
import os
import resource
import stat
import sys
import tempfile
import time
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analyze.__main__ import _run

# What keeps pandas' texts reserves 1 GiB of address space for the first of them: as much as a call may take. Under the
# limit it would fit or not by a hair, and leave nothing where it fits.
pd.Series(["a text"])

#: Exit codes of README that a hostile input may lead to: never 1, a bug.
FINISHED, REFUSED, UNREADABLE, UNDECIDED, CHANGED, DAMAGED, SOME_FAILED = 0, 2, 3, 5, 6, 7, 8

#: A machine with other work may take so many times as long by the clock.
_WAITING = 20.0

#: What no terminal may be sent: controls, and marks that turn text around or cannot be seen. Joiners are needed.
_ACTS = ("Cc", "Cf", "Cs", "Co", "Zl", "Zp")
_JOINERS = "\u200c\u200d"


@dataclass(frozen=True)
class Called:
    """What came of a call: exit code, stdout and stderr, and how long it took: of the processor, and by the clock."""

    code: int
    out: str
    said: str
    seconds: float
    wall_s: float

    @property
    def problem(self) -> str:
        """The error without the name of the program; the first line says what is wrong, the last what to do."""
        return self.said.strip().removeprefix("analyze: ")


class _Terminal(io.TextIOWrapper):
    """Takes text as a terminal does, and only what can be written in UTF-8."""

    def __init__(self, errors: str) -> None:
        super().__init__(io.BytesIO(), encoding="utf-8", errors=errors, write_through=True)

    def isatty(self) -> bool:
        return True

    @property
    def text(self) -> str:
        self.flush()
        return self.buffer.getvalue().decode("utf-8")  # type: ignore[attr-defined]


def called(*arguments: object, more_bytes: int | None = 1 << 30) -> Called:
    """Call the program.

    Parameters
    ----------
    more_bytes : memory that it may take on top of what this process has; asking for more fails as a full machine does
    """
    out, said = _Terminal("strict"), _Terminal("backslashreplace")
    began, began_wall = time.process_time(), time.monotonic()
    past: list[str] = []
    with _printed_past(past), _memory(more_bytes), _dumb_terminal():
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(said):
            code = _run([*map(str, arguments), "--debug"])
        seconds, wall_s = time.process_time() - began, time.monotonic() - began_wall
    assert past == [""], f"printed past the program: {past}"
    return Called(code, out.text, said.text, seconds, wall_s)


@contextlib.contextmanager
def _dumb_terminal() -> Iterator[None]:
    """A terminal without colours: what is written then is text, or has slipped through."""
    before = os.environ.get("TERM")
    os.environ["TERM"] = "dumb"
    try:
        yield
    finally:
        os.environ.pop("TERM") if before is None else os.environ.update(TERM=before)


@contextlib.contextmanager
def _memory(more_bytes: int | None) -> Iterator[None]:
    """Address space limited to what there is and some more; not limited where the system does not tell."""
    pages = Path("/proc/self/statm")
    if more_bytes is None or not pages.exists():
        yield
        return
    before = resource.getrlimit(resource.RLIMIT_AS)
    used = int(pages.read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + more_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


@contextlib.contextmanager
def _printed_past(into: list[str]) -> Iterator[None]:
    """Take what is written to the descriptors of stdout and stderr themselves."""
    with tempfile.TemporaryFile() as file:
        kept = [(n, os.dup(n)) for n in (1, 2)]
        sys.stdout.flush()
        sys.stderr.flush()
        for n, _ in kept:
            os.dup2(file.fileno(), n)
        try:
            yield
        finally:
            for n, own in kept:
                os.dup2(own, n)
                os.close(own)
            file.seek(0)
            into.append(file.read().decode("utf-8", "replace"))


def acting(text: str) -> list[str]:
    """The characters of a text that a terminal would act on, or that cannot be seen."""
    return [c for c in text if c != "\n" and c not in _JOINERS and unicodedata.category(c) in _ACTS]


def check_said(call: Called, *codes: int, most_s: float = 5.0) -> Called:
    """Hold what was said against the rules for every error: its exit code, one clear message, nothing that acts.

    Parameters
    ----------
    codes : the exit codes that are right
    most_s : how long the processor may take, with generous room
    """
    assert call.code in codes, (call.code, call.said)
    assert "Traceback" not in call.said
    assert "memory ran out" not in call.said
    assert not acting(call.said), (acting(call.said), call.said)
    assert not acting(call.out)
    assert call.seconds < most_s, call.seconds
    assert call.wall_s < _WAITING * most_s, call.wall_s
    if call.code in (REFUSED, UNREADABLE):
        assert call.out == ""
        assert call.said.lstrip().startswith(("analyze: ", "Usage: ")), call.said
        assert len(call.said) < 20_000
        assert len(call.said.strip().splitlines()) >= 2, "no mend"
    return call


@contextlib.contextmanager
def untouched(folder: Path, *but: str) -> Iterator[None]:
    """Hold that nothing below a folder is made, changed or removed, but below the paths in `but`."""
    before = _listing(folder, but)
    yield
    after = _listing(folder, but)
    assert after == before, sorted(set(after.items()) ^ set(before.items()))


def _listing(folder: Path, but: tuple[str, ...]) -> dict[str, tuple[int, int, int]]:
    """Mode, size and time of change of everything below a folder."""
    found = {}
    for base, folders, files in os.walk(folder):
        inside = Path(base).relative_to(folder)
        folders[:] = [name for name in folders if (inside / name).as_posix() not in but]
        for name in (*folders, *files):
            if (inside / name).as_posix() in but:
                continue
            at = Path(base, name).lstat()
            what = (0, 0) if stat.S_ISDIR(at.st_mode) else (at.st_size, at.st_mtime_ns)
            found[(inside / name).as_posix()] = (at.st_mode, *what)
    return found
