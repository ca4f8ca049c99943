"""Where a stage input's source plays: its hits, found in one pass, and the loudest stretches of what has none.

A hit is a sudden rise in many bands at once: the half-wave rectified growth of the logarithmic level of octave bands
over the highest of the frames before (Boeck & Widmer 2013, DAFx, eqs. (2) and (3), with octave bands; from memory).
What is kept of a hit is its place and its level in every track, and of every track only its strongest hits, so memory
does not grow with the length of the recording. Results do not depend on the size of the blocks.

Conventions: levels are mean squares re full scale; frames count from the start of the recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.audio.damage import CLIPPED_RUN, FULL_SCALE, TrackStatistics
from analyze.audio.recording import Recording

#: Step of the analysis; a frame is four steps.
_STEP_S = 0.0029
_STEPS_PER_FRAME = 4
#: Least mean growth over the octave bands, and the most that one band counts, dB.
_LEAST_GROWTH_DB, _MOST_GROWTH_DB = 2.0, 30.0
#: How far a hit must stand over what comes ahead of it, dB: steady noise grows in some band now and then.
_LEAST_RISE_DB = 1.0
#: Frames whose highest level a frame is compared with, and the frames between, which see the same rise.
_N_BEFORE, _N_BETWEEN = 9, 3
#: The largest growth within so many frames to either side is one hit.
_N_APART = 11
#: Level under which a band holds nothing.
_FLOOR = 1e-10
#: Frames of a block that are looked at by its neighbours, on either side: 90 ms.
_N_MARGIN = 31
_BLOCK_S = 5.0
#: A hit's level is taken over this long from its beginning on, the level before it over this long ahead of it.
_DURING_S = (-0.003, 0.040)
_AHEAD_S = (-0.035, -0.008)
#: Length of the stretches in which a source without hits is looked for.
_STRETCH_STEPS = 64
#: Strongest hits and stretches kept of every track.
_MOST_KEPT = 300


@dataclass(frozen=True)
class Hits:
    """Hits of all tracks of a recording, in the order of time.

    frame : (hit,) where the rise is seen, some milliseconds after it began
    track : (hit,) index of the track in which it was found
    level, ahead : (track, hit) mean square of its beginning, and of what comes just ahead of it
    is_clipped : (track, hit)
    """

    frame: NDArray[np.int64]
    track: NDArray[np.int64]
    level: NDArray[np.float64]
    ahead: NDArray[np.float64]
    is_clipped: NDArray[np.bool_]

    def at(self, index: NDArray[np.integer] | NDArray[np.bool_]) -> Hits:
        """Only these hits."""
        return Hits(
            self.frame[index], self.track[index], self.level[:, index], self.ahead[:, index], self.is_clipped[:, index]
        )


def find_hits(
    recording: Recording, statistics: TrackStatistics | None = None, advance: Callable[[int], None] | None = None
) -> tuple[Hits, Hits]:
    """Hits of every track, and the loudest stretches of every track on a fixed grid, in one pass.

    Parameters
    ----------
    statistics : is given every frame once
    advance : is told of the frames done
    """
    step = round(_STEP_S * recording.sample_rate_hz)
    n_block, overlap = round(_BLOCK_S / _STEP_S) * step, (2 * _N_MARGIN) * step
    n_tracks = len(recording.labels)
    hits, stretches = _no_hits(n_tracks), _no_hits(n_tracks)
    for start, block in recording.blocks(n_block, overlap, statistics):
        first = start + _N_MARGIN * step if start else 0
        is_last = start + len(block) >= recording.n_frames
        stop = start + len(block) - (0 if is_last else _N_MARGIN * step)
        found = [_rises(block[:, t], step) * step + start for t in range(n_tracks)]
        found = [frames[(frames >= first) & (frames < stop)] for frames in found]
        length = _STRETCH_STEPS * step
        grid = np.arange(-(-first // length) * length, stop, length)
        hits = _strongest(_joined(hits, _rising(_measured(block, start, found, recording.sample_rate_hz))))
        even = _measured(block, start, [grid] * n_tracks, recording.sample_rate_hz)
        stretches = _strongest(_joined(stretches, even))
        if advance is not None:
            advance(len(block) if start == 0 else len(block) - overlap)
    return hits, stretches


def _rises(samples: NDArray[np.float32], step: int) -> NDArray[np.int64]:
    """Steps of a track (frame,) at which many bands grow at once, at the middle of the frame that sees it."""
    from scipy import ndimage

    n = _STEPS_PER_FRAME * step
    if len(samples) < n:
        return np.empty(0, dtype=np.int64)
    frames = np.lib.stride_tricks.sliding_window_view(samples, n)[::step]
    window = np.hanning(n + 1)[:-1].astype(np.float32)
    energy = np.abs(np.fft.rfft(frames * window, axis=1)) ** 2 / (window.sum() ** 2)
    edges = np.unique(np.r_[1, 2, 3, 2 ** np.arange(2, int(np.log2(n // 2)) + 1) + 1])
    bands = np.add.reduceat(energy[:, : edges[-1]], edges[:-1], axis=1)  # (step, band)
    level_db = 10.0 * np.log10(bands + _FLOOR)
    highest = ndimage.maximum_filter1d(level_db, _N_BEFORE, axis=0, origin=_N_BEFORE // 2)
    before = np.concatenate([np.repeat(highest[:1], _N_BETWEEN, axis=0), highest])[: len(highest)]
    growth_db = np.clip(level_db - before, 0.0, _MOST_GROWTH_DB).mean(axis=1)
    is_top = growth_db == ndimage.maximum_filter1d(growth_db, 2 * _N_APART + 1)
    tops = np.flatnonzero(is_top & (growth_db > _LEAST_GROWTH_DB))
    tops = tops[np.diff(tops, prepend=-_N_APART - 1) > _N_APART]  # the first of equal ones
    return tops + _STEPS_PER_FRAME // 2


def _measured(block: NDArray[np.float32], start: int, found: list[NDArray[np.int64]], rate_hz: float) -> Hits:
    """Levels in every track at the frames found in each, in the order of time."""
    frame = np.concatenate(found).astype(np.int64)
    order = np.argsort(frame, kind="stable")
    track = np.repeat(np.arange(len(found)), [len(frames) for frames in found])[order]
    during, ahead = (
        tuple(np.clip(frame[order] - start + round(s * rate_hz), 0, len(block)) for s in span_s)
        for span_s in (_DURING_S, _AHEAD_S)
    )
    level, before, n_full = (np.empty((len(found), len(frame))) for _ in range(3))
    for t in range(len(found)):  # one at a time: sums take memory
        squares = np.concatenate([[0.0], np.cumsum(block[:, t].astype(np.float64) ** 2)])
        full = np.concatenate([[0], np.cumsum(np.abs(block[:, t]) >= FULL_SCALE, dtype=np.int32)])
        level[t], before[t] = _mean(squares, during), _mean(squares, ahead)
        n_full[t] = full[during[1]] - full[during[0]]
    return Hits(frame[order], track, level, before, n_full >= CLIPPED_RUN)


def _mean(sums: NDArray[np.float64], span: tuple[NDArray[np.int64], ...]) -> NDArray[np.float64]:
    """Means between the frames of a span, (hit,) each, from running sums; 0 over no frames."""
    first, last = span
    return np.asarray((sums[last] - sums[first]) / np.maximum(last - first, 1))


def _rising(hits: Hits) -> Hits:
    """The hits that stand over what comes ahead of them in the track in which they were found."""
    index = np.arange(len(hits.frame))
    level, ahead = (values[hits.track, index] for values in (hits.level, hits.ahead))
    return hits.at(level > ahead * 10.0 ** (_LEAST_RISE_DB / 10.0))


def _strongest(hits: Hits) -> Hits:
    """At most `_MOST_KEPT` hits of every track, its strongest."""
    keep = np.zeros(len(hits.frame), dtype=np.bool_)
    for track in range(len(hits.level)):
        own = np.flatnonzero(hits.track == track)
        sure = own[~hits.is_clipped[track, own]]
        keep[sure[np.argsort(-hits.level[track, sure], kind="stable")[:_MOST_KEPT]]] = True
    return hits.at(keep)


def _no_hits(n_tracks: int) -> Hits:
    none, empty = np.empty(0, dtype=np.int64), np.empty((n_tracks, 0))
    return Hits(none, none, empty, empty, empty.astype(np.bool_))


def _joined(hits: Hits, more: Hits) -> Hits:
    """Hits, then later ones."""
    return Hits(
        np.concatenate([hits.frame, more.frame]),
        np.concatenate([hits.track, more.track]),
        np.concatenate([hits.level, more.level], axis=1),
        np.concatenate([hits.ahead, more.ahead], axis=1),
        np.concatenate([hits.is_clipped, more.is_clipped], axis=1),
    )
