"""Which tracks of two recordings are compared to find how their clocks lie to one another?

A feed is one source, so its delay to a microphone stays what it is; what two microphones hear first changes with the
output that sounds. Pairs with a feed on either side therefore come first, all others only where those tell nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analyze.audio.clock_source import ClockPiece, Resampled

if TYPE_CHECKING:
    from analyze.audio.recording import Recording

#: A clock that agrees with the base.
NOMINAL = ClockPiece(-math.inf, math.inf, 0.0, 0.0)
#: What is kept of each sound that is read again and again.
_N_BYTES_KEPT = 1 << 26


@dataclass(frozen=True)
class Pairs:
    """Pairs (track of `base`, track of `foreign`) that are compared; `has_feed`: one of the two is a feed."""

    base: Recording
    foreign: Recording
    tracks: tuple[tuple[int, int], ...]
    has_feed: bool
    _sounds: dict[tuple[object, ...], Resampled] = field(default_factory=dict, repr=False, compare=False)

    @property
    def columns(self) -> tuple[tuple[int, int], ...]:
        """The pairs as places on the track axes of `base_sound` and `foreign_sound`."""
        base, foreign = self._used(0), self._used(1)
        return tuple((base.index(i), foreign.index(j)) for i, j in self.tracks)

    def base_sound(self, rate_hz: float) -> Resampled:
        """The tracks of the base that take part, at another rate."""
        return self._sound(self.base, NOMINAL, rate_hz, self._used(0))

    def foreign_sound(self, rate_hz: float, line: ClockPiece = NOMINAL) -> Resampled:
        """The foreign tracks that take part, read along a line."""
        return self._sound(self.foreign, line, rate_hz, self._used(1))

    def only(self, kept: Sequence[int]) -> Pairs:
        """Some of the pairs, in the order given."""
        return Pairs(self.base, self.foreign, tuple(self.tracks[k] for k in kept), self.has_feed)

    def kinds(self, pair: int) -> tuple[str, str]:
        """What the two tracks of a pair are: feed, mic or input."""
        i, j = self.tracks[pair]
        return self.base.places[i].kind, self.foreign.places[j].kind

    def feed(self, pair: int) -> tuple[int, int]:
        """Side and track of a pair's feed; of the base's where neither or both are feeds."""
        i, j = self.tracks[pair]
        return (1, j) if self.kinds(pair)[1] == "feed" != self.kinds(pair)[0] else (0, i)

    def _sound(self, recording: Recording, line: ClockPiece, rate_hz: float, tracks: list[int]) -> Resampled:
        """The same object for the same sound, so that nothing is decoded twice."""
        key = (recording is self.foreign, line, rate_hz)
        if key not in self._sounds:
            self._sounds[key] = Resampled(recording, [line], rate_hz, tracks, _N_BYTES_KEPT)
        return self._sounds[key]

    def _used(self, side: int) -> list[int]:
        """Tracks of one side that take part, in order."""
        return sorted({pair[side] for pair in self.tracks})


def pairs_of(base: Recording, foreign: Recording) -> list[Pairs]:
    """Pairs with a feed, then those without; only what there is."""
    both = [(i, j) for i in range(len(base.places)) for j in range(len(foreign.places))]
    with_feed = [(i, j) for i, j in both if "feed" in (base.places[i].kind, foreign.places[j].kind)]
    without = [pair for pair in both if pair not in with_feed]
    return [Pairs(base, foreign, tuple(p), p is with_feed) for p in (with_feed, without) if p]
