"""What is wrong with a track: silence, clipping, drop-outs, an offset, a microphone that holds the feed itself.

Conventions: blocks are (frame, track) float32, full scale 1.0, without NaN; levels in dB re a full-scale square wave
(dBFS, root mean square); frames count from the first one given.

All figures come from one pass. Samples are regrouped into stretches of fixed length before anything is computed, so
that the figures are the same to the last bit whatever the block size, and a stretch stays in the processor's cache.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analyze.findings import Finding, Severity

Kind = Literal["feed", "mic", "input"]

#: At or above this a sample is at full scale: 16-bit converters end at 1 - 2^-15.
FULL_SCALE = 0.9999
#: So many equal samples at full scale in succession are clipped; common practice, no source.
CLIPPED_RUN = 3
#: Exact zeros for longer than this in a microphone are lost samples; common practice, no source.
DROPOUT_S = 0.005
#: Under this level a track is silent: the noise of any microphone and preamplifier lies above.
SILENT_DBFS = -90.0
#: A mean beyond this is an offset.
DC_OFFSET = 0.01

#: Zeros between samples no larger than one step of 16 bits are soft sound rounded off, not lost samples.
_ROUNDED_OFF = 1.5 * 2.0**-15
_STRETCH = 1 << 14
_SHORTEST_TILE = 256
#: Odd multiplier that moves the fingerprint on from stretch to stretch (Knuth, TAOCP 3.3.4, table 1, line 26).
_NEXT = np.uint64(6364136223846793005)


@dataclass(frozen=True)
class TrackPlace:
    """Whose samples a track holds: labels for findings. `from_s` is where the capture begins in the file."""

    kind: Kind
    name: str
    capture: str = ""
    file: str = ""
    channel: int | None = None
    from_s: float = 0.0


@dataclass(frozen=True)
class TrackSummary:
    """Figures of one pass; every array has the axis track.

    peak : largest magnitude; mean : of the samples; level_dbfs : root mean square, -inf for silence
    n_clipped, first_clipped : samples in runs at full scale, frame of the first (-1 for none)
    n_dropouts, first_dropout : gaps of exact zeros between sound, first frame of the first (-1 for none)
    dropout_frames, longest_dropout : their length in all, and of the longest
    fingerprint : equal for two tracks if and, but for one chance in 2^33, only if all samples are equal
    """

    n_frames: int
    sample_rate_hz: float
    peak: NDArray[np.float64]
    mean: NDArray[np.float64]
    level_dbfs: NDArray[np.float64]
    n_clipped: NDArray[np.int64]
    first_clipped: NDArray[np.int64]
    n_dropouts: NDArray[np.int64]
    first_dropout: NDArray[np.int64]
    dropout_frames: NDArray[np.int64]
    longest_dropout: NDArray[np.int64]
    fingerprint: NDArray[np.uint64]

    def __post_init__(self) -> None:
        """Check that all arrays have one length and close them."""
        for name, array in vars(self).items():
            if isinstance(array, np.ndarray):
                if array.shape != self.peak.shape:
                    raise ValueError(f"{name} has shape {array.shape}, expected {self.peak.shape}")
                array.flags.writeable = False


class TrackStatistics:
    """Accumulates the figures of `n_tracks` tracks: `update` with successive blocks, then `finish` once."""

    def __init__(self, n_tracks: int, sample_rate_hz: float) -> None:
        self.n_tracks, self.sample_rate_hz = n_tracks, sample_rate_hz
        self.n_frames = 0
        self._is_finished = False
        self._held = np.zeros((n_tracks, _STRETCH), dtype=np.float32)
        self._n_held = 0
        self._peak = np.zeros(n_tracks)
        self._sum = np.zeros(n_tracks)
        self._sum_squares = np.zeros(n_tracks)
        self._fingerprint = np.zeros(n_tracks, dtype=np.uint64)
        # 64 bits for 32-bit words: with fewer, all signs flipped would leave the sum as it is. Any fixed seed will do.
        self._multipliers = np.random.default_rng(20).integers(0, 1 << 64, _STRETCH, dtype=np.uint64)
        self._clipping = _Clipping(n_tracks)
        self._dropouts = _Dropouts(n_tracks, math.floor(DROPOUT_S * sample_rate_hz) + 1)

    def update(self, block: NDArray[np.float32]) -> None:
        """Take the next block, (frame, track), of any length. Raises ValueError for another number of tracks."""
        if block.ndim != 2 or block.shape[1] != self.n_tracks:
            raise ValueError(f"block has shape {block.shape}, expected (frame, {self.n_tracks})")
        if self._is_finished:
            raise ValueError("the statistics are finished")
        done = 0
        while done < len(block):
            n = min(_STRETCH - self._n_held, len(block) - done)
            self._hold(block[done : done + n])
            done += n
            if self._n_held == _STRETCH:
                self._take_stretch()

    def finish(self) -> TrackSummary:
        """The figures of everything given; nothing can be added afterwards. Raises ValueError without a frame."""
        if self._n_held:
            self._take_stretch()
        self._is_finished = True  # the arrays are the summary's now
        if self.n_frames == 0:
            raise ValueError("no frames were given")
        with np.errstate(divide="ignore"):
            level_dbfs = 10.0 * np.log10(self._sum_squares / self.n_frames)
        return TrackSummary(
            n_frames=self.n_frames,
            sample_rate_hz=self.sample_rate_hz,
            peak=self._peak,
            mean=self._sum / self.n_frames,
            level_dbfs=level_dbfs,
            n_clipped=self._clipping.count,
            first_clipped=self._clipping.first,
            n_dropouts=self._dropouts.count,
            first_dropout=self._dropouts.first,
            dropout_frames=self._dropouts.total,
            longest_dropout=self._dropouts.longest,
            fingerprint=self._fingerprint,
        )

    def _hold(self, block: NDArray[np.float32]) -> None:
        """Append (frame, track) to the held (track, frame), in tiles: a transposition at once would miss the cache."""
        n_tile = max(_SHORTEST_TILE, _STRETCH // self.n_tracks)
        for start in range(0, len(block), n_tile):
            tile = block[start : start + n_tile]
            self._held[:, self._n_held : self._n_held + len(tile)] = tile.T
            self._n_held += len(tile)

    def _take_stretch(self) -> None:
        """Account for the held samples."""
        held = self._held[:, : self._n_held]
        peak = np.maximum(held.max(axis=1), -held.min(axis=1))
        self._peak = np.maximum(self._peak, peak)
        sums, squares = _sums(held)
        self._sum += sums
        self._sum_squares += squares
        words = np.einsum("ij,j->i", held.view(np.uint32), self._multipliers[: self._n_held])
        self._fingerprint = self._fingerprint * _NEXT + words
        self._clipping.take(held, peak, self.n_frames)
        self._dropouts.take(held, self.n_frames)
        self.n_frames += self._n_held
        self._n_held = 0


def damage_findings(summary: TrackSummary, places: Sequence[TrackPlace]) -> list[Finding]:
    """What a pass has shown, in the order of the tracks: nothing for clean ones.

    Parameters
    ----------
    summary : the figures
    places : per track, in the same order, what it is and where its samples come from
    """
    if len(places) != len(summary.peak):
        raise ValueError(f"{len(places)} places for {len(summary.peak)} tracks")
    findings: list[Finding] = []
    for track, place in enumerate(places):
        if _is_silent(summary, track):
            findings.append(_silent(summary, track, place))
            continue
        findings += _clipping(summary, track, place)
        if place.kind != "feed":
            findings += _dropouts(summary, track, place)
        findings += _offset(summary, track, place)
        if place.kind == "mic":
            findings += _same_signal(summary, track, places)
    return findings


# --- accumulators ---


def _sums(held: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sums of samples and of squares, per row.

    In single precision, which is good to 1e-5 dB here, unless numbers far beyond full scale run over.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        sums = held.sum(axis=1).astype(np.float64)
        squares = np.einsum("ij,ij->i", held, held).astype(np.float64)
    if not np.isfinite(sums + squares).all():
        sums, squares = held.sum(axis=1, dtype=np.float64), np.einsum("ij,ij->i", held, held, dtype=np.float64)
    return sums, squares


class _Clipping:
    """Counts samples in runs of at least three equal ones at full scale, across stretches.

    A run of length n holds n - 2 triples of neighbours. So a run adds its triples, and two more samples where a triple
    is not preceded by another: three samples of history are all that has to be carried.
    """

    def __init__(self, n_tracks: int) -> None:
        self._history = np.zeros((n_tracks, CLIPPED_RUN), dtype=np.float32)
        self.count = np.zeros(n_tracks, dtype=np.int64)
        self.first = np.full(n_tracks, -1, dtype=np.int64)

    def take(self, held: NDArray[np.float32], peak: NDArray[np.float32], first_frame: int) -> None:
        """Account for (track, frame) samples whose first one is frame `first_frame`."""
        for track in np.flatnonzero(peak >= FULL_SCALE):
            self._count(int(track), np.concatenate([self._history[track], held[track]]), first_frame - CLIPPED_RUN)
        tail = np.concatenate([self._history, held[:, -CLIPPED_RUN:]], axis=1)
        self._history = tail[:, -CLIPPED_RUN:]

    def _count(self, track: int, samples: NDArray[np.float32], first_frame: int) -> None:
        """Count in one row that begins with the history; triples that lie in it alone were counted before."""
        loud = np.flatnonzero(np.abs(samples) >= FULL_SCALE)
        here, next_but_one = loud[:-2], loud[2:]
        is_triple = next_but_one - here == 2
        triples = here[is_triple]
        triples = triples[(samples[triples] == samples[triples + 1]) & (samples[triples] == samples[triples + 2])]
        n_runs = np.count_nonzero((np.diff(triples, prepend=-2) > 1) & (triples > 0))
        triples = triples[triples > 0]
        self.count[track] += len(triples) + 2 * n_runs
        if len(triples) and self.first[track] < 0:
            self.first[track] = first_frame + triples[0]


class _Dropouts:
    """Finds gaps of at least `shortest` exact zeros between sound, across stretches.

    Any such gap meets a grid of that spacing, so a row without a zero on the grid, at its ends or open from before
    needs no closer look.
    """

    def __init__(self, n_tracks: int, shortest: int) -> None:
        self.shortest = shortest
        self._last_sound = np.full(n_tracks, -1, dtype=np.int64)  # frame of the last sample that is not zero
        self._last_size = np.zeros(n_tracks, dtype=np.float32)  # its magnitude, 0 before the first sound
        self.count = np.zeros(n_tracks, dtype=np.int64)
        self.total = np.zeros(n_tracks, dtype=np.int64)
        self.longest = np.zeros(n_tracks, dtype=np.int64)
        self.first = np.full(n_tracks, -1, dtype=np.int64)

    def take(self, held: NDArray[np.float32], first_frame: int) -> None:
        """Account for (track, frame) samples whose first one is frame `first_frame`."""
        is_sounding = (held[:, :: self.shortest] != 0).all(axis=1)
        is_sounding &= (held[:, -1] != 0) & (self._last_sound == first_frame - 1)
        for track in np.flatnonzero(~is_sounding):
            self._look(int(track), held[track], first_frame)
        self._last_sound[is_sounding] = first_frame + held.shape[1] - 1
        self._last_size[is_sounding] = np.abs(held[is_sounding, -1])

    def _look(self, track: int, samples: NDArray[np.float32], first_frame: int) -> None:
        """Account for one row in full."""
        sound = np.flatnonzero(samples)
        if len(sound) == 0:
            return
        frame = np.concatenate([self._last_sound[track : track + 1], sound + first_frame])
        size = np.concatenate([self._last_size[track : track + 1], np.abs(samples[sound])])
        self._last_sound[track], self._last_size[track] = frame[-1], size[-1]
        gap = np.diff(frame) - 1
        is_lost = (gap >= self.shortest) & (size[:-1] > 0) & (np.maximum(size[:-1], size[1:]) > _ROUNDED_OFF)
        if not is_lost.any():
            return
        self.count[track] += np.count_nonzero(is_lost)
        self.total[track] += gap[is_lost].sum()
        self.longest[track] = max(self.longest[track], gap[is_lost].max())
        if self.first[track] < 0:
            self.first[track] = frame[:-1][is_lost][0] + 1


# --- findings ---


def _is_silent(summary: TrackSummary, track: int) -> bool:
    """Whether a track holds nothing but its converter's noise, or not even that."""
    return bool(summary.peak[track] == 0 or summary.level_dbfs[track] < SILENT_DBFS)


