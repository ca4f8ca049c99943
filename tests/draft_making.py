"""Folders of recordings to draft from, and what is written into their files."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile

from analyze.description import SoundCheck, load_sound_check
from analyze.draft import write_draft

RATE_HZ, N_FRAMES = 48_000, 4800


def silent(path: Path, n_channels: int = 1, n_frames: int = N_FRAMES, rate_hz: int = RATE_HZ) -> Path:
    """A silent recording; folders are made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, np.zeros((n_frames, n_channels), dtype=np.int16), rate_hz)
    return path


def recordings(folder: Path, files: Mapping[str, int] | list[str]) -> Path:
    """Silent recordings of one length by name, with their number of channels."""
    for name in files:
        silent(folder / name, files[name] if isinstance(files, Mapping) else 1)
    return folder


def drafted(folder: Path) -> SoundCheck:
    """The sound check of a folder, drafted and loaded."""
    assert write_draft(folder).to_fill_in == ""
    return load_sound_check(folder)


def text_of(folder: Path) -> str:
    """The description in a folder."""
    return (folder / "soundcheck.toml").read_text(encoding="utf-8")


def kinds(check: SoundCheck) -> dict[str, str]:
    """Kind of every output."""
    return {name: output.kind for name, output in check.outputs.items()}


def tables(check: SoundCheck) -> dict[str, dict[str, list[str]]]:
    """Names in every table of tracks, per capture; empty tables left away."""
    found = {}
    for capture in check.captures:
        by_table = {"feeds": capture.feeds, "mics": capture.mics, "inputs": capture.inputs}
        found[capture.name] = {table: list(tracks) for table, tracks in by_table.items() if tracks}
    return found


# --- metadata: EBU Tech 3285 (2011), 2.3; iXML 2.0 ---


def chunk(identifier: bytes, payload: bytes) -> bytes:
    """A RIFF chunk, padded to an even length."""
    return struct.pack("<4sI", identifier, len(payload)) + payload + b"\0" * (len(payload) % 2)


def bext(description: bytes = b"", start_s: int = 0, day: bytes = b"") -> bytes:
    """A bext chunk."""
    return chunk(b"bext", struct.pack("<256s64x10s8xQ256x", description, day, start_s * RATE_HZ))


def ixml(*names: str) -> bytes:
    """An iXML chunk with a track list, channels from 1."""
    rows = "".join(
        f"<TRACK><INTERLEAVE_INDEX>{channel}</INTERLEAVE_INDEX><NAME>{name}</NAME></TRACK>"
        for channel, name in enumerate(names, start=1)
    )
    return chunk(b"iXML", f"<BWFXML><TRACK_LIST>{rows}</TRACK_LIST></BWFXML>".encode())


def marked(*marks: tuple[float, str]) -> bytes:
    """Cue points with labels: seconds, text."""
    points = b"".join(
        struct.pack("<II4sIII", number, 0, b"data", 0, 0, round(at_s * RATE_HZ))
        for number, (at_s, _) in enumerate(marks, start=1)
    )
    labels = b"".join(
        chunk(b"labl", struct.pack("<I", number) + text.encode() + b"\0")
        for number, (_, text) in enumerate(marks, start=1)
    )
    return chunk(b"cue ", struct.pack("<I", len(marks)) + points) + chunk(b"LIST", b"adtl" + labels)


def with_chunks(path: Path, chunks: bytes, n_channels: int = 1, n_frames: int = N_FRAMES) -> Path:
    """A silent WAV file with chunks behind its audio."""
    silent(path, n_channels, n_frames)
    content = path.read_bytes()
    path.write_bytes(content[:4] + struct.pack("<I", len(content) + len(chunks) - 8) + content[8:] + chunks)
    return path
