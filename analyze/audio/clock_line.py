"""How exactly does the line fit? Offsets of the pieces, the common rate, small leaps, and what is left.

Windows are pooled until each pool's lag stands clear of noise. Through these lags goes a line with an offset per piece
and per group of pairs, by iteratively reweighted least squares (bisquare weights: Beaton & Tukey 1974); the lags are
measured anew about it until it stays. One crystal makes all pieces: they have one rate.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock_track import TRACK_HZ, Track, against_the_others

#: Windows are pooled until their sum has this many standard deviations, and into this many lags at least if it goes.
_CLEAR_Z, _FEWEST_LAGS = 10.0, 8
_N_ROUNDS, _N_REWEIGHTED = 6, 6
#: The line stays when no window's lag moves by more, s: a degree at 20 kHz.
_STAYS_S = 2e-7
#: Bisquare weights: 95 % efficient for normal errors.
_BISQUARE = 4.685
#: How far a lag is looked for around the line: what a path in whole samples may be off, and two samples.
_REACH = 4
#: A leap within a piece: at least so long, taking off so many times the variance that is left, lags on both sides.
_LEAST_LEAP_S, _LEAP_F, _FEWEST_BESIDE = 2e-4, 40.0, 3
#: A step between outputs that sound in turn is a leap from here on: recorders lose blocks of 64 samples or more.
_LEAST_UNTIED_S = 1.2e-3
#: A lag of this many standard deviations ties two neighbouring pieces if its group has another in the other one.
_TYING_Z = 10.0


@dataclass(frozen=True)
class FittedLine:
    """A track with the line through it.

    track : with small leaps added to its pieces
    offset_s (piece,) : of each piece, at the middle of the windows, on top of the track's line
    more_ppm, std_ppm : rate on top of the track's line, and its standard deviation
    residual_s : root mean square of the lags about the line, by their weights
    outlier_share : of the lags' trust, what has no weight
    scale_hz : root mean square of the frequencies that count, weighted by what the recordings share
    """

    track: Track
    offset_s: NDArray[np.float64]
    more_ppm: float
    std_ppm: float
    residual_s: float
    outlier_share: float
    scale_hz: float

    @property
    def ppm(self) -> float:
        """Rate of the clock."""
        return self.track.line.ppm + self.more_ppm

    @property
    def late_s(self) -> NDArray[np.float64]:
        """Lag (window,) on top of the track's line; NaN where it is lost."""
        track, from_middle_s = self.track, _from_middle_s(self.track)
        on_line = self.offset_s[np.maximum(track.piece, 0)] + 1e-6 * self.more_ppm * from_middle_s
        return np.where(track.piece >= 0, on_line, np.nan)


@dataclass(frozen=True)
class _Pool:
    """Windows pooled into one lag: of one piece and of one group of pairs; their deviates pooled are z."""

    windows: NDArray[np.int64]
    piece: int
    group: int
    z: float


@dataclass(frozen=True)
class _Lags:
    """Lags (pool,) of a track, how far each is to be trusted, and the design of their fit (pool, parameter)."""

    track: Track
    pools: list[_Pool]
    lags_s: NDArray[np.float64]
    trust: NDArray[np.float64]
    design: NDArray[np.float64]
    scale_hz: float

    @property
    def n_free(self) -> int:
        """Lags to spare; below 0 where they do not determine every parameter."""
        n_lags, n_parameters = self.design.shape
        return n_lags - n_parameters if np.linalg.matrix_rank(self.design) == n_parameters else -1


def fit_line(track: Track) -> FittedLine | None:
    """The line through the lags of a track; None where there are too few to tell what is left."""
    late_s, line = np.nan_to_num(track.late_s), None
    for _ in range(_N_ROUNDS):
        lags = _measured(track, late_s)
        joined = _without_untied_steps(lags)
        if joined is not track:
            track = joined
            lags = _measured(track, late_s)
        leap = _leap(lags)
        if leap is not None:
            track = _broken_at(track, lags.pools, leap)
            lags = _measured(track, late_s)
        line = _line(lags)
        if line is None:
            return None
        late_s, before_s = np.nan_to_num(line.late_s), late_s
        if np.abs(late_s - before_s).max() < _STAYS_S:
            break
    if line is not None and (np.abs(np.diff(line.offset_s)) < _LEAST_LEAP_S).any():
        return _line(_measured(_without_small_steps(line), late_s))
    return line


def _without_small_steps(line: FittedLine) -> Track:
    """The track with pieces joined that come out less than a leap apart after all."""
    is_step = np.abs(np.diff(line.offset_s)) >= _LEAST_LEAP_S
    number = np.concatenate([[0], np.cumsum(is_step)])
    piece = line.track.piece
    return replace(line.track, piece=np.where(piece >= 0, number[np.maximum(piece, 0)], piece))


