"""Recorders on their own clock, made with known truth: any signal, any hall, read off at any instants exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from analyze.audio.clock import ClockFit, fit_clock
from analyze.audio.recording import Recording, open_recording
from analyze.description import Capture, Track

#: Sample rate of the base: low enough to be quick, above all that is compared.
RATE_HZ = 12_000

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Clock:
    """A recorder: `foreign_s = offset_s + (1 + ppm * 1e-6) * base_s`, and what it lost, (base_s, lost_s) in order.

    A loss below 0 is sound recorded twice.
    """

    offset_s: float
    ppm: float
    jumps: tuple[tuple[float, float], ...] = ()
    rate_hz: int = RATE_HZ

    @property
    def stretches(self) -> list[tuple[float, float, float]]:
        """(base_start_s, base_stop_s, offset_s) between jumps."""
        out, start_s, offset_s = [], -np.inf, self.offset_s
        for at_s, lost_s in self.jumps:
            out.append((start_s, at_s, offset_s))
            start_s, offset_s = at_s + max(lost_s, 0.0), offset_s - lost_s
        return [*out, (start_s, np.inf, offset_s)]

    def foreign_s(self, base_s: float) -> float:
        """True instant of this clock."""
        for start_s, stop_s, offset_s in self.stretches:
            if start_s <= base_s < stop_s:
                return offset_s + (1.0 + self.ppm * 1e-6) * base_s
        raise ValueError(f"{base_s} s was lost")

    def recorded(self, sound: Samples, duration_s: float, base_rate_hz: int = RATE_HZ) -> Samples:
        """What it holds of a sound (frame,) on the base clock, silence outside."""
        foreign_s = np.arange(round(duration_s * self.rate_hz)) / self.rate_hz
        out = np.zeros(len(foreign_s))
        is_free = np.ones(len(foreign_s), dtype=bool)
        for start_s, stop_s, offset_s in self.stretches:
            base_s = (foreign_s - offset_s) / (1.0 + self.ppm * 1e-6)
            inside = is_free & (base_s >= max(start_s, 0.0)) & (base_s < min(stop_s, len(sound) / base_rate_hz))
            places = np.flatnonzero(inside)
            if len(places):
                step = base_rate_hz / self.rate_hz / (1.0 + self.ppm * 1e-6)
                out[places] = read_off(sound, base_s[places[0]] * base_rate_hz, step, len(places))
                is_free[places] = False
        return out


def read_off(sound: Samples, first: float, step: float, n: int) -> Samples:
    """A sound (frame,) at the places first, first + step ..: its Fourier series, by the chirp z-transform, exact."""
    from scipy import signal

    n_sound = len(sound)
    series = np.fft.rfft(sound) * np.exp(2j * np.pi * np.arange(n_sound // 2 + 1) * first / n_sound) / n_sound
    series[1:] *= 2.0
    if n_sound % 2 == 0:
        series[-1] = 0.0
    if step > 1.0:  # what the slower rate cannot hold
        series[np.arange(len(series)) * 2 * step >= 0.98 * n_sound] = 0.0
    return np.asarray(signal.czt(series, n, np.exp(2j * np.pi * step / n_sound)).real)


def pink(n: int, rng: np.random.Generator, rate_hz: int = RATE_HZ) -> Samples:
    """Noise (n,) that falls by 3 dB per octave from 40 Hz, -20 dB of full scale."""
    frequency_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) / np.sqrt(np.maximum(frequency_hz, 40.0)), n)
    return np.asarray(0.1 * noise / noise.std())


def drums(n: int, rng: np.random.Generator, rate_hz: int = RATE_HZ) -> Samples:
    """Hits twice a second, each of its own, over a bass line: (n,)."""
    out, time_s = np.zeros(n), np.arange(rate_hz // 2) / rate_hz
    for start in range(0, n, rate_hz // 2):
        hit = rng.standard_normal(len(time_s)) * np.exp(-time_s / rng.uniform(0.02, 0.08))
        hit += np.sin(2 * np.pi * rng.uniform(50.0, 120.0) * time_s) * np.exp(-time_s / 0.15)
        out[start : start + rate_hz // 2] += hit[: n - start]
    return 0.1 * out / out.std()


def chords(n: int, rng: np.random.Generator, rate_hz: int = RATE_HZ) -> Samples:
    """Chords of harmonic notes, a new one every half to two seconds: (n,)."""
    out, start = np.zeros(n), 0
    while start < n:
        length = min(n - start, int(rate_hz * rng.choice([0.5, 1.0, 2.0])))
        time_s = np.arange(length) / rate_hz
        for pitch_hz in 110.0 * 2.0 ** (rng.integers(0, 24, 3) / 12.0):
            for k in range(1, 9):
                phase = 2 * np.pi * k * pitch_hz * time_s + rng.uniform(0.0, 2 * np.pi)
                out[start : start + length] += np.sin(phase) * np.exp(-1.5 * time_s) / k
        start += length
    return 0.1 * out / out.std()


SOUNDS = {"noise": pink, "drums": drums, "chords": chords}


def hall(rng: np.random.Generator, flight_s: float, tail_db: float, rate_hz: int = RATE_HZ) -> Samples:
    """Impulse response: direct sound after `flight_s`, a tail of 1.2 s whose energy is `tail_db` re the direct."""
    time_s = np.arange(round(1.2 * rate_hz)) / rate_hz
    tail = rng.standard_normal(len(time_s)) * 10.0 ** (-3.0 * time_s / 1.2)
    response = np.zeros(round(flight_s * rate_hz) + len(tail))
    response[-len(tail) :] = tail / np.sqrt((tail**2).sum()) * 10.0 ** (tail_db / 20.0)
    response[round(flight_s * rate_hz)] += 1.0
    return response


def heard(sound: Samples, response: Samples, snr_db: float, rng: np.random.Generator) -> Samples:
    """A sound in a hall, with noise of the hall's own."""
    from scipy import signal

    out = signal.oaconvolve(sound, response)[: len(sound)]
    return np.asarray(out + out.std() * 10.0 ** (-snr_db / 20.0) * rng.standard_normal(len(out)))


