"""A record on the disk: a BagIt 1.0 bag (RFC 8493) with SHA-512 manifests.

Payload lies below `data/`; everything beside it is a tag file. Paths are written with `/`, from the folder of the bag.
The bytes of a bag depend on its payload and its tags alone: manifests are sorted, and no date of packing is written.
"""

from __future__ import annotations

import hashlib
import re
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from analyze.errors import DescriptionError

if TYPE_CHECKING:
    from analyze.reports.folder import Content

#: Names of the tag files that a record has.
DECLARATION, INFO, README = "bagit.txt", "bag-info.txt", "README.txt"
MANIFEST, TAG_MANIFEST = "manifest-sha512.txt", "tagmanifest-sha512.txt"

#: What `bagit.txt` says (RFC 8493, 2.1.1).
_DECLARED = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

# Longest line of `bag-info.txt` that RFC 8493, 2.2.2, recommends, and what continues one.
_LINE_LENGTH, _CONTINUED = 79, "  "

_CHUNK_BYTES = 1 << 20


@dataclass(frozen=True)
class Entry:
    """What a manifest and the totals say of one file."""

    sha512: str
    n_bytes: int


def is_bag(folder: Path) -> bool:
    """Whether a folder is a bag, though one of the two files that show it is lost or a link."""
    return any((folder / name).is_file() and not (folder / name).is_symlink() for name in (DECLARATION, MANIFEST))


#: A file to be copied, or what writes one to the path it is given.
Source = Path | Callable[[Path], None]


def bag_files(
    payload: Mapping[str, Source], tags: Callable[[Mapping[str, Entry]], Mapping[str, bytes]]
) -> Iterator[tuple[str, Content]]:
    """Name and content of every file of a bag, one after the other, for `replace_folder`.

    Parameters
    ----------
    payload : by path, which begins with `data/`
    tags : makes the content of further tag files, by name, when the payload is written and its entries are known
    """
    entries: dict[str, Entry] = {}
    for name, source in payload.items():
        yield name, _noting(name, source, entries)
    content = {DECLARATION: _DECLARED, **tags(entries), MANIFEST: manifest(entries)}
    yield from content.items()
    yield TAG_MANIFEST, manifest({name: Entry(hashlib.sha512(one).hexdigest(), 0) for name, one in content.items()})


def manifest(entries: Mapping[str, Entry]) -> bytes:
    """A manifest: one line per file, checksum and path, sorted by path."""
    lines = [f"{entries[name].sha512}  {encoded_path(name)}\n" for name in sorted(entries)]
    return "".join(lines).encode()


def tag_lines(tags: Sequence[tuple[str, str]]) -> bytes:
    """Labels and values as `bag-info.txt` has them, long values folded at spaces (RFC 8493, 2.2.2)."""
    lines = []
    for label, value in tags:
        folded = textwrap.wrap(
            f"{label}: {value}",
            _LINE_LENGTH,
            subsequent_indent=_CONTINUED,
            break_long_words=False,
            break_on_hyphens=False,
        )
        lines += [f"{line}\n" for line in folded]
    return "".join(lines).encode("utf-8", "replace")


def payload_oxum(entries: Mapping[str, Entry]) -> str:
    """Number of bytes and of files of the payload, parted by a point (RFC 8493, 2.2.2)."""
    return f"{sum(entry.n_bytes for entry in entries.values())}.{len(entries)}"


def encoded_path(path: str) -> str:
    r"""A path as a manifest has it: line ends and the percent sign, and only those, encoded (RFC 8493, 2.1.3).

    >>> encoded_path("data/100 %\n.wav")
    'data/100 %25%0A.wav'
    """
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def decoded_path(text: str, is_percent_encoded: bool = True) -> str:
    r"""The path that a manifest means; before BagIt 1.0 the percent sign itself was not encoded.

    >>> decoded_path("data/100 %25%0a.wav"), decoded_path("data/100 %25%0a.wav", is_percent_encoded=False)
    ('data/100 %\n.wav', 'data/100 %25\n.wav')
    """
    codes = "0A|0D|25" if is_percent_encoded else "0A|0D"
    return re.sub(f"%({codes})", lambda found: chr(int(found[1], 16)), text, flags=re.IGNORECASE)


def chunks(file: IO[bytes]) -> Iterator[bytes]:
    """The content of an open file, a piece at a time."""
    while piece := file.read(_CHUNK_BYTES):
        yield piece


def _noting(name: str, source: Source, entries: dict[str, Entry]) -> Callable[[Path], None]:
    """What writes a file of the payload and notes its entry; a file that is copied is read once."""

    def write(path: Path) -> None:
        if isinstance(source, Path):
            entries[name] = _copied(source, path)
        else:
            source(path)
            entries[name] = _entry_of(path)

    return write


def _copied(source: Path, path: Path) -> Entry:
    """Copy a file, and what the manifest says of it."""
    digest, n_bytes = hashlib.sha512(), 0
    with path.open("xb") as copy:
        for piece in _read(source):
            copy.write(piece)
            digest.update(piece)
            n_bytes += len(piece)
    return Entry(digest.hexdigest(), n_bytes)


def _read(source: Path) -> Iterator[bytes]:
    """The content of a file to be packed. Raises DescriptionError, for it is not the record that fails."""
    try:
        with source.open("rb") as file:
            yield from chunks(file)
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        raise DescriptionError(f"cannot be read: {reason}.", "Check the file and its disk.", path=source) from error


def _entry_of(path: Path) -> Entry:
    """What the manifest says of a file that is written."""
    with path.open("rb") as file:
        return Entry(hashlib.file_digest(file, "sha512").hexdigest(), path.stat().st_size)
