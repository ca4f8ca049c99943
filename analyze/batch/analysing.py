"""One sound check of many, analysed in a process of its own.

So whatever becomes of it, a crash in a library or a kill for lack of memory, becomes of it alone, and what it has taken
is given back. What is finished is not done again: its report is of this version and these options, and every file it
read is what it was, by SHA-256.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

from analyze.archive.opening import ReportRead, open_report
from analyze.audio.files import sha256_of
from analyze.batch.outcome import Outcome, outcome_of
from analyze.errors import DescriptionError
from analyze.reports.folder import is_report, is_reserved
from analyze.version import VERSION

#: Exit codes of `analyze run` that leave a report: all decided, or not.
_FINISHED = (0, 5)
#: How long to wait before looking again whether another process has finished a report.
_LOOK_AGAIN_S = 0.5
#: What is kept of an error's text.
_MESSAGE_LENGTH = 600


@dataclass(frozen=True)
class Task:
    """What a worker needs to know: the sound check, its name, its report and how to analyse it.

    report : folder to be written; threads : cores for this one; force : do it again even if it is finished
    """

    folder: Path
    name: str
    report: Path
    bands_per_octave: int
    threads: int
    force: bool = False


class Stopped(Exception):  # nothing is wrong: the user has had enough
    """Raised where an analysis was begun after `Analyses.stop`."""


class Analyses:
    """The processes that are under way in this one, so that they can be told to stop."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._running: set[subprocess.Popen[bytes]] = set()
        self._stopped = threading.Event()

    def run(self, command: list[str]) -> tuple[int, str]:
        """Exit code and error text of a command. Raises Stopped if it is too late to begin."""
        with self._lock:
            if self._stopped.is_set():
                raise Stopped
            process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
            self._running.add(process)
        try:
            _, said = process.communicate()
        finally:
            with self._lock:
                self._running.discard(process)
        return process.returncode, said.decode("utf-8", "replace")

    def wait(self, seconds: float) -> None:
        """Wait so long. Raises Stopped as soon as the user has had enough."""
        if self._stopped.wait(seconds):
            raise Stopped

    def stop(self) -> None:
        """Interrupt what runs: each clears up after itself and ends."""
        with self._lock:
            self._stopped.set()
            for process in self._running:
                process.send_signal(signal.SIGINT)


#: Those of this process: a worker of a cluster has its own.
ANALYSES = Analyses()


def analyse_one(task: Task) -> Outcome:
    """Analyse one sound check unless it is finished; whatever goes wrong is told in the row.

    Where another process is at it, what that one makes is waited for: a batch that was killed leaves its last analyses
    to finish by themselves.
    """
    while is_reserved(task.report):
        ANALYSES.wait(_LOOK_AGAIN_S)
    finished = None if task.force else _finished(task)
    if finished is not None:
        return outcome_of(task.name, task.report.name, finished, is_new=False)
    command = [sys.executable, "-m", "analyze", "run", str(task.folder), "--out", str(task.report), "--quiet"]
    command += ["--bands", str(task.bands_per_octave), "--workers", str(task.threads)]
    code, said = ANALYSES.run(command)
    if code not in _FINISHED:
        said = said.replace(str(task.folder), task.name)
        return Outcome(task.name, "", "failed", message=_message(code, said))
    try:
        return outcome_of(task.name, task.report.name, open_report(task.report), is_new=True)
    except DescriptionError as error:  # somebody was faster
        return Outcome(task.name, "", "failed", message=error.message().replace("\n", " "))


def _finished(task: Task) -> ReportRead | None:
    """The report of this sound check as it is now, None if there is none."""
    if not is_report(task.report):
        return None
    try:
        report = open_report(task.report)
        results = report.results
        is_same = results["program"]["version"] == VERSION
        is_same = is_same and results["options"]["bands_per_octave"] == task.bands_per_octave
        files = [results["description_file"], *results["input_files"]]
        return report if is_same and all(_is_unchanged(task.folder / one["path"], one) for one in files) else None
    except (DescriptionError, KeyError, TypeError):  # of another version, or not whole
        return None


def _is_unchanged(path: Path, recorded: dict[str, object]) -> bool:
    """Whether a file is what it was when it was analysed; its size is asked first."""
    try:
        return path.stat().st_size == recorded["n_bytes"] and sha256_of(path) == recorded["sha256"]
    except OSError:
        return False


def _message(code: int, said: str) -> str:
    """Why there is no report, in one line."""
    if code < 0:
        return (
            f"The analysis was killed ({signal.Signals(-code).name}). Most often memory ran out: run it again with "
            "fewer --workers."
        )
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    text = " ".join(lines).removeprefix("analyze: ") or f"It ended with exit code {code}."
    return text if len(text) <= _MESSAGE_LENGTH else text[: _MESSAGE_LENGTH - 1] + "…"
