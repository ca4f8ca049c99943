"""What changed between two impulse responses of one output at one position: delay, sign, level, bands.

The older response is first brought into the newer air: all that lies behind the box, the room, stretches with one over
the speed of sound, `H2(f) = H1(r f)`, `r = c1 / c2`; the box and its crossover do not, and their minimum phase is put
back. Both are then cut down to the direct sound and what follows it closely, and held against each other: for one box
at one place they are alike but for a sign, a delay and a gain. So a sub's delay is followed to a few hundredths of a
millisecond, though its arrival is known to half of one.

Conventions: newer minus older; a delay is positive when later. Settings are out of both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz
from analyze.archive.opening import Impulse
from analyze.responses.minimum_phase import BoxShape

#: Bands per octave in which responses are compared, whatever the tables of the reports have.
BANDS_PER_OCTAVE = 3
#: What follows the direct sound counts for two periods of the lowest frequency, within these limits, s.
_SHORTEST_S, _LONGEST_S = 0.010, 0.080
#: What counts ahead of it: a quarter of that period and at least this, s.
_AHEAD_S = 0.004
#: Lines per hertz of the spectra that are compared, highest of them, and samples of their correlation.
_STEP_HZ, _TOP_HZ, _N_CORRELATION = 1.0, 20_000.0, 2**18
#: Delays are searched so far around the difference of the arrivals, ms.
_RANGE_MS = 20.0
#: A delay is not known better than by this and by so many degrees at the mean frequency: the residual over a change of
#: the air of 9 K in the demo's hall (0.001 ms full range, 0.015 ms for subs).
_LEAST_STD_MS, _LEAST_STD_DEG = 0.004, 0.6
#: Windows so far apart against the responses still cut the same out of both, s.
_SAME_WINDOW_S = 0.0002
#: Likeness below which two responses have nothing in common that could be measured.
_LEAST_LIKENESS = 0.3
#: Levels are compared in bands up to here, above which the air's own absorption changes with humidity, Hz.
_LEVEL_TOP_HZ = 5000.0
#: Most evidence that one position gives on a sign, in nepers of odds.
_MOST_EVIDENCE = 12.0
_DB_PER_NEPER = 20.0 / math.log(10.0)


@dataclass(frozen=True)
class Heard:
    """One output at one position in one report, its setting to be taken out.

    setting_ms, sign : the setting that the response holds; latency_ms : of the path, known or guessed
    arrival_ms : pure delay, setting taken out; low_hz, high_hz : the range in which it was heard
    temperature_c : of the air; clock : name of the capture if the recorder ran on its own clock, else empty
    """

    impulse: Impulse
    setting_ms: float
    sign: int
    latency_ms: float
    arrival_ms: float
    low_hz: float
    high_hz: float
    temperature_c: float
    clock: str = ""

    @property
    def flight_ms(self) -> float:
        """Time in the air: arrival less latency."""
        return max(self.arrival_ms - self.latency_ms, 0.0)


@dataclass(frozen=True)
class ResponseChange:
    """Newer minus older of one output at one position, settings and air taken out.

    delay_ms, delay_std_ms : what is left of the arrival's change; air_ms : what the air alone makes of it
    sign : +1 or -1; sign_evidence : odds for it in nepers, at least 0
    likeness : correlation of the two, 0..1; level_db, level_std_db : mean over bands
    band_hz, band_level_db, band_phase_deg, band_std_db : (band,) exact centres; level and phase with the level, delay
    and sign above taken out; standard error in dB (in degrees 6.6 times it); NaN where one was not heard
    """

    delay_ms: float
    delay_std_ms: float
    air_ms: float
    sign: int
    sign_evidence: float
    likeness: float
    level_db: float
    level_std_db: float
    band_hz: NDArray[np.float64]
    band_level_db: NDArray[np.float64]
    band_phase_deg: NDArray[np.float64]
    band_std_db: NDArray[np.float64]


#: Degrees per dB of an error that is as large in phase as in level.
DEG_PER_DB = math.degrees(1.0) / _DB_PER_NEPER


def response_change(older: Heard, newer: Heard, box: BoxShape | None, ratio: float) -> ResponseChange | None:
    """What changed from one response to the other; None where they have no range in common.

    Parameters
    ----------
    box : level and minimum phase of the output, None if it could not be told
    ratio : speed of sound then over now
    """
    low_hz, high_hz = max(older.low_hz, newer.low_hz), min(older.high_hz, newer.high_hz)
    if not (high_hz > low_hz and math.isfinite(older.arrival_ms) and math.isfinite(newer.arrival_ms)):
        return None
    length_s = min(max(2.0 / low_hz, _SHORTEST_S), _LONGEST_S)
    ahead_s = max(_AHEAD_S, 0.25 / low_hz)
    top_hz = min(_TOP_HZ, 0.48 * min(older.impulse.sample_rate_hz, newer.impulse.sample_rate_hz))
    f = np.arange(_STEP_HZ, top_hz, _STEP_HZ)
    then = _spectrum(older, f * ratio, ratio, ahead_s, length_s)
    if box is not None and ratio != 1.0:
        then = then * box.at(f) / box.at(f * ratio)
    inside = (f >= low_hz) & (f <= high_hz)
    now = _spectrum(newer, f, 1.0, ahead_s, length_s)
    fit = _fitted(np.where(inside, then, 0.0), np.where(inside, now, 0.0), f, length_s)
    if abs(fit.delay_s) > _SAME_WINDOW_S:  # one of the two arrivals was off: cut the newer down where the older was
        newer = replace(newer, arrival_ms=newer.arrival_ms + 1000.0 * fit.delay_s)
        now = _spectrum(newer, f, 1.0, ahead_s, length_s)
        fit = _fitted(np.where(inside, then, 0.0), np.where(inside, now, 0.0), f, length_s)
    air_ms = older.flight_ms * (ratio - 1.0)
    turned = now * fit.sign * np.exp(2j * np.pi * f * fit.delay_s)
    bands = _bands(then, turned, f, (low_hz, high_hz), length_s)
    level_db, level_std_db = _level(bands)
    return ResponseChange(
        delay_ms=newer.arrival_ms - older.arrival_ms - air_ms + 1000.0 * fit.delay_s,
        delay_std_ms=1000.0 * fit.delay_std_s,
        air_ms=air_ms,
        sign=fit.sign,
        sign_evidence=fit.sign_evidence,
        likeness=fit.likeness,
        level_db=level_db,
        level_std_db=level_std_db,
        band_hz=bands.centre_hz,
        band_level_db=bands.level_db - level_db,
        band_phase_deg=bands.phase_deg,
        band_std_db=bands.std_db,
    )


def _spectrum(
    heard: Heard, f: NDArray[np.float64], ratio: float, ahead_s: float, length_s: float
) -> NDArray[np.complex128]:
    """Spectrum (line,) at frequencies `f` of the direct sound and what follows, its arrival at time zero.

    The window's times are those of the newer air.
    """
    rate_hz, samples = heard.impulse.sample_rate_hz, heard.impulse.samples
    arrival_s = (heard.arrival_ms + heard.setting_ms) / 1000.0
    at_s = (np.arange(len(samples)) / rate_hz - arrival_s) * ratio
    window = _half_sine((at_s + ahead_s) / (0.5 * ahead_s)) * _half_sine((2.0 * length_s - at_s) / length_s)
    n = 2 ** math.ceil(math.log2(2.5 * rate_hz))
    line_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    lines = np.fft.rfft(heard.sign * samples * window, n) * np.exp(2j * np.pi * line_hz * arrival_s)
    real, imaginary = (np.interp(f, line_hz, part, right=0.0) for part in (lines.real, lines.imag))
    return np.asarray(real + 1j * imaginary, dtype=np.complex128)


def _half_sine(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Squared sine that rises from 0 at share 0 to 1 at share 1."""
    return np.asarray(np.sin(0.5 * np.pi * np.clip(share, 0.0, 1.0)) ** 2)


