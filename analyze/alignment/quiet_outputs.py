"""Outputs far under their twin, or under all others, wherever they were measured: muted, dead or turned down.

What noise hides may be as loud as it allows, so an output that could not be told from others is not called quiet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.cells import DEPTH_DB, MIN_SNR, band_energy, band_mean, bands
from analyze.description import SoundCheck
from analyze.description_beside import other_side
from analyze.findings import Finding
from analyze.responses.transfer import Responses

#: Bands that are compared, in Hz.
_LOWEST_HZ, _HIGHEST_HZ = 24.0, 8500.0
#: Under its twin by more at every position is a fault: 2.5 dB is the most in 120 simulated sound checks without one
#: (seen once, no command kept).
_QUIET_DB = 10.0
#: Under it by more it adds nothing to a sum: a tenth of its pressure.
_SILENT_DB = 20.0
#: Under all others in every band at every position: fills and towers that were as they should came within 5 dB there
#: (seen once, no command kept).
_UNDER_ALL_DB = 15.0
#: At fewer positions a twin may only be further away.
_FEWEST_POSITIONS = 2


@dataclass(frozen=True)
class Quiet:
    """An output that is quieter than `than` (a twin; empty: all others together) by at least `by_db` everywhere."""

    output: str
    than: str
    by_db: float

    @property
    def is_silent(self) -> bool:
        """Whether it adds nothing."""
        return not self.than or self.by_db >= _SILENT_DB


def quiet_outputs(sound_check: SoundCheck, responses: Responses) -> list[Quiet]:
    """Every output that is quieter by 10 dB than its twin at all of two positions or more, or 15 dB under all others.

    responses : each re its own feed, at present settings
    """
    level_db, most_db = _levels_db(responses)
    measured = [name for name in responses.outputs if any(responses.has(name, p) for p in responses.positions)]
    found = []
    for name in measured:
        i = responses.outputs.index(name)
        twins = [responses.outputs.index(one) for one in _twins(sound_check, name) if one in measured]
        under = [(_under_twin_db(level_db[k], most_db[i]), responses.outputs[k]) for k in twins]
        by_db, than = max(under, default=(-np.inf, ""))
        if by_db < _QUIET_DB:
            by_db, than = _under_all_db(sound_check, responses, level_db, most_db[i], i), ""
        if by_db >= (_QUIET_DB if than else _UNDER_ALL_DB):
            found.append(Quiet(name, than, by_db))
    return found


def quiet_findings(found: list[Quiet]) -> list[Finding]:
    """What to see to."""
    return [_finding(one) for one in found]


def silent_twins(found: list[Quiet]) -> dict[str, str]:
    """Outputs that add nothing to the sum their group is set by, with why nothing is decided for it."""
    return {one.output: _words(one) for one in found if one.than and one.is_silent}


def _words(one: Quiet) -> str:
    than = one.than or "all other outputs"
    return (
        f"{one.output} is {one.by_db:.0f} dB or more under {than} at every microphone: muted, dead or turned down. See "
        f"whether it sounds, at which level and through which amplifier; then record {one.output} again."
    )


def _finding(one: Quiet) -> Finding:
    detail = _words(one)
    if one.is_silent:
        return Finding("output not heard", "warning", detail, track=one.output, value=one.by_db, unit="dB")
    return Finding("quieter than its twin", "warning", detail, track=one.output, value=one.by_db, unit="dB")


def _twins(sound_check: SoundCheck, name: str) -> list[str]:
    """The other side of an output, or of a sub without sides all others of its group."""
    outputs = sound_check.outputs
    by_name = {one.lower(): one for one in outputs}
    other = by_name.get(other_side(name.lower()), name)
    if other != name:
        return [other] if outputs[other].kind == outputs[name].kind else []
    group = sound_check.group_of(name) if outputs[name].kind == "sub" else ()
    return [one for one in group if one != name]


def _levels_db(responses: Responses) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Levels, NaN where not heard, and the most that they may be, (output, position, band) each."""
    b = bands(responses.frequency_hz, 3, _LOWEST_HZ, _HIGHEST_HZ)
    energy = band_energy(responses, b)
    allowed = (1.0 + MIN_SNR) * np.stack([band_mean(variance, b) for variance in responses.variance])
    most = np.where(np.isfinite(energy), energy, allowed)
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(energy), 10.0 * np.log10(np.maximum(most, 1e-30))


def _under_twin_db(twin_db: NDArray[np.float64], most_db: NDArray[np.float64]) -> float:
    """By how much less it is at the position where that is least, in the median over what the twin is loud in."""
    under = []
    for theirs, own in zip(twin_db, most_db, strict=True):
        if np.isfinite(theirs).any():
            loud = np.nan_to_num(theirs, nan=-np.inf) >= np.nanmax(theirs) - _QUIET_DB
            known = (theirs - own)[loud & np.isfinite(own)]
            under += [float(np.median(known))] if len(known) else []
    return min(under) if len(under) >= _FEWEST_POSITIONS else -np.inf


def _under_all_db(
    sound_check: SoundCheck,
    responses: Responses,
    level_db: NDArray[np.float64],
    most_db: NDArray[np.float64],
    output: int,
) -> float:
    """By how much an output is under the loudest other one in the band and at the position where that is least.

    A monitor is for the stage; any other output may be for any position.
    """
    is_monitor = sound_check.outputs[responses.outputs[output]].kind == "monitor"
    zones = [sound_check.positions[p].zone for p in responses.positions]
    here = [p for p, zone in enumerate(zones) if zone == "stage" or not is_monitor]
    others = np.delete(level_db, output, axis=0)[:, here]
    loudest = np.max(np.where(np.isfinite(others), others, -np.inf), axis=0, initial=-np.inf)  # (position, band)
    counts = loudest >= loudest.max(axis=-1, initial=-np.inf, keepdims=True) - DEPTH_DB
    under = (loudest - most_db[here])[counts & np.isfinite(loudest)]
    known = under[np.isfinite(under)]
    return float(known.min()) if len(known) else -np.inf
