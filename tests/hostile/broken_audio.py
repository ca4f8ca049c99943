"""Broken, odd and hostile audio files, each built by code: name -> ending, bytes, and whether it must be refused.

Whole files are stereo noise, 8 kHz, five seconds: just enough to be analysed, so what is wrong is wrong by itself.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import soundfile
from numpy.typing import NDArray

RATE_HZ, N_FRAMES = 8000, 40_000

#: First bytes of every format that a decoder may be tempted to try.
MAGIC = {
    "wav": b"RIFF\x24\x10\x00\x00WAVEfmt ",
    "rf64": b"RF64\xff\xff\xff\xffWAVEds64",
    "bw64": b"BW64\xff\xff\xff\xffWAVEds64",
    "w64": b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00",
    "aiff": b"FORM\x00\x00\x10\x00AIFFCOMM",
    "aifc": b"FORM\x00\x00\x10\x00AIFCFVER",
    "caf": b"caff\x00\x01\x00\x00desc",
    "flac": b"fLaC\x00\x00\x00\x22",
    "ogg": b"OggS\x00\x02",
    "opus": b"OggS\x00\x02" + bytes(20) + b"\x01\x13OpusHead\x01",
    "mp3": b"ID3\x04\x00\x00\x00\x00\x00\x00\xff\xfb\x90\x64",
    "mp2": b"\xff\xfd\x84\x04",
    "au": b".snd\x00\x00\x00\x18",
    "voc": b"Creative Voice File\x1a\x1a\x00",
    "mat": b"MATLAB 5.0 MAT-file",
    "xi": b"Extended Instrument: ",
    "paf": b" paf\x00\x00\x00\x00",
    "svx": b"FORM\x00\x00\x10\x008SVXVHDR",
    "ircam": b"\x64\xa3\x01\x00",
    "nist": b"NIST_1A\n   1024\n",
    "sds": b"\xf0\x7e\x00\x01",
    "avr": b"2BIT",
    "m4a": b"\x00\x00\x00\x20ftypM4A ",
    "wv": b"wvpk",
}


@dataclass(frozen=True)
class Broken:
    """One file: what it is called, its ending and bytes; `codes` are the exit codes of `inspect`, 0 or 3."""

    name: str
    ending: str
    content: bytes
    codes: tuple[int, ...] = (0, 3)


@cache
def noise(n_frames: int = N_FRAMES, n_channels: int = 2) -> NDArray[np.float32]:
    """Noise, (frame, channel): the first heard again in the others, half as loud and 3 ms later."""
    rng = np.random.default_rng(11)
    feed = 0.1 * rng.standard_normal(n_frames)
    late = np.concatenate([np.zeros(24), feed])[:n_frames]
    others = [0.5 * late + 1e-3 * rng.standard_normal(n_frames) for _ in range(n_channels - 1)]
    return np.stack([feed, *others], axis=1).astype(np.float32)


def written(samples: NDArray[np.float32], form: str = "WAV", subtype: str = "FLOAT", rate_hz: int = RATE_HZ) -> bytes:
    """A whole file."""
    file = io.BytesIO()
    soundfile.write(file, samples, rate_hz, format=form, subtype=subtype)
    return file.getvalue()


def wav(
    data: bytes = bytes(64),
    *,
    tag: int = 1,
    n_channels: int = 1,
    rate_hz: int = RATE_HZ,
    align: int = 2,
    bits: int = 16,
    claimed: int | None = None,
    riff: int | None = None,
    before: bytes = b"",
) -> bytes:
    """A WAV file whose header says what it is told to."""
    layout = struct.pack("<HHIIHH", tag, n_channels, rate_hz, (rate_hz * align) & 0xFFFFFFFF, align, bits)
    body = b"WAVE" + before + chunk(b"fmt ", layout)
    body += struct.pack("<4sI", b"data", len(data) if claimed is None else claimed) + data
    return struct.pack("<4sI", b"RIFF", len(body) if riff is None else riff) + body


def chunk(name: bytes, payload: bytes, claimed: int | None = None) -> bytes:
    """A RIFF chunk, its length as it is or as claimed."""
    length = len(payload) if claimed is None else claimed
    return struct.pack("<4sI", name, length) + payload + b"\0" * (len(payload) % 2)


def rf64(data_bytes: int, n_frames: int, data: bytes = bytes(64), form: bytes = b"RF64") -> bytes:
    """An RF64 file whose 64-bit lengths say what they are told to."""
    sizes = chunk(b"ds64", struct.pack("<QQQI", 36 + data_bytes & (1 << 64) - 1, data_bytes, n_frames, 0))
    layout = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16))
    return form + b"\xff\xff\xff\xffWAVE" + sizes + layout + b"data\xff\xff\xff\xff" + data


def w64(length: int, data: bytes = bytes(64)) -> bytes:
    """A W64 file whose data chunk claims a length."""
    whole = written(noise(32, 1), "W64", "PCM_16")
    at = whole.index(b"data\xf3\xac\xd3\x11")
    return whole[: at + 16] + struct.pack("<Q", length) + data


def caf(length: int, rate_hz: float = 8000.0, packet_bytes: int = 2, name: bytes = b"data") -> bytes:
    """A CAF file with a chunk that claims a length."""
    layout = struct.pack(">d4sIIIII", rate_hz, b"lpcm", 0, packet_bytes, 1, 1, 16)
    return b"caff\0\1\0\0" + struct.pack(">4sq", b"desc", 32) + layout + struct.pack(">4sq", name, length) + bytes(68)


def corpus() -> list[Broken]:
    """Every file, by group."""
    groups = (_samples(), _lengths(), _rates(), _channels(), _headers(), _large(), _random())
    return [one for group in groups for one in group]


def _samples() -> Iterator[Broken]:
    """Whole files of samples that mean nothing, or that no arithmetic likes."""
    good = noise()
    for name, value in (("silence", 0.0), ("DC", 0.5), ("full scale", 1.0), ("beyond full scale", 1e30)):
        yield Broken(name, "wav", written(np.full_like(good, value)), (0,))
    for name, value in (("NaN", np.nan), ("infinity", np.inf), ("minus infinity", -np.inf)):
        yield Broken(f"all {name}", "wav", written(np.full_like(good, value)), (0,))
        some = good.copy()
        some[1000::997] = value
        yield Broken(f"some {name}", "wav", written(some), (0,))
    for subtype, nan in (("FLOAT", b"\x01\x00\xa0\x7f"), ("DOUBLE", b"\x01\0\0\0\0\0\xf4\x7f")):
        whole, signal = written(good, subtype=subtype), 3000 * nan
        start = whole.index(b"data") + 8
        yield Broken(f"signalling NaN, {subtype}", "wav", whole[:start] + signal + whole[start + len(signal) :], (0,))
    yield Broken("denormals", "wav", written(good * np.float32(1e-39)), (0,))
    yield Broken("denormal doubles", "wav", written(good.astype(np.float64) * 1e-310, subtype="DOUBLE"), (0,))
    yield Broken("doubles beyond floats", "wav", written(good.astype(np.float64) * 1e300, subtype="DOUBLE"), (0,))
    yield Broken("largest floats", "wav", written(np.sign(good) * np.finfo(np.float32).max), (0,))
    frame = np.arange(N_FRAMES)[:, None] + np.zeros((1, 2))
    yield Broken("one impulse", "wav", written((frame == 20_000).astype(np.float32)), (0,))
    yield Broken("alternating", "wav", written((1.0 - 2.0 * (frame % 2)).astype(np.float32)), (0,))
    yield Broken("one value all along", "wav", written(np.full_like(good, 1e-20)), (0,))


def _lengths() -> Iterator[Broken]:
    """Too little, less than claimed, or more."""
    for ending, form, subtype in (
        ("wav", "WAV", "PCM_24"),
        ("rf64", "RF64", "PCM_24"),
        ("w64", "W64", "PCM_16"),
        ("aiff", "AIFF", "PCM_24"),
        ("caf", "CAF", "PCM_24"),
        ("flac", "FLAC", "PCM_16"),
        ("ogg", "OGG", "VORBIS"),
        ("mp3", "MP3", "MPEG_LAYER_III"),
        ("au", "AU", "PCM_16"),
    ):
        whole = written(noise(), form, subtype)
        yield Broken(f"{form} cut at 60 %", ending, whole[: len(whole) * 6 // 10])
        yield Broken(f"{form} cut in its header", ending, whole[:30])
        yield Broken(f"{form} of one sample", ending, written(noise(1), form, subtype))
        yield Broken(f"{form} with another behind it", ending, whole + whole)
    yield Broken("no byte", "wav", b"", (3,))
    yield Broken("one byte", "wav", b"R", (3,))
    yield Broken("header alone", "wav", wav(b""), (3,))
    yield Broken("an odd byte at the end", "wav", wav(bytes(20_001)))


def _rates() -> Iterator[Broken]:
    """Sample rates at the edge and beyond."""
    for rate_hz in (8000, 384_000):
        yield Broken(f"{rate_hz} Hz", "wav", written(noise(), rate_hz=rate_hz), (0,))
    for rate_hz in (0, 1, 7999, 800_000, (1 << 31) - 1, 4_000_000_000, (1 << 32) - 1):
        yield Broken(f"rate {rate_hz}", "wav", wav(bytes(80_000), rate_hz=rate_hz), (3,))
    for rate_hz in (0.0, -8000.0, 5e-324, 1e308, float("nan"), float("inf")):
        yield Broken(f"CAF of rate {rate_hz}", "caf", caf(68, rate_hz))
    whole = written(noise(), "AIFF", "PCM_16")
    at = whole.index(b"COMM") + 16
    for name, rate in (("zero", bytes(10)), ("negative", b"\xc0\x0b" + b"\xfa" + bytes(7)), ("huge", b"\xff" * 10)):
        yield Broken(f"AIFF of rate {name}", "aiff", whole[:at] + rate + whole[at + 10 :])


def _channels() -> Iterator[Broken]:
    """Channels from none to more than any recorder has."""
    yield Broken("1 channel", "wav", written(noise(n_channels=1)), (0,))
    yield Broken("1024 channels", "wav", wav(bytes(2 * 1024 * 1000), n_channels=1024, align=2048), (0,))
    for n in (0, 1025, 65_535):
        yield Broken(f"{n} channels", "wav", wav(bytes(400_000), n_channels=n, align=min(2 * n, 65_535)), (3,))
    yield Broken("FLAC of 8 channels", "flac", written(noise(n_channels=8), "FLAC", "PCM_16"), (0,))


def _headers() -> Iterator[Broken]:
    """Headers that contradict themselves."""
    for align in (0, 1, 3, 65_535):
        yield Broken(f"block align {align}", "wav", wav(bytes(80_000), align=align))
    for bits in (0, 1, 7, 17, 64, 65_535):
        yield Broken(f"{bits} bits", "wav", wav(bytes(80_000), bits=bits))
    for tag in (0, 2, 3, 6, 7, 0x11, 0x31, 0x50, 0x55, 0x64, 0x674F, 0xFFFE, 0xFFFF):
        yield Broken(f"format tag {tag:#x}", "wav", wav(bytes(80_000), tag=tag))
        yield Broken(f"format tag {tag:#x}, nothing else", "wav", wav(bytes(80_000), tag=tag, align=0, bits=0))
    for claimed in (1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFF0, 0xFFFFFFFF):
        yield Broken(f"data of {claimed:#x} bytes", "wav", wav(bytes(80_000), claimed=claimed))
        yield Broken(f"RIFF of {claimed:#x} bytes", "wav", wav(bytes(80_000), riff=claimed))
        before = chunk(b"bext", bytes(10), claimed)
        yield Broken(f"a chunk of {claimed:#x} bytes", "wav", wav(bytes(80_000), before=before))
    yield Broken("no format", "wav", struct.pack("<4sI4s4sI", b"RIFF", 92, b"WAVE", b"data", 80) + bytes(80), (3,))
    yield Broken("two formats", "wav", wav(bytes(80_000), before=chunk(b"fmt ", bytes(16))))
    yield Broken("a format of 4 GB", "wav", wav(bytes(80_000), before=chunk(b"fmt ", bytes(16), 0xFFFFFFFF)))
    yield Broken("nothing but chunks", "wav", b"RIFF\xff\xff\xff\xffWAVE" + b"junk\0\0\0\0" * 20_000, (3,))
    yield Broken("FLAC of 2^36 frames", "flac", _flac_of_many_frames(), (3,))


def _large() -> Iterator[Broken]:
    """Lengths that run over when they are added up."""
    for n in (0, 1, 1 << 31, 1 << 32, 1 << 62, (1 << 63) - 1, 1 << 63, (1 << 64) - 1):
        yield Broken(f"RF64 of {n:#x} bytes", "rf64", rf64(n, n // 2, bytes(80_000)))
        yield Broken(f"BW64 of {n:#x} bytes", "bw64", rf64(n, n // 2, bytes(80_000), b"BW64"))
        yield Broken(f"W64 of {n:#x} bytes", "w64", w64(n, bytes(80_000)))
        if n < 1 << 63:
            yield Broken(f"CAF of {n:#x} bytes", "caf", caf(n))
            yield Broken(f"CAF chunk of {n:#x} bytes", "caf", caf(n, name=b"free"))
    yield Broken("CAF of negative length", "caf", caf(-2))
    yield Broken("CAF chunk of negative length", "caf", caf(-(1 << 63), name=b"free"))


def _random() -> Iterator[Broken]:
    """Random bytes, by themselves and behind what a format begins with, under its ending."""
    rng = np.random.default_rng(13)
    for ending, magic in MAGIC.items():
        yield Broken(f"random bytes as {ending}", ending, rng.bytes(3000))
        yield Broken(f"random bytes behind the magic of {ending}", ending, magic + rng.bytes(3000))
        yield Broken(f"{ending} under another ending", "wav", magic + rng.bytes(300))


def _flac_of_many_frames() -> bytes:
    """A FLAC file that claims the most frames its header can hold."""
    whole = bytearray(written(noise(), "FLAC", "PCM_16"))
    whole[21] |= 0x0F  # STREAMINFO: the last 36 bits before the checksum are the number of samples
    whole[22:26] = b"\xff\xff\xff\xff"
    return bytes(whole)
