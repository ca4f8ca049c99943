"""Evidence for the sign and the pure delay of an output at one position, from the first arrival.

The box's level and minimum phase are divided out of the response; what is left is a train of band-limited pulses, the
direct sound first, reflections after it. Two hypotheses, `normal` and `inverted`, each with its own delay: before the
arrival there is noise alone, at it a pulse of the hypothesis' sign, after it anything the room adds. Which of the two
needs the less likely room decides. The largest peak decides nothing: it is often a reflection.

Conventions: delays are positive when later; evidence is the logarithm of a likelihood ratio, positive for `normal`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.responses.minimum_phase import BoxShape

#: Length of the stretch after the strongest sound that the room's variance is taken from.
_ROOM_S = 0.08
#: Noise-like error of the model before the arrival, as a share of the strongest pulse.
_MODEL_ERROR = 0.10
_BEFORE_S, _AFTER_S = 0.08, 0.05
#: Samples per period of the highest frequency of a pulse train.
_OVERSAMPLED = 5


@dataclass(frozen=True)
class Onset:
    """Evidence over delay at one position.

    delay_s : (delay,) candidates; normal, inverted : (delay,) log-likelihoods of that sign and delay
    """

    delay_s: NDArray[np.float64]
    normal: NDArray[np.float64]
    inverted: NDArray[np.float64]

    @property
    def evidence(self) -> float:
        """Log-likelihood ratio of `normal` over `inverted`, the delay left open."""
        return _log_sum(self.normal) - _log_sum(self.inverted)

    def delay(self, sign: int) -> tuple[float, float]:
        """Mean and standard deviation of the delay in seconds, given the sign (+1 normal, -1 inverted)."""
        log_likelihood = self.normal if sign > 0 else self.inverted
        weight = np.exp(log_likelihood - log_likelihood.max())
        weight /= weight.sum()
        mean = float(weight @ self.delay_s)
        return mean, float(np.sqrt(weight @ (self.delay_s - mean) ** 2))


@dataclass(frozen=True)
class PulseTrain:
    """A response with the box divided out; time in seconds behind the feed.

    time_s : (time,) ; train : (time,) ; pulse : (time,) what one arrival of size 1 at time 0 looks like, centred
    per_sample : independent samples per sample
    """

    time_s: NDArray[np.float64]
    train: NDArray[np.float64]
    pulse: NDArray[np.float64]
    per_sample: float


def pulse_train(
    h: NDArray[np.complex64],
    variance: NDArray[np.float32],
    frequency_hz: NDArray[np.float64],
    box: BoxShape,
    band_hz: tuple[float, float],
    around_s: float,
) -> PulseTrain | None:
    """The response between `band_hz`, box divided out, from 0.25 s before to 0.45 s after `around_s`.

    h, variance, frequency_hz : (line,). Lines are weighted by how far they stand over their error. None where nothing
    does.
    """
    low_hz, high_hz = band_hz
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    if inside.sum() < 8:
        return None
    f = frequency_hz[inside]
    model = box.at(f)
    scale = np.sqrt(np.mean(np.abs(h[inside] / model) ** 2))
    weight = _taper(f, low_hz, high_hz) / (1.0 + variance[inside] / (scale * np.abs(model)) ** 2)
    if not np.isfinite(scale) or scale <= 0 or weight.sum() < 4.0:
        return None
    time_s, train = _synthesis(weight * h[inside] / model, inside, frequency_hz, (around_s - 0.25, around_s + 0.45))
    pulse_s, pulse = _synthesis(weight.astype(np.complex128), inside, frequency_hz, (-0.15, 0.15))
    step_s = float(time_s[1] - time_s[0])
    first = int(np.argmin(np.abs(pulse_s))) - round(0.149 / step_s)
    pulse = pulse[first : 2 * int(np.argmin(np.abs(pulse_s))) - first + 1]
    bandwidth_hz = float(weight.sum() ** 2 / (weight**2).sum()) * (f[1] - f[0])
    return PulseTrain(time_s, train / pulse.max(), pulse / pulse.max(), min(1.0, 2.0 * bandwidth_hz * step_s))


@dataclass(frozen=True)
class Expected:
    """Where an arrival is expected from elsewhere: within `slack_s` of `at_s` it is exp(`bonus`) times likelier."""

    at_s: float
    slack_s: float
    bonus: float


def onset(train: PulseTrain, delay_range_s: tuple[float, float], expected: Expected | None = None) -> Onset:
    """Log-likelihood of both signs at every delay within `delay_range_s`."""
    t, c = train.time_s, train.train
    inside = (t >= delay_range_s[0]) & (t <= delay_range_s[1])
    peak = int(np.flatnonzero(inside)[np.argmax(np.abs(c[inside]))])
    step_s = t[1] - t[0]
    room = float(np.mean(c[peak : peak + round(_ROOM_S / step_s)] ** 2))
    early = c[max(0, peak - round(0.2 / step_s)) : max(1, peak - round(0.06 / step_s))]
    quiet = float(np.mean(early**2)) + (_MODEL_ERROR * abs(c[peak])) ** 2
    room = max(room, 2.0 * quiet)
    normal, inverted = _log_likelihoods(train, np.flatnonzero(inside), quiet, room)
    if expected is not None:
        prior = expected.bonus * (np.abs(t[inside] - expected.at_s) <= expected.slack_s)
        normal, inverted = normal + prior, inverted + prior
    return Onset(t[inside], normal, inverted)


def _log_likelihoods(
    train: PulseTrain, at: NDArray[np.int64], quiet: float, room: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log-likelihood of a pulse of either sign at each sample of the run `at`, its size fitted: noise alone before it.

    The variance is `quiet` up to the arrival and `room` after it.
    """
    step_s = float(train.time_s[1] - train.time_s[0])
    before, after = round(_BEFORE_S / step_s), round(_AFTER_S / step_s)
    centre = len(train.pulse) // 2
    rising, falling = train.pulse[centre - before : centre + 1], train.pulse[centre + 1 : centre + 1 + after]
    first, last = int(at[0]), int(at[-1])
    padded = np.pad(train.train, (before, after))
    cross = np.correlate(padded[first : last + before + 1], rising, mode="valid") / quiet
    cross += np.correlate(padded[first + before + 1 : last + before + after + 1], falling, mode="valid") / room
    norm = np.sum(rising**2) / quiet + np.sum(falling**2) / room
    energy = np.cumsum(train.train**2)
    n_before, n = at + 1, len(train.train)
    rest = energy[at] / quiet + (energy[-1] - energy[at]) / room
    rest += n_before * np.log(quiet) + (n - n_before) * np.log(room)
    gain = cross**2 / norm  # a pulse of the other sign has size 0 at best
    half = -0.5 * train.per_sample
    return half * (rest - np.where(cross > 0, gain, 0.0)), half * (rest - np.where(cross < 0, gain, 0.0))


