"""How well two stage inputs agree at every relative delay: one curve per kind of evidence, from many hits.

Two microphones before one source differ by a delay, a sign, and what microphone, place and cabinet colour. Most of
that colour is minimum-phase, so its phase follows from the levels and is taken out. What is left is looked at in
three ways, which err in different cases:

- edge: the leading edges of the hits, about 1 ms of each, correlated hit by hit with both inputs filtered to their
  common spectrum. What reflections, ringing and rattle do to the sound comes later and does not count.
- start: the phase of the first 12 ms averaged over the hits, all bands with nearly the same weight. Bleed and noise
  have another phase at every hit and average out.
- body: the same over 0.2 s with the low end in front, where a wrong delay turns the phase least.

Phase averaging over hits with the spectrum partly flattened: generalized cross-correlation (Knapp & Carter 1976,
IEEE ASSP-24(4)), its weight |G|^-2/3 between theirs for plain correlation (0) and for the phase transform (1).

Conventions: x is the input compared against, y the one compared; a delay is positive when y is later; a curve is
positive where the two agree and negative where they are opposite.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.responses.minimum_phase import bode_phase
from analyze.responses.stage_selection import AHEAD_S, PairSound

#: Largest relative delay that is looked for.
MOST_DELAY_S = 0.022
#: Points of a curve per sample.
_OVERSAMPLED = 4
#: Band in which anything is looked at.
_LOW_HZ, _HIGH_HZ = 30.0, 16000.0
#: Exponent of the cross-spectrum's magnitude that flattens it; among 0, 0.5, 2/3 and 1 the best on made-up pairs.
_FLATTENED = 2.0 / 3.0
#: From here up a body's lines weigh less, by 3 dB per octave in energy.
_BODY_CORNER_HZ = 500.0
#: How long a start and a body last, and how long before the hit their windows open.
_START_S, BODY_S, _OPENED_S = 0.012, 0.200, 0.020
#: A leading edge begins where it first exceeds this share of the largest sample in the span around the hit.
_EDGE_SHARE = 0.15
_EDGE_SPAN_S = (-0.012, 0.020)
#: Before and after that point.
_EDGE_S = (0.001, 0.001)
_FLOOR = 1e-9
#: Points per octave of `bode_phase`; the slope of a level is taken over so many, and goes on no steeper than this.
_PER_OCTAVE, _SLOPE_POINTS, _STEEPEST = 24, 18, 4.0
#: Two inputs share a band from this coherence over the hits on.
_LEAST_COHERENCE = 0.3


@dataclass(frozen=True)
class Curves:
    """Agreement of two inputs over their relative delay.

    delay_s : (delay,) even steps; kinds : names of the curves
    per_hit : (kind, hit, delay), each hit's share in the curves; a curve is their mean
    """

    delay_s: NDArray[np.float64]
    kinds: tuple[str, ...]
    per_hit: NDArray[np.float32]

    def mean(self, hits: NDArray[np.integer] | slice = slice(None)) -> NDArray[np.float64]:
        """The curves over some of the hits, (kind, delay)."""
        return np.asarray(self.per_hit[:, hits].mean(axis=1, dtype=np.float64))


@dataclass(frozen=True)
class LineSpectra:
    """Lines of both inputs' windows.

    frequency_hz : (line,); x, y : (hit, line), every hit of energy 1; n : length of the transform
    """

    frequency_hz: NDArray[np.float64]
    x: NDArray[np.complex128]
    y: NDArray[np.complex128]
    n: int


def pair_curves(sound: PairSound) -> Curves:
    """Curves of one pair; the `edge` is left out where the source has no hits."""
    start, body = line_spectra(sound, _START_S), line_spectra(sound, BODY_S)
    body_weight = np.minimum(1.0, _BODY_CORNER_HZ / np.maximum(body.frequency_hz, _LOW_HZ))
    curves = {
        "start": _phase_curves(start, np.ones_like(start.frequency_hz), sound.sample_rate_hz),
        "body": _phase_curves(body, body_weight, sound.sample_rate_hz),
    }
    delay_s = _delays_s(sound.sample_rate_hz)
    if sound.has_hits:
        mean = curves["start"].mean(axis=0)
        curves["edge"] = _edge_curves(sound, body, float(delay_s[np.argmax(np.abs(mean))]))
    return Curves(delay_s, tuple(curves), np.stack(list(curves.values())).astype(np.float32))


def _delays_s(rate_hz: float) -> NDArray[np.float64]:
    """The delays of a curve."""
    n = round(MOST_DELAY_S * rate_hz) * _OVERSAMPLED
    return np.arange(-n, n + 1) / (rate_hz * _OVERSAMPLED)


def line_spectra(sound: PairSound, length_s: float) -> LineSpectra:
    """Spectra from shortly before the hit to `length_s` after it and the largest delay; edges fade."""
    from scipy import fft

    rate_hz, n_frames = sound.sample_rate_hz, sound.x.shape[1]
    t = np.arange(n_frames) / rate_hz - AHEAD_S
    last_s = length_s + 0.020
    fade_s = 0.3 * last_s
    rising = np.clip((t + 2.0 * _OPENED_S) / _OPENED_S, 0.0, 1.0)
    falling = np.clip((last_s + fade_s - t) / fade_s, 0.0, 1.0)
    window = (np.sin(np.pi / 2.0 * rising) * np.sin(np.pi / 2.0 * falling)) ** 2
    n = fft.next_fast_len(n_frames + round(2.0 * MOST_DELAY_S * rate_hz), real=True)
    x, y = (fft.rfft(track * window, n, axis=1) for track in (sound.x, sound.y))
    x, y = (lines / np.sqrt(np.maximum((np.abs(lines) ** 2).sum(axis=1, keepdims=True), 1e-30)) for lines in (x, y))
    return LineSpectra(fft.rfftfreq(n, 1.0 / rate_hz), x, y, n)


def _phase_curves(spectra: LineSpectra, weight: NDArray[np.float64], rate_hz: float) -> NDArray[np.float64]:
    """Curve of every hit, (hit, delay): its cross-spectrum partly flattened, the colour's phase taken out."""
    f = spectra.frequency_hz
    cross = np.conj(spectra.x) * spectra.y
    inside = (f > _LOW_HZ) & (f < min(_HIGH_HZ, 0.45 * rate_hz))
    phase = np.imag(_minimum_phase(_colour(spectra), f))
    cross *= inside * weight * np.exp(-1j * phase) / (np.abs(cross) ** _FLATTENED + 1e-12)
    return _synthesis(cross, spectra.n, rate_hz)


