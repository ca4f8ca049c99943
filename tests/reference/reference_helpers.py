"""Made-up sound checks, responses and signals that the checks of this folder share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from analyze.description import Output, Position, SoundCheck
from analyze.responses.transfer import Responses, responses_of
from analyze.spectra.cross_spectra import FRAME_S, LOW_HZ, CrossSpectra, line_hz
from analyze.spectra.streaming import accumulate

#: Relative standard deviation that made-up responses claim: small enough that it moves no level by 1e-8 dB.
CLAIMED_ERROR = 1e-5
#: Lines of the replicates.
N_LOW = round(LOW_HZ * FRAME_S) + 1


def is_close(actual: ArrayLike, expected: ArrayLike, tolerance: float) -> bool:
    """Whether every value lies within +-tolerance of what is expected; shapes must agree, NaN never does."""
    actual, expected = np.asarray(actual), np.asarray(expected)
    assert actual.shape == expected.shape
    return bool((np.abs(actual - expected) <= tolerance).all())


def sound_check_of(outputs: Mapping[str, str], positions: tuple[str, ...] = ("seat",)) -> SoundCheck:
    """A sound check without captures: outputs by name and kind, the first the reference; positions in the audience."""
    return SoundCheck(
        path=Path("soundcheck.toml"),
        folder=Path(),
        title="",
        date="",
        temperature_c=20.0,
        reference=next(iter(outputs)),
        outputs={name: Output(name, kind) for name, kind in outputs.items()},
        positions={name: Position(name, "audience") for name in positions},
        captures=(),
    )


def lines_hz(highest_hz: float) -> NDArray[np.float64]:
    """Frequencies of the lines of a response up to a frequency, from 0 Hz."""
    return line_hz(round(highest_hz * FRAME_S) + 1)


def responses_from(
    rows: Mapping[str, ArrayLike], highest_hz: float, positions: tuple[str, ...] = ("seat",)
) -> Responses:
    """Responses as if measured without error: per output an array that spreads to (position, line)."""
    frequency_hz = lines_hz(highest_hz)
    shape = (len(rows), len(positions), len(frequency_hz))
    h = np.stack([np.broadcast_to(np.asarray(row, dtype=np.complex128), shape[1:]) for row in rows.values()])
    energy = np.mean(np.abs(h) ** 2, axis=-1, keepdims=True)
    return Responses(
        capture="made up",
        outputs=tuple(rows),
        positions=positions,
        frequency_hz=frequency_hz,
        h=h.astype(np.complex64),
        variance=np.broadcast_to(CLAIMED_ERROR**2 * energy, shape).astype(np.float32),
        coherence=np.full(shape, 1.0 - CLAIMED_ERROR, dtype=np.float32),
        share=np.ones(shape, dtype=np.float32),
        averages=np.full(shape[:2], 32.0),
        replicates=np.repeat(h[None, ..., :N_LOW], 2, axis=0).astype(np.complex64),
    )


def delay_phase(frequency_hz: NDArray[np.float64], delay_s: float) -> NDArray[np.complex128]:
    """Response of a pure delay: `exp(-j 2 pi f tau)`."""
    return np.asarray(np.exp(-2j * np.pi * frequency_hz * delay_s), dtype=np.complex128)


def cross_spectra(
    feed: NDArray[np.floating],
    microphones: Mapping[str, NDArray[np.floating]],
    rate_hz: float,
    shift_s: ArrayLike = 0.0,
) -> CrossSpectra:
    """Sums of one feed and its microphones, (frame,) each, through the streaming pass; `shift_s` per microphone."""
    tracks = np.stack([feed, *microphones.values()], axis=1).astype(np.float32)

    def blocks(n: int) -> Iterator[NDArray[np.float32]]:
        yield from (tracks[k : k + n] for k in range(0, len(tracks), n))

    return accumulate(
        blocks,
        len(tracks),
        rate_hz,
        capture="made up",
        feeds=("main",),
        positions=tuple(microphones),
        shift_s=np.broadcast_to(np.asarray(shift_s, dtype=np.float64), (1, len(microphones))),
    )


def measured(
    feed: NDArray[np.floating],
    microphones: Mapping[str, NDArray[np.floating]],
    rate_hz: float,
    shift_s: ArrayLike = 0.0,
) -> Responses:
    """Responses of the output `main` at the microphones, through the streaming pass."""
    return responses_of(cross_spectra(feed, microphones, rate_hz, shift_s), np.random.default_rng(0))


def pink_noise(n: int, rate_hz: float, rng: np.random.Generator, low_hz: float = 20.0) -> NDArray[np.float64]:
    """Noise of equal energy per octave from `low_hz` up, (n,), root mean square 1."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    frequency_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    noise = np.fft.irfft(spectrum * np.where(frequency_hz < low_hz, 0.0, np.maximum(frequency_hz, low_hz) ** -0.5), n)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)), dtype=np.float64)


def delayed(samples: NDArray[np.floating], delay_samples: float) -> NDArray[np.float64]:
    """A signal (n,) delayed by any number of samples, by a phase slope in a transform that does not wrap."""
    n_fft = 2 * (len(samples) + int(np.ceil(abs(delay_samples))))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n_fft) * delay_samples)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, n_fft) * turn, n_fft)[: len(samples)], dtype=np.float64)


def filtered(samples: NDArray[np.floating], impulse: NDArray[np.floating]) -> NDArray[np.float64]:
    """A signal (n,) through an impulse response, cut to its length."""
    return np.asarray(signal.oaconvolve(samples, impulse)[: len(samples)], dtype=np.float64)