def _synthesis(
    values: NDArray[np.complex128],
    inside: NDArray[np.bool_],
    frequency_hz: NDArray[np.float64],
    span_s: tuple[float, float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Time axis and real signal over a span of a one-sided spectrum, `values` on the lines `inside`.

    Lines 1/1.4 s apart make the signal periodic in 1.4 s.
    """
    from scipy import fft

    last = int(np.flatnonzero(inside)[-1])
    n = fft.next_fast_len(_OVERSAMPLED * last)
    spectrum = np.zeros(n, dtype=np.complex128)
    spectrum[np.flatnonzero(inside)] = values
    signal = np.real(fft.ifft(spectrum)) * n
    step_s = 1.0 / ((frequency_hz[1] - frequency_hz[0]) * n)
    index = np.arange(round(span_s[0] / step_s), round(span_s[1] / step_s) + 1)
    return index * step_s, signal[index % n]


def _taper(frequency_hz: NDArray[np.float64], low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Cosine edges over the outer third of an octave at both ends of the band."""
    u = np.log2(frequency_hz / low_hz) * 3.0
    d = np.log2(high_hz / frequency_hz) * 3.0
    return np.sin(np.pi / 2.0 * np.clip(u, 0.0, 1.0)) * np.sin(np.pi / 2.0 * np.clip(d, 0.0, 1.0))


def _log_sum(values: NDArray[np.float64]) -> float:
    """`log(sum(exp(values)))` without overflow."""
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum()))
