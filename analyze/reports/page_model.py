"""What the page computes with: complex responses and the cells that are scored, as one block of JSON.

Responses stand at present settings, `H = Y/X`, shrunk by their error as everywhere; every line below 355 Hz, the upper
edge of the 315 Hz band, and as many per octave above as a block of 1 MB holds. They are 16-bit integers, per output
and position in units of a scale of its own: 90 dB under the loudest line, in a quarter of the space that numbers in
text would take.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import nominal_hz
from analyze.alignment.cells import HIGHEST_HZ, LOWEST_HZ, bands, find_cells, heard_lines
from analyze.alignment.prediction import sum_std_db
from analyze.alignment.score import shrunk
from analyze.reports.naming import clean
from analyze.reports.runner_up import RunnerUp, runner_up

if TYPE_CHECKING:
    from analyze.alignment.rows import Recommendation
    from analyze.description import SoundCheck
    from analyze.pipeline import Analysis

#: Every line is kept up to here, above it fewer.
_EVERY_LINE_HZ, _TOP_HZ = 355.0, 17_800.0
#: Lines per octave above, fewest and most. They decide how far off the sum of a third octave is: of the sample, at five
#: settings, 0.38 dB in the median and 2.3 dB at most with 48, 0.10 and 0.9 dB with 192.
_LINES_PER_OCTAVE = (48, 192)
#: What responses may take of the block, of which the rest needs 50 kB at most.
_RESPONSE_BYTES = 950_000
#: Of one output at one position and frequency: two 16-bit integers in base64.
_BYTES_PER_LINE = 4 * 4 / 3
_LARGEST = 32767


def page_model(analysis: Analysis) -> dict[str, Any]:
    """The block as an object; empty where no two outputs were measured at one position.

    groups : outputs that share one change, by their numbers
    lines : (frequency,) numbers of the lines that are kept, `line_spacing_hz` apart from 0 up
    responses : base64 of int16, little-endian, (output, position, frequency, real and imaginary)
    scale : (output, position) what one unit is; 0 where the output was not measured
    bands : third octaves as (nominal Hz, first, stop) on the frequency axis
    recommended_std_db : (position, band) standard error of the recommended sum, of as many bands from below as have one
    cells : (position, first, stop, weight) of the audience, what the score is the mean over
    """
    responses = analysis.responses
    measured = np.array([[responses.has(o, p) for p in responses.positions] for o in responses.outputs], dtype=np.bool_)
    if not (measured.size and (measured.sum(axis=0) > 1).any()):
        return {}
    lines = _lines(responses.frequency_hz, measured.size)
    h = shrunk(responses.h[..., lines], responses.variance[..., lines])
    for p in range(len(responses.positions)):
        h[:, p] *= heard_lines(responses, p)[:, lines]
    whole, scale = _as_integers(h)
    rows = {row.output: row for row in analysis.recommendations}
    described = analysis.sound_check.positions
    weights = [described[p].weight if described[p].zone == "audience" else 0.0 for p in responses.positions]
    cells = find_cells(responses, weights)
    return {
        "outputs": [_output(analysis, rows[name]) for name in responses.outputs],
        "groups": _groups(analysis.sound_check, responses.outputs),
        "positions": [
            {"name": clean(name), "zone": described[name].zone, "weight": weight}
            for name, weight in zip(responses.positions, weights, strict=True)
        ],
        "line_spacing_hz": float(responses.frequency_hz[1]),
        "lines": lines.tolist(),
        "scale": scale.tolist(),
        "responses": base64.b64encode(whole.astype("<i2").tobytes()).decode("ascii"),
        "bands": _bands(responses.frequency_hz[lines]),
        "recommended_std_db": _sum_errors(analysis),
        "cells": [
            [int(p), int(first - lines[0]), int(stop - lines[0]), float(weight)]
            for p, first, stop, weight in zip(cells.position, cells.first, cells.stop, cells.weight, strict=True)
        ],
    }


def model_text(model: dict[str, Any]) -> str:
    """The block as it stands in the page: no character in it can end a script element or begin a comment."""
    text = json.dumps(model, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _output(analysis: Analysis, row: Recommendation) -> dict[str, Any]:
    """What the page says of an output and what its device can do, to which its present and new settings belong."""
    output, rival = analysis.sound_check.outputs[row.output], runner_up(analysis, row.output)
    settings_ms = (row.setting_delay_ms, row.recommended_delay_ms)
    return {
        "name": clean(output.name),
        "kind": output.kind,
        "is_fixed": row.decision == "reference",
        "is_undecided": row.decision == "undecided",
        "delay_ms": row.setting_delay_ms,
        "polarity": row.setting_polarity,
        "to_delay_ms": row.recommended_delay_ms,
        "to_polarity": row.recommended_polarity,
        "min_delay_ms": min(output.min_delay_ms, *settings_ms),
        "max_delay_ms": max(output.max_delay_ms, *settings_ms),
        "can_flip": output.can_invert or row.recommended_polarity != row.setting_polarity,
        "searched_ms": _searched_ms(analysis, row),
        "runner_up": _rival(rival) if rival else None,
    }


def _rival(rival: RunnerUp) -> dict[str, Any]:
    """What the map marks beside the setting itself."""
    return {key: getattr(rival, key) for key in ("polarity", "delay_ms", "cost_db", "note")}


def _searched_ms(analysis: Analysis, row: Recommendation) -> list[float] | None:
    """The first and the last delay of an output that was searched; None where none was."""
    settings = {name: output.setting.delay_ms for name, output in analysis.sound_check.outputs.items()}
    scan = next((one for one in analysis.delay_scans if row.output in one.outputs), None)
    return [ms + settings[row.output] - settings[scan.outputs[0]] for ms in scan.searched_ms] if scan else None


def _groups(sound_check: SoundCheck, outputs: Sequence[str]) -> list[dict[str, Any]]:
    """Groups of more than one output: what they are called and the numbers of their outputs."""
    return [
        {"name": clean(sound_check.outputs[group[0]].group or "mains"), "outputs": [outputs.index(n) for n in group]}
        for group in sound_check.groups
        if len(group) > 1
    ]


def _sum_errors(analysis: Analysis) -> list[list[float]]:
    """Standard error of the recommended sum at every position in the third octaves that resamples reach."""
    responses = analysis.responses
    low = bands(responses.frequency_hz[: responses.replicates.shape[-1]], 3, LOWEST_HZ, HIGHEST_HZ)
    changes = analysis.recommended_change
    stds = [sum_std_db(responses, p, changes, low)[1] for p in range(len(responses.positions))]
    return [[round(float(value), 3) for value in row] for row in stds]


def _lines(frequency_hz: NDArray[np.float64], n_responses: int) -> NDArray[np.int64]:
    """Numbers of the lines that are kept, each of which so many responses have."""
    scored = bands(frequency_hz, 3, LOWEST_HZ, HIGHEST_HZ)
    first, stop = int(scored.first[0]), int(np.searchsorted(frequency_hz, _EVERY_LINE_HZ))
    octaves = float(np.log2(min(_TOP_HZ, float(frequency_hz[-1])) / _EVERY_LINE_HZ))
    room = _RESPONSE_BYTES / (_BYTES_PER_LINE * n_responses) - (stop - first)
    per_octave = int(np.clip(room / octaves, *_LINES_PER_OCTAVE))
    wanted_hz = _EVERY_LINE_HZ * 2.0 ** (np.arange(int(octaves * per_octave) + 1) / per_octave)
    above = np.searchsorted(frequency_hz, wanted_hz).clip(stop, len(frequency_hz) - 1)
    return np.unique(np.concatenate([np.arange(first, stop), above]))


def _as_integers(h: NDArray[np.complex128]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Integers (output, position, frequency, real and imaginary) and what one of them is, (output, position)."""
    parts = np.stack([h.real, h.imag], axis=-1)
    scale = np.abs(parts).max(axis=(2, 3)) / _LARGEST
    scale = np.array([[float(f"{unit:.6g}") for unit in row] for row in scale])
    whole = np.round(parts / np.where(scale > 0.0, scale, 1.0)[..., None, None])
    return whole.clip(-_LARGEST, _LARGEST).astype(np.int64), scale


def _bands(frequency_hz: NDArray[np.float64]) -> list[list[float]]:
    found = bands(frequency_hz, 3, LOWEST_HZ, float(frequency_hz[-1]))
    return [
        [nominal_hz(float(centre), 3), int(first), int(stop)]
        for centre, first, stop in zip(found.centre_hz, found.first, found.stop, strict=True)
    ]
