"""Boxes, responses and captures that the tests of this folder share.

Boxes are textbook transfer functions written out here, apart from those of the simulator.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track
from analyze.responses.transfer import N_REPLICATES, Responses
from analyze.spectra.cross_spectra import FRAME_S, CrossSpectra, line_hz
from analyze.spectra.streaming import accumulate

#: Low enough to be quick, high enough for every line that decides; 1.4 s are 2800 samples.
RATE_HZ = 2000
#: Lines up to 20 kHz, as every recording at 44.1 kHz or more gives them.
N_LINES = 28_001
N_LOW = round(400 * FRAME_S) + 1

Spectrum = NDArray[np.complex128]
Samples = NDArray[np.float64]


# Boxes; s = j f / corner, pass band +1


def closed(frequency_hz: NDArray[np.float64], corner_hz: float, q: float) -> Spectrum:
    """Second-order high-pass (Small 1972, from memory)."""
    s = 1j * frequency_hz / corner_hz
    return s**2 / (s**2 + s / q + 1.0)


def vented(frequency_hz: NDArray[np.float64], corner_hz: float) -> Spectrum:
    """Fourth-order Butterworth high-pass, the B4 alignment (Thiele 1961, from memory)."""
    s = 1j * frequency_hz / corner_hz
    return s**4 / ((s**2 + 0.76536686 * s + 1.0) * (s**2 + 1.84775907 * s + 1.0))


def crossover_low(frequency_hz: NDArray[np.float64], corner_hz: float) -> Spectrum:
    """Low way of a fourth-order Linkwitz-Riley crossover (Linkwitz 1976, from memory)."""
    s = 1j * frequency_hz / corner_hz
    return 1.0 / (s**2 + math.sqrt(2.0) * s + 1.0) ** 2


def two_way(frequency_hz: NDArray[np.float64], corner_hz: float) -> Spectrum:
    """Both ways of that crossover together: an all-pass."""
    s = 1j * frequency_hz / corner_hz
    return (s**4 + 1.0) / (s**2 + math.sqrt(2.0) * s + 1.0) ** 2


def top(frequency_hz: NDArray[np.float64], corner_hz: float = 17_000.0) -> Spectrum:
    """Where drivers give up: second order."""
    s = 1j * frequency_hz / corner_hz
    return 1.0 / (s**2 + math.sqrt(2.0) * s + 1.0)


def delay(frequency_hz: NDArray[np.float64], delay_s: float) -> Spectrum:
    return np.exp(-2j * np.pi * frequency_hz * delay_s)


# Signals and sums


def delayed(signal: Samples, delay_s: float, rate_hz: int = RATE_HZ) -> Samples:
    """A signal (frame,) later by any time; what leaves the stretch is lost."""
    n_fft = len(signal) + 4 * rate_hz
    turn = delay(np.fft.rfftfreq(n_fft, 1.0 / rate_hz), delay_s)
    return np.asarray(np.fft.irfft(np.fft.rfft(signal, n_fft) * turn, n_fft)[: len(signal)])


def sweep(n: int, rate_hz: int = RATE_HZ) -> Samples:
    """Exponential sweep from 20 Hz over n frames up to 0.45 of the sample rate."""
    time_s, ratio = np.arange(n) / rate_hz, math.log(0.45 * rate_hz / 20.0)
    last_s = n / rate_hz
    return np.sin(2.0 * np.pi * 20.0 * last_s / ratio * np.expm1(time_s / last_s * ratio))


def summed(
    feeds: Sequence[Samples], microphones: Sequence[Samples], shift_s: NDArray[np.float64], rate_hz: int = RATE_HZ
) -> CrossSpectra:
    """Cross-spectra of feeds `out 0, ...` at microphones `seat 0, ...`."""
    samples = np.stack([*feeds, *microphones], axis=1).astype(np.float32)

    def blocks(n: int) -> Iterator[NDArray[np.float32]]:
        for start in range(0, len(samples), n):
            yield samples[start : start + n]

    return accumulate(
        blocks,
        len(samples),
        rate_hz,
        capture="take",
        feeds=[f"out {i}" for i in range(len(feeds))],
        positions=[f"seat {p}" for p in range(len(microphones))],
        shift_s=shift_s,
    )


# Responses made directly


def responses(
    h: NDArray[np.complexfloating],
    *,
    std: float = 1e-3,
    rng: np.random.Generator | None = None,
    capture: str = "take",
    outputs: Sequence[str] = (),
    positions: Sequence[str] = (),
    coherence: float = 0.99,
    averages: float = 20.0,
) -> Responses:
    """Responses (output, position, line) known to within `std`, an error of that size added where `rng` is given."""
    h = np.array(h, dtype=np.complex128)
    if rng is not None:
        h = h + std * math.sqrt(0.5) * (rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape))
    n_output, n_position, n_line = h.shape
    low = h[..., : min(N_LOW, n_line)]
    return Responses(
        capture=capture,
        outputs=tuple(outputs) or tuple(f"out {i}" for i in range(n_output)),
        positions=tuple(positions) or tuple(f"seat {p}" for p in range(n_position)),
        frequency_hz=line_hz(n_line),
        h=h.astype(np.complex64),
        variance=np.full(h.shape, std**2, dtype=np.float32),
        coherence=np.full(h.shape, coherence, dtype=np.float32),
        share=np.ones(h.shape, dtype=np.float32),
        averages=np.full(h.shape[:2], averages),
        replicates=np.repeat(low[None].astype(np.complex64), N_REPLICATES, axis=0),
    )


# Descriptions


def sound_check(
    outputs: Sequence[Output],
    positions: Sequence[Position],
    captures: Sequence[Capture] = (),
    *,
    folder: Path = Path(),
    temperature_c: float = 20.0,
) -> SoundCheck:
    """A sound check whose reference is its first output."""
    return SoundCheck(
        path=folder / "soundcheck.toml",
        folder=folder,
        title="",
        date="",
        temperature_c=temperature_c,
        reference=outputs[0].name,
        outputs={o.name: o for o in outputs},
        positions={p.name: p for p in positions},
        captures=tuple(captures),
    )


def solo(
    output: str, setting: Setting, mics: Sequence[str], *, name: str = "take", temperature_c: float = 20.0
) -> Capture:
    """A capture of one output: the feed on channel 1 of `<name>.wav`, the microphones from channel 2 on."""
    return Capture(
        name=name,
        playing=(output,),
        feeds={output: Track(f"{name}.wav", 1)},
        mics={mic: Track(f"{name}.wav", k + 2) for k, mic in enumerate(mics)},
        settings={output: setting},
        temperature_c=temperature_c,
    )
