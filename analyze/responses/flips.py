"""The same stretch recorded twice, one output's polarity flipped in between: what an engineer judges by ear, measured.

Per position and band the level with the flip less the level without. From both levels and the levels of the two parts
alone follows their relative phase up to its sign: `|a + b|^2 - |a - b|^2 = 4 |a| |b| cos(phase)`. Where the outputs
were also recorded alone, the change is predicted from those responses and compared: a recording and a prediction that
disagree mean that something is not as described.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz, energy_db, nominal_hz
from analyze.description import Capture
from analyze.findings import Finding
from analyze.responses.rows import FlipBand
from analyze.responses.transfer import Responses
from analyze.spectra.cross_spectra import CrossSpectra, line_hz

#: Bands in which the flip is looked at: where settings are decided.
LOWEST_HZ, HIGHEST_HZ = 24.0, 320.0
#: A band counts where the flip is heard or expected to be: by more than this.
_HEARD_DB = 1.0
#: Measured and predicted change differ by more than this in the median: they do not agree. A level in a third octave of
#: a short take is known to about 1 dB.
_DISAGREE_DB = 2.0


@dataclass(frozen=True)
class Flip:
    """Two captures of the same stretch that differ in the polarity of `outputs` alone."""

    plain: Capture
    flipped: Capture
    outputs: tuple[str, ...]


def find_flips(captures: Sequence[Capture], groups: Mapping[str, Sequence[str]]) -> list[Flip]:
    """Pairs of captures of the same outputs, with and without feeds, that differ in the polarity of one group alone."""
    flips = []
    for first, second in combinations(captures, 2):
        if set(first.playing) != set(second.playing) or len(first.playing) < 2 or set(first.feeds) != set(second.feeds):
            continue
        if any(first.settings[n].delay_ms != second.settings[n].delay_ms for n in first.playing):
            continue
        turned = tuple(n for n in first.playing if first.settings[n].sign != second.settings[n].sign)
        if turned and len(turned) < len(first.playing) and all(n in groups[turned[0]] for n in turned):
            flips.append(Flip(first, second, turned))
    return flips


def flip_bands(
    flip: Flip,
    plain: CrossSpectra,
    flipped: CrossSpectra,
    alone: Responses | None,
    zones: Mapping[str, str],
) -> list[FlipBand]:
    """Measured and predicted change per position and third octave.

    plain, flipped : sums of both captures; alone : responses of all that played as tapped in `plain`, from captures of
    single outputs, None if they are not all known
    """
    centre = band_centres_hz(3, LOWEST_HZ, HIGHEST_HZ)
    low, high = band_edges_hz(centre, 3)
    f = line_hz(int(np.searchsorted(line_hz(plain.gyy.shape[-1]), high[-1])) + 1)
    rows = []
    for position in plain.positions:
        if position not in flipped.positions:
            continue
        levels = [levels_of(c, position, f, low, high) for c in (plain, flipped)]
        change_db = energy_db(levels[1]) - energy_db(levels[0])
        predicted_db, phase_deg = _predicted(flip, plain, alone, position, levels, f, low, high)
        for k, band_hz in enumerate(centre):
            rows.append(
                FlipBand(
                    flip.plain.name,
                    flip.flipped.name,
                    ", ".join(flip.outputs),
                    position,
                    zones[position],
                    nominal_hz(float(band_hz), 3),
                    float(change_db[k]),
                    float(predicted_db[k]),
                    float(phase_deg[k]),
                )
            )
    return rows


def levels_of(
    cross: CrossSpectra, position: str, f: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Energy of a microphone per band, re what all feeds together put out there; (band,)."""
    p = cross.positions.index(position)
    sent = np.einsum("iil->l", cross.gxx[p]).real[: len(f)]
    return _band_sums(cross.gyy[p, : len(f)], f, low, high) / np.maximum(_band_sums(sent, f, low, high), 1e-300)


def _predicted(
    flip: Flip,
    plain: CrossSpectra,
    alone: Responses | None,
    position: str,
    levels: Sequence[NDArray[np.float64]],
    f: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Change in dB that single captures predict, and the relative phase in degrees up to its sign; NaN if not known."""
    unknown = np.full(len(low), np.nan)
    if alone is None or not all(alone.has(name, position) for name in plain.feeds):
        return unknown, unknown
    p, q = plain.positions.index(position), alone.positions.index(position)
    h = np.stack([alone.h[alone.outputs.index(name), q, : len(f)] for name in plain.feeds]).astype(np.complex128)
    gxx = plain.gxx[p][..., : len(f)]
    # feeds as read for this microphone: their shifts go into the responses
    h = h * np.exp(2j * np.pi * f * plain.shift_s[:, p, None])
    is_turned = np.array([name in flip.outputs for name in plain.feeds])
    parts = [np.where(mask[:, None], h, 0.0) for mask in (~is_turned, is_turned)]
    own = [_energy(a, a, gxx, f, low, high) for a in parts]
    cross = _energy(parts[0], parts[1], gxx, f, low, high)
    change_db = energy_db(np.maximum(own[0] + own[1] - 2.0 * cross, 1e-300)) - energy_db(
        np.maximum(own[0] + own[1] + 2.0 * cross, 1e-300)
    )
    sent = np.maximum(_band_sums(np.einsum("iil->l", gxx).real, f, low, high), 1e-300)
    cosine = (levels[0] - levels[1]) * sent / np.maximum(4.0 * np.sqrt(own[0] * own[1]), 1e-300)
    return change_db, np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))


def _energy(
    a: NDArray[np.complex128],
    b: NDArray[np.complex128],
    gxx: NDArray[np.complex128],
    f: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> NDArray[np.float64]:
    """`Re sum conj(a_i) Gxx_ij b_j` over each band."""
    return _band_sums(np.einsum("il,ijl,jl->l", np.conj(a), gxx, b).real, f, low, high)


def _band_sums(
    values: NDArray[np.float64], f: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> NDArray[np.float64]:
    first, stop = np.searchsorted(f, low), np.searchsorted(f, high)
    return np.array([values[a:b].sum() for a, b in zip(first, stop, strict=True)])


def flip_findings(rows: Sequence[FlipBand]) -> list[Finding]:
    """Whether what a flip did is what single captures predict, one finding per pair of captures."""
    findings = []
    for plain, flipped, outputs in dict.fromkeys((r.capture, r.flipped_capture, r.output) for r in rows):
        here = [r for r in rows if (r.capture, r.flipped_capture) == (plain, flipped)]
        heard = [
            abs(r.change_db - r.predicted_db)
            for r in here
            if math.isfinite(r.predicted_db) and max(abs(r.change_db), abs(r.predicted_db)) > _HEARD_DB
        ]
        if not heard:
            continue
        off_db = float(np.median(heard))
        if off_db > _DISAGREE_DB:
            detail = (
                f"Flipping {outputs} between {plain!r} and {flipped!r} did not do what the captures of single outputs "
                "predict: a setting, a level or a microphone is not as described, or the stretch was not the same."
            )
            findings.append(
                Finding("flip not as predicted", "warning", detail, flipped, outputs, value=off_db, unit="dB")
            )
        else:
            detail = f"Flipping {outputs} between {plain!r} and {flipped!r} did what single captures predict."
            findings.append(Finding("flip as predicted", "note", detail, flipped, outputs, value=off_db, unit="dB"))
    return findings
