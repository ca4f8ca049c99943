"""Where the audio lies in a file, and what its header claims: the check that the decoder leaves out.

A file that was cut off or never closed opens without complaint as a shorter one. So the chunks of WAV, RF64, BW64, W64,
AIFF and CAF files are walked here, the claimed length of the audio is compared with the file, and where the
decoder would refuse or miss audio a header is written anew that it can read.

Conventions: offsets and lengths in bytes, from the start of the file; a length that the header does not state (0 or
all ones, as left by a power loss or a stream) is None.

Sources: RIFF/WAVE (Multimedia Programming Interface 1.0, 1991); RF64: EBU Tech 3306 (2009); BW64: ITU-R BS.2088-1
(2019); AIFF-C draft (1991); Core Audio Format 1.0; W64: published GUIDs of the format.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

Problem = Literal["", "truncated", "unfinished", "overflow"]

#: More chunks than any recorder writes: a file with more of them is not walked to its end.
_MAX_CHUNKS = 10_000
#: A format chunk longer than this is not one.
_MAX_FORMAT_BYTES = 4096
_4_GIB = 1 << 32
#: 32-bit lengths that writers leave when they do not know: all ones, or just under 2 GiB and 4 GiB.
_UNSTATED_RANGES = ((0, 0), (0x7FFFF000, 0x7FFFFFFF), (0xFFFFFF00, 0xFFFFFFFF))
_W64_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")
_W64_RIFF = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")


@dataclass(frozen=True)
class Header:
    """What a file's header says of its audio.

    container : WAV | RF64 | BW64 | W64 | AIFF | CAF
    frame_bytes : bytes per frame over all channels; bytes_per_s : of the audio
    data_offset : where the audio begins; available_bytes : from there to the end of the file
    claimed_bytes : length of the audio by the header, None where it states none
    format_chunk : payload of the chunk that describes the samples; kind : its type, where the container has several
    """

    container: str
    n_channels: int
    sample_rate_hz: float
    frame_bytes: int
    bytes_per_s: float
    data_offset: int
    available_bytes: int
    claimed_bytes: int | None
    format_chunk: bytes
    kind: bytes = b""

    @property
    def problem(self) -> Problem:
        """What is wrong with the claimed length, empty if nothing is."""
        if self.claimed_bytes is None:
            return "unfinished"
        if self.container == "WAV" and self.available_bytes - self.claimed_bytes >= _4_GIB:
            return "overflow"
        if self.claimed_bytes // self.frame_bytes > self.available_bytes // self.frame_bytes:
            return "truncated"
        return ""

    @property
    def audio_bytes(self) -> int:
        """Bytes of audio that are there, whole frames.

        A 32-bit length that ran over has lost a multiple of 4 GiB, which is put back.
        """
        n = self.available_bytes if self.claimed_bytes is None else self.claimed_bytes
        if self.problem == "overflow":
            n += (self.available_bytes - n) // _4_GIB * _4_GIB
        return min(n, self.available_bytes) // self.frame_bytes * self.frame_bytes

    @property
    def claimed_s(self) -> float:
        """Seconds of audio by the header, NaN where it states none."""
        return math.nan if self.claimed_bytes is None else self.claimed_bytes / self.bytes_per_s


def read_header(path: Path) -> Header | None:
    """The header of an audio file, or None where the container is not one of ours or cannot be followed.

    Raises OSError.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        start = file.read(40)
        if start[:4] in (b"RIFF", b"RF64", b"BW64") and start[8:12] == b"WAVE":
            return _read_wav(file, size, start[:4])
        if start[:16] == _W64_RIFF and start[24:40] == b"wave" + _W64_TAIL:
            return _read_w64(file, size)
        if start[:4] == b"FORM" and start[8:12] in (b"AIFF", b"AIFC"):
            return _read_aiff(file, size, start[8:12])
        if start[:4] == b"caff":
            return _read_caf(file, size)
    return None


def rebuilt_header(header: Header) -> bytes:
    """A header that states the length of the audio that is there, to stand before exactly those bytes."""
    if header.container == "CAF":
        return _rebuilt_caf(header)
    if header.container == "AIFF":
        return _rebuilt_aiff(header)
    return _rebuilt_wav(header)


# --- WAV, RF64, BW64 ---


def _chunks(file: BinaryIO, offset: int, size: int) -> Iterator[tuple[bytes, int, int]]:
    """Identifier, length and payload offset of little-endian RIFF chunks from `offset` on."""
    for _ in range(_MAX_CHUNKS):
        file.seek(offset)
        head = file.read(8)
        if len(head) < 8:
            return
        identifier, length = struct.unpack("<4sI", head)
        yield identifier, length, offset + 8
        offset += 8 + length + (length & 1)
        if offset >= size:
            return


