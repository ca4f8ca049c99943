"""A report folder appears whole or not at all: built beside its target, then renamed.

A folder is ours if its `datapackage.json` says that we made it and lists its files. One of the same kind is replaced;
what somebody put into it is carried over. Any other folder is replaced with `force` alone. `.<name>.partial-<pid>` is
being built, `.<name>.old-<pid>` is being replaced, `.<name>.busy-<pid>` keeps others away; what dead processes left of
any is cleared at the next start.
A `Kind` says what a folder is called and what it may replace.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from analyze.errors import DescriptionError, OutputError
from analyze.reports.datapackage import REPORT_NAME
from analyze.reports.reading import manifest_of

# Longest name of a target that its parts bear in full, so that theirs stay within 255 bytes.
_NAME_LENGTH, _DIGEST_LENGTH = 50, 12

#: What a file holds, or what writes it to the path it is given.
Content = bytes | Callable[[Path], None]


@dataclass(frozen=True)
class Kind:
    """What a folder is to be.

    noun : what it is called; source : what it is made from; option : of the command line, by which its place is chosen
    may_replace : whether a folder that stands there may be replaced unasked
    in_the_way : what is said of one that may not
    """

    noun: str
    source: str
    option: str
    may_replace: Callable[[Path], bool]
    in_the_way: str


def made_kind(noun: str, name: str, source: str) -> Kind:
    """The kind of folder whose data package bears a name: it may replace its like and nothing else.

    Parameters
    ----------
    noun : what it is called; source : what it is made from
    """
    return Kind(
        noun,
        source,
        "--out",
        lambda folder: manifest_of(folder).get("name") == name,
        f"exists and is not a {noun} of this program.",
    )


#: Reports replace earlier ones.
REPORT = made_kind("report", REPORT_NAME, "the recordings")


def is_report(folder: Path) -> bool:
    """Whether a folder is a report of ours, by its manifest."""
    return REPORT.may_replace(folder)


def refuse_report(path: Path) -> None:
    """Refuse a report where a sound check is wanted: it holds a description, but no recordings.

    Raises DescriptionError.
    """
    if is_report(path):
        raise DescriptionError(
            "is a report (expected the sound check it was made from).",
            "Name the folder with the recordings.",
            path=path,
        )


def check_folder(target: Path, force: bool = False, *, source: Path | None = None, kind: Kind = REPORT) -> None:
    """Refuse early what could not be written later, before any time is spent.

    Parameters
    ----------
    target : the folder to be
    force : replace what is not a report of ours too
    source : folder of what it is made from, which it may not replace

    Raises
    ------
    DescriptionError : the target holds its source or this process's own folder, is no folder, or may not be replaced
    OutputError : nothing can be written there
    """
    place = _resolved(target, kind)
    try:
        _clear_stale(place)
        _check_place(place, force, None if source is None else source.resolve(), kind)
        _probe(place.parent)
    except OSError as error:
        raise output_error(error, target, kind) from error


def replace_folder(target: Path, files: Iterable[tuple[str, Content]], *, kind: Kind = REPORT) -> None:
    """Write files (names with `/`, content) to a new folder and put it in the place of `target`.

    `files` is consumed while the folder is built. On any failure and on interruption what stood at `target` stands
    there still, and nothing is left beside it. Call `check_folder` first.

    Raises
    ------
    OutputError : the disk is full, or the folder is not writable
    """
    place = _resolved(target, kind)
    part, old = _part(place, "partial"), _part(place, "old")
    with _cleaned_up(place, part, old):
        with _as_output_error(target, kind):
            part.mkdir(parents=True)
        for name, content in files:
            with _as_output_error(target, kind):
                _write(part / name, content)
        with _as_output_error(target, kind):
            _carry_over(place, part)
            if place.exists():
                place.rename(old)
            part.rename(place)
        shutil.rmtree(old, ignore_errors=True)


@contextlib.contextmanager
def reserved(target: Path, *, kind: Kind = REPORT) -> Iterator[None]:
    """Keep other processes from writing the same folder until the block is left. Call `check_folder` first.

    Raises
    ------
    DescriptionError : another process keeps it
    OutputError : nothing can be written there
    """
    place = _resolved(target, kind)
    parents = [parent for parent in place.parents if not parent.exists()]
    own = _part(place, "busy")
    try:
        with _as_output_error(target, kind):
            own.mkdir(parents=True, exist_ok=True)
        other = _other_writer(place)
        if other is not None:
            raise DescriptionError(
                f"is being written by another run (process {other}).",
                f"Wait until it has finished, or choose another folder with {kind.option}.",
                path=target,
            )
        yield
    finally:
        with contextlib.suppress(OSError):
            own.rmdir()
        for parent in parents:  # those that hold nothing now
            with contextlib.suppress(OSError):
                parent.rmdir()


def is_reserved(target: Path, *, kind: Kind = REPORT) -> bool:
    """Whether another process keeps a folder, to write it."""
    return _other_writer(_resolved(target, kind)) is not None


def output_error(error: OSError, target: Path, kind: Kind = REPORT) -> OutputError:
    """What an operating system error means to the user."""
    is_full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    reason = "no space is left" if is_full else (error.strerror or type(error).__name__).lower()
    full = f"Make room on the disk or write elsewhere with {kind.option}; an earlier {kind.noun} is untouched."
    closed = f"Choose a folder you may write to with {kind.option}, and close programs that use the {kind.noun}; "
    mend = full if is_full else f"{closed}nothing was changed."
    return OutputError(f"the {kind.noun} could not be written: {reason}.", mend, path=target)


@contextlib.contextmanager
def _as_output_error(target: Path, kind: Kind) -> Iterator[None]:
    """Operating system errors within become an OutputError."""
    try:
        yield
    except OSError as error:
        raise output_error(error, target, kind) from error


@contextlib.contextmanager
def _cleaned_up(place: Path, part: Path, old: Path) -> Iterator[None]:
    """Whatever goes wrong within, one whole folder is in its place, and parts and new parents are gone."""
    parents = [parent for parent in place.parents if not parent.exists()]
    try:
        yield
    except BaseException:
        with contextlib.suppress(OSError):
            if old.exists() and not place.exists():
                old.rename(place)
        shutil.rmtree(part, ignore_errors=True)
        if place.exists():
            shutil.rmtree(old, ignore_errors=True)
        for parent in parents:
            with contextlib.suppress(OSError):
                parent.rmdir()
        raise


def _resolved(target: Path, kind: Kind) -> Path:
    """The folder meant, links followed."""
    try:
        return Path(target).expanduser().resolve()
    except (OSError, RuntimeError) as error:
        raise DescriptionError(
            "cannot be followed.", f"Choose another folder with {kind.option}.", path=target
        ) from error


def _check_place(place: Path, force: bool, source: Path | None, kind: Kind) -> None:
    """Refuse a target that may not be replaced."""
    mend = f"Choose another folder with {kind.option}."
    if not place.name:
        raise DescriptionError(f"a {kind.noun} cannot take the place of the whole disk.", mend, path=place)
    if source is not None and source.is_relative_to(place):
        raise DescriptionError(f"holds {kind.source}, which a {kind.noun} would replace.", mend, path=place)
    if Path.cwd().is_relative_to(place):
        raise DescriptionError(f"this is the folder you work in; a {kind.noun} would replace it.", mend, path=place)
    if Path("~").expanduser().is_relative_to(place):
        raise DescriptionError(f"a {kind.noun} cannot take the place of a home folder.", mend, path=place)
    if place.exists() and not place.is_dir():
        raise DescriptionError("is a file (expected a folder, or nothing).", mend, path=place)
    if force or not place.is_dir() or kind.may_replace(place) or not any(place.iterdir()):
        return
    raise DescriptionError(
        kind.in_the_way,
        f"Choose another folder with {kind.option}, or replace this one and all it holds with --force.",
        path=place,
    )


def _probe(parent: Path) -> None:
    """Make and remove an empty folder where the report's folder will be made."""
    while not parent.exists():
        parent = parent.parent
    Path(tempfile.mkdtemp(prefix=".", dir=parent)).rmdir()


