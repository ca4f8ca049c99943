"""The tracks of a recording as another clock would have sampled them: which sample belongs to this instant there?

Conventions: times in seconds; `base_s` counts from the first frame of the recording that sets the clock, `foreign_s`
from the first frame of the one that is brought onto it, by the rates that their files state. A line

    foreign_s = offset_s + (1 + ppm * 1e-6) * base_s

holds within each `ClockPiece`: `offset_s` is positive when the foreign recorder was started earlier, `ppm` is positive
when it counts more samples per second than the base. What no piece covers, and what lies outside the file, is 0.

Samples are computed tile by tile, each tile from its own place on the line, so that they are the same whatever the
blocks and the order of reads, and no error of the ratio adds up. soxr changes the rate; the rest of a sample by which
a tile's first frame lies between two of the file is a windowed sinc (Kaiser). Measured, both together: 0.1 ns, and
0.001 dB up to 20 kHz at 48 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from analyze.audio.recording import Recording

#: Frames computed at a time.
_TILE = 1 << 14
#: Frames of the slower rate that are read on both sides of a tile; soxr's filter reaches 95.
_LEAD = 256
#: Decimals of a place in frames that count: what floating point adds to a whole number is cut off.
_DIGITS = 6
#: Half length and window shape of the interpolator.
_HALF_TAPS, _KAISER_BETA = 64, 9.0


@dataclass(frozen=True)
class ClockPiece:
    """Stretch of the base clock over which one line holds: `foreign_s = offset_s + (1 + ppm * 1e-6) * base_s`."""

    base_start_s: float
    base_stop_s: float
    offset_s: float
    ppm: float

    def __post_init__(self) -> None:
        """Check the order of the ends."""
        if not self.base_start_s < self.base_stop_s:
            raise ValueError(f"the piece {self.base_start_s}..{self.base_stop_s} s is empty")

    def foreign_s(self, base_s: float) -> float:
        """Instant of the foreign clock at one of the base clock."""
        return self.offset_s + (1.0 + self.ppm * 1e-6) * base_s

    def base_s(self, foreign_s: float) -> float:
        """Instant of the base clock at one of the foreign clock."""
        return (foreign_s - self.offset_s) / (1.0 + self.ppm * 1e-6)

    def counted_from(self, base_s: float) -> ClockPiece:
        """The same line with times of the base counted from this one."""
        return ClockPiece(self.base_start_s - base_s, self.base_stop_s - base_s, self.foreign_s(base_s), self.ppm)


class Resampled:
    """Tracks of `recording` at `rate_hz` of another clock.

    pieces : in order, not overlapping; tracks : indices on the recording's track axis, all if not given
    n_bytes_kept : samples that have been read are kept up to this size for the next read
    """

    def __init__(
        self,
        recording: Recording,
        pieces: Sequence[ClockPiece],
        rate_hz: float,
        tracks: Sequence[int] | None = None,
        n_bytes_kept: int = 0,
    ) -> None:
        self.recording, self.pieces, self.rate_hz = recording, tuple(pieces), rate_hz
        self.tracks = tuple(range(len(recording.labels))) if tracks is None else tuple(tracks)
        self._n_kept = max(1, n_bytes_kept // (_TILE * len(self.tracks) * 4))
        self._tiles: dict[int, NDArray[np.float32]] = {}
        self._held: tuple[int, NDArray[np.float32]] = (0, self._silence(0))

    @property
    def spans(self) -> list[tuple[int, int, ClockPiece]]:
        """Frames (first, stop) that have data, and the piece that gives them; in order."""
        spans = []
        for piece in self.pieces:
            begin_s = max(piece.base_start_s, piece.base_s(0.0))
            end_s = min(piece.base_stop_s, piece.base_s(self.recording.duration_s))
            first, stop = (math.ceil(round(end * self.rate_hz, _DIGITS)) for end in (begin_s, end_s))
            if first < stop:
                spans.append((first, stop, piece))
        return spans

    def gaps(self, n_frames: int) -> tuple[tuple[int, int], ...]:
        """Frames (first, stop) among 0 .. n_frames - 1 that have no data."""
        gaps, at = [], 0
        for first, stop, _ in self.spans:
            if at < min(first, n_frames):
                gaps.append((at, min(first, n_frames)))
            at = max(at, stop)
        return (*gaps, (at, n_frames)) if at < n_frames else tuple(gaps)

    def read(self, start: int, n: int) -> NDArray[np.float32]:
        """The `n` frames from `start` on, which may be negative, (frame, track); 0 where there is no data."""
        block = np.empty((n, len(self.tracks)), dtype=np.float32)
        for tile in range(start // _TILE, -(-(start + n) // _TILE)):
            first, stop = max(start, tile * _TILE), min(start + n, (tile + 1) * _TILE)
            block[first - start : stop - start] = self._tile_of(tile)[first - tile * _TILE : stop - tile * _TILE]
        return block

    def _tile_of(self, tile: int) -> NDArray[np.float32]:
        """The frames of one tile, (frame, track)."""
        if tile not in self._tiles:
            n_frames = -1
            while n_frames != self.recording.n_frames:  # it shrinks when its file turns out to break off
                n_frames = self.recording.n_frames
                samples = self._computed(tile * _TILE)
            while len(self._tiles) >= self._n_kept:
                del self._tiles[next(iter(self._tiles))]
            self._tiles[tile] = samples
        return self._tiles[tile]

    def _computed(self, start: int) -> NDArray[np.float32]:
        """`_TILE` frames from `start` on."""
        block = self._silence(_TILE)
        for first, stop, piece in self.spans:
            first, stop = max(first, start), min(stop, start + _TILE)
            if first < stop:
                block[first - start : stop - start] = self._of_piece(piece, first, stop - first)
        return block

    def _of_piece(self, piece: ClockPiece, first: int, n: int) -> NDArray[np.float32]:
        """`n` frames from `first` on along one line."""
        import soxr

        rate_in = self.recording.sample_rate_hz * (1.0 + piece.ppm * 1e-6)
        ratio = rate_in / self.rate_hz  # frames of the file per frame wanted
        place = round(piece.foreign_s(first / self.rate_hz) * self.recording.sample_rate_hz, _DIGITS)
        lead = _LEAD * max(1.0, ratio)
        begin = math.floor(place - lead)
        behind, rest = divmod((place - begin) / ratio, 1.0)
        source = self._source(begin, math.ceil(n * ratio + 2.0 * lead))
        resampled: NDArray[np.float32] = soxr.resample(source, rate_in, self.rate_hz) if ratio != 1.0 else source
        return _between(resampled, int(behind), rest, n)

    def _source(self, first: int, n: int) -> NDArray[np.float32]:
        """`n` frames of the file from `first` on, 0 outside; what the last tile has read is not read again."""
        held_first, held = self._held
        kept = held[max(0, first - held_first) :] if first >= held_first else held[:0]
        begin = first + len(kept)
        inside = max(0, min(begin, self.recording.n_frames)), max(0, min(first + n, self.recording.n_frames))
        fresh = self._silence(max(0, first + n - begin))
        if inside[0] < inside[1]:
            samples = self.recording.read(inside[0], inside[1] - inside[0])[:, self.tracks]
            fresh[inside[0] - begin : inside[0] - begin + len(samples)] = samples
        self._held = (first, np.concatenate([kept, fresh])[:n])
        return self._held[1]

    def _silence(self, n: int) -> NDArray[np.float32]:
        """`n` frames of 0."""
        return np.zeros((n, len(self.tracks)), dtype=np.float32)


def _between(samples: NDArray[np.float32], first: int, rest: float, n: int) -> NDArray[np.float32]:
    """`n` frames of (frame, track) at `first + rest`, `first + rest + 1` ..: convolution with a windowed sinc."""
    from scipy import signal

    if rest == 0.0:
        return samples[first : first + n]
    tap = np.arange(_HALF_TAPS, -_HALF_TAPS, -1) - rest  # of the frames first - half + 1 .. first + half, reversed
    shape = np.i0(_KAISER_BETA * np.sqrt(1.0 - (tap / (_HALF_TAPS + 1.0)) ** 2)) / np.i0(_KAISER_BETA)
    kernel = (np.sinc(tap) * shape).astype(np.float32)
    near = samples[first - _HALF_TAPS + 1 : first + _HALF_TAPS + n]
    return np.asarray(signal.oaconvolve(near, kernel[:, np.newaxis], mode="valid", axes=0), dtype=np.float32)