def _read_wav(file: BinaryIO, size: int, form: bytes) -> Header | None:
    """Header of a WAV, RF64 or BW64 file."""
    format_chunk = long_data = None
    for identifier, length, offset in _chunks(file, 12, size):
        if identifier == b"ds64":
            file.seek(offset)
            sizes = file.read(24)
            long_data = struct.unpack("<QQQ", sizes)[1] if len(sizes) == 24 else None
        elif identifier == b"fmt ":
            file.seek(offset)
            format_chunk = file.read(min(length, _MAX_FORMAT_BYTES))
        elif identifier == b"data":
            claimed = _stated_wav_length(length, long_data, form)
            if claimed is None and length == 0 and _is_followed_by_chunks(file, offset, size):
                claimed = 0
            container = "WAV" if form == b"RIFF" else form.decode("ascii")
            return _wav_header(container, format_chunk, offset, size, claimed)
    return None


def _stated_wav_length(length: int, long_data: int | None, form: bytes) -> int | None:
    """Length of the data chunk; the 64-bit one of RF64 and BW64 counts where the 32-bit one is all ones."""
    if form != b"RIFF" and length == _4_GIB - 1 and long_data is not None:
        return long_data if 0 < long_data < 1 << 62 else None
    return None if any(low <= length <= high for low, high in _UNSTATED_RANGES) else length


def _is_followed_by_chunks(file: BinaryIO, offset: int, size: int) -> bool:
    """Whether chunks with printable names lead from `offset` exactly to the end: the data chunk is empty indeed."""
    end = offset
    for identifier, length, payload in _chunks(file, offset, size):
        if not all(32 <= byte < 127 for byte in identifier):
            return False
        end = payload + length
    return offset < end and size - end in (0, 1, -1)


def _wav_header(
    container: str, format_chunk: bytes | None, offset: int, size: int, claimed: int | None
) -> Header | None:
    """Header from a WAV format chunk, which W64 shares."""
    if format_chunk is None or len(format_chunk) < 16:
        return None
    tag, n_channels, rate, bytes_per_s, frame_bytes = struct.unpack("<HHIIH", format_chunk[:14])
    if not (n_channels and rate and frame_bytes):
        return None
    if tag in (1, 3, 0xFFFE) or not bytes_per_s:  # linear samples: the rate follows from the frame
        bytes_per_s = frame_bytes * rate
    available = max(0, size - offset)
    return Header(
        container, n_channels, rate, frame_bytes, bytes_per_s, offset, available, claimed, bytes(format_chunk)
    )


