"""What no person would think of: descriptions and audio headers, valid ones changed by hypothesis.

A description is the example of every key, its lines dropped, doubled, moved, renamed or given other values. An audio
file is a whole one of any container, its bytes changed, cut, inserted, or its chunks given other names, lengths and
places. Both shrink to few changes.
"""

from __future__ import annotations

import copy
import json
import struct
from collections.abc import Callable, Iterator
from functools import cache, partial
from typing import Any

from hypothesis import strategies as st

from tests.description_example import EXAMPLE
from tests.hostile.broken_audio import MAGIC, noise, written

_LINES = EXAMPLE.split("\n")
_KEYS = sorted({line.partition(" = ")[0] for line in _LINES if " = " in line})
_TABLES = [line for line in _LINES if line.startswith("[")]

_NUMBERS = st.sampled_from(
    ["0", "-0.0", "1", "-1", "0.5", "31.7", "1e5", "1e308", "-1e308", "5e-324", "nan", "inf", "-inf", "0x" + "f" * 20]
)
_NAMES = ("", "mains", "sub left", "sub", "normal", "inverted", "mix", "drums", "stage", "kick in", "e\\u0301", "<b>")
_FILES = ("take1.wav", "take1.wav:2", "take2.wav:1025", "../take1.wav", "/dev/zero", "\\u001b[31m", "=cmd")
_WORDS = st.sampled_from((*_NAMES, *_FILES)).map(lambda word: f'"{word}"')
_TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=6).map(partial(json.dumps, ensure_ascii=False))
_DAYS = st.sampled_from(["2026-05-14", "0001-01-01", "9999-12-31", "2026-05-14T10:00:00Z", "10:00:00"])
_SCALARS = st.one_of(_NUMBERS, _WORDS, _DAYS, st.sampled_from(["true", "false"]), _TEXTS)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
        st.lists(st.tuples(st.sampled_from(_KEYS), inner), max_size=3).map(
            lambda pairs: "{ " + ", ".join(f"{key} = {value}" for key, value in pairs) + " }"
        ),
    ),
    max_leaves=5,
)

#: A change of a list of lines, at the line it is given.
_Change = Callable[[list[str], int], None]


def _dropped(lines: list[str], at: int) -> None:
    del lines[at]


def _doubled(lines: list[str], at: int) -> None:
    lines.insert(at, lines[at])


def _moved(lines: list[str], at: int) -> None:
    lines.append(lines.pop(at))


