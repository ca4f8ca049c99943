"""Signals, files and captures that the tests of this folder share."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from unittest import mock

import numpy as np
import soundfile
from numpy.typing import NDArray

from analyze.audio.files import ForwardSoundFile
from analyze.audio.plain_samples import PlainSamples
from analyze.audio.recording import Label, Recording, open_recording
from analyze.description import Capture, Track
from analyze.findings import Finding

RATE_HZ = 48_000
STEP_16 = 2.0**-15

Samples = NDArray[np.float32]


def noise(n_frames: int, n_channels: int, seed: int = 1) -> Samples:
    """Noise at -20 dBFS or so, (frame, channel), on the 16-bit grid so that every integer format holds it exactly."""
    rng = np.random.default_rng(seed)
    samples = 0.1 * rng.standard_normal((n_frames, n_channels)) * np.linspace(1.0, 0.5, n_channels)
    return (np.round(samples / STEP_16) * STEP_16).astype(np.float32)


def write(path: Path, samples: Samples, *, rate: int = RATE_HZ, form: str = "WAV", subtype: str = "PCM_24") -> Path:
    """Write a file in any format of the decoder."""
    soundfile.write(path, samples, rate, format=form, subtype=subtype)
    return path


def write_bw64(path: Path, samples: Samples) -> Path:
    """A BW64 file: an RF64 file under its other name."""
    write(path, samples, form="RF64")
    return patch(path, 0, b"BW64")


def patch(path: Path, offset: int, new: bytes) -> Path:
    """Overwrite bytes of a file."""
    content = bytearray(path.read_bytes())
    content[offset : offset + len(new)] = new
    path.write_bytes(content)
    return path


def cut(path: Path, share: float) -> Path:
    """Keep the first `share` of a file's bytes."""
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    return path


def capture(start_s: float = 0.0, end_s: float = math.nan, name: str = "noise") -> Capture:
    """A capture of which only the name and the span matter."""
    return Capture(name=name, playing=(), start_s=start_s, end_s=end_s)


def track(text: str) -> Track:
    """A track from FILE:CHANNEL."""
    file, _, channel = text.rpartition(":")
    return Track(file, int(channel))


def opened(folder: Path, tracks: Mapping[Label, str], start_s: float = 0.0, end_s: float = math.nan) -> Recording:
    """The recording of label -> FILE:CHANNEL."""
    return open_recording(folder, capture(start_s, end_s), {label: track(text) for label, text in tracks.items()})


def read_all(recording: Recording, n: int = 1000) -> Samples:
    """One pass over a recording, the blocks put together."""
    blocks = [block for _, block in recording.blocks(n)]
    return np.concatenate(blocks)


def names(findings: list[Finding] | tuple[Finding, ...]) -> list[str]:
    """What was found, in order."""
    return [finding.finding for finding in findings]


def only(findings: list[Finding] | tuple[Finding, ...]) -> Finding:
    """The single finding."""
    assert len(findings) == 1, names(findings)
    return findings[0]


@contextmanager
def counted_reads() -> Iterator[tuple[list[int], list[int]]]:
    """While it is open: the lengths of all reads from files, and the frames that were sought."""
    lengths: list[int] = []
    sought: list[int] = []

    def counting(of: type[ForwardSoundFile | PlainSamples]) -> ExitStack:
        read, seek = of.read, of.seek

        def counting_read(sound: ForwardSoundFile | PlainSamples, *, out: Samples) -> Samples:
            lengths.append(len(out))
            block: Samples = read(sound, out=out)
            return block

        def counting_seek(sound: ForwardSoundFile | PlainSamples, frame: int) -> None:
            sought.append(frame)
            seek(sound, frame)

        stack = ExitStack()
        stack.enter_context(mock.patch.object(of, "read", counting_read))
        stack.enter_context(mock.patch.object(of, "seek", counting_seek))
        return stack

    with counting(ForwardSoundFile), counting(PlainSamples):
        yield lengths, sought
