"""What a bag says of itself, whoever wrote it: its declaration, manifests, totals and what is to be fetched.

Everything is read from ordinary files of the inventory alone: no link is followed, nothing is fetched, and a path that
leaves the bag is a problem, never opened. BagIt 0.93 to 1.0 (RFC 8493).
"""

from __future__ import annotations

import codecs
import hashlib
import io
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from analyze.archive.bag import DECLARATION, INFO, decoded_path

#: Digests that a manifest may be of: its name in a file name -> its name in `hashlib`.
ALGORITHMS = {
    name.replace("_", ""): name for name in sorted(hashlib.algorithms_guaranteed) if not name.startswith("shake")
}

#: The folder of the payload, and the file of what is to be fetched.
PAYLOAD, FETCH = "data/", "fetch.txt"

_MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt", re.IGNORECASE)
_DECLARED = re.compile(r"BagIt-Version: (\d+)\.(\d+)\nTag-File-Character-Encoding: ([!-~]+)\n?")
_OXUM = re.compile(r"(\d{1,18})\.(\d{1,18})")
_UNSAFE = re.compile(r"/|~|[A-Za-z]:|\\")

_LEAVES = "the path leads out of the bag"

_KNOWN_VERSIONS = ((0, 93), (1, 0))
_ENCODINGS = ("utf-8", "utf-16", "utf-32", "ascii", "iso8859-1", "iso8859-15", "cp1252")

# Longest line of a tag file, and largest `bagit.txt`; longer ones are no paths of any file system.
_MAX_LINE, _MAX_DECLARATION = 1 << 16, 1 << 12


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a bag: the file concerned, what it is in a word or two, and what that means."""

    file: str
    problem: str
    detail: str


@dataclass(frozen=True)
class Inventory:
    """What lies in a folder: size in bytes of every ordinary file by path, and everything else, which is a problem."""

    root: Path
    files: dict[str, int]
    others: dict[str, str]

    def open(self, name: str) -> IO[bytes]:
        """Open an ordinary file of the inventory for reading. Raises OSError if it is a link by now."""
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        return os.fdopen(os.open(self.root / name, flags), "rb")


@dataclass(frozen=True)
class Manifest:
    """One manifest: its file, the `hashlib` name of its digest, and the digest of every path in lower case."""

    file: str
    algorithm: str
    is_of_tags: bool
    digests: dict[str, str]


@dataclass(frozen=True)
class BagRead:
    """A bag as it describes itself; `problems` is what could not be read."""

    version: tuple[int, int]
    manifests: tuple[Manifest, ...]
    to_fetch: frozenset[str]
    oxum: tuple[int, int] | None
    problems: list[Problem] = field(default_factory=list)


def take_inventory(root: Path) -> Inventory:
    """Everything below a folder, links not followed. Raises OSError if the folder cannot be listed."""
    files: dict[str, int] = {}
    others: dict[str, str] = {}
    waiting = [""]
    while waiting:
        below = waiting.pop()
        try:
            entries = sorted(os.scandir(root / below), key=lambda entry: entry.name)
        except OSError:
            if not below:
                raise
            others[below.rstrip("/")] = "folder that cannot be read"
            continue
        for entry in entries:
            name = below + entry.name
            if entry.is_symlink():
                others[name] = "link"
            elif entry.is_dir(follow_symlinks=False):
                waiting.append(f"{name}/")
            elif entry.is_file(follow_symlinks=False):
                files[name] = entry.stat(follow_symlinks=False).st_size
            else:
                others[name] = "device or pipe"
    return Inventory(root, files, others)


def read_bag(inventory: Inventory) -> BagRead:
    """Everything that a bag's tag files say and verification asks for."""
    problems: list[Problem] = []
    version, encoding = _declaration(inventory, problems)
    manifests = []
    for name in sorted(inventory.files):
        match = _MANIFEST.fullmatch(name)
        if match is None:
            continue
        algorithm = ALGORITHMS.get(match[2].lower())
        if algorithm is None:
            problems.append(Problem(name, "unknown digest", "the checksums in it cannot be tried"))
            continue
        lines = _lines(inventory, name, encoding, problems)
        manifests.append(_manifest(name, algorithm, bool(match[1]), lines, version, problems))
    to_fetch = _fetch(inventory, encoding, version, problems)
    oxum = _oxum(inventory, encoding, problems)
    return BagRead(version, tuple(manifests), frozenset(to_fetch), oxum, problems)


def _declaration(inventory: Inventory, problems: list[Problem]) -> tuple[tuple[int, int], str]:
    """Version and encoding of the tag files, by `bagit.txt` (RFC 8493, 2.1.1); 1.0 and UTF-8 where it says neither."""
    default = (1, 0), "utf-8"
    if DECLARATION not in inventory.files:
        problems.append(Problem(DECLARATION, "missing", "every bag begins with it"))
        return default
    try:
        with inventory.open(DECLARATION) as file:
            content = file.read(_MAX_DECLARATION).decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")
    except (OSError, UnicodeDecodeError) as error:
        problems.append(_unreadable(DECLARATION, error))
        return default
    match = _DECLARED.fullmatch(content)
    if match is None:
        problems.append(Problem(DECLARATION, "malformed", "expected two lines: BagIt version, encoding of tag files"))
        return default
    version = int(match[1]), int(match[2])
    if not _KNOWN_VERSIONS[0] <= version <= _KNOWN_VERSIONS[1]:
        problems.append(Problem(DECLARATION, "unknown version", f"BagIt {version[0]}.{version[1]}; checked as 1.0"))
        version = default[0]
    encoding = _encoding(match[3])
    if not encoding:
        problems.append(Problem(DECLARATION, "unknown encoding", f"{match[3]:.40}; tag files are read as UTF-8"))
    return version, encoding or default[1]