def between(sound: Samples, start_s: float, stop_s: float, rate_hz: int = RATE_HZ) -> Samples:
    """A sound with silence before and after."""
    out = np.zeros_like(sound)
    inside = slice(round(start_s * rate_hz), round(stop_s * rate_hz))
    out[inside] = sound[inside]
    return out


def opened(folder: Path, name: str, tracks: Sequence[tuple[str, Samples]], rate_hz: int = RATE_HZ) -> Recording:
    """A recording of tracks (kind, samples), written as 24-bit WAV; the caller closes it."""
    samples = np.stack([track for _, track in tracks], axis=1)
    soundfile.write(folder / f"{name}.wav", 0.9 * samples / np.abs(samples).max(), rate_hz, subtype="PCM_24")
    labels = {(kind, f"{name} {i}"): Track(f"{name}.wav", i + 1) for i, (kind, _) in enumerate(tracks)}
    return open_recording(folder, Capture(name="take", playing=()), labels)


def fitted(
    folder: Path,
    base: Sequence[tuple[str, Samples]],
    foreign: Sequence[tuple[str, Samples]],
    foreign_rate_hz: int = RATE_HZ,
    base_rate_hz: int = RATE_HZ,
) -> ClockFit:
    """The clock found between two recordings, tracks as (kind, samples)."""
    with opened(folder, "base", base, base_rate_hz) as one, opened(folder, "own", foreign, foreign_rate_hz) as other:
        return fit_clock(one, other)


def error_s(fit: ClockFit, clock: Clock, duration_s: float) -> NDArray[np.float64]:
    """Found less true instant at 50 places of every piece of a fit, (piece, place): the flight time, if right."""
    out = []
    for piece in fit.pieces:
        places = np.linspace(max(piece.base_start_s, 0.0), min(piece.base_stop_s, duration_s) - 1e-3, 50)
        out.append([piece.foreign_s(place) - clock.foreign_s(place) for place in places])
    return np.array(out)
