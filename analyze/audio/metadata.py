"""What a recorder wrote into a file beside the sound: names of tracks, a description, the time of its start, marks.

Only WAV, RF64 and BW64 files carry it in a form that is read here. It helps to guess and decides nothing, so whatever
cannot be read is left out without a word.

The `wavinfo` library decodes the chunks. It never sees a file: it keeps every chunk it passes, and takes 3 GB for a
file of silence whose header was never completed; and one chunk that it cannot read costs all others. So the wanted
chunks are cut out here, each of them up to a size, and handed over one by one.

Conventions: channels count from 1; times in seconds, of the start since midnight, of marks from the start of the file;
'not known' is NaN or empty text.

Sources: bext: EBU Tech 3285 (version 2, 2011), 2.3; iXML 2.0 (TRACK_LIST); cue, labl, INFO: Multimedia Programming
Interface 1.0 (1991). `TRKn=NAME` lines in the description are common practice, no source.
"""

from __future__ import annotations

import contextlib
import datetime
import io
import math
import re
import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, TypeVar

from analyze.audio.headers import Header, read_header

if TYPE_CHECKING:
    from wavinfo import WavInfoReader

#: A chunk of text longer than this is not read; recorders write some kilobytes.
_MAX_CHUNK_BYTES = 1 << 20
#: More chunks than any recorder writes, and more marks or tracks than are of use.
_MAX_CHUNKS, _MAX_ENTRIES = 1000, 1024
_CONTAINERS = ("WAV", "RF64", "BW64")
_WANTED = (b"bext", b"iXML", b"cue ", b"LIST")
_XML_DECLARATION = re.compile(r"\A\s*<\?xml.*?\?>", re.DOTALL)
_DOCUMENT_TYPE = re.compile(r"<!\s*(DOCTYPE|ENTITY)", re.IGNORECASE)
_TRACK_LINE = re.compile(r"^\s*[a-z]?TRK(\d{1,4})=(.*)$", re.IGNORECASE | re.MULTILINE)

_T = TypeVar("_T")
_Chunks = Mapping[bytes, bytes]


@dataclass(frozen=True)
class Mark:
    """A place in the file that somebody named: seconds from its start (NaN if not stated), text."""

    at_s: float
    text: str


@dataclass(frozen=True)
class Metadata:
    """What a file says of itself.

    track_names : name per channel, of the track list; noted_names : the same, of the lines of the description
    description : free text without those lines; title : of the file
    day : ISO 8601, by the recorder's clock; start_s : since midnight, NaN where none or midnight itself is stated
    marks : in the order of the file
    """

    track_names: Mapping[int, str] = field(default_factory=dict)
    noted_names: Mapping[int, str] = field(default_factory=dict)
    description: str = ""
    title: str = ""
    day: str = ""
    start_s: float = math.nan
    marks: tuple[Mark, ...] = ()


def read_metadata(path: Path) -> Metadata:
    """The metadata of an audio file; empty where there is none that can be read. Raises nothing."""
    try:
        header = read_header(path)
        if header is None or header.container not in _CONTAINERS:
            return Metadata()
        chunks = _wanted_chunks(path, header)
    except OSError:
        return Metadata()
    if not chunks:
        return Metadata()
    broadcast = _decoded(chunks, (b"bext",), _broadcast(header.sample_rate_hz), Metadata())
    return Metadata(
        track_names=_decoded(_without_entities(chunks), (b"iXML",), _track_names, {}),
        noted_names=broadcast.noted_names,
        description=broadcast.description,
        title=_decoded(chunks, (b"INFO",), lambda reader: _text(reader.info.title), ""),
        day=broadcast.day,
        start_s=broadcast.start_s,
        marks=_decoded(chunks, (b"cue ", b"adtl"), _marks(header.sample_rate_hz), ()),
    )


# --- which bytes ---


def _wanted_chunks(path: Path, header: Header) -> dict[bytes, bytes]:
    """The first chunk of each kind, with its head, by identifier; lists go by the identifier of their content."""
    found: dict[bytes, bytes] = {}
    with path.open("rb") as file:
        for start, end in _places(header):
            for identifier, payload in _chunks(file, start, end):
                kind = payload[:4] if identifier == b"LIST" else identifier
                found.setdefault(kind, _chunk(identifier, payload))
    return found


def _places(header: Header) -> Iterator[tuple[int, int]]:
    """Where chunks lie: before the audio and, if its length is known, behind it."""
    yield 12, header.data_offset - 8
    if not header.problem and header.claimed_bytes is not None:
        end = header.data_offset + header.available_bytes
        yield header.data_offset + header.claimed_bytes + header.claimed_bytes % 2, end


