"""Samples that stand in a file as they are: linear PCM and floating point, little-endian, one frame after another.

Read here they take a quarter of the time that the general decoder needs, and come out the same to the last bit
(libsndfile: integers over 2 to the number of bits less one). Everything else is left to the decoder.

Conventions: arrays are (frame, channel) float32, full scale 1.0; frames count from the start of the file.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

#: Samples converted at a time: they stay in the processor's cache.
_TILE = 1 << 16


@dataclass(frozen=True)
class PlainLayout:
    """Where the samples of a file lie: `n_frames` of `n_channels`, `subtype` in libsndfile's words, `offset` bytes in.

    Raises ValueError for a subtype that is not in `SAMPLE_BYTES`.
    """

    subtype: str
    n_channels: int
    n_frames: int
    offset: int

    def __post_init__(self) -> None:
        """Check the subtype."""
        if self.subtype not in SAMPLE_BYTES:
            raise ValueError(f"{self.subtype} is not among {', '.join(SAMPLE_BYTES)}")


class PlainSamples:
    """A file of plain samples, opened; read forward, or from where `seek` goes."""

    def __init__(self, path: Path, layout: PlainLayout) -> None:
        self._layout = layout
        self._sample_bytes = SAMPLE_BYTES[layout.subtype]
        self._frame_bytes = self._sample_bytes * layout.n_channels
        self._file = path.open("rb", buffering=0)
        self._bytes = np.zeros(_TILE * self._sample_bytes + 1, dtype=np.uint8)  # one more: see `_from_pcm_24`
        self._position = 0
        self._file.seek(layout.offset)

    def seek(self, frame: int) -> None:
        """Go to a frame. Raises OSError."""
        self._file.seek(self._layout.offset + frame * self._frame_bytes)
        self._position = frame

    def tell(self) -> int:
        """The next frame."""
        return self._position

    def read(self, *, out: NDArray[np.float32]) -> NDArray[np.float32]:
        """Fill `out`, (frame, channel), with what comes next; the part filled, less than all where the file ends.

        Raises OSError.
        """
        n = max(0, min(len(out), self._layout.n_frames - self._position))
        if not out.flags.c_contiguous:
            whole = np.empty(out.shape, dtype=np.float32)
            out[:n] = whole[: len(self.read(out=whole[:n]))]
            return out[:n]
        flat = out[:n].reshape(-1)
        done = 0
        while done < len(flat):
            want = min(_TILE, len(flat) - done)
            got = self._fill(want * self._sample_bytes) // self._sample_bytes
            _CONVERT[self._layout.subtype](self._bytes, flat[done : done + got])
            done += got
            if got < want:
                break
        n_read = done // self._layout.n_channels
        self._position += n_read
        if n_read < n:  # what is there of a frame that is cut off does not count
            self.seek(self._position)
        return out[:n_read]

    @property
    def closed(self) -> bool:
        """Whether the file is closed."""
        return self._file.closed

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _fill(self, n: int) -> int:
        """Read `n` bytes; fewer only at the end of the file."""
        view, got = self._bytes[:n].data, 0
        while got < n and (n_read := self._file.readinto(view[got:])):
            got += n_read
        return got


def _from_pcm_16(data: NDArray[np.uint8], out: NDArray[np.float32]) -> None:
    out[...] = data[: 2 * len(out)].view("<i2")
    out *= np.float32(2.0**-15)


def _from_pcm_24(data: NDArray[np.uint8], out: NDArray[np.float32]) -> None:
    # four bytes from every third on: the sample, and a byte of the next one, which is shifted out
    words = np.ndarray((len(out),), "<i4", data.data, 0, (3,))
    out[...] = np.left_shift(words, 8)
    out *= np.float32(2.0**-31)


def _from_pcm_32(data: NDArray[np.uint8], out: NDArray[np.float32]) -> None:
    out[...] = data[: 4 * len(out)].view("<i4")
    out *= np.float32(2.0**-31)


def _from_float(data: NDArray[np.uint8], out: NDArray[np.float32]) -> None:
    out[...] = data[: 4 * len(out)].view("<f4")


def _from_double(data: NDArray[np.uint8], out: NDArray[np.float32]) -> None:
    # too large for single precision is infinite, a signalling NaN an ordinary one; both are named by who reads
    with np.errstate(over="ignore", invalid="ignore"):
        out[...] = data[: 8 * len(out)].view("<f8")


#: Bytes per sample of what is read here.
SAMPLE_BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
_CONVERT: dict[str, Callable[[NDArray[np.uint8], NDArray[np.float32]], None]] = {
    "PCM_16": _from_pcm_16,
    "PCM_24": _from_pcm_24,
    "PCM_32": _from_pcm_32,
    "FLOAT": _from_float,
    "DOUBLE": _from_double,
}
