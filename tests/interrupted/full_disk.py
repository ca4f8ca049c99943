"""Runs every command that writes a folder on a disk that fills up, at one place after another.

    unshare --map-root-user --mount python -m tests.interrupted.full_disk 40

(Linux: a small disk in memory, mounted where nobody else sees it.) The room left grows in so many steps from nothing to
what the command needs. Each time the earlier result must stay whole, the exit code be 4, and no part be left.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from tests.field_making import write_check
from tests.interrupted.killing_commands import Content, content

#: Room on the disk beyond two results: what folders and names take.
_SPARE_BYTES = 1 << 20
_PAGE_BYTES = 4096


def call(*arguments: object) -> subprocess.CompletedProcess[str]:
    """A command run to its end."""
    command = [sys.executable, "-m", "analyze", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=200, check=False)


def make_material(place: Path) -> None:
    """Two visits, analysed, and a record of the first."""
    for visit, sign in (("may", 1.0), ("june", -1.0)):
        write_check(place / visit, seconds=5.0, sub_sign=sign)
        assert call("run", place / visit, "--out", place / "reports" / visit).returncode in (0, 5)
    assert call("archive", place / "reports" / "may", "--to", place / "records").returncode == 0


def commands(place: Path) -> dict[str, tuple[object, ...]]:
    """Every command, its target to be added; the result of a first call is named `out` on the small disk."""
    may, june = place / "reports" / "may", place / "reports" / "june"
    return {
        "run": ("run", place / "may", "--out"),
        "archive": ("archive", may, "--with-audio", "--sound-check", place / "may", "--force", "--to"),
        "compare": ("compare", may, june, "--out"),
        "verify-settings": ("verify-settings", may, june, "--out"),
        "history": ("history", place / "records", "--out"),
        "batch": ("batch", place / "june", "--force", "--out"),
    }


def mount(disk: Path, n_bytes: int) -> None:
    """A disk of this size in memory."""
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={n_bytes}", "none", str(disk)], check=True)


def unmount(disk: Path) -> None:
    """Take it away."""
    subprocess.run(["umount", str(disk)], check=True)
    disk.rmdir()


def filled_up(command: Iterable[object], disk: Path, n_steps: int) -> Counter[str]:
    """Exit codes and endings of one command with less room than it needs, in steps."""
    command = (*command, disk / "out")
    with tempfile.TemporaryDirectory() as elsewhere:
        done = call(*command[:-1], Path(elsewhere) / "out")
        assert done.returncode in (0, 5, 6), done.stderr
        n_bytes = _on_disk(content(Path(elsewhere)))
    n_disk = 2 * n_bytes + _SPARE_BYTES
    mount(disk, n_disk)
    try:
        assert call(*command).returncode == done.returncode
        free = [n_bytes * step // n_steps for step in range(n_steps)]
        return Counter(_with_room(command, disk, n_disk - n_bytes - n_free) for n_free in free)
    finally:
        unmount(disk)


def _with_room(command: tuple[object, ...], disk: Path, n_taken: int) -> str:
    """What comes of a command where so many bytes are taken beside the earlier result."""
    before = content(disk)
    with (disk / "ballast").open("wb") as ballast:
        ballast.write(bytes(n_taken))
    try:
        done = call(*command)
    finally:
        (disk / "ballast").unlink()
    assert "Traceback" not in done.stderr
    assert not list(disk.rglob(".*")), done.stderr
    if done.returncode != 4:
        assert done.returncode in (0, 5, 6, 8), done.stderr
        return f"exit {done.returncode}"
    assert "no space is left" in done.stderr
    assert content(disk) == before
    return "exit 4, the earlier one whole"


def _on_disk(files: Content) -> int:
    """Bytes that files take, in whole pages."""
    return sum(-(-len(data) // _PAGE_BYTES) * _PAGE_BYTES for data in files.values())


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        make_material(Path(folder))
        for name, command in commands(Path(folder)).items():
            outcome = filled_up(command, Path(folder) / "disk", int(sys.argv[1]))
            print(f"{name}: {dict(outcome)}", flush=True)  # noqa: T201  # run by hand