def _synthesis(lines: NDArray[np.complex128], n: int, rate_hz: float) -> NDArray[np.float64]:
    """Curves (hit, delay) of spectra (hit, line) of a transform of length `n`."""
    from scipy import fft

    reach = round(MOST_DELAY_S * rate_hz) * _OVERSAMPLED
    out = np.empty((len(lines), 2 * reach + 1))
    for hit, line in enumerate(lines):
        curve = fft.irfft(line, n * _OVERSAMPLED)
        out[hit] = np.concatenate([curve[-reach:], curve[: reach + 1]])
    return out


def _grid_hz(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points at which levels are smoothed, 24 per octave."""
    highest = min(_HIGH_HZ, 0.9 * frequency_hz[-1])
    return _LOW_HZ * 2.0 ** (np.arange(int(np.log2(highest / _LOW_HZ) * _PER_OCTAVE) + 1) / _PER_OCTAVE)


def _smoothed(lines: NDArray[np.complex128], frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean energy over hits and a third of an octave, (point,) at `_grid_hz`, with a floor 90 dB down."""
    smoothed = _third_octaves((np.abs(lines) ** 2).mean(axis=0), frequency_hz)
    return np.asarray(smoothed + _FLOOR * smoothed.max() + 1e-30, dtype=np.float64)


def _third_octaves(values: NDArray[np.float64], frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of values (line,) over a third of an octave around each point of `_grid_hz`, (point,)."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    grid_hz, half = _grid_hz(frequency_hz), 2.0 ** (1.0 / 6.0)
    first = np.searchsorted(frequency_hz, grid_hz / half)
    last = np.maximum(np.searchsorted(frequency_hz, grid_hz * half), first + 1)
    return np.asarray((sums[last] - sums[first]) / (last - first), dtype=np.float64)


def _colour(spectra: LineSpectra) -> NDArray[np.float64]:
    """Level of y over x in nepers at `_grid_hz`: measured where both share sound, in between and beyond carried on."""
    f, n_hits = spectra.frequency_hz, len(spectra.x)
    level = np.log(_smoothed(spectra.y, f) / _smoothed(spectra.x, f)) / 2.0
    cross = np.abs(np.mean(np.conj(spectra.x) * spectra.y, axis=0)) ** 2
    power = np.mean(np.abs(spectra.x) ** 2, axis=0) * np.mean(np.abs(spectra.y) ** 2, axis=0)
    coherence = _third_octaves(cross / np.maximum(power, 1e-300), f)
    # unrelated inputs have 1 / n_hits
    shared = np.flatnonzero(coherence > _LEAST_COHERENCE + (1.0 - _LEAST_COHERENCE) / n_hits)
    if len(shared) < _SLOPE_POINTS:
        return level
    point, first, last = np.arange(len(level)), int(shared[0]), int(shared[-1])
    inside = np.interp(point, shared, level[shared])
    most = _STEEPEST * np.log(2.0) / _PER_OCTAVE
    reach = min(_SLOPE_POINTS, last - first)
    below = np.clip((inside[first + reach] - inside[first]) / reach, -most, most)
    above = np.clip((inside[last] - inside[last - reach]) / reach, -most, most)
    return np.asarray(inside + below * np.minimum(point - first, 0) + above * np.maximum(point - last, 0))


def _minimum_phase(level_neper: NDArray[np.float64], frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """`level + j phase` at the lines from levels at `_grid_hz`, which stay flat beyond both ends."""
    flat = np.full(2, 1)
    extended = np.concatenate([level_neper[0] * flat, level_neper, level_neper[-1] * flat])
    phase = bode_phase(extended)[2:-2]
    at, grid = np.log(np.maximum(frequency_hz, 1e-3)), np.log(_grid_hz(frequency_hz))
    return np.interp(at, grid, level_neper) + 1j * np.interp(at, grid, phase, left=0.0, right=0.0)


def _edge_curves(sound: PairSound, body: LineSpectra, about_s: float) -> NDArray[np.float64]:
    """Correlation of the leading edges of every hit, (hit, delay), in units of its maximum; `about_s` the delay."""
    x, y = _common_spectrum(sound, body)
    rate_hz = sound.sample_rate_hz
    before, after = (round(s * rate_hz) for s in _EDGE_S)
    fade = np.ones(before + after)
    fade[before + after // 2 :] = np.cos(np.pi / 2.0 * np.linspace(0.0, 1.0, after - after // 2)) ** 2
    reach, n_edge = round(MOST_DELAY_S * rate_hz), before + after
    out = np.zeros((len(x), 2 * reach + 1))
    at_x, at_y = (_edges(track, later_s, rate_hz) for track, later_s in ((x, -about_s), (y, about_s)))
    for hit, (i, j) in enumerate(zip(at_x.tolist(), at_y.tolist(), strict=True)):
        a, b = x[hit, i - before : i + after] * fade, y[hit, j - before : j + after] * fade
        correlation = np.correlate(b, a, "full") / max(float(np.sqrt((a @ a) * (b @ b))), 1e-30)
        index = np.arange(1 - n_edge, n_edge) + j - i + reach
        inside = (index >= 0) & (index <= 2 * reach)
        out[hit, index[inside]] = correlation[inside]
    return _oversampled(out)


def _edges(track: NDArray[np.float64], later_s: float, rate_hz: float) -> NDArray[np.int64]:
    """Frame at which every hit's leading edge begins, (hit,), looked for `later_s` after the hit if that is later."""
    middle = AHEAD_S + max(0.0, later_s)
    first, last = (round((middle + s) * rate_hz) for s in _EDGE_SPAN_S)
    size = np.abs(track[:, first:last])
    return np.asarray(np.argmax(size > _EDGE_SHARE * size.max(axis=1, keepdims=True), axis=1) + first, dtype=np.int64)


def _common_spectrum(sound: PairSound, body: LineSpectra) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both inputs, each with the bands lowered in which it has more than the other; as minimum-phase filters do it."""
    from scipy import fft

    f = body.frequency_hz
    energy = [_smoothed(lines, f) for lines in (body.x, body.y)]
    common = np.minimum(*energy)
    out = []
    for track, own in zip((sound.x, sound.y), energy, strict=True):
        gain = np.exp(_minimum_phase(np.log(common / own) / 2.0, f)) * (f > _LOW_HZ / 2.0)
        gain[-1] = abs(gain[-1])
        out.append(fft.irfft(fft.rfft(track, body.n, axis=1) * gain, body.n, axis=1)[:, : track.shape[1]])
    return out[0], out[1]


def _oversampled(curves: NDArray[np.float64]) -> NDArray[np.float64]:
    """Band-limited interpolation of curves (hit, delay) that are zero at both ends."""
    from scipy import fft

    n = curves.shape[1] + 1
    lines = fft.rfft(curves, n, axis=1)
    return np.asarray(fft.irfft(lines, n * _OVERSAMPLED, axis=1)[:, : (n - 2) * _OVERSAMPLED + 1] * _OVERSAMPLED)