def _cut(lines: list[str], at: int) -> None:
    lines[at] = lines[at][: len(lines[at]) // 2]


def _renamed(key: str) -> _Change:
    def change(lines: list[str], at: int) -> None:
        if " = " in lines[at]:
            lines[at] = f"{key} = {lines[at].partition(' = ')[2]}"

    return change


def _set_to(value: str) -> _Change:
    def change(lines: list[str], at: int) -> None:
        if " = " in lines[at]:
            lines[at] = f"{lines[at].partition(' = ')[0]} = {value}"

    return change


def _put(line: str) -> _Change:
    def change(lines: list[str], at: int) -> None:
        lines.insert(at, line)

    return change


_ANY_KEY = st.one_of(st.sampled_from(_KEYS), _TEXTS)
_PAIRS = st.builds("{} = {}".format, _ANY_KEY, _VALUES)
_LINE_CHANGES = st.one_of(
    st.sampled_from([_dropped, _doubled, _moved, _cut]),
    st.builds(_renamed, _ANY_KEY),
    st.builds(_set_to, _VALUES),
    st.builds(_set_to, _VALUES),
    st.builds(_put, st.one_of(st.sampled_from(_TABLES), _PAIRS, _PAIRS, _PAIRS, st.text(max_size=20))),
    st.builds(_put, _PAIRS),
)


@st.composite
def descriptions(draw: st.DrawFn) -> bytes:
    """The example of every key, changed in up to five places, and now and then a few of its bytes."""
    lines = list(_LINES)
    for change in draw(st.lists(_LINE_CHANGES, min_size=1, max_size=5)):
        change(lines, 7919 * draw(st.integers(1, 1 << 16)) % len(lines))  # anywhere: small numbers come most often
    text = "\n".join(lines).encode("utf-8", "surrogatepass")
    return _edited(draw, text, 2) if draw(st.integers(0, 9)) == 9 else text


#: Container, sample type.
_FORMS = (
    ("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("WAV", "MS_ADPCM"), ("WAV", "IMA_ADPCM"),
    ("WAV", "ULAW"), ("WAV", "GSM610"), ("WAVEX", "PCM_24"), ("RF64", "PCM_24"), ("W64", "PCM_16"), ("AIFF", "PCM_24"),
    ("AIFF", "FLOAT"), ("CAF", "PCM_24"), ("CAF", "ALAC_16"), ("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("OGG", "OPUS"),
    ("MP3", "MPEG_LAYER_III"), ("AU", "PCM_16"), ("VOC", "PCM_16"), ("NIST", "PCM_16"), ("PAF", "PCM_16"),
    ("IRCAM", "PCM_16"), ("MAT4", "PCM_16"), ("MAT5", "PCM_16"), ("PVF", "PCM_16"),
    ("AVR", "PCM_16"), ("MPC2K", "PCM_16"), ("HTK", "PCM_16"), ("SDS", "PCM_16"), ("XI", "DPCM_16"), ("WVE", "ALAW"),
)  # fmt: skip
_RIFF = ("WAV", "WAVEX", "RF64")
#: Lengths of chunks that run over or mean something special.
_LENGTHS = (0, 1, 7, 255, 4096, 0x7FFFFFFF, 0x80000000, 0xFFFFFFF8, 0xFFFFFFFF)
_CHUNKS = (b"fmt ", b"data", b"ds64", b"fact", b"LIST", b"bext", b"iXML", b"cue ", b"PEAK", b"junk", b"id3 ", bytes(4))
#: Sample types and containers of one channel.
_MONO = ("GSM610", "HTK", "SDS", "XI", "WVE")


@cache
def _whole(form: str, subtype: str) -> bytes:
    """A short whole file: stereo where the format has two channels."""
    return written(noise(3000, 1 if form in _MONO or subtype in _MONO else 2), form, subtype)


@st.composite
def audio_files(draw: st.DrawFn) -> tuple[str, bytes]:
    """Ending and bytes of a whole file that was changed, or of random bytes behind what a format begins with."""
    if draw(st.integers(0, 19)) == 0:
        ending = draw(st.sampled_from(sorted(MAGIC)))
        return ending, MAGIC[ending] + draw(st.binary(max_size=400))
    form, subtype = draw(st.sampled_from(_FORMS))
    content = _whole(form, subtype)
    ending = "bw64" if form == "RF64" and draw(st.booleans()) else form.lower()
    if ending == "bw64":
        content = b"BW64" + content[4:]
    if form in _RIFF and draw(st.booleans()):
        content = _other_chunks(draw, content)
    return ending, _edited(draw, content, 4)


def _other_chunks(draw: st.DrawFn, content: bytes) -> bytes:
    """A RIFF file whose chunks were dropped, doubled, moved, renamed, or given another length."""
    chunks = _chunks(content)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, max(0, len(chunks) - 1)))
        what = draw(st.sampled_from(["drop", "double", "last", "rename", "resize", "insert"]))
        if what == "insert" or not chunks:
            payload = draw(st.binary(max_size=60))
            length = draw(st.sampled_from([len(payload), *_LENGTHS]))
            chunks.insert(at, (draw(st.sampled_from(_CHUNKS)), length, payload))
            continue
        name, length, payload = chunks.pop(at)
        if what == "double":
            chunks[at:at] = [(name, length, payload)] * 2
        elif what == "last":
            chunks.append((name, length, payload))
        elif what == "rename":
            chunks.insert(at, (draw(st.sampled_from(_CHUNKS)), length, payload))
        elif what == "resize":
            chunks.insert(at, (name, draw(st.sampled_from(_LENGTHS)), payload))
    return content[:12] + b"".join(struct.pack("<4sI", name, length) + payload for name, length, payload in chunks)


def _chunks(content: bytes) -> list[tuple[bytes, int, bytes]]:
    """Name, length and padded payload of the chunks of a whole RIFF file."""
    found, at = [], 12
    while at + 8 <= len(content):
        name, length = struct.unpack("<4sI", content[at : at + 8])
        end = min(len(content), at + 8 + length + length % 2)
        found.append((name, length, content[at + 8 : end]))
        at = end
    return found


def _edited(draw: st.DrawFn, content: bytes, most: int) -> bytes:
    """Bytes changed, a few inserted or taken out, near the start as a rule; now and then cut short."""
    data = bytearray(content)
    for _ in range(draw(st.integers(1, most))):
        near = draw(st.sampled_from([64, 200, len(data) + 1]))
        at = draw(st.integers(0, max(0, min(near, len(data)) - 1)))
        what = draw(st.sampled_from(["byte", "byte", "word", "insert", "remove"]))
        if what == "byte":
            data[at : at + 1] = bytes([draw(st.integers(0, 255))])
        elif what == "word":
            order = draw(st.sampled_from("<>"))
            data[at : at + 4] = struct.pack(f"{order}I", draw(st.sampled_from(_LENGTHS)))
        elif what == "insert":
            data[at:at] = draw(st.binary(max_size=8))
        else:
            del data[at : at + draw(st.integers(1, 40))]
    if draw(st.integers(0, 9)) == 0:
        del data[draw(st.integers(0, len(data))) :]
    return bytes(data)


_ANY_VALUE = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.sampled_from([0, -1, 0.5, 1e300, -1e300, 5e-324, 10**400, "", "\u001b[31m", "=1", "main", "../x", "normal"]),
        st.sampled_from([float("nan"), float("inf")]),
        st.text(max_size=5),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=4), inner, max_size=3)),
    max_leaves=4,
)


@st.composite
def results(draw: st.DrawFn, content: Any) -> bytes:
    """What a report holds (`results.json`) with up to three of its values dropped, replaced or under another name."""
    content = copy.deepcopy(content)
    for _ in range(draw(st.integers(1, 3))):
        places = list(_places(content))
        holder, key = places[7919 * draw(st.integers(1, 1 << 16)) % len(places)]
        what = draw(st.sampled_from(["drop", "replace", "replace", "rename", "double"]))
        if what == "drop":
            del holder[key]
        elif what == "rename" and isinstance(holder, dict):
            holder[draw(st.text(max_size=4))] = holder.pop(key)
        elif what == "double" and isinstance(holder, list):
            holder.append(copy.deepcopy(holder[key]))
        else:
            holder[key] = draw(_ANY_VALUE)
    return json.dumps(content).encode()


def _places(node: Any) -> Iterator[tuple[Any, Any]]:
    """Every (holder, key) below a node."""
    for key, inner in list(node.items() if isinstance(node, dict) else enumerate(node)):
        yield node, key
        if isinstance(inner, dict | list):
            yield from _places(inner)