def _finding(
    place: TrackPlace,
    finding: str,
    severity: Severity,
    detail: str,
    value: float,
    unit: str,
    at_s: float = math.nan,
) -> Finding:
    """A finding about one track."""
    return Finding(finding, severity, detail, place.capture, place.name, place.file, place.channel, value, unit, at_s)


def _at_s(summary: TrackSummary, frame: int, place: TrackPlace) -> float:
    """Seconds from the start of the file."""
    return place.from_s + frame / summary.sample_rate_hz


def _silent(summary: TrackSummary, track: int, place: TrackPlace) -> Finding:
    """A track without sound."""
    level_dbfs = float(summary.level_dbfs[track])
    detail = "This track holds no sound. Check the patch, and that the description names the right channel."
    return _finding(
        place, "silent track", "error", detail, level_dbfs if math.isfinite(level_dbfs) else math.nan, "dBFS"
    )


def _clipping(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """Runs of samples at full scale."""
    n = int(summary.n_clipped[track])
    if n == 0:
        return []
    at_s = _at_s(summary, int(summary.first_clipped[track]), place)
    if place.kind == "feed":
        detail = f"{n} samples stand at full scale. Lower the level into the recorder, unless the music itself is so."
    else:
        detail = f"{n} samples stand at full scale. Lower the preamplifier's gain and record again."
    return [_finding(place, "clipping", "warning", detail, 100.0 * n / summary.n_frames, "%", at_s)]


def _dropouts(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """Gaps of exact zeros in what a microphone picked up."""
    n = int(summary.n_dropouts[track])
    if n == 0:
        return []
    rate = summary.sample_rate_hz
    gaps = "1 gap" if n == 1 else f"{n} gaps"
    detail = (
        f"{gaps} of exact silence, the longest {1000.0 * summary.longest_dropout[track] / rate:.1f} ms. "
        "Look for lost network packets, a digital gate or a loose connector."
    )
    at_s = _at_s(summary, int(summary.first_dropout[track]), place)
    return [_finding(place, "drop-out", "warning", detail, float(summary.dropout_frames[track]) / rate, "s", at_s)]


def _offset(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """A mean that is not zero."""
    mean = float(summary.mean[track])
    if abs(mean) <= DC_OFFSET:
        return []
    detail = "The samples have a constant offset, which costs headroom. The analysis leaves it out."
    return [_finding(place, "dc offset", "note", detail, mean, "full scale")]


def _same_signal(summary: TrackSummary, track: int, places: Sequence[TrackPlace]) -> list[Finding]:
    """A microphone that holds the samples of a feed."""
    place = places[track]
    for other, feed in enumerate(places):
        if feed.kind == "feed" and summary.fingerprint[other] == summary.fingerprint[track]:
            detail = (
                f"Every sample equals the feed of {feed.name}: this is not what a microphone picked up. "
                "Check the patch, and that the description names the right channel."
            )
            return [_finding(place, "same signal", "warning", detail, math.nan, "")]
    return []
