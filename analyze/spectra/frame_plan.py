"""Where the frames of a capture lie, how each track is read in them, and which of them count.

Conventions: frames are `FRAME_S` long and start a quarter of that apart, in long recordings a half; places and lengths
are in samples of the capture. A microphone at shift s hears in a frame what its feeds sent s earlier: both are read by
so much apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.cross_spectra import FRAME_S, LONG_OVERLAP_HOPS, MAX_GROUPS, OVERLAP_HOPS

#: With more frames than this, a minute and a half of them, they start half a frame apart: half the work leaves nine
#: tenths of the averages.
_LONG = 256

#: Stretches of one track, (first, stop) in samples.
Spans = Sequence[tuple[int, int]]


@dataclass(frozen=True)
class FramePlan:
    """Where the frames lie: `n_frames` frames of `length` samples, `hop` apart, in `n_groups` runs."""

    length: int
    hop: int
    n_frames: int

    @property
    def hops(self) -> int:
        """Hops per frame."""
        return self.length // self.hop

    @property
    def n_groups(self) -> int:
        """Groups of successive frames; a group never holds less than one hop's worth of independent frames."""
        return max(1, min(MAX_GROUPS, self.n_frames // OVERLAP_HOPS))

    def group_of(self, frame: int) -> int:
        """Group of a frame."""
        return frame * self.n_groups // self.n_frames

    def runs(self, first: int, n: int) -> list[tuple[int, slice]]:
        """The `n` frames from `first` on group by group: (group, slice into these frames)."""
        groups = [self.group_of(first + k) for k in range(n)]
        starts = [k for k in range(n) if k == 0 or groups[k] != groups[k - 1]]
        return [(groups[a], slice(a, b)) for a, b in zip(starts, [*starts[1:], n], strict=True)]


@dataclass(frozen=True)
class Reading:
    """How the tracks are read, in samples behind a frame's own start.

    microphone : (position,) ; feed : (feed, position), for that microphone; usable : (frame, position)
    """

    microphone: NDArray[np.int64]
    feed: NDArray[np.int64]
    usable: NDArray[np.bool_]


def plan_frames(n_samples: int, sample_rate_hz: float, furthest: int) -> FramePlan:
    """Frames that fit into `n_samples` when a track is read up to `furthest` samples behind a frame's start."""
    length = round(FRAME_S * sample_rate_hz)
    available = n_samples - max(0, furthest)
    hop = length // OVERLAP_HOPS
    if (available - length) // hop >= _LONG:
        hop = length // LONG_OVERLAP_HOPS
    return FramePlan(length, hop, max(0, (available - length) // hop + 1))


def furthest_read_s(shift_s: NDArray[np.float64]) -> float:
    """How far behind a frame's start a track is read at the most, for shifts (feed, position)."""
    latest = shift_s.max(axis=0)
    return float(max(0.0, latest.max(), (latest - shift_s).max()))


def plan_reading(
    n_samples: int, sample_rate_hz: float, shift_s: NDArray[np.float64], left_out: Sequence[Spans]
) -> tuple[FramePlan, Reading]:
    """The frames of a recording and how its tracks are read in them; shifts (feed, position) round to whole samples."""
    shift = np.round(shift_s * sample_rate_hz).astype(np.int64)
    latest = shift.max(axis=0)  # (position,) where each microphone is read
    plan = plan_frames(n_samples, sample_rate_hz, round(furthest_read_s(shift / sample_rate_hz) * sample_rate_hz))
    return plan, Reading(latest, latest - shift, _usable(plan, latest, latest - shift, left_out))


def middle_of(plan: FramePlan, reading: Reading, frame: int, position: int) -> tuple[int, int]:
    """Samples of a microphone in the middle of a frame: left out, they take it and all that overlap it with them."""
    at = int(reading.microphone[position]) + frame * plan.hop + plan.length // 2
    return max(0, at - plan.hop // 2), at + plan.hop // 2


def _usable(
    plan: FramePlan, microphone: NDArray[np.int64], feed: NDArray[np.int64], left_out: Sequence[Spans]
) -> NDArray[np.bool_]:
    """Frames, (frame, position), none of whose tracks touches what is left out."""
    n_feed, n_position = feed.shape
    usable = np.ones((plan.n_frames, n_position), dtype=np.bool_)
    for track, spans in enumerate(left_out):
        for first, stop in spans:
            for p in range(n_position):
                if track < n_feed:
                    at = int(feed[track, p])
                elif track - n_feed == p:
                    at = int(microphone[p])
                else:
                    continue
                # frame k covers at + k hop .. at + k hop + length
                low = (first - at - plan.length) // plan.hop + 1
                usable[max(0, low) : max(0, -((at - stop) // plan.hop)), p] = False
    return usable
