"""Where along the line does the foreign clock jump? The path of the lag from window to window.

All that reaches a microphone is compared, direct sound and room together: each window is correlated with the mean of
the others, so that a hall in which no peak stands out still shows by how much a window is displaced. The path is the
most likely one (Viterbi 1967) if the lag either stays, or leaps at a fixed price, or is lost.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock_pairs import Pairs
from analyze.audio.clock_rate import LINES_PER_FREE_LINE, Rate, coherent_excess
from analyze.audio.clock_search import smoothed
from analyze.audio.clock_source import ClockPiece
from analyze.audio.clock_windows import Windows, energy_of, windows_at

#: Sample rate at which windows are compared, and their length; a hop is three quarters of it or more.
TRACK_HZ, WINDOW_S = 8000, 1.4
_MAX_WINDOWS, _HOP_SHARE = 240, 0.75
#: Leaps up to this are seen.
LARGEST_JUMP_S = 0.6
#: Windows over which the rate is looked for once more, and the rates tried around the one found before.
_BLOCK, _NEAR_PPM, _N_RATES = 20, 8.0, 81
#: Windows over which a first reference is taken: so few that a leap is likely to miss the best of them.
_FIRST_REFERENCE = 8
#: Lines over which the coherence is smoothed.
_LINES_SMOOTHED = 29
#: Prices in natural logarithms of probability: of a leap (one in as many as there are lags and windows), of a lag one
#: sample on; samples that a lag may go from window to window.
_LEAP_PRICE, _STEP_PRICE, _MAX_STEP = 25.0, 0.5, 2
#: A window's weight of evidence is cut to this (standard deviates), and expected to be this share of what is usual.
_MOST_Z, _EXPECTED_SHARE = 12.0, 0.5
_N_ROUNDS, _FEWEST_WINDOWS = 3, 4
#: Over so long an arrival is summed up.
_PEAK_S = 0.025
#: Pairs that are tracked unless there are more feeds, how far they must stand out, and to which share of the best one a
#: feed's second.
_MAX_PAIRS, _LEAST_PAIR_Z, _LEAST_PAIR_SHARE = 6, 8.0, 0.25
#: A stretch of fewer windows is not believed unless their deviates add up to more than this; pairs that share fewer
#: windows are of outputs that sound one after another.
_FEWEST, _SURE_Z, _TOGETHER_SHARE = 3, 25.0, 0.5


@dataclass(frozen=True)
class Track:
    """Windows along a line, and how much later than it each is.

    line : along which the foreign recording is read
    windows : of the pairs that stand out; pairs : these
    groups : places of pairs that sound together; groups sound one after another, and nothing but the clock ties them
    late_s (window,) : lag on top of the line, NaN where it is lost
    piece (window,) : number of the stretch between leaps that it belongs to, -1 where the lag is lost
    z (window,) : correlation with the mean of the others at this lag, in standard deviations of that of unrelated sound
    """

    line: ClockPiece
    pairs: Pairs
    windows: Windows
    groups: tuple[tuple[int, ...], ...]
    late_s: NDArray[np.float64]
    piece: NDArray[np.int64]
    z: NDArray[np.float64]

    @property
    def is_sounding(self) -> NDArray[np.bool_]:
        """(window,) whether any pair sounds."""
        return self.windows.is_sounding

    @property
    def prominence(self) -> float:
        """Sum of the deviates of the sounding windows over the root of their number."""
        z = self.z[self.is_sounding]
        return float(z.sum() / math.sqrt(max(len(z), 1)))

    @property
    def peak_ratio(self) -> float:
        """How far the sound's arrival stands out: largest energy over `_PEAK_S` re the median, of the best pair."""
        energy = smoothed(self.responses(self.late_s) ** 2, round(_PEAK_S * TRACK_HZ))
        return float((energy.max(axis=-1) / (np.median(energy, axis=-1) + 1e-30)).max())

    @property
    def is_matched(self) -> NDArray[np.bool_]:
        """(window,) whether it sounds and its lag is known."""
        return self.is_sounding & (self.piece >= 0)

    def responses(self, late_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Impulse responses (pair, lag) from base to foreign about `late_s`, flattened; lag 0 first, wrapped."""
        from scipy import fft

        member = self.is_matched[:, np.newaxis] & self.windows.sounds
        in_time = self.windows.later(np.nan_to_num(late_s)) * member[:, :, np.newaxis]
        return np.asarray(fft.irfft(in_time.sum(axis=0), self.windows.length, axis=-1), dtype=np.float64)


def track_of(pairs: Pairs, rate: Rate) -> Track | None:
    """The path of the lag along the line of a rate; None with too few windows.

    By the pairs that stand out most, and the best pair of every feed that stands out at all.
    """
    order = [p for p in np.argsort(-rate.stands_out).tolist() if rate.stands_out[p] >= _LEAST_PAIR_Z]
    first = {pairs.feed(p): p for p in reversed(order)}.values()
    others = [p for p in order if p not in first and rate.stands_out[p] >= _LEAST_PAIR_SHARE * rate.best_z]
    kept = [*first, *others[: max(0, _MAX_PAIRS - len(first))]]
    pairs = pairs.only(kept)
    windows = _windows(pairs, rate.line) if kept else None
    if windows is None or np.count_nonzero(windows.is_sounding) < _FEWEST_WINDOWS:
        return None
    windows, more_ppm = _straightened(windows)
    offset_s = rate.line.offset_s - more_ppm * 1e-6 * float(windows.middle_s.mean())
    line = replace(rate.line, offset_s=offset_s, ppm=rate.line.ppm + more_ppm)
    groups = _sounding_together(windows.sounds)
    late_s = _chained([_alone(windows.only(group)) for group in groups])
    for _ in range(_N_ROUNDS):
        before_s = late_s
        late_s, z = _path(windows, late_s, windows.sounds & np.isfinite(late_s)[:, np.newaxis])
        if np.array_equal(late_s, before_s, equal_nan=True):
            break
    return Track(line, pairs, windows, groups, late_s, _stretches(late_s), z)


def against_the_others(
    windows: Windows, late_s: NDArray[np.float64], member: NDArray[np.bool_]
) -> NDArray[np.complex64]:
    """Per window the spectrum of its correlation with the mean of the other members, pairs added, (window, line).

    Lines count by the share of their energy that the others have in common, smoothed over lines, less its standard
    deviation by chance. A window's own share stays out of both: its noise would agree with itself.
    """
    in_time = windows.later(late_s)
    in_time *= member[:, :, np.newaxis]
    out = np.zeros((len(late_s), len(windows.frequency_hz)), dtype=np.complex64)
    for p in range(member.shape[1]):
        energy = energy_of(in_time[:, p])
        n_others = (member[:, p].sum() - member[:, p])[:, np.newaxis]
        others, own = in_time[:, p].sum(axis=0) - in_time[:, p], energy.sum(axis=0) - energy
        common = smoothed(energy_of(others) - own, _LINES_SMOOTHED)
        chance = (LINES_PER_FREE_LINE / _LINES_SMOOTHED) ** 0.5
        share = (common / (smoothed(own, _LINES_SMOOTHED) + 1e-12) - chance) / np.maximum(n_others - 1, 1)
        out += np.clip(share, 0.0, 1.0) * np.conj(others / np.maximum(n_others, 1)) * windows.cross[:, p]
    return out


def correlations(windows: Windows, late_s: NDArray[np.float64], member: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Correlation of every window with the mean of the others, (window, lag), in standard deviations over all lags.

    Lags are `(index - n // 2) / TRACK_HZ` up to `LARGEST_JUMP_S`, positive when the window is later than the line.
    """
    from scipy import fft

    reach = round(LARGEST_JUMP_S * TRACK_HZ)
    curve = fft.irfft(against_the_others(windows, late_s, member), windows.length, axis=-1)
    spread = np.sqrt(np.mean(curve**2, axis=-1, keepdims=True)) + np.finfo(np.float32).tiny
    near = np.concatenate([curve[:, -reach:], curve[:, : reach + 1]], axis=1)
    return np.asarray(near / spread, dtype=np.float32)


def _windows(pairs: Pairs, line: ClockPiece) -> Windows | None:
    """Windows at equal distances over all that the recordings share along a line.

    Their places do not depend on the line, so that windows of rival lines can be compared.
    """
    length = 2 * round(WINDOW_S * TRACK_HZ / 2.0)
    n_base = math.floor(pairs.base.duration_s * TRACK_HZ)
    hop = max(round(_HOP_SHARE * length), -(-n_base // _MAX_WINDOWS))
    starts = [
        start
        for start in range(0, n_base - length + 1, hop)
        if line.foreign_s(start / TRACK_HZ) >= 0.0
        and line.foreign_s((start + length) / TRACK_HZ) <= pairs.foreign.duration_s
    ]
    if len(starts) < _FEWEST_WINDOWS:
        return None
    base, foreign = pairs.base_sound(TRACK_HZ), pairs.foreign_sound(TRACK_HZ, line)
    return windows_at(base, foreign, pairs.columns, starts, length)


def _blocks(n: int, n_each: int) -> list[slice]:
    """Runs of about `n_each` windows."""
    edges = np.round(np.linspace(0, n, max(1, round(n / n_each)) + 1)).astype(int)
    return [slice(int(a), int(b)) for a, b in itertools.pairwise(edges)]


def _straightened(windows: Windows) -> tuple[Windows, float]:
    """The windows after the rate has been looked for once more, in finer steps, and by how much it moved, in ppm."""
    hop_s = float(np.diff(windows.middle_s).mean())
    reach_ppm = min(_NEAR_PPM, 0.4e6 / (hop_s * float(windows.frequency_hz[-1])))  # beyond, a turn would be lost
    rates_ppm = np.linspace(-reach_ppm, reach_ppm, _N_RATES)
    blocks = _blocks(len(windows.middle_s), _BLOCK)
    excess = sum(coherent_excess(windows.part(block), rates_ppm)[0].sum(axis=0) for block in blocks)
    more_ppm = float(rates_ppm[int(np.argmax(excess))])
    from_middle_s = windows.middle_s - windows.middle_s.mean()
    return replace(windows, cross=windows.later(more_ppm * 1e-6 * from_middle_s)), more_ppm


def _sounding_together(sounds: NDArray[np.bool_]) -> tuple[tuple[int, ...], ...]:
    """Places of the pairs, those together that share most windows of the shorter, from (window, pair).

    What only overlaps where one output takes over from another does not tie their lags.
    """
    shared = sounds.astype(int).T @ sounds.astype(int)
    shorter = np.minimum(np.diag(shared)[:, np.newaxis], np.diag(shared))
    together = (shared >= _FEWEST) & (shared >= _TOGETHER_SHARE * shorter)
    groups: list[set[int]] = []
    for p in range(sounds.shape[1]):
        near = {p} | set(np.flatnonzero(together[p]).tolist())
        touched = [group for group in groups if group & near]
        groups = [group for group in groups if not group & near] + [near.union(*touched)]
    return tuple(tuple(sorted(group)) for group in groups)


def _alone(windows: Windows) -> NDArray[np.float64]:
    """Lag (window,) by the pairs of one group, relative to the run of windows in which they are most coherent."""
    n_sounding = int(np.count_nonzero(windows.is_sounding))
    blocks = _blocks(len(windows.middle_s), min(_FIRST_REFERENCE, max(_FEWEST, n_sounding // 3)))
    runs = [windows.cross[block] for block in blocks]
    excess = [float(energy_of(run.sum(axis=0)).sum() - energy_of(run).sum()) for run in runs]
    member = np.zeros_like(windows.sounds)
    best = blocks[int(np.argmax(excess))]
    member[best] = windows.sounds[best]
    late_s, _ = _path(windows, np.zeros(len(member)), member)
    return np.where(windows.is_sounding, late_s, np.nan)


def _chained(lags_s: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    """One lag (window,) from those of all groups: each is shifted to go on where its neighbour in time leaves off."""
    left = sorted(lags_s, key=lambda lag_s: -np.count_nonzero(np.isfinite(lag_s)))
    chain = left.pop(0).copy()
    while left and np.isfinite(chain).any():
        known = np.flatnonzero(np.isfinite(chain))
        distance = [_closest(known, np.flatnonzero(np.isfinite(lag_s))) for lag_s in left]
        nearest = min(range(len(left)), key=lambda i: distance[i][0])
        lag_s, (_, here, there) = left.pop(nearest), distance[nearest]
        if there >= 0:
            chain = np.where(np.isfinite(chain), chain, lag_s + (chain[here] - lag_s[there]))
    return chain


def _closest(known: NDArray[np.int64], added: NDArray[np.int64]) -> tuple[float, int, int]:
    """Distance and places of the two windows that lie closest; infinite and -1 if one side has none."""
    if len(added) == 0:
        return math.inf, -1, -1
    apart = np.abs(known[:, np.newaxis] - added)
    i, j = np.unravel_index(int(np.argmin(apart)), apart.shape)
    return float(apart[i, j]), int(known[i]), int(added[j])


def _path(
    windows: Windows, late_s: NDArray[np.float64], member: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Most likely lag (window,) and its deviate, compared with the members at the lags known before."""
    deviates = correlations(windows, np.nan_to_num(late_s), member)
    path = _likely_path(deviates, windows.is_sounding)
    lag = np.maximum(path, 0)
    found_s = np.where(path < 0, np.nan, (lag - deviates.shape[1] // 2) / TRACK_HZ)
    z, stretches = deviates[np.arange(len(lag)), lag].astype(np.float64), _stretches(found_s)
    for number in range(stretches.max() + 1):
        inside = windows.is_sounding & (stretches == number)
        if np.count_nonzero(inside) < _FEWEST and z[inside].sum() < _SURE_Z:
            found_s[stretches == number] = np.nan
    return found_s, np.where(np.isnan(found_s), 0.0, z)


def _likely_path(deviates: NDArray[np.float32], is_sounding: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Index of the lag per window on the most likely path; -1 where it is lost."""
    gain = _gain(deviates, is_sounding)
    n_windows, n_lags = gain.shape
    value = np.append(gain[0], 0.0)
    came_from = np.zeros((n_windows, n_lags + 1), dtype=np.int32)
    for k in range(1, n_windows):
        best, origin = _stayed(value)
        highest = int(np.argmax(value))
        leaps = value[highest] - _LEAP_PRICE > best
        best[leaps], origin[leaps] = value[highest] - _LEAP_PRICE, highest
        value = best
        value[:-1] += gain[k]
        came_from[k] = origin
    path = np.empty(n_windows, dtype=np.int64)
    path[-1] = int(np.argmax(value))
    for k in range(n_windows - 1, 0, -1):
        path[k - 1] = came_from[k, path[k]]
    return np.where(path == n_lags, -1, path)


def _gain(deviates: NDArray[np.float32], is_sounding: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Logarithm of the likelihood of each lag against 'lost', (window, lag): `e z - e^2 / 2` for an expected z of e."""
    highest = np.maximum(deviates.max(axis=1, keepdims=True), 1e-9)
    z = deviates * np.minimum(1.0, _MOST_Z / highest)
    usual = float(np.median(highest[is_sounding])) if is_sounding.any() else 0.0
    expected = _EXPECTED_SHARE * min(usual, _MOST_Z)
    return np.asarray((expected * z - expected**2 / 2.0) * is_sounding[:, np.newaxis], dtype=np.float64)


def _stayed(value: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Best value for each lag without a leap, and the lag that it came from; the last place is 'lost'."""
    best, origin = value.copy(), np.arange(len(value))
    n_lags = len(value) - 1
    for step in range(1, _MAX_STEP + 1):
        for here, there in (
            (slice(step, n_lags), slice(0, n_lags - step)),
            (slice(0, n_lags - step), slice(step, n_lags)),
        ):
            reached = value[there] - step * _STEP_PRICE
            better = reached > best[here]
            best[here] = np.where(better, reached, best[here])
            origin[here] = np.where(better, np.arange(n_lags)[there], origin[here])
    return best, origin


def _stretches(late_s: NDArray[np.float64]) -> NDArray[np.int64]:
    """Number of the stretch of every window: a new one begins where the lag leaps; -1 where it is lost."""
    piece, number, last = np.full(len(late_s), -1), -1, -1
    for k in np.flatnonzero(np.isfinite(late_s)).tolist():
        if last < 0 or abs(late_s[k] - late_s[last]) > (_MAX_STEP * (k - last) + 0.5) / TRACK_HZ:
            number += 1
        piece[k], last = number, k
    return piece