def _encoding(name: str) -> str:
    """The codec of a character encoding, empty if it is none that tag files are known to be in."""
    try:
        codec = codecs.lookup(name).name
    except LookupError:
        return ""
    return codec if codec in _ENCODINGS else ""


def _lines(inventory: Inventory, name: str, encoding: str, problems: list[Problem]) -> Iterator[tuple[int, str]]:
    """Number and text of the lines of a tag file, ended by LF, CR or both; stops where it cannot be read."""
    try:
        with io.TextIOWrapper(inventory.open(name), encoding=encoding, newline=None) as file:
            number = 0
            while line := file.readline(_MAX_LINE):
                number += 1
                if len(line) == _MAX_LINE and not line.endswith("\n"):
                    problems.append(Problem(name, "malformed", f"line {number} is too long; not read any further"))
                    return
                if line.strip():
                    yield number, line.rstrip("\n")
    except (OSError, UnicodeError) as error:
        problems.append(_unreadable(name, error))


def _unreadable(name: str, error: Exception) -> Problem:
    """The problem that a tag file cannot be read."""
    if isinstance(error, UnicodeError):
        return Problem(name, "wrong encoding", "not in the encoding that bagit.txt states; not read any further")
    return Problem(name, "unreadable", str(getattr(error, "strerror", None) or type(error).__name__).lower())


def _manifest(
    name: str,
    algorithm: str,
    is_of_tags: bool,
    lines: Iterator[tuple[int, str]],
    version: tuple[int, int],
    problems: list[Problem],
) -> Manifest:
    """One manifest with every line that means a file of the bag (RFC 8493, 2.1.3 and 2.2.1)."""
    length = 2 * hashlib.new(algorithm, usedforsecurity=False).digest_size
    pattern = re.compile(rf"([0-9a-fA-F]{{{length}}})[ \t]+(.+)")
    digests: dict[str, str] = {}
    for number, line in lines:
        match = pattern.fullmatch(line)
        if match is None:
            problems.append(Problem(name, "malformed", f"line {number} is not a {algorithm} checksum and a path"))
            continue
        path, why = _path(match[2], version)
        if not why and is_of_tags == path.startswith(PAYLOAD):
            why = "payload in a manifest of tag files" if is_of_tags else "no payload"
        if why:
            word = "unsafe path" if why == _LEAVES else "misplaced"
            problems.append(Problem(path, word, f"{name} line {number}: {why}"))
        elif path in digests:
            problems.append(Problem(path, "listed twice", f"{name} line {number}"))
        else:
            digests[path] = match[1].lower()
    return Manifest(name, algorithm, is_of_tags, digests)


def _path(text: str, version: tuple[int, int]) -> tuple[str, str]:
    """The path that a line means, without `.` parts, and what is wrong with it, empty if nothing is."""
    is_old = version < (1, 0)
    if is_old:  # checksum tools put an asterisk before the names of binary files
        text = text.removeprefix("*")
    path = decoded_path(text, is_percent_encoded=not is_old)
    parts = [part for part in path.split("/") if part not in (".", "")]
    if _UNSAFE.match(path) or ".." in parts or "\0" in path or path == "":
        return path, _LEAVES
    return "/".join(parts), ""


def _fetch(inventory: Inventory, encoding: str, version: tuple[int, int], problems: list[Problem]) -> Iterator[str]:
    """Paths that `fetch.txt` would have fetched from elsewhere (RFC 8493, 2.2.3)."""
    if FETCH not in inventory.files:
        return
    for number, line in _lines(inventory, FETCH, encoding, problems):
        match = re.fullmatch(r"\S+[ \t]+(?:\d+|-)[ \t]+(.+)", line)
        path, why = _path(match[1], version) if match else ("", "")
        if why or not path.startswith(PAYLOAD):
            detail = f"line {number} is not an address, a length and a path in data/"
            problems.append(Problem(FETCH, "malformed", detail))
        else:
            yield path


def stated(root: Path, label: str) -> tuple[str, ...]:
    """What `bag-info.txt` states under a label, as often as it does; nothing where it cannot be read."""
    is_there = (root / INFO).is_file() and not (root / INFO).is_symlink()
    inventory = Inventory(root, {INFO: 0} if is_there else {}, {})
    return tuple(_info(inventory, "utf-8", []).get(label.lower(), ()))


def _info(inventory: Inventory, encoding: str, problems: list[Problem]) -> dict[str, list[str]]:
    """Values of `bag-info.txt` by label in small letters (RFC 8493, 2.2.2), the first line of each."""
    values: dict[str, list[str]] = {}
    if INFO not in inventory.files:
        return values
    for number, line in _lines(inventory, INFO, encoding, problems):
        label, colon, value = line.partition(":")
        if line[0] in " \t" and number > 1:
            continue
        if not colon or not label.strip():
            problems.append(Problem(INFO, "malformed", f"line {number} is not a label, a colon and a value"))
            continue
        values.setdefault(label.strip().lower(), []).append(value.strip())
    return values


def _oxum(inventory: Inventory, encoding: str, problems: list[Problem]) -> tuple[int, int] | None:
    """Bytes and files of the payload by `bag-info.txt` (RFC 8493, 2.2.2); None where it does not say."""
    totals = _info(inventory, encoding, problems).get("payload-oxum")
    if not totals:
        return None
    match = _OXUM.fullmatch(totals[-1])
    if match is None or len(totals) > 1:
        problems.append(Problem(INFO, "malformed", "Payload-Oxum stands there twice or is not BYTES.FILES"))
        return None
    return int(match[1]), int(match[2])
