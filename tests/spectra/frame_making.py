"""Takes in the demo's hall with their levels frame by frame, and what can go wrong in them; all of it invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve
from spectra_making import source_of

from analyze.audio.damage import TrackPlace
from analyze.simulate import Scene, build_scene
from analyze.simulate_feeds import make_feed, pink_noise
from analyze.spectra.cross_spectra import FRAME_S, CrossSpectra
from analyze.spectra.frame_levels import FrameLevels, band_energies
from analyze.spectra.streaming import accumulate

#: Low enough to be quick, high enough for the octave of 4 kHz.
RATE_HZ = 12_000
SECONDS = 14.0
HOP_S = FRAME_S / 4
Samples = NDArray[np.float64]
#: Microphone that the tests damage.
TOUCHED = 3


@cache
def scene() -> Scene:
    return build_scene(1, "none", sample_rate_hz=RATE_HZ)


def positions() -> tuple[str, ...]:
    return tuple(p.name for p in scene().positions)


def sweeps(n: int, rng: np.random.Generator) -> Samples:
    """Exponential sweeps of 2.9 s from 20 Hz to 5.4 kHz with short pauses, 0.4 s of silence first."""
    time_s = np.arange(round(2.9 * RATE_HZ)) / RATE_HZ
    rate = 2.9 / np.log(0.45 * RATE_HZ / 20.0)
    sweep = 0.2 * np.sin(2 * np.pi * 20.0 * rate * np.expm1(time_s / rate) + rng.uniform(0.0, 6.0))
    sound = np.zeros(n)
    for start in range(round(0.4 * RATE_HZ), n - len(sweep) - RATE_HZ, round(3.15 * RATE_HZ)):
        sound[start : start + len(sweep)] = sweep
    return sound


def music(n: int, rng: np.random.Generator) -> Samples:
    """Drums and bass with phrases over them that come and go and swell by 12 dB."""
    phrases = np.repeat(rng.uniform(0.0, 1.0, 1 + n // (RATE_HZ // 2)) > 0.45, RATE_HZ // 2)[:n]
    swell = np.convolve(phrases, np.ones(500) / 500.0, mode="same")
    slow = 10.0 ** (np.interp(np.arange(n), np.linspace(0, n, 9), rng.uniform(-12.0, 0.0, 9)) / 20.0)
    sound = make_feed("groove", n, RATE_HZ, rng) + 0.06 * swell * pink_noise(n, RATE_HZ, 45.0, 5000.0, rng)
    return sound * slow


def feed(kind: str, rng: np.random.Generator, seconds: float = SECONDS) -> Samples:
    n = round(seconds * RATE_HZ)
    if kind == "sweep":
        return sweeps(n, rng)
    if kind == "music":
        return music(n, rng)
    return make_feed("noise" if kind == "noise" else "groove", n, RATE_HZ, rng)


@dataclass(frozen=True)
class Recorded:
    """One take: outputs, their feeds (frame, feed), microphones (frame, position), shift_s (feed, position)."""

    outputs: tuple[str, ...]
    feeds: Samples
    microphones: Samples
    shift_s: Samples

    @property
    def places(self) -> list[TrackPlace]:
        feeds = [TrackPlace("feed", name, "take", "a.wav", k) for k, name in enumerate(self.outputs, 1)]
        first = len(feeds) + 1
        return feeds + [TrackPlace("mic", name, "take", "a.wav", k) for k, name in enumerate(positions(), first)]

    def with_microphones(self, microphones: Samples) -> Recorded:
        return Recorded(self.outputs, self.feeds, microphones, self.shift_s)

    def _spectra(self, track: Samples, start: int) -> NDArray[np.complexfloating]:
        """Windowed spectra (frame, line) of all frames that fit, from sample `start` on."""
        length = round(FRAME_S * RATE_HZ)
        hop = length // 4
        furthest = round(self.shift_s.max() * RATE_HZ)
        n = (len(track) - furthest - length) // hop + 1
        frames = np.lib.stride_tricks.sliding_window_view(track[start:], length)[::hop][:n]
        return np.fft.rfft(frames * np.hanning(length + 1)[:-1], axis=-1)

    def levels(self) -> FrameLevels:
        """Energies of all tracks: the feeds as they are, every microphone as much later as its latest sound."""
        later = np.round(self.shift_s.max(axis=0) * RATE_HZ).astype(int)
        tracks = [self._spectra(track, 0) for track in self.feeds.T]
        tracks += [self._spectra(track, at) for track, at in zip(self.microphones.T, later, strict=True)]
        energy = np.stack([band_energies(track) for track in tracks], axis=1)
        return FrameLevels(energy, HOP_S, self.outputs, positions())

    def response(self, position: int, kept: NDArray[np.bool_] | slice = slice(None)) -> NDArray[np.complexfloating]:
        """`Gxy / Gxx` of the only feed at a position over the kept frames, lines from 30 to 300 Hz."""
        x = self._spectra(self.feeds[:, 0], 0)[kept]
        y = self._spectra(self.microphones[:, position], round(self.shift_s[0, position] * RATE_HZ))[kept]
        lines = slice(round(30 * FRAME_S), round(300 * FRAME_S))
        return ((np.conj(x) * y).sum(axis=0) / (np.abs(x) ** 2).sum(axis=0))[lines]

    def cross(self) -> CrossSpectra:
        return accumulate(
            source_of(np.concatenate([self.feeds, self.microphones], axis=1).astype(np.float32)),
            len(self.feeds),
            RATE_HZ,
            capture="take",
            feeds=self.outputs,
            positions=positions(),
            shift_s=self.shift_s,
        )


def heard(output: str, signal: Samples) -> Samples:
    """What the microphones pick up of one output, (frame, position)."""
    i = [o.name for o in scene().outputs].index(output)
    turn = np.exp(-2j * np.pi * scene().present.delays_s[i] * scene().frequency_hz)
    responses = np.fft.irfft(scene().response[i] * turn, axis=-1)
    return np.stack([oaconvolve(signal, r)[: len(signal)] for r in responses], axis=1)


def recorded(
    feeds: dict[str, Samples], noise_db: float = -40.0, through: Callable[[Samples], Samples] | None = None
) -> Recorded:
    """A take; `through` is what an amplifier does to what its feed sends; noise re what each microphone hears."""
    sounds = [heard(name, through(signal) if through else signal) for name, signal in feeds.items()]
    clean = np.sum(sounds, axis=0)
    rng = np.random.default_rng(99)
    noise = np.stack([pink_noise(len(clean), RATE_HZ, 15.0, 4000.0, rng) for _ in positions()], axis=1)
    microphones = clean + np.sqrt(np.mean(clean**2, axis=0)) * 10.0 ** (noise_db / 20.0) * noise
    index = [[o.name for o in scene().outputs].index(name) for name in feeds]
    shift_s = scene().flight_s[index] + scene().present.delays_s[index][:, None]
    return Recorded(tuple(feeds), np.stack(list(feeds.values()), axis=1), microphones, shift_s)


@cache
def take(output: str, kind: str) -> Recorded:
    """One output alone."""
    return recorded({output: feed(kind, np.random.default_rng([1, len(output), len(kind)]))})


@cache
def together(outputs: Sequence[str] = ("main left", "sub left", "delay tower"), seconds: float = 24.0) -> Recorded:
    """Several outputs at once, each with music of its own."""
    return recorded({name: feed("music", np.random.default_rng([2, k]), seconds) for k, name in enumerate(outputs)})


# What goes wrong


def disturbed(clean: Recorded, kind: str, level_db: float, at_s: float, for_s: float) -> Recorded:
    """Talk, wind or a thump at one microphone, or a crowd at all, at this level re what each microphone hears."""
    rng, n = np.random.default_rng(7), round(for_s * RATE_HZ)
    time_s = np.arange(n) / RATE_HZ
    if kind == "talk":
        syllables = np.clip(np.sin(2 * np.pi * 3.7 * time_s) + 0.3, 0.0, None)
        sound = syllables * pink_noise(n, RATE_HZ, 120.0, 4000.0, rng)
    elif kind == "wind":
        sound = pink_noise(n, RATE_HZ, 5.0, 60.0, rng)
    elif kind == "thump":
        sound = np.sin(2 * np.pi * 45.0 * time_s) * np.exp(-time_s / 0.05)
    else:
        sound = pink_noise(n, RATE_HZ, 200.0, 3000.0, rng)
    sound /= np.sqrt(np.mean(sound**2))
    microphones, start = clean.microphones.copy(), round(at_s * RATE_HZ)
    for p in range(len(positions())) if kind == "crowd" else [TOUCHED]:
        level = np.sqrt(np.mean(clean.microphones[:, p] ** 2)) * 10.0 ** (level_db / 20.0)
        microphones[start : start + n, p] += level * sound
    return clean.with_microphones(microphones)


def with_gain(clean: Recorded, gain_db: Samples, touched: Sequence[int] | slice) -> Recorded:
    """A gain (frame,) that moves during the take at some microphones."""
    microphones = clean.microphones.copy()
    microphones[:, touched] *= 10.0 ** (gain_db[:, None] / 20.0)
    return clean.with_microphones(microphones)


def envelope(signal: Samples, attack_s: float, release_s: float) -> Samples:
    """Peaks that rise and fall no faster than these times."""
    n = 12  # 1 ms
    peaks = np.abs(signal[: len(signal) // n * n]).reshape(-1, n).max(axis=1)
    rise, fall = (np.exp(-n / RATE_HZ / time_s) for time_s in (attack_s, release_s))
    value, out = float(peaks[0]), np.empty_like(peaks)
    for k, peak in enumerate(peaks):
        keep = rise if peak > value else fall
        value = keep * value + (1.0 - keep) * peak
        out[k] = value
    return np.interp(np.arange(len(signal)), (np.arange(len(out)) + 0.5) * n, out)


def limited(signal: Samples, reduction_db: float) -> Samples:
    """A limiter with a release of 0.5 s that takes so much off the highest peaks."""
    level = envelope(signal, 0.005, 0.5)
    threshold = np.percentile(level, 99.5) / 10.0 ** (reduction_db / 20.0)
    return signal * np.minimum(1.0, threshold / np.maximum(level, 1e-9))


def levelled(signal: Samples, release_s: float) -> Samples:
    """Automatic gain: the level held, soft passages raised by 30 dB at the most."""
    level = envelope(signal, 0.02, release_s)
    reference = np.percentile(level, 95.0)
    return signal * np.minimum(reference / np.maximum(level, 1e-9), 10.0**1.5)