def _measured(track: Track, late_s: NDArray[np.float64]) -> _Lags:
    """Lags of all pools, measured about `late_s` (window,)."""
    pools, frequency_hz = _pools(track), track.windows.frequency_hz
    spectra = _pooled(track, pools, late_s)
    more_s, curvature = _peaks(spectra, frequency_hz)
    energy = np.abs(spectra).sum(axis=0)
    scale_hz = math.sqrt(float((energy * frequency_hz**2).sum() / (energy.sum() + 1e-30)))
    lags_s = more_s + [late_s[pool.windows].mean() for pool in pools]
    return _Lags(track, pools, lags_s, np.sqrt(curvature / curvature.max()), _design(track, pools), scale_hz)


def _from_middle_s(track: Track) -> NDArray[np.float64]:
    """Time of every window from the middle of them all."""
    return np.asarray(track.windows.middle_s - track.windows.middle_s.mean())


def _pools(track: Track) -> list[_Pool]:
    """Windows of one piece and group in runs of a size that stands clear of noise.

    A window belongs to the group with most pairs sounding in it.
    """
    n_sounding = np.stack([track.windows.sounds[:, list(group)].sum(axis=1) for group in track.groups])
    group_of, pools = np.argmax(n_sounding, axis=0), []
    for piece in range(track.piece.max() + 1):
        for group in range(len(track.groups)):
            chosen = np.flatnonzero(track.is_matched & (track.piece == piece) & (group_of == group))
            if len(chosen) == 0:
                continue
            usual = max(float(np.median(track.z[chosen])), 0.1)
            n_pools = max(min(len(chosen), _FEWEST_LAGS // 2), len(chosen) // math.ceil((_CLEAR_Z / usual) ** 2))
            parts = np.array_split(chosen, n_pools)
            pools += [_Pool(part, piece, group, track.z[part].sum() / math.sqrt(len(part))) for part in parts]
    return pools


def _pooled(track: Track, pools: list[_Pool], late_s: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Spectra (pool, line) of the correlation of each pool with all other windows, about the lags `late_s`."""
    member = track.windows.sounds & track.is_matched[:, np.newaxis]
    spectra = against_the_others(track.windows, late_s, member)
    turn = np.exp(2j * np.pi * late_s[:, np.newaxis] * track.windows.frequency_hz)
    return np.array([(spectra[pool.windows] * turn[pool.windows]).sum(axis=0) for pool in pools])


def _peaks(
    spectra: NDArray[np.complex128], frequency_hz: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lag (pool,) of the highest peak near 0, by Newton's method from the nearest sample, and its curvature there."""
    from scipy import fft

    curve = fft.irfft(spectra, 2 * (len(frequency_hz) - 1), axis=-1)
    near = np.concatenate([curve[:, -_REACH:], curve[:, : _REACH + 1]], axis=1)
    lags_s = (np.argmax(near, axis=1) - _REACH) / TRACK_HZ
    angular = 2.0 * np.pi * frequency_hz
    for _ in range(4):
        turned = spectra * np.exp(1j * np.outer(lags_s, angular))
        slope = -(turned.imag * angular).sum(axis=1)
        curvature = np.maximum((turned.real * angular**2).sum(axis=1), 1e-30)
        lags_s = lags_s + np.clip(slope / curvature, -0.5 / TRACK_HZ, 0.5 / TRACK_HZ)
    return lags_s, curvature


def _design(track: Track, pools: list[_Pool]) -> NDArray[np.float64]:
    """Columns: time, every piece, every group that is heard but the first; (pool, column)."""
    from_middle_s, heard = _from_middle_s(track), sorted({pool.group for pool in pools})
    time_s = [float(from_middle_s[pool.windows].mean()) for pool in pools]
    pieces = [[pool.piece == piece for pool in pools] for piece in range(track.piece.max() + 1)]
    groups = [[pool.group == group for pool in pools] for group in heard[1:]]
    return np.array([time_s, *pieces, *groups], dtype=np.float64).T


def _line(lags: _Lags) -> FittedLine | None:
    """Robust fit of the lags; None with fewer than two of them to spare, or where nothing ties two pieces."""
    of_piece = [[pool for pool in lags.pools if pool.piece == piece] for piece in range(lags.track.piece.max() + 1)]
    if lags.n_free < 2 or any(_n_tying(one, other) == 0 for one, other in itertools.pairwise(of_piece)):
        return None
    design, weight = lags.design, lags.trust
    for _ in range(_N_REWEIGHTED):
        solution = np.linalg.lstsq(design * weight[:, np.newaxis], lags.lags_s * weight, rcond=None)[0]
        error = lags.lags_s - design @ solution
        spread = 1.4826 * float(np.median(np.abs(error))) + 1e-12
        weight = np.clip(1.0 - (error / (_BISQUARE * spread)) ** 2, 0.0, 1.0) * lags.trust
    squares, trust = float((weight**2 * error**2).sum()), float((lags.trust**2).sum())
    inverse = np.linalg.pinv(design.T @ (design * (weight**2)[:, np.newaxis]))
    return FittedLine(
        track=lags.track,
        offset_s=np.asarray(solution[1 : 1 + int(lags.track.piece.max()) + 1], dtype=np.float64),
        more_ppm=float(solution[0]) * 1e6,
        std_ppm=math.sqrt(squares / lags.n_free * max(float(inverse[0, 0]), 0.0)) * 1e6,
        residual_s=math.sqrt(squares / float((weight**2).sum())),
        outlier_share=float((lags.trust[weight == 0.0] ** 2).sum()) / trust,
        scale_hz=lags.scale_hz,
    )


def _leap(lags: _Lags) -> tuple[int, int] | None:
    """The two pools of one piece between which the clearest leap lies that the path has not shown; None without."""
    best_gain, best = _LEAP_F, None
    before = _left(lags, lags.design)[0]
    piece_of = np.array([pool.piece for pool in lags.pools])
    first_of = np.array([pool.windows[0] for pool in lags.pools])
    for piece in range(piece_of.max() + 1):
        order = np.flatnonzero(piece_of == piece)
        order = order[np.argsort(first_of[order])]
        in_order = [lags.pools[i] for i in order]
        for k in range(_FEWEST_BESIDE, len(order) - _FEWEST_BESIDE + 1):
            if _n_tying(in_order[:k], in_order[k:]) < _FEWEST_BESIDE:
                continue
            after = np.isin(np.arange(len(lags.pools)), order[k:]).astype(np.float64)
            left, step_s = _left(lags, np.column_stack([lags.design, after]))
            gain = (before - left) / (left / max(lags.n_free - 1, 1) + 1e-30)
            if lags.n_free > 2 and abs(step_s) >= _LEAST_LEAP_S and gain > best_gain:
                best_gain, best = gain, (int(order[k - 1]), int(order[k]))
    return best


def _without_untied_steps(lags: _Lags) -> Track:
    """The track with pieces joined that lie hardly apart and that no group ties: a step from one output to the next.

    A sub's lag is less exact than that of what follows it, and no recorder loses so little.
    """
    track = lags.track
    for piece in range(int(track.piece.max()), 0, -1):
        one, other = ([pool for pool in lags.pools if pool.piece == k] for k in (piece - 1, piece))
        if not one or not other or _n_tying(one, other) >= _FEWEST_BESIDE:
            continue
        ends = np.flatnonzero(track.piece == piece - 1)[-1], np.flatnonzero(track.piece == piece)[0]
        if abs(float(np.diff(track.late_s[list(ends)])[0])) <= _LEAST_UNTIED_S:
            track = replace(track, piece=np.where(track.piece >= piece, track.piece - 1, track.piece))
    return track


def _n_tying(one: list[_Pool], other: list[_Pool]) -> int:
    """Clear lags on the poorer side of the group that ties two stretches best: groups have offsets of their own."""
    n_one, n_other = (Counter(pool.group for pool in pools if pool.z >= _TYING_Z) for pools in (one, other))
    return max((min(n_one[group], n_other[group]) for group in n_one), default=0)


def _left(lags: _Lags, design: NDArray[np.float64]) -> tuple[float, float]:
    """Sum of squares that a least-squares fit leaves, and its last parameter."""
    weighted, trusted = design * lags.trust[:, np.newaxis], lags.lags_s * lags.trust
    solution = np.linalg.lstsq(weighted, trusted, rcond=None)[0]
    return float(((trusted - weighted @ solution) ** 2).sum()), float(solution[-1])


def _broken_at(track: Track, pools: list[_Pool], leap: tuple[int, int]) -> Track:
    """The track with a new piece from the second pool of `leap` on; the windows next to the leap belong to none.

    In a pool of several windows the leap may lie anywhere between its middle and the other's.
    """
    before, after = pools[leap[0]].windows, pools[leap[1]].windows
    piece = track.piece + ((track.piece >= 0) & (np.arange(len(track.piece)) >= after[0]))
    piece[before[(len(before) + 1) // 2 :]] = -1
    piece[after[: len(after) // 2]] = -1
    return replace(track, piece=piece)
