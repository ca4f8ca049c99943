"""Input that nobody thought of, tried for as long as you like: descriptions, audio files, results of reports.

    python -m tests.hostile.fuzz --minutes 20
    python -m tests.hostile.fuzz --corpus

prints how many were tried, what became of them by kind, and every one that did what no input may do: a traceback, a
crash of the process, an endless loop, more memory than allowed, a file touched that is not the program's, an escape on
the terminal. Those are kept in a folder. Inputs are tried in a process of its own, so that a crash in a library is
counted and the rest goes on. `--corpus` analyses every file of the corpus in every use instead.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.hostile.broken_audio import corpus
from tests.hostile.folders import recordings_of_example
from tests.hostile.strategies import audio_files, descriptions, results
from tests.hostile.trying import KEPT, try_audio, try_description, try_results

#: Inputs tried at a time, by sort; then what came of them is told.
_AT_ONCE = {"description": 100, "audio": 100, "results": 10}
#: After so long without a word a worker has hung.
_SILENT_S = 300.0
#: How files are tried: read by `inspect` as a rule, now and then drafted or analysed.
_COMMANDS = ("inspect",) * 34 + ("draft",) * 5 + ("run",)


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.hostile.fuzz", description="Try inputs of no sense.")
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=None, help="to try the same again  [default: by the clock]")
    parser.add_argument("--keep", type=Path, default=Path("fuzz_found"), help="folder of what went wrong")
    parser.add_argument("--corpus", action="store_true", help="analyse the files of the corpus in every use")
    parser.add_argument("--worker", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    first = int(time.time()) if options.seed is None else options.seed
    if options.worker:
        _work(first, options.keep)
    elif options.corpus:
        _told(_corpus(options.keep))
    else:
        _told(_fuzzed(first, 60.0 * options.minutes, options.keep))


def _told(came: Counter[str]) -> None:
    """Print what came of all inputs."""
    n_bad = sum(n for kind, n in came.items() if "BUG " in kind)
    print(f"{came.total()} inputs tried, {n_bad} did what no input may do")  # noqa: T201
    for kind, n in came.most_common():
        print(f"{n:8} {kind}")  # noqa: T201


def _fuzzed(first: int, seconds: float, keep: Path) -> Counter[str]:
    """What came of inputs until the time is over; workers that die are followed by others."""
    came: Counter[str] = Counter()
    end, numbers = time.monotonic() + seconds, itertools.count(first, 1000)
    while time.monotonic() < end:
        number = next(numbers)
        command = [sys.executable, "-m", "tests.hostile.fuzz", "--worker", "--seed", str(number), "--keep", str(keep)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as worker:
            for line in _lines(worker):
                came.update(json.loads(line))
                if time.monotonic() > end:
                    worker.terminate()
                    worker.wait()
                    for path in keep.glob(f"tried-{worker.pid}.*"):  # after a crash it is what did it
                        path.unlink()
                    return came
            came[f"BUG process ended with {worker.wait()}, seed {number}"] += 1
    return came


def _lines(worker: subprocess.Popen[str]) -> Iterator[str]:
    """Lines of a worker as they come; one that is silent for too long is killed."""
    assert worker.stdout is not None
    while True:
        guard = threading.Timer(_SILENT_S, worker.kill)
        guard.start()
        line = worker.stdout.readline()
        guard.cancel()
        if not line:
            return
        yield line


def _work(number: int, keep: Path) -> None:
    """Try inputs, told by lines of JSON, until told to stop."""
    warnings.simplefilter("error", RuntimeWarning)
    warnings.simplefilter("error", UserWarning)
    with tempfile.TemporaryDirectory() as base:
        described, heard, report = (Path(base, sort, "check") for sort in _AT_ONCE)
        recordings_of_example(described)
        shutil.copytree(KEPT, report)
        whole = json.loads((KEPT / "results.json").read_text(encoding="utf-8"))
        commands = itertools.cycle(_COMMANDS)

        def one_description(data: bytes) -> str:
            return _tried(partial(try_description, described, data), keep, "toml", data)

        def one_audio(file: tuple[str, bytes]) -> str:
            return _tried(partial(try_audio, heard, *file, next(commands)), keep, *file)

        def one_results(data: bytes) -> str:
            return _tried(partial(try_results, report, data), keep, "json", data)

        for n in itertools.count(number):
            kinds: Counter[str] = Counter()
            _try_many(n, "description", descriptions(), one_description, kinds)
            _try_many(n, "audio", audio_files(), one_audio, kinds)
            _try_many(n, "results", results(whole), one_results, kinds)
            print(json.dumps(kinds), flush=True)  # noqa: T201


def _try_many(number: int, sort: str, made: Any, trial: Callable[[Any], str], kinds: Counter[str]) -> None:
    """Try some new inputs of one sort and count what comes of them."""

    @seed(number)
    @settings(
        max_examples=_AT_ONCE[sort],
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(made)
    def each(one: Any) -> None:
        kinds[f"{sort}: {trial(one)}"] += 1

    each()


def _tried(trial: Callable[[], str], keep: Path, ending: str, content: bytes) -> str:
    """What came of one input; what must not be is kept."""
    current = keep / f"tried-{os.getpid()}.{ending}"
    current.parent.mkdir(parents=True, exist_ok=True)
    current.write_bytes(content)
    try:
        return trial()
    except Exception as error:
        places = traceback.extract_tb(error.__traceback__)
        own = [place for place in places if "/analyze/" in place.filename] or places
        what = f"BUG {type(error).__name__}: {str(error)[:100]!r} at {Path(own[-1].filename).name}:{own[-1].lineno}"
        current.rename(keep / f"{time.time_ns()}.{ending}")
        return what
    finally:
        current.unlink(missing_ok=True)


def _corpus(keep: Path) -> Counter[str]:
    """Every file of the corpus analysed in every use."""
    warnings.simplefilter("error", RuntimeWarning)
    came: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as base:
        folder = Path(base, "check")
        for one, command in itertools.product(corpus(), ("inspect", "draft", "run")):
            trial = partial(try_audio, folder, one.ending, one.content, command)
            came[_tried(trial, keep, one.ending, one.content)] += 1
    return came


if __name__ == "__main__":
    main()
