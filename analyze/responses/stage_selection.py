"""Which hits two stage inputs are compared over: those of their own source, and the sound around each.

A hit belongs to the pair's source when both inputs have it near their own loudest. One that another input of the
capture has at its loudest, and the pair clearly not, is bleed. Levels are taken re each input's own loudest hits, so
the gain of a preamplifier does not count. Where the source has too few hits, its loudest stretches serve.

Conventions: x is the input compared against, y the one that is compared; windows are (hit, frame).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.audio.recording import Recording
from analyze.responses.stage_hits import Hits

#: Reach of a window ahead of the hit and behind it.
AHEAD_S, BEHIND_S = 0.070, 0.250
#: A source with fewer hits than this is taken for one without.
_FEWEST_HITS = 5
#: Hits of one pair this close together are one: delay of the inputs, plus how finely a hit is placed.
_ONE_HIT_S = 0.025
#: Number of strongest hits whose median is an input's loudest.
_N_LOUDEST = 8
#: How far under its input's loudest a hit may be, and how far it must stand over what comes ahead of it in both.
_RANGE_DB, _LEAST_RISE_DB = 15.0, 2.0
#: Another input is at its loudest within this; the pair clearly is not when it is this much further from its own.
_OTHER_DB, _BELOW_OTHER_DB = 8.0, 3.0
#: A level counts in full down to this far under an input's loudest.
_FAINT_DB = 30.0
#: Hits and stretches used at most.
_MOST_USED = 60
#: Stretches are silent below this mean square (-80 dB re full scale).
_SILENCE = 1e-8


@dataclass(frozen=True)
class PairSound:
    """The sound of two inputs around the hits of their source.

    x, y : (hit, frame), the hit at frame `round(AHEAD_S * sample_rate_hz)`
    has_hits : False for stretches of a source without hits
    n_clipped : hits left out because one of the two is clipped there
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    has_hits: bool
    sample_rate_hz: float
    n_clipped: int


def pair_sound(recording: Recording, hits: Hits, stretches: Hits, x: int, y: int) -> PairSound:
    """The sound around the hits of the common source of two tracks.

    recording : of these two alone; hits, stretches : of all tracks of the capture, of which they are `x` and `y`
    """
    own, n_clipped, n_of_either = _own_hits(hits, x, y, recording.sample_rate_hz)
    has_hits = n_of_either >= _FEWEST_HITS
    frames = own.frame if has_hits else _own_stretches(stretches, x, y).frame
    windows = _read(recording, frames)
    return PairSound(windows[0], windows[1], has_hits, recording.sample_rate_hz, n_clipped)


def _own_hits(hits: Hits, x: int, y: int, rate_hz: float) -> tuple[Hits, int, int]:
    """The hits of the pair's source, the best if there are many; how many are clipped; how many either input has."""
    of_pair = hits.at((hits.track == x) | (hits.track == y))
    of_pair = of_pair.at(np.diff(of_pair.frame, prepend=-(1 << 40)) > _ONE_HIT_S * rate_hz)
    relative_db = energy_db(of_pair.level / np.maximum(_loudest(hits), 1e-30)[:, None] + 1e-30)
    rise_db = energy_db((of_pair.level + 1e-30) / (of_pair.ahead + 1e-30))
    own_db, own_rise_db = (np.minimum(values[x], values[y]) for values in (relative_db, rise_db))
    others = np.delete(relative_db, (x, y), axis=0)
    other_db = np.maximum(others.max(axis=0, initial=-_FAINT_DB), -_FAINT_DB)
    is_bleed = (other_db > -_OTHER_DB) & (own_db < other_db - _BELOW_OTHER_DB)
    is_own = (own_db > -_RANGE_DB) & (own_rise_db > _LEAST_RISE_DB) & ~is_bleed
    n_of_either = int(((relative_db > -_RANGE_DB) & (rise_db > _LEAST_RISE_DB))[[x, y]].any(axis=0).sum())
    is_clipped = of_pair.is_clipped[x] | of_pair.is_clipped[y]
    usable = np.flatnonzero(is_own & ~is_clipped)
    score_db = own_db + 0.3 * np.minimum(own_rise_db, _FAINT_DB) - 0.5 * other_db
    best = usable[np.argsort(-score_db[usable], kind="stable")[:_MOST_USED]]
    return of_pair.at(np.sort(best)), int((is_own & is_clipped).sum()), n_of_either


def _own_stretches(stretches: Hits, x: int, y: int) -> Hits:
    """The stretches in which both inputs sound, the loudest if there are too many."""
    of_pair = stretches.at((stretches.track == x) | (stretches.track == y))
    of_pair = of_pair.at(np.diff(of_pair.frame, prepend=-1) > 0)
    relative = of_pair.level / np.maximum(_loudest(stretches), 1e-30)[:, None]
    own_db = energy_db(np.minimum(relative[x], relative[y]) + 1e-30)
    sounds = (own_db > -_RANGE_DB) & (np.minimum(of_pair.level[x], of_pair.level[y]) > _SILENCE)
    usable = np.flatnonzero(sounds & ~of_pair.is_clipped[x] & ~of_pair.is_clipped[y])
    return of_pair.at(np.sort(usable[np.argsort(-own_db[usable], kind="stable")[:_MOST_USED]]))


def _loudest(hits: Hits) -> NDArray[np.float64]:
    """Median level of every track's strongest hits that are not clipped, (track,); 0 where there is none."""
    if hits.level.shape[1] == 0:
        return np.zeros(len(hits.level))
    level = np.sort(np.where(hits.is_clipped, 0.0, hits.level), axis=1)
    return np.asarray(np.median(level[:, -_N_LOUDEST:], axis=1), dtype=np.float64)


def _read(recording: Recording, frames: NDArray[np.int64]) -> NDArray[np.float64]:
    """Windows (track, hit, frame) around frames; what lies outside the recording is silence."""
    ahead, behind = (round(s * recording.sample_rate_hz) for s in (AHEAD_S, BEHIND_S))
    windows = np.zeros((len(recording.labels), len(frames), ahead + behind))
    for hit, frame in enumerate(frames.tolist()):
        start = max(0, frame - ahead)
        block = recording.read(start, frame + behind - start)
        skip = start - (frame - ahead)
        windows[:, hit, skip : skip + len(block)] = block.T
    return windows
