"""Kills `analyze run` and `analyze batch` at random moments and looks at what is left.

    python -m tests.interrupted.killing_commands run 100
    python -m tests.interrupted.killing_commands batch 100

Reports are compared to the byte with those of commands that nobody killed: each is the earlier one or the new one,
whole, or was moved aside for the blink of an eye and comes back at the next start. Afterwards no part is left, and no
process.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.field_making import write_check

Content = dict[str, bytes]

#: Shortest recordings that are analysed like longer ones.
_SECONDS = 5.0
#: Nothing is written before the program has loaded, so fewer are killed then.
_EARLIEST_SHARE = 0.3


def content(folder: Path) -> Content:
    """Every file below a folder."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@contextmanager
def started(*arguments: object) -> Iterator[subprocess.Popen[bytes]]:
    """A command in a session of its own, which must end with it."""
    command = [sys.executable, "-m", "analyze", *map(str, arguments)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
    with process:
        yield process
    for _ in range(600):
        if not _living(process.pid):
            return
        time.sleep(0.05)
    raise AssertionError(f"processes are left: {_living(process.pid)}")


def finished(*arguments: object) -> tuple[int, float]:
    """Exit code of a command that runs to its end, and how long that took, s."""
    began = time.monotonic()
    with started(*arguments) as process:
        process.wait(timeout=200)
    return process.returncode, time.monotonic() - began


def killed(after_s: float, *arguments: object) -> None:
    """Kill a command, but not what it started."""
    with started(*arguments) as process:
        time.sleep(after_s)
        process.kill()


def _living(session: int) -> list[int]:
    """Processes of a session that have not ended."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            after_name = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(after_name[3]) == session and after_name[0] != "Z":
            found.append(int(stat.parent.name))
    return found


def killed_runs(place: Path, n: int, rng: random.Random) -> Counter[str]:
    """Kill `n` runs that replace a report by one of other bands, now the one, now the other; what each left."""
    check, target = write_check(place / "field", seconds=_SECONDS), place / "reports" / "field"
    whole: dict[str, Content] = {}
    for bands in ("1", "3"):
        code, took_s = finished("run", check, "--out", target, "--bands", bands)
        assert code in (0, 5)
        whole[bands] = content(target)
    bands, left = "3", Counter[str]()
    for _ in range(n):
        wanted = "1" if bands == "3" else "3"
        killed(rng.uniform(_EARLIEST_SHARE, 1.0) * took_s, "run", check, "--out", target, "--bands", wanted)
        beside = [path.name for path in target.parent.iterdir() if path != target]
        assert all(name.startswith(".field.") for name in beside), beside
        if not target.exists():
            assert any(name.startswith(".field.old-") for name in beside), beside
            left["moved aside"] += 1
            continue
        now = content(target)
        assert now in (whole[bands], whole[wanted])
        left["the new one" if now == whole[wanted] else "the earlier one"] += 1
        bands = wanted if now == whole[wanted] else bands
    assert finished("run", check, "--out", target)[0] in (0, 5)
    assert content(target) == whole["3"]
    assert [path.name for path in target.parent.iterdir()] == ["field"]
    return left


def killed_batches(place: Path, n: int, rng: random.Random) -> Counter[str]:
    """Kill `n` batches of two sound checks, and go on after each; how many reports were whole after each."""
    for k, name in enumerate(("harbour", "mill")):
        write_check(place / "checks" / name, seconds=_SECONDS, sub_sign=(-1.0) ** k)
    out, command = place / "out", ("batch", place / "checks", "--workers", "2", "--out")
    code, took_s = finished(*command, place / "whole")
    assert code in (0, 5)
    whole = {path.name: content(path) for path in (place / "whole").iterdir()}
    left: Counter[str] = Counter()
    for _ in range(n):
        killed(rng.uniform(_EARLIEST_SHARE, 1.0) * took_s, *command, out)
        there = [path for path in out.iterdir() if not path.name.startswith(".")] if out.exists() else []
        for path in there:
            assert content(path) == whole[path.name], path.name
        left[f"{len(there)} whole"] += 1
        if len(there) == len(whole):
            _remove(out)
    assert finished(*command, out)[0] == code
    assert {path.name: content(path) for path in out.iterdir()} == whole
    return left


def _remove(folder: Path) -> None:
    for path in sorted(folder.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    folder.rmdir()


if __name__ == "__main__":
    judged = {"run": killed_runs, "batch": killed_batches}[sys.argv[1]]
    with tempfile.TemporaryDirectory() as folder:
        print(dict(judged(Path(folder), int(sys.argv[2]), random.Random(1))))  # noqa: T201  # run by hand
