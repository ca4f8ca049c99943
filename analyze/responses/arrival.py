"""When an output arrives, and which way up: what one output at one position shows by itself.

The arrival is the pure delay: setting, latency and flight, with what box and crossover add taken out. An output that
reaches high frequencies shows it by its first sharp arrival; for one that does not (a sub) it comes from the same
hypotheses that tell its sign (`onset.py`).

Conventions: delays positive when later; evidence positive for `normal`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.responses.analytic import analytic_response, strongest_s, trust
from analyze.responses.minimum_phase import BoxShape, box_shapes, low_end_of
from analyze.responses.onset import Expected, Onset, onset, pulse_train
from analyze.responses.transfer import Responses
from analyze.responses.two_way import BAND_RATIO, EDGE, DirectSound, Pulse, direct_sounds

#: An output that reaches this high has its arrival read from its top two octaves.
FULL_RANGE_HZ = 1500.0
#: The sign is that of the lowest driver: evidence above this is left to the crossovers inside the box.
SIGN_HIGHEST_HZ = 800.0
#: Share of the strongest sound that the first arrival must reach, and its height over what comes before.
_FIRST_ARRIVAL = 0.30
_OVER_NOISE = 7.0
#: How long before the strongest sound the first arrival is looked for.
_LOOK_BACK_S = 0.20
#: How far before the high end's arrival the low end's is looked for, and half of it after.
_EARLIER_S = 0.06
#: A third octave counts as the output's own when it is within this of the loudest.
_BAND_RANGE_DB = 20.0
#: Share of the lines of its band in which an output must be told from others for its arrival to be its own.
_LEAST_TOLD = 0.5
#: Third octaves that may be missing from the run of an output's own.
_WIDEST_GAP = 2
#: Without a sharp arrival a band narrower than this counts in proportion: what is taken for the box and what the noise
#: leaves of it is then alike at every position, and a kick drum under noise read a main inverted at four of four.
_WHOLE_BAND_OCTAVES = 3.0
#: Freedom of the delay around the arrival seen at high frequencies: phase left by crossovers inside the box.
_SLACK_S = 0.0006
#: Log-odds that the lowest driver's sound arrives where the high end does: its height over the noise, at most this.
_MOST_BONUS = 50.0
#: Standard deviation of an arrival: at least this, and so much per radian that the fit leaves (measured on rooms).
_SMALLEST_STD_S, _STD_PER_REST_S = 1e-5, 2.5e-5
#: Least trust in the lines of the band that the phase is read in; its upper edge is a multiple of the step.
_LEAST_TRUST, _EDGE_STEP_HZ = 0.5, 10.0
#: Samples per period of the highest frequency: with 1.5 what the stretch's edges spread folds back, 40 ns at 3.5 kHz.
_PHASE_OVERSAMPLING = 2.5
#: Above this rest (rad) a reflection or noise blurs the phase: the top of the envelope stands, with this deviation.
_LARGEST_REST_RAD, _BLURRED_STD_S = 0.8, 4e-5
#: Where a faint arrival is looked for, the share of lines there that have to be the output's own, and its height over
#: what comes before: in 28 halls of the trials with everything at once, on one clock and on several, those of
#: full-range boxes stood 20 times over it and more, and false ones less than 14 times, but for what leaks from others.
_FAINT_BAND_HZ, _FAINT_TOLD, _OVER_ALL_NOISE = (1000.0, 8000.0), 0.1, 20.0
#: How far off it is with the box left in: 0.12 ms at most in the same halls; and how near to another output's arrival
#: it may be what leaks from that one.
_FAINT_STD_S, _BESIDE_S = 1e-4, 5e-4
#: How far off the arrival of a band-limited output is in the demo's hall, which `tests/faults.py` prints.
_BAND_LIMITED_STD_S = 4.5e-4


@dataclass(frozen=True)
class Evidence:
    """What one output at one position in one capture shows.

    band_low_hz, band_high_hz : the band in which it was heard
    sharp_s, sharp_std_s : arrival at high frequencies, NaN for a band-limited output
    high_phase_rad : phase of its high section, 0 or pi, NaN where it cannot be told (`two_way.py`)
    onset : evidence over delay, None where nothing can be said
    evidence : log-likelihood ratio of `normal` over `inverted`; 0 where nothing can be said, or where it hangs on what
        the box does outside the band that could be measured
    """

    output: str
    position: str
    band_low_hz: float
    band_high_hz: float
    sharp_s: float
    sharp_std_s: float
    high_phase_rad: float
    onset: Onset | None
    evidence: float

    def arrival_for(self, sign: int) -> tuple[float, float]:
        """Pure delay and its standard deviation in seconds, given the sign as captured; NaN where unknown."""
        if np.isfinite(self.sharp_s):
            return self.sharp_s, self.sharp_std_s
        if self.onset is None:
            return float("nan"), float("nan")
        mean, std = self.onset.delay(sign)
        return mean, float(np.hypot(std, _BAND_LIMITED_STD_S))

    def later(self, delay_s: float) -> Evidence:
        """The same, arriving later."""
        if delay_s == 0.0:
            return self
        onset = None if self.onset is None else replace(self.onset, delay_s=self.onset.delay_s + delay_s)
        return replace(self, sharp_s=self.sharp_s + delay_s, onset=onset)


@dataclass(frozen=True)
class _Arrived:
    """The first arrival of an output that reaches high frequencies, at one position.

    top_s : top of its envelope in its top two octaves; prominence : its height over what comes before
    arrival_s, std_s : pure delay; high_rad : phase of its high section, NaN where it cannot be told
    """

    top_s: float
    prominence: float
    arrival_s: float
    std_s: float
    high_rad: float


def evidence_of(responses: Responses, low_alone: Collection[str] = ()) -> list[Evidence]:
    """Evidence of every output at every position of one capture, as captured.

    low_alone : outputs that reach low bands alone, as subs do: what they seem to do above is another's
    """
    out: list[Evidence] = []
    faint: list[Evidence] = []
    for i, output in enumerate(responses.outputs):
        heard = [p for p, position in enumerate(responses.positions) if responses.has(output, position)]
        if not heard:
            continue
        boxes = box_shapes(responses.h[i, heard], responses.variance[i, heard], responses.frequency_hz)
        bands = {}
        for p in heard:
            band = heard_band(responses.h[i, p], responses.variance[i, p], responses.frequency_hz)
            if boxes and band is not None and _is_told(responses, i, p, band):
                bands[p] = band
        arrived = _arrived(responses, i, boxes, bands)
        for p in heard:
            found = _evidence(responses, i, p, boxes, bands.get(p), arrived.get(p))
            out.append(found)
            is_hidden = p not in arrived and (bool(arrived) or p not in bands)  # and not low in all that is heard of it
            if is_hidden and output not in low_alone:
                faint.append(_with_faint_arrival(responses, i, p, found))
    return _with_those_alone(out, faint)


def _with_those_alone(every: list[Evidence], faint: list[Evidence]) -> list[Evidence]:
    """All evidence, with faint arrivals where no other output's is: what is missing of that one looks like one."""
    sharp_s: dict[str, list[float]] = {}
    for one in (*every, *faint):
        if np.isfinite(one.sharp_s):
            sharp_s.setdefault(one.position, []).append(one.sharp_s)
    alone = {
        (one.output, one.position): one
        for one in faint
        if sum(abs(other_s - one.sharp_s) < _BESIDE_S for other_s in sharp_s.get(one.position, ())) == 1
    }
    return [alone.get((one.output, one.position), one) for one in every]