@dataclass(frozen=True)
class _Fit:
    """Sign and delay that make one response most like the other, and how well they are known."""

    sign: int
    delay_s: float
    delay_std_s: float
    sign_evidence: float
    likeness: float


def _fitted(then: NDArray[np.complex128], now: NDArray[np.complex128], f: NDArray[np.float64], length_s: float) -> _Fit:
    """Sign and delay at the largest magnitude of the correlation.

    With likeness r at the maximum, n independent samples and root mean square frequency f_r the delay's variance is
    `(1 - r^2) / (n r^2) / (2 pi f_r)^2` (Knapp & Carter 1976 with coherence r^2; from memory).
    """
    cross = now * np.conj(then)
    scale = math.sqrt(float(np.sum(np.abs(then) ** 2) * np.sum(np.abs(now) ** 2)))
    if scale == 0.0:
        return _Fit(1, 0.0, math.inf, 0.0, 0.0)
    lines = np.concatenate([np.zeros(1), cross])
    correlation = np.fft.irfft(lines, _N_CORRELATION) * (0.5 * _N_CORRELATION / scale)
    step_s = 1.0 / (_STEP_HZ * _N_CORRELATION)
    reach = round(_RANGE_MS / 1000.0 / step_s)
    near = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    at = 1 + int(np.argmax(np.abs(near[1:-1])))
    sign = 1 if near[at] > 0 else -1
    before, peak, after = sign * near[at - 1 : at + 2]
    bend = before - 2.0 * peak + after
    delay_s = (at - reach + (0.5 * (before - after) / bend if bend else 0.0)) * step_s
    likeness = float(min(peak, 1.0 - 1e-9))
    weight = np.abs(cross)
    mean_hz = math.sqrt(float(np.sum(weight * f**2) / np.sum(weight)))
    n_independent = max(2.0 * float(np.count_nonzero(weight)) * _STEP_HZ * 1.5 * length_s, 1.0)
    left = (1.0 - likeness**2) / likeness**2 / n_independent
    fitted_s = math.sqrt(left) / (2.0 * math.pi * mean_hz) if likeness > _LEAST_LIKENESS else math.inf
    least_s = math.hypot(_LEAST_STD_MS / 1000.0, _LEAST_STD_DEG / 360.0 / mean_hz)
    other = float(max(np.max(-sign * near), 0.0))
    evidence = 0.5 * n_independent * math.log((1.0 - other**2) / (1.0 - likeness**2))
    known = likeness > _LEAST_LIKENESS
    return _Fit(sign, delay_s, math.hypot(fitted_s, least_s), min(evidence, _MOST_EVIDENCE) if known else 0.0, likeness)


