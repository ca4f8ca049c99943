"""What the responses found so far do not explain of the microphones, and the responses found anew from that.

A frame sees a response through its window: what comes late in the response counts for less (Seybert & Hamilton 1978:
the window's autocorrelation), and what is missing of one output looks like a response of another whose feed has
something in common with it. So the microphones are predicted from the feeds with the whole responses, in time, and the
sums are taken over what is left: the second look corrects the first, and its residual is noise, not reverberation.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from analyze.spectra.cross_spectra import FRAME_S, CrossSpectra
from analyze.spectra.least_squares import Solution
from analyze.spectra.streaming import BlockSource

#: The part of a response that is used, around its coarse delay: a window of 1.4 s shows little beyond.
_EARLIER_S, _LATER_S = 0.05, 0.6
#: Samples predicted at a time.
_BLOCK = 1 << 16


@dataclass(frozen=True)
class Filters:
    """Impulse responses by which microphones are predicted.

    first : lag in samples of the first tap; taps : (feed, position, tap)
    h : (feed, position, line) what they are at the lines, phases as those of the cross-spectra
    """

    first: int
    taps: NDArray[np.float32]
    h: NDArray[np.complex128]


def filters_of(cross: CrossSpectra, solved: Solution) -> Filters:
    """The responses as filters, each cut to its own stretch around its coarse delay with short fades."""
    from scipy import fft

    rate = cross.sample_rate_hz
    n = round(FRAME_S * rate)
    shift = np.round(cross.shift_s * rate).astype(np.int64)
    earlier, later = round(_EARLIER_S * rate), round(_LATER_S * rate)
    first = int(shift.min()) - earlier
    taps = np.zeros((*shift.shape, int(shift.max()) + later - first), dtype=np.float32)
    h = np.zeros(solved.h.shape, dtype=np.complex128)
    window = _window(earlier, later)
    for i, p in product(range(len(cross.feeds)), range(len(cross.positions))):
        response = fft.irfft(solved.h[i, p], n)
        cut = np.roll(response, earlier)[: earlier + later] * window
        at = int(shift[i, p]) - earlier - first
        taps[i, p, at : at + len(cut)] = cut
        whole = np.concatenate([cut[earlier:], np.zeros(n - len(cut)), cut[:earlier]])
        h[i, p] = fft.rfft(whole)[: cross.gxx.shape[-1]]
    return Filters(first, taps, h)


def _window(earlier: int, later: int) -> NDArray[np.float64]:
    """1 with raised-cosine ends over 10 ms before and 0.2 s at the end, so that nothing is cut off sharply."""
    window = np.ones(earlier + later)
    for part, n in ((window[: earlier // 5], earlier // 5), (window[::-1][: later // 3], later // 3)):
        part *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    return window


def unexplained(blocks: BlockSource, n_feeds: int, filters: Filters) -> BlockSource:
    """The source with every microphone less what the filters make of the feeds; before the recording all was silent."""

    def source(n: int) -> Iterator[NDArray[np.float32]]:
        return _residual_blocks(blocks(n), n_feeds, filters)

    return source


def _residual_blocks(
    blocks: Iterator[NDArray[np.float32]], n_feeds: int, filters: Filters
) -> Iterator[NDArray[np.float32]]:
    from scipy import fft

    n_taps = filters.taps.shape[-1]
    size = fft.next_fast_len(_BLOCK + n_taps - 1, real=True)
    transfer = fft.rfft(filters.taps, size, axis=-1)  # (feed, position, line)
    # a microphone at t needs the feeds from t - last lag to t - first lag
    last_lag, ahead = filters.first + n_taps - 1, max(0, -filters.first)
    behind = max(0, last_lag)
    held: NDArray[np.float32] | None = None
    is_ended = False
    while True:
        while not is_ended and (held is None or len(held) < behind + _BLOCK + ahead):
            block = next(blocks, None)
            if block is None:
                is_ended = True
                break
            held = np.zeros((behind, block.shape[1]), dtype=np.float32) if held is None else held
            held = np.concatenate([held, block])
        if held is None or len(held) <= behind:
            return
        n = min(_BLOCK, len(held) - behind if is_ended else _BLOCK)
        out = held[behind : behind + n].copy()
        start = behind - last_lag
        stretch = held[start : start + n + n_taps - 1, :n_feeds].T
        spectra = fft.rfft(stretch, size, axis=-1)
        predicted = fft.irfft(np.einsum("il,ipl->pl", spectra, transfer), size, axis=-1)
        out[:, n_feeds:] -= predicted[:, n_taps - 1 : n_taps - 1 + n].T
        yield out
        held = held[n:]


def corrected(rest: CrossSpectra, filters: Filters, solved: Solution, step: float = 1.0) -> CrossSpectra:
    """The sums as they would be without the window's effect, from those over what the filters left unexplained.

    solved : the solution of `rest`; step : 1, or more to go further the same way. Least squares over the result gives
    `filters.h + step * solved.h`, with the residual of `rest`.
    """
    h = filters.h + (step - 1.0) * solved.h
    gxy = rest.gxy + np.einsum("pijl,jpl->ipl", rest.gxx, h)
    explained_rest = np.einsum("ipl,ipl->pl", np.conj(solved.h), rest.gxy).real
    total = h + solved.h
    explained = np.einsum("ipl,ipl->pl", np.conj(total), np.einsum("pijl,jpl->ipl", rest.gxx, total)).real
    n_low = rest.low_gxy.shape[-1]
    low_gxy = rest.low_gxy + np.einsum("gpijl,jpl->gipl", rest.low_gxx, h[..., :n_low])
    return replace(rest, gxy=gxy, gyy=np.maximum(rest.gyy - explained_rest, 0.0) + explained, low_gxy=low_gxy)
