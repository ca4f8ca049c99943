"""Responses, descriptions and contexts that the tests of this folder share, and the score spelled out once more."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.arrivals import ArrivalTable
from analyze.alignment.cells import Cells
from analyze.alignment.context import Context, context_of
from analyze.description import Output, Position, SoundCheck
from analyze.responses.transfer import N_REPLICATES, Responses
from analyze.responses.wiring import Signs
from analyze.spectra.cross_spectra import FRAME_S, line_hz

#: Lines up to 1 kHz: all that settings are decided on, and more.
N_LINES = 1401
N_LOW = round(400 * FRAME_S) + 1
FREQUENCY_HZ = line_hz(N_LINES)

#: Third octaves from 25 to 315 Hz: IEC 61260-1:2014, 1000 x 10^(n/10).
CENTRES_HZ = 1000.0 * 10.0 ** (np.arange(-16, -4) / 10.0)

Spectrum = NDArray[np.complex128]
#: Sign and delay in ms per output.
Changes = Mapping[str, tuple[float, float]]


def delay(delay_ms: float, frequency_hz: NDArray[np.float64] = FREQUENCY_HZ) -> Spectrum:
    return np.exp(-2j * np.pi * frequency_hz * delay_ms / 1000.0)


def closed(corner_hz: float, q: float = 0.7) -> Spectrum:
    """A closed box: second-order high-pass (Small 1972, from memory)."""
    s = 1j * FREQUENCY_HZ / corner_hz
    return s**2 / (s**2 + s / q + 1.0)


def vented(corner_hz: float) -> Spectrum:
    """A vented box: fourth-order Butterworth high-pass (Thiele 1961, from memory)."""
    s = 1j * FREQUENCY_HZ / corner_hz
    return s**4 / ((s**2 + 0.76536686 * s + 1.0) * (s**2 + 1.84775907 * s + 1.0))


def low_pass(corner_hz: float) -> Spectrum:
    """The low way of a fourth-order Linkwitz-Riley crossover (Linkwitz 1976, from memory)."""
    s = 1j * FREQUENCY_HZ / corner_hz
    return 1.0 / (s**2 + math.sqrt(2.0) * s + 1.0) ** 2


def room(rng: np.random.Generator, strength: float, n: int = 12, longest_ms: float = 80.0) -> Spectrum:
    """1 plus reflections of either sign within some time, of this energy together."""
    gains = rng.standard_normal(n)
    gains *= strength / np.linalg.norm(gains)
    return 1.0 + sum(g * delay(t) for g, t in zip(gains, rng.uniform(3.0, longest_ms, n), strict=True))


def responses_of(
    h: NDArray[np.complexfloating],
    outputs: Sequence[str],
    positions: Sequence[str],
    *,
    std: float = 1e-4,
    spread: float = 0.0,
    rng: np.random.Generator | None = None,
    n_replicates: int = N_REPLICATES,
) -> Responses:
    """Responses (output, position, line) known to within `std`; replicates scatter by the share `spread` per line."""
    h = np.asarray(h, dtype=np.complex128)
    low = np.repeat(h[None, ..., :N_LOW], n_replicates, axis=0)
    if rng is not None:
        noise = rng.standard_normal(low.shape) + 1j * rng.standard_normal(low.shape)
        low = low * (1.0 + spread * math.sqrt(0.5) * noise)
    return Responses(
        capture="",
        outputs=tuple(outputs),
        positions=tuple(positions),
        frequency_hz=line_hz(h.shape[-1]),
        h=h.astype(np.complex64),
        variance=np.where(np.isfinite(h), std**2, np.nan).astype(np.float32),
        coherence=np.full(h.shape, 0.99, dtype=np.float32),
        share=np.ones(h.shape, dtype=np.float32),
        averages=np.full(h.shape[:2], 20.0),
        replicates=low.astype(np.complex64),
    )


def signs_of(outputs: Mapping[str, int], confidence: float = 0.99) -> Signs:
    """Wiring: +1, -1, or 0 for undecided."""
    sure = {o: (confidence if s else 0.6) for o, s in outputs.items()}
    return Signs(dict(outputs), {o: s or 1 for o, s in outputs.items()}, sure, {}, {})


def sound_check(
    outputs: Sequence[Output], positions: Sequence[Position], reference: str = "", temperature_c: float = 20.0
) -> SoundCheck:
    return SoundCheck(
        path=Path("soundcheck.toml"),
        folder=Path(),
        title="",
        date="",
        temperature_c=temperature_c,
        reference=reference or outputs[0].name,
        outputs={o.name: o for o in outputs},
        positions={p.name: p for p in positions},
        captures=(),
    )


def context(
    outputs: Sequence[Output],
    positions: Sequence[Position],
    h: NDArray[np.complexfloating],
    *,
    reference: str = "",
    arrivals: ArrivalTable | None = None,
    signs: Signs | None = None,
    std: float = 1e-4,
    spread: float = 0.01,
    n_replicates: int = 12,
    temperature_c: float = 20.0,
    blocked: Mapping[str, str] | None = None,
    contradicted: frozenset[str] = frozenset(),
) -> Context:
    """The context of responses (output, position, line) at present settings."""
    names, seats = [o.name for o in outputs], [p.name for p in positions]
    found = responses_of(
        h, names, seats, std=std, spread=spread, rng=np.random.default_rng(99), n_replicates=n_replicates
    )
    check = sound_check(outputs, positions, reference, temperature_c)
    wiring = signs or signs_of(dict.fromkeys(names, 1))
    return context_of(check, found, arrivals or {}, wiring, blocked or {}, contradicted)


def hall(
    seed: int, late_ms: float, sign: float, n_seats: int = 3, n_subs: int = 1
) -> tuple[Spectrum, dict[tuple[str, str], tuple[float, float]]]:
    """Responses (output, seat, line) of a closed main and vented subs `late_ms` behind it in a live room; arrivals."""
    rng = np.random.default_rng(seed)
    h = np.zeros((1 + n_subs, n_seats, N_LINES), dtype=np.complex128)
    arrivals = {}
    for p in range(n_seats):
        there_ms = rng.uniform(10.0, 30.0)
        h[0, p] = closed(50.0) * delay(there_ms) * room(rng, 0.5)
        arrivals["main", f"audience {p}"] = (there_ms, 0.02)
        for k in range(n_subs):
            box = 1.5 * vented(35.0 + 3 * k) * low_pass(110.0)
            own_ms = there_ms + late_ms + 1.7 * k + rng.normal(0.0, 0.7)
            h[1 + k, p] = sign * box * delay(own_ms) * room(rng, 0.5)
            arrivals["sub" if k == 0 else f"sub {k}", f"audience {p}"] = (own_ms, 0.4)
    return h, arrivals


def seats(n: int, zone: str = "audience") -> list[Position]:
    return [Position(f"{zone} {k}", zone) for k in range(n)]


def turned(h: NDArray[np.complexfloating], outputs: Sequence[str], changes: Changes) -> Spectrum:
    """Responses with changes applied, spelled out."""
    out = np.array(h, dtype=np.complex128)
    frequency_hz = line_hz(out.shape[-1])
    for i, name in enumerate(outputs):
        sign, delay_ms = changes.get(name, (1.0, 0.0))
        out[i] = out[i] * sign * delay(delay_ms, frequency_hz)
    return out


def spelled_out_db(h: NDArray[np.complexfloating], cells: Cells, mask: NDArray[np.bool_] | None = None) -> float:
    """The score by loops and plain sums: energy of the sum over that of the sum of magnitudes, mean over cells."""
    total = weight = 0.0
    for c in range(len(cells)):
        if mask is not None and not mask[c]:
            continue
        lines = h[:, cells.position[c], cells.first[c] : cells.stop[c]]
        actual = (np.abs(lines.sum(axis=0)) ** 2).sum()
        possible = (np.abs(lines).sum(axis=0) ** 2).sum()
        total += cells.weight[c] * 10.0 * math.log10(max(actual / possible, 1e-12))
        weight += cells.weight[c]
    return total / weight
