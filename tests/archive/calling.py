"""The program as a user calls it, its tables and its page as they are read."""

from __future__ import annotations

import contextlib
import csv
import io
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

from analyze.__main__ import _run


def call(*arguments, cwd: Path | None = None, **options) -> subprocess.CompletedProcess[str]:
    """What `analyze` says and exits with: in this process, or with options for one in a process of its own."""
    command = [sys.executable, "-m", "analyze", *map(str, arguments)]
    if options:
        return subprocess.run(command, capture_output=True, text=True, cwd=cwd, timeout=200, check=False, **options)
    out, err = io.StringIO(), io.StringIO()
    place = contextlib.chdir(cwd) if cwd else contextlib.nullcontext()
    with place, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = _run(command[3:])
    return subprocess.CompletedProcess(command, code, out.getvalue(), err.getvalue())


def read_table(file: Path) -> list[dict[str, str]]:
    """The rows of a CSV file."""
    return list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8"), newline="")))


class ReadPage(HTMLParser):
    """A page: what it loads or runs, and its text, runs of white space as one space."""

    def __init__(self, file: Path) -> None:
        super().__init__()
        self.loads: list[str] = []
        self._parts: list[str] = []
        self.feed(file.read_text(encoding="utf-8"))

    @property
    def text(self) -> str:
        return " ".join("".join(self._parts).split())

    def handle_starttag(self, tag, attrs) -> None:
        self.loads += [value for name, value in attrs if name in ("src", "href") and value and value[0] != "#"]
        if tag == "script":
            self.loads.append("script")

    def handle_data(self, data) -> None:
        self._parts.append(data)
