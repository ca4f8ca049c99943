"""What is wrong with a track: silence, clipping, drop-outs, an offset, the samples of another track.

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

from analyze.audio.damage_runs import ClippedRuns, Gaps
from analyze.findings import Finding, Severity

Kind = Literal["feed", "mic", "input"]
#: First frame and the one after the last.
Span = tuple[int, int]

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

#: Exact zeros at an end of a microphone for longer than this, while other tracks go on, are no sound either.
_LOST_AT_END_S = 1.0
#: A feed that clips over more than this share of the take is loud music.
_MOST_CLIPPED_FEED = 0.25
#: Damaged spans closer than this are one.
_SPANS_APART_S = 0.5
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
    zeros_before, zeros_after : exact zeros ahead of the first sound and behind the last, 0 where that is soft
    clipped_spans, dropout_spans : per track where they lie, in order; what is closer than 0.5 s is one span
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
    zeros_before: NDArray[np.int64]
    zeros_after: NDArray[np.int64]
    clipped_spans: tuple[tuple[Span, ...], ...]
    dropout_spans: tuple[tuple[Span, ...], ...]
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
        apart = round(_SPANS_APART_S * sample_rate_hz)
        self._clipping = ClippedRuns(n_tracks, FULL_SCALE, CLIPPED_RUN, apart)
        self._gaps = Gaps(n_tracks, math.floor(DROPOUT_S * sample_rate_hz) + 1, apart)

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
            n_dropouts=self._gaps.count,
            first_dropout=self._gaps.first,
            dropout_frames=self._gaps.total,
            longest_dropout=self._gaps.longest,
            zeros_before=self._gaps.before,
            zeros_after=self._gaps.after(self.n_frames),
            clipped_spans=tuple(track.spans() for track in self._clipping.spans),
            dropout_spans=tuple(track.spans() for track in self._gaps.spans),
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
        self._gaps.take(held, self.n_frames)
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
        if place.kind == "mic":
            findings += _silent_ends(summary, track, place)
        findings += _offset(summary, track, place)
        findings += _same_samples(summary, track, places)
    return findings


def damaged_spans(summary: TrackSummary, places: Sequence[TrackPlace]) -> tuple[tuple[Span, ...], ...]:
    """Per track the frames that must not count, in order: clipped, dropped out, or missing at an end.

    Silence in a feed is what was played, and a feed that clips over more than a quarter of the take is loud music. Of a
    silent track nothing is named: there is nothing else in it.
    """
    return tuple(
        () if _is_silent(summary, track) else _damaged(summary, track, place) for track, place in enumerate(places)
    )


def _damaged(summary: TrackSummary, track: int, place: TrackPlace) -> tuple[Span, ...]:
    """The damaged spans of one track."""
    clipped, n = summary.clipped_spans[track], summary.n_frames
    if place.kind == "feed":
        is_music = sum(stop - first for first, stop in clipped) > _MOST_CLIPPED_FEED * n
        return () if is_music else clipped
    before, after = _missing_at_ends(summary, track) if place.kind == "mic" else (0, 0)
    ends = [span for span in ((0, before), (n - after, n)) if span[1] > span[0]]
    return _joined([*clipped, *summary.dropout_spans[track], *ends])


def _joined(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Spans in order, those that overlap as one."""
    joined: list[Span] = []
    for first, stop in sorted(spans):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], stop))
        else:
            joined.append((first, stop))
    return tuple(joined)


def _missing_at_ends(summary: TrackSummary, track: int) -> tuple[int, int]:
    """Zeros at the start and at the end of a track while others go on; 0 where that is short."""
    least = _LOST_AT_END_S * summary.sample_rate_hz
    ends = []
    for zeros in (summary.zeros_before, summary.zeros_after):
        others = min(int(zeros[k]) for k in range(len(zeros)) if not _is_silent(summary, k))
        ends.append(int(zeros[track]) if zeros[track] - others > least else 0)
    return ends[0], ends[1]


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


def _silent_ends(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """A microphone of exact zeros at an end while other tracks go on."""
    before, after = _missing_at_ends(summary, track)
    findings = []
    for n, first, where in ((before, 0, "first"), (after, summary.n_frames - after, "last")):
        if n:
            silent_s = n / summary.sample_rate_hz
            detail = (
                f"Nothing but zeros in the {where} {silent_s:.1f} s, while other tracks go on; they are left out. "
                "Look for a mute, a lost network stream or a track armed late."
            )
            at_s = _at_s(summary, first, place)
            findings.append(_finding(place, "digital silence", "warning", detail, silent_s, "s", at_s))
    return findings


def _same_samples(summary: TrackSummary, track: int, places: Sequence[TrackPlace]) -> list[Finding]:
    """A microphone that holds the samples of a feed, or a track those of an earlier one of its kind."""
    place = places[track]
    same = [k for k, print_ in enumerate(summary.fingerprint) if k != track and print_ == summary.fingerprint[track]]
    feeds = [places[k].name for k in same if places[k].kind == "feed"]
    if place.kind == "mic" and feeds:
        detail = (
            f"Every sample equals the feed of {feeds[0]}: this is not what a microphone picked up. "
            "Check the patch, and that the description names the right channel."
        )
        return [_finding(place, "same signal", "warning", detail, math.nan, "")]
    earlier = [places[k].name for k in same if k < track and places[k].kind == place.kind]
    if not earlier:
        return []
    if place.kind == "feed":
        detail = f"Every sample equals the feed of {earlier[0]}. If they were not sent the same, check the patch."
        return [_finding(place, "duplicated track", "note", detail, math.nan, "")]
    detail = (
        f"Every sample equals {earlier[0]}: one of the two is not what its microphone picked up. "
        "Check the patch, and that the description names the right channels."
    )
    return [_finding(place, "duplicated track", "warning", detail, math.nan, "")]