def _with_faint_arrival(responses: Responses, i: int, p: int, found: Evidence) -> Evidence:
    """The same with an arrival that no third octave shows, for each line is hidden, and all of them together do.

    Of lines that are the output's own; with whatever its box adds left in, which is little so high up. Nothing is said
    of which way up it is.
    """
    f, band = responses.frequency_hz, _FAINT_BAND_HZ
    inside = (f >= band[0]) & (f <= band[1])
    is_own = inside & (responses.share[i, p] > 0.0) & np.isfinite(responses.h[i, p])
    if band[1] > f[-1] or is_own.sum() < _FAINT_TOLD * inside.sum():
        return found
    weighed = np.zeros(len(f), dtype=np.complex64)
    weighed[is_own] = responses.h[i, p][is_own] * trust(responses.h[i, p][is_own], responses.variance[i, p][is_own])
    known = np.zeros(len(f), dtype=np.float32)  # what is in doubt of the lines is weighed already
    arrival_s, _, prominence = _sharp_arrival(*analytic_response(weighed, known, f, band, None), band[1] - band[0])
    if prominence < _OVER_ALL_NOISE:
        return found
    return replace(found, sharp_s=arrival_s, sharp_std_s=_FAINT_STD_S)


def _arrived(
    responses: Responses, i: int, boxes: list[BoxShape], bands: dict[int, tuple[float, float]]
) -> dict[int, _Arrived]:
    """First arrivals of output `i` by the number of the position, where it reaches high and they stand out."""
    f = responses.frequency_hz
    tops, pulses = {}, []
    for p, (low_hz, high_hz) in bands.items():
        if high_hz < FULL_RANGE_HZ or high_hz <= 2.0 * low_hz:
            continue
        h, variance = responses.h[i, p], responses.variance[i, p]
        upper = analytic_response(h, variance, f, (max(low_hz, high_hz / 4.0), high_hz), boxes[0])
        found = _sharp_arrival(*upper, high_hz * 0.75)
        if np.isfinite(found[0]):
            tops[p] = found
            wide = (max(low_hz, high_hz / BAND_RATIO), _highest_hz(h, variance, f, (low_hz, high_hz)))
            signal = analytic_response(h, variance, f, wide, low_end_of(boxes[0], wide[0]), EDGE, _PHASE_OVERSAMPLING)
            pulses.append(Pulse(*signal, wide, found[0]))
    if not pulses:
        return {}
    crossover, sounds = direct_sounds(pulses)
    return {p: _first(tops[p], sound, crossover.upper) for p, sound in zip(tops, sounds, strict=True)}


