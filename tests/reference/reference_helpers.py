"""Made-up sound checks and responses that the checks of this folder share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from analyze.description import Output, Position, SoundCheck
from analyze.responses.transfer import Responses, responses_of
from analyze.spectra.cross_spectra import LOW_HZ, line_hz
from analyze.spectra.streaming import accumulate

#: Relative standard deviation that made-up responses claim: small enough that no level is moved by it.
CLAIMED_ERROR = 1e-5
#: Highest line of the groups, plus one.
N_LOW = int(round(LOW_HZ * 1.4)) + 1


def sound_check_of(outputs: Mapping[str, str], positions: tuple[str, ...]) -> SoundCheck:
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
    """Frequencies of the lines of a response up to a frequency."""
    return line_hz(int(round(highest_hz * 1.4)) + 1)


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
        averages=np.full(shape[:2], 32.0),
        replicates=np.repeat(h[None, ..., :N_LOW], 2, axis=0).astype(np.complex64),
    )


def measured(
    feed: NDArray[np.floating],
    microphones: Mapping[str, NDArray[np.floating]],
    rate_hz: float,
    shift_s: ArrayLike = 0.0,
    output: str = "main",
) -> Responses:
    """Responses from one feed to microphones, (frame,) each, through the streaming pass; `shift_s` per microphone."""
    tracks = np.stack([feed, *microphones.values()], axis=1).astype(np.float32)

    def blocks(n: int) -> Iterator[NDArray[np.float32]]:
        yield from (tracks[k : k + n] for k in range(0, len(tracks), n))

    cross = accumulate(
        blocks,
        len(tracks),
        rate_hz,
        capture="made up",
        feeds=(output,),
        positions=tuple(microphones),
        shift_s=np.broadcast_to(np.asarray(shift_s, dtype=np.float64), (1, len(microphones))),
    )
    return responses_of(cross, np.random.default_rng(0))


def pink_noise(n: int, rate_hz: float, rng: np.random.Generator, low_hz: float = 20.0) -> NDArray[np.float64]:
    """Noise of equal energy per octave from `low_hz` up, (n,), root mean square 1."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    frequency_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    noise = np.fft.irfft(spectrum * np.where(frequency_hz < low_hz, 0.0, np.maximum(frequency_hz, low_hz) ** -0.5), n)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)), dtype=np.float64)


def delayed(samples: NDArray[np.floating], delay_samples: float, extra: int = 0) -> NDArray[np.float64]:
    """A signal (n,) delayed by any number of samples, by a phase slope in a transform that does not wrap; (n + extra,)."""
    n_fft = 2 * (len(samples) + extra + int(np.ceil(abs(delay_samples))))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n_fft) * delay_samples)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, n_fft) * turn, n_fft)[: len(samples) + extra], dtype=np.float64)


def filtered(samples: NDArray[np.floating], impulse: NDArray[np.floating]) -> NDArray[np.float64]:
    """A signal (n,) through an impulse response, cut to its length."""
    return np.asarray(signal.oaconvolve(samples, impulse)[: len(samples)], dtype=np.float64)