@dataclass(frozen=True)
class _Bands:
    """Change per band, all (band,); the level not yet taken out."""

    centre_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]
    phase_deg: NDArray[np.float64]
    std_db: NDArray[np.float64]


def _bands(
    then: NDArray[np.complex128],
    now: NDArray[np.complex128],
    f: NDArray[np.float64],
    range_hz: tuple[float, float],
    length_s: float,
) -> _Bands:
    """Level and phase of now over then in the bands that lie whole within a range.

    The standard error of both is what the two do not have in common, `(1 - r^2) / (2 n r^2)` (Bendat & Piersol, ch. 9).
    """
    centre = band_centres_hz(BANDS_PER_OCTAVE, 19.0, 17_000.0)
    low, high = band_edges_hz(centre, BANDS_PER_OCTAVE)
    level, phase, std = (np.full(len(centre), np.nan) for _ in range(3))
    for k in np.flatnonzero((low >= 0.99 * range_hz[0]) & (high <= 1.01 * range_hz[1])):
        lines = slice(*np.searchsorted(f, [low[k], high[k]]))
        a, b = float(np.sum(np.abs(then[lines]) ** 2)), float(np.sum(np.abs(now[lines]) ** 2))
        if not (a > 0.0 and b > 0.0):
            continue
        both = complex(np.sum(now[lines] * np.conj(then[lines])))
        alike = min(abs(both) ** 2 / (a * b), 1.0 - 1e-9)
        n = max((high[k] - low[k]) * 1.5 * length_s, 1.0)
        level[k] = 10.0 * math.log10(b / a)
        phase[k] = math.degrees(math.atan2(both.imag, both.real))
        std[k] = _DB_PER_NEPER * math.sqrt((1.0 - alike) / max(alike, 1e-3) / (2.0 * n))
    return _Bands(centre, level, phase, std)


def _level(bands: _Bands) -> tuple[float, float]:
    """Median of the bands' change of level in dB, and its standard error from their spread.

    The median's error is 1.25 times that of the mean; the spread is 1.48 times the median deviation.
    """
    known = np.isfinite(bands.level_db)
    used = known & (bands.centre_hz <= _LEVEL_TOP_HZ)
    values = bands.level_db[used if used.any() else known]
    if not len(values):
        return math.nan, math.nan
    middle = float(np.median(values))
    spread = 1.48 * float(np.median(np.abs(values - middle)))
    return middle, max(1.25 * spread / math.sqrt(len(values)), 0.05)