def _highest_hz(
    h: NDArray[np.complex64], variance: NDArray[np.float32], f: NDArray[np.float64], band_hz: tuple[float, float]
) -> float:
    """Where lines that can be trusted end, a third of an octave above the band at most: a feed may end in between."""
    first, last, end = np.searchsorted(f, [band_hz[0], band_hz[1], band_hz[1] * 10.0**0.1])
    is_lost = trust(h[first:end], variance[first:end])[last - first :] < _LEAST_TRUST
    end = last + int(np.argmax(is_lost)) if is_lost.any() else end
    return float(f[end - 1] // _EDGE_STEP_HZ * _EDGE_STEP_HZ)


def _first(top: tuple[float, float, float], sound: DirectSound, upper: int) -> _Arrived:
    """The first arrival from the top of its envelope (`_sharp_arrival`) and its phase, where that is clear."""
    top_s, std_s, prominence = top
    if sound.rest_rad > _LARGEST_REST_RAD:
        return _Arrived(top_s, prominence, top_s, max(std_s, _BLURRED_STD_S), float("nan"))
    high_rad = 0.0 if sound.lower * upper > 0 else float(np.pi)
    if not np.isfinite(sound.unseen_s):
        return _Arrived(top_s, prominence, top_s, max(std_s, _BLURRED_STD_S), high_rad)
    std_s = max(std_s, _SMALLEST_STD_S, _STD_PER_REST_S * sound.rest_rad, sound.unseen_s)
    return _Arrived(top_s, prominence, sound.arrival_s, std_s, high_rad)


def _evidence(
    responses: Responses,
    i: int,
    p: int,
    boxes: list[BoxShape],
    band: tuple[float, float] | None,
    arrived: _Arrived | None,
) -> Evidence:
    output, position = responses.outputs[i], responses.positions[p]
    h, variance, f = responses.h[i, p], responses.variance[i, p], responses.frequency_hz
    if band is None:
        return Evidence(output, position, np.nan, np.nan, np.nan, np.nan, np.nan, None, 0.0)
    low_hz, high_hz = band
    box = boxes[0]
    sharp = (np.nan, np.nan, np.nan)
    expected = None
    if arrived is not None:
        sign_band = (low_hz, min(high_hz, SIGN_HIGHEST_HZ))
        centre_s, search = arrived.top_s, (arrived.top_s - _EARLIER_S, arrived.top_s + _EARLIER_S / 2.0)
        expected = Expected(arrived.top_s, _SLACK_S, min(_MOST_BONUS, arrived.prominence))
        sharp = (arrived.arrival_s, arrived.std_s, arrived.high_rad)
    else:
        sign_band = (max(box.low_hz, low_hz / 1.5), min(box.high_hz, high_hz * 1.5, SIGN_HIGHEST_HZ))
        centre_s = strongest_s(h, variance, f, band)
        search = (centre_s - 0.10, centre_s + 0.03)
    trains = [pulse_train(h, variance, f, b, sign_band, centre_s) for b in boxes]
    found = [onset(train, search, expected) for train in trains if train is not None]
    if not found:
        return Evidence(output, position, low_hz, high_hz, *sharp, None, 0.0)
    trust = 1.0 if arrived is not None else min(1.0, float(np.log2(high_hz / low_hz)) / _WHOLE_BAND_OCTAVES)
    return Evidence(output, position, low_hz, high_hz, *sharp, found[0], trust * _agreed(found))


def _is_told(responses: Responses, i: int, p: int, band_hz: tuple[float, float]) -> bool:
    """Whether most of what was heard in the band is this output's own and not its part of what its group does."""
    inside = (responses.frequency_hz >= band_hz[0]) & (responses.frequency_hz <= band_hz[1])
    return float(np.mean(responses.share[i, p, inside] > 0.0)) >= _LEAST_TOLD


def _agreed(found: list[Onset]) -> float:
    """The least evidence that all shapes of the box give; 0 where they do not agree on the sign."""
    values = [o.evidence for o in found]
    if min(values) > 0.0:
        return min(values)
    return min(0.0, max(values))


def heard_band(
    h: NDArray[np.complex64], variance: NDArray[np.float32], frequency_hz: NDArray[np.float64]
) -> tuple[float, float] | None:
    """Band edges of the run of third octaves within 20 dB of the loudest, noise taken off; arguments are (line,).

    A gap of up to two bands does not end the run: where the ways of a box cancel, the upper one is still its own.
    """
    edges = 10.0 ** (np.arange(12, 44) / 10.0) * 10.0**-0.05  # 15.8 Hz to 20 kHz, IEC 61260-1 third-octave edges
    index = np.searchsorted(frequency_hz, edges)
    index = index[: int(np.searchsorted(index, len(frequency_hz)))]
    energy, error = _band_means(np.abs(h) ** 2, index), _band_means(variance, index)
    signal = energy - error
    ok = signal > 2.0 * error
    if not ok.any():
        return None
    peak = int(np.argmax(np.where(ok, signal, -np.inf)))
    ok &= signal > signal[peak] * 10.0 ** (-_BAND_RANGE_DB / 10.0)
    heard = np.flatnonzero(ok)
    breaks = np.flatnonzero(np.diff(heard) > _WIDEST_GAP + 1)
    run = next(part for part in np.split(heard, breaks + 1) if peak in part)
    return float(edges[run[0]]), float(edges[run[-1] + 1])


def _band_means(values: NDArray[np.floating], index: NDArray[np.int64]) -> NDArray[np.float64]:
    """Mean of `values` (line,) from each index to the next; one fewer than `index`."""
    sums = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    return np.asarray(np.diff(sums[index]) / np.maximum(np.diff(index), 1), dtype=np.float64)


def _sharp_arrival(
    time_s: NDArray[np.float64], signal: NDArray[np.complex128], bandwidth_hz: float
) -> tuple[float, float, float]:
    """First arrival in a high band, its standard deviation, and its height over what comes before it.

    From the envelope of the analytic signal (time,); NaN where nothing stands out.
    """
    envelope = np.abs(signal)
    step_s = time_s[1] - time_s[0]
    peak = int(np.argmax(envelope))
    first = max(1, peak - round(_LOOK_BACK_S / step_s))
    before = envelope[max(0, first - round(0.1 / step_s)) : first]
    noise = float(np.sqrt(np.mean(before**2))) if len(before) else 0.0
    if envelope[peak] < _OVER_NOISE * noise:
        return float("nan"), float("nan"), 0.0
    at = _first_top(envelope, first, peak, max(_FIRST_ARRIVAL * envelope[peak], _OVER_NOISE * noise))
    a, b, c = np.log(np.maximum(envelope[at - 1 : at + 2], 1e-30))
    offset = 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c < 0 else 0.0
    # Cramer-Rao bound for a pulse of this bandwidth (Quazi 1981, from memory): 1 / (2 pi B_rms * peak over noise)
    rms_rad_s = 2.0 * np.pi * bandwidth_hz / np.sqrt(12.0)
    prominence = float(envelope[at]) / max(noise, 1e-9 * float(envelope[at]), 1e-30)
    return float(time_s[at] + np.clip(offset, -1.0, 1.0) * step_s), 1.0 / prominence / rms_rad_s, prominence


def _first_top(envelope: NDArray[np.float64], first: int, peak: int, threshold: float) -> int:
    """Index of the first local maximum over the threshold from `first` to the peak."""
    stretch = envelope[first : peak + 1]
    tops = (stretch >= envelope[first - 1 : peak]) & (stretch >= envelope[first + 1 : peak + 2]) & (stretch > threshold)
    return first + int(np.flatnonzero(tops)[0]) if tops.any() else peak