def _carry_over(place: Path, part: Path) -> None:
    """Link (or copy) into the new folder what somebody put into the old one, as `.kept` where a name is taken."""
    listed = {str(name) for name in manifest_of(place).get("files", ())}
    if not listed:
        return
    for path in sorted(place.rglob("*")):
        name = path.relative_to(place).as_posix()
        if name in listed or (path.is_dir() and not path.is_symlink()):
            continue
        copy = part / f"{name}.kept" if (part / name).exists() else part / name
        copy.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(path, copy, follow_symlinks=False)
        except OSError:
            shutil.copy2(path, copy, follow_symlinks=False)


def _write(path: Path, content: Content) -> None:
    """Write one file down to the disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if callable(content):
        content(path)
    with path.open("r+b" if callable(content) else "xb") as file:
        if isinstance(content, bytes):
            file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _part(place: Path, kind: str) -> Path:
    """The folder beside `place` in which this process builds, or to which it moves what it replaces."""
    return place.with_name(f".{_stem(place)}.{kind}-{os.getpid()}")


def _stem(place: Path) -> str:
    """What the parts of a target are called after: its name, or its beginning and a digest if it is long."""
    if len(place.name) <= _NAME_LENGTH:
        return place.name
    return place.name[:_NAME_LENGTH] + hashlib.sha256(os.fsencode(place.name)).hexdigest()[:_DIGEST_LENGTH]


def _clear_stale(place: Path) -> None:
    """Remove what dead processes left beside `place`; an earlier report that was moved aside comes back first."""
    for path, what, pid in _parts(place):
        if _is_running(pid):
            continue
        if what == "old" and not place.exists():
            path.rename(place)
        else:
            shutil.rmtree(path, ignore_errors=True)


def _parts(place: Path) -> list[tuple[Path, str, int]]:
    """What processes have put beside `place`: path, what it is for, number of the process; sorted."""
    if not place.parent.is_dir():
        return []
    pattern = re.compile(rf"\.{re.escape(_stem(place))}\.(partial|old|busy)-(\d+)")
    found = [(path, pattern.fullmatch(path.name)) for path in sorted(place.parent.iterdir())]
    return [(path, m[1], int(m[2])) for path, m in found if m and path.is_dir() and not path.is_symlink()]


def _other_writer(place: Path) -> int | None:
    """Number of the process that keeps others away; None where the dead cannot be told from the living."""
    others = [pid for _, what, pid in _parts(place) if what == "busy" and _is_running(pid)]
    return others[0] if others and os.name != "nt" else None


def _is_running(pid: int) -> bool:
    """Whether another process of this number lives. One of our own number is dead: we have not begun to write."""
    if pid == os.getpid():
        return False
    if os.name == "nt":  # there, asking by signal 0 would end the process
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True
