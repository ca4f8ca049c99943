"""Kills the archive command at random moments and looks at what is left: a whole record or none.

    python tests/archive/killing.py 50

Every other time an earlier record stands there and is to be replaced (`--force`): it or the new one is whole, or it was
moved aside for the blink of an eye and the next start puts it back.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from archive_making import make_report

from analyze.archive.verification import verify_record

#: Large enough for the command to spend most of its time writing.
AUDIO = {"take.wav": bytes(range(256)) * (16 << 12)}


def command(place: Path, *options: str) -> subprocess.Popen[str]:
    """The archive command on the report in a folder, started."""
    arguments = ["archive", str(place / "reports/harbour"), "--to", str(place / "records"), "--with-audio", *options]
    call = [sys.executable, "-m", "analyze", *arguments]
    return subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def make_material(place: Path) -> float:
    """A report and its recordings; how many seconds the command takes."""
    make_report(place / "reports" / "harbour", audio=AUDIO)
    (place / "harbour").mkdir()
    for name, data in AUDIO.items():
        (place / "harbour" / name).write_bytes(data)
    (place / "harbour" / "soundcheck.toml").write_bytes(b"format = 1\n")
    finish(place)
    started = time.monotonic()
    finish(place, "--force")
    return time.monotonic() - started


def finish(place: Path, *options: str) -> None:
    """Run the command to its end: one whole record and nothing beside it."""
    process = command(place, *options)
    _, said = process.communicate(timeout=100)
    assert process.returncode == 0, said
    assert [path.name for path in (place / "records").iterdir()] == ["harbour"]
    assert verify_record(place / "records" / "harbour").is_valid


def remove(record: Path) -> None:
    """Take a record away as a user would."""
    for path in sorted(record.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    record.rmdir()


def killed_once(place: Path, after_s: float, has_earlier: bool) -> str:
    """Kill one command and judge what it leaves, in a word: nothing, part, earlier, aside, whole."""
    record = place / "records" / "harbour"
    if has_earlier != record.exists():
        remove(record) if record.exists() else finish(place)
    marked = record / "data" / "marked"
    if has_earlier:
        marked.write_text("the earlier one")
    process = command(place, "--force")
    time.sleep(after_s)
    process.kill()
    process.communicate()
    beside = [path.name for path in record.parent.iterdir() if path.name != "harbour"] if record.parent.exists() else []
    assert all(name.startswith(".harbour.") for name in beside), beside
    if not record.exists():
        return "aside" if any(".old-" in name for name in beside) else "part" if beside else "nothing"
    if marked.exists():
        assert [one.file for one in verify_record(record).problems] == ["data/", "data/marked"]
        return "earlier"
    assert verify_record(record).is_valid
    return "whole"


def killed_at_random(place: Path, whole_s: float, n: int, rng: random.Random) -> Counter[str]:
    """Kill `n` commands at random moments of their lives of `whole_s`; the next start clears what each left."""
    left: Counter[str] = Counter()
    for number in range(n):
        left[killed_once(place, rng.uniform(0.4, 1.0) * whole_s, bool(number % 2))] += 1
        finish(place, "--force")
    return left


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        whole_s = make_material(Path(folder))
        print(dict(killed_at_random(Path(folder), whole_s, int(sys.argv[1]), random.Random(1))))  # noqa: T201  # by hand