def _chunks(file: BinaryIO, offset: int, end: int) -> Iterator[tuple[bytes, bytes]]:
    """Identifier and payload of the wanted chunks that lie whole between two offsets and are not too long."""
    for _ in range(_MAX_CHUNKS):
        if offset + 8 > end:
            return
        file.seek(offset)
        head = file.read(8)
        if len(head) < 8:
            return
        identifier, length = struct.unpack("<4sI", head)
        if identifier in _WANTED and length <= min(_MAX_CHUNK_BYTES, end - offset - 8):
            yield identifier, file.read(length)
        offset += 8 + length + length % 2


def _chunk(identifier: bytes, payload: bytes) -> bytes:
    """A chunk: identifier, length, payload, a zero to an even length."""
    return struct.pack("<4sI", identifier, len(payload)) + payload + b"\0" * (len(payload) % 2)


# --- what they say ---


def _decoded(chunks: _Chunks, kinds: tuple[bytes, ...], read: Callable[[WavInfoReader], _T], otherwise: _T) -> _T:
    """What `read` takes from a file that holds these chunks alone; `otherwise` where there is none or it fails."""
    held = [chunks[kind] for kind in kinds if kind in chunks]
    if not held:
        return otherwise
    from wavinfo import WavInfoReader

    layout = _chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 48_000, 96_000, 2, 16))
    body = b"WAVE" + layout + b"".join(held) + _chunk(b"data", bytes(8))
    try:
        return read(WavInfoReader(io.BytesIO(_chunk(b"RIFF", body)), bext_encoding="latin_1"))
    except Exception:  # a hostile chunk may raise anything; no metadata is then what there is
        return otherwise


def _without_entities(chunks: _Chunks) -> _Chunks:
    """The chunks with iXML as plain UTF-8, and without it if it defines a document type: iXML has none.

    A document type is where entities are defined, which can expand without bound or name other files. The encoding is
    declared anew, so that none can hide it.
    """
    payload = chunks.get(b"iXML", b"")[8:]
    is_wide = payload.startswith((b"\xff\xfe", b"\xfe\xff"))
    text = payload.decode("utf-16" if is_wide else "utf-8-sig", errors="replace").strip("\0")
    rest = {kind: chunk for kind, chunk in chunks.items() if kind != b"iXML"}
    if not text or _DOCUMENT_TYPE.search(text):
        return rest
    plain = '<?xml version="1.0" encoding="UTF-8"?>' + _XML_DECLARATION.sub("", text)
    return {**rest, b"iXML": _chunk(b"iXML", plain.encode("utf-8", errors="replace"))}


def _track_names(reader: WavInfoReader) -> dict[int, str]:
    """Names of the track list by INTERLEAVE_INDEX, the channel in the file, or else by their order."""
    names: dict[int, str] = {}
    for place, track in enumerate(reader.ixml.track_list, start=1):
        if place > _MAX_ENTRIES:
            break
        index = track.interleave_index.strip()
        channel = int(index) if re.fullmatch("[0-9]{1,4}", index) else place
        if track.name.strip():
            names.setdefault(channel, track.name.strip())
    return names


def _broadcast(rate_hz: float) -> Callable[[WavInfoReader], Metadata]:
    """What bext says; its TimeReference counts samples since midnight, and 0 is what is written for 'not known'."""

    def read(reader: WavInfoReader) -> Metadata:
        text = _text(reader.bext.description)
        samples = reader.bext.time_reference
        return Metadata(
            noted_names={int(n): name.strip() for n, name in _TRACK_LINE.findall(text) if name.strip()},
            description=_TRACK_LINE.sub("", text).strip(),
            day=_day(reader.bext.originator_date),
            start_s=samples / rate_hz if samples else math.nan,
        )

    return read


def _marks(rate_hz: float) -> Callable[[WavInfoReader], tuple[Mark, ...]]:
    """The labels, at the places of their cue points."""

    def read(reader: WavInfoReader) -> tuple[Mark, ...]:
        at_s = {cue.name: cue.sample_offset / rate_hz for cue in reader.cues.cues}
        labels = [(label.name, _text(label.text)) for label in reader.cues.labels[:_MAX_ENTRIES]]
        return tuple(Mark(at_s.get(name, math.nan), text) for name, text in labels if text)

    return read


def _day(text: str) -> str:
    """A day as ISO 8601: recorders separate its parts by one of `-_:. ` or nothing that counts; empty if none."""
    try:
        return datetime.date(int(text[:4]), int(text[5:7]), int(text[8:10])).isoformat()
    except ValueError:
        return ""


def _text(value: Any) -> str:
    """Text decoded byte by byte as what it most likely is: UTF-8, else Latin-1; without spaces round it."""
    text = str(value or "")
    with contextlib.suppress(UnicodeError):  # then it was Latin-1 indeed
        text = text.encode("latin-1").decode("utf-8")
    return text.replace("\0", "").strip()