def _rebuilt_wav(header: Header) -> bytes:
    """RIFF, or RF64 where the audio needs more than 32 bits (EBU Tech 3306, 3)."""
    body = struct.pack("<4sI", b"fmt ", len(header.format_chunk)) + header.format_chunk
    body += b"\0" * (len(body) & 1)
    n = header.audio_bytes
    whole = 4 + len(body) + 8 + n
    if whole < 0xFFFFFF00:
        return struct.pack("<4sI4s", b"RIFF", whole, b"WAVE") + body + struct.pack("<4sI", b"data", n)
    ones = _4_GIB - 1
    sizes = struct.pack("<4sIQQQI", b"ds64", 28, whole + 36, n, n // header.frame_bytes, 0)
    return struct.pack("<4sI4s", b"RF64", ones, b"WAVE") + sizes + body + struct.pack("<4sI", b"data", ones)


# --- W64 ---


def _read_w64(file: BinaryIO, size: int) -> Header | None:
    """Header of a W64 file: chunks are named by 16 bytes, and their length counts name and length itself."""
    format_chunk, offset = None, 40
    for _ in range(_MAX_CHUNKS):
        file.seek(offset)
        head = file.read(24)
        if len(head) < 24:
            return None
        identifier, length = struct.unpack("<16sQ", head)
        if identifier == b"fmt " + _W64_TAIL:
            format_chunk = file.read(min(max(0, length - 24), _MAX_FORMAT_BYTES))
        elif identifier == b"data" + _W64_TAIL:
            claimed = length - 24 if 24 < length < 1 << 62 else None
            return _wav_header("W64", format_chunk, offset + 24, size, claimed)
        offset += max(24, (length + 7) // 8 * 8)
        if offset >= size:
            return None
    return None


# --- AIFF, AIFF-C ---


def _read_aiff(file: BinaryIO, size: int, form: bytes) -> Header | None:
    """Header of an AIFF or AIFF-C file; the number of frames stands in COMM."""
    common, sound, offset = None, None, 12
    for _ in range(_MAX_CHUNKS):
        file.seek(offset)
        head = file.read(8)
        if len(head) < 8:
            break
        identifier, length = struct.unpack(">4sI", head)
        if identifier == b"COMM":
            common = file.read(min(length, _MAX_FORMAT_BYTES))
        elif identifier == b"SSND":
            first = file.read(8)
            sound = offset + 16 + (struct.unpack(">I", first[:4])[0] if len(first) == 8 else 0)
            if common is not None:
                break
        offset += 8 + length + (length & 1)
    if common is None or sound is None or len(common) < 18:
        return None
    return _aiff_header(common, sound, size, form)


def _aiff_header(common: bytes, sound: int, size: int, form: bytes) -> Header | None:
    """Header from a COMM chunk and the offset of the samples; None for compressed samples."""
    n_channels, n_frames, bits = struct.unpack(">HIH", common[:8])
    rate = _extended_to_float(common[8:18])
    if form == b"AIFC" and common[18:22] not in (
        b"NONE",
        b"twos",
        b"sowt",
        b"fl32",
        b"FL32",
        b"fl64",
        b"FL64",
        b"in24",
        b"in32",
    ):
        return None
    frame_bytes = n_channels * ((bits + 7) // 8)
    if not frame_bytes or not 0 < rate < 1e7:
        return None
    stated = 0 < n_frames < _4_GIB - 1
    claimed = n_frames * frame_bytes if stated else None
    available = max(0, size - sound)
    return Header("AIFF", n_channels, rate, frame_bytes, frame_bytes * rate, sound, available, claimed, common, form)


def _extended_to_float(text: bytes) -> float:
    """An 80-bit extended number of IEEE 754-1985; NaN where it is none that a sample rate could have."""
    sign_exponent, mantissa = struct.unpack(">HQ", text)
    if sign_exponent & 0x8000 or not 16383 <= sign_exponent <= 16383 + 40:
        return math.nan
    return math.ldexp(mantissa, sign_exponent - 16383 - 63)


def _rebuilt_aiff(header: Header) -> bytes:
    """FORM, COMM with the frames that are there, SSND; 32-bit lengths, so at most 4 GiB."""
    n = min(header.audio_bytes, _4_GIB - (1 << 16)) // header.frame_bytes * header.frame_bytes
    common = header.format_chunk[:2] + struct.pack(">I", n // header.frame_bytes) + header.format_chunk[6:]
    common = struct.pack(">4sI", b"COMM", len(common)) + common + b"\0" * (len(common) & 1)
    sound = struct.pack(">4sIII", b"SSND", n + 8, 0, 0)
    whole = 4 + len(common) + len(sound) + n
    return struct.pack(">4sI4s", b"FORM", whole, header.kind) + common + sound


# --- CAF ---


def _read_caf(file: BinaryIO, size: int) -> Header | None:
    """Header of a CAF file with packets of constant size; the data chunk opens with a 4-byte edit count."""
    description, offset = None, 8
    for _ in range(_MAX_CHUNKS):
        file.seek(offset)
        head = file.read(12)
        if len(head) < 12:
            return None
        identifier, length = struct.unpack(">4sq", head)
        if identifier == b"desc":
            description = file.read(32)
        elif identifier == b"data":
            claimed = length - 4 if length > 4 else None
            return _caf_header(description, offset + 16, size, claimed)
        offset += 12 + length
        if length < 0 or offset >= size:
            return None
    return None


def _caf_header(description: bytes | None, offset: int, size: int, claimed: int | None) -> Header | None:
    """Header from a CAF description chunk."""
    if description is None or len(description) < 32:
        return None
    rate, _, _, packet_bytes, packet_frames, n_channels, _ = struct.unpack(">d4sIIIII", description)
    if not (packet_bytes and packet_frames and n_channels and 0 < rate < 1e7):
        return None
    bytes_per_s = packet_bytes * rate / packet_frames
    available = max(0, size - offset)
    return Header("CAF", n_channels, rate, packet_bytes, bytes_per_s, offset, available, claimed, description)


def _rebuilt_caf(header: Header) -> bytes:
    """File header, description, data chunk with its length and edit count."""
    file_header = struct.pack(">4sHH", b"caff", 1, 0)
    description = struct.pack(">4sq", b"desc", len(header.format_chunk)) + header.format_chunk
    return file_header + description + struct.pack(">4sqI", b"data", header.audio_bytes + 4, 0)
