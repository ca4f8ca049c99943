"""Whom an output is compared with in a drawing of phases: with the main that stands nearest, or what it meets most."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

from analyze.reports.selections import BY_ARRIVAL, view_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from analyze.pipeline import Analysis


def partners(analysis: Analysis) -> dict[str, str]:
    """Whom to compare each output with: the main it meets, else the other output it meets most.

    Of several mains, those of the reference's group, that which stands nearest; for what is lined up by arrival the
    reference, against which that is done. The reference and its group, which never move, have none; outputs that share
    nothing are left out; outputs of one group, which move as one, are not compared with each other, and no two are
    compared twice.
    """
    outputs, reference = analysis.sound_check.outputs, analysis.sound_check.reference
    mains = next((group for group in analysis.sound_check.groups if reference in group), ())
    chosen: dict[str, str] = {}
    for output in outputs:
        if output in mains:
            continue
        heard = [name for name in outputs if name in (neighbours := _neighbours(analysis, output))]
        if reference in heard and outputs[output].kind in BY_ARRIVAL:
            heard = [reference]
        if not heard:
            continue
        beside = [name for name in heard if name in mains]
        if beside:
            other = min(beside, key=lambda name: _unevenness_ms(analysis, output, name))
        else:
            other = max(heard, key=lambda name: _times_loudest(neighbours, name, heard))
        if chosen.get(other) != output:
            chosen[output] = other
    return chosen


def _neighbours(analysis: Analysis, output: str) -> dict[str, dict[tuple[str, float], float]]:
    """Outputs of other groups that share usable bands with one: by (position, band) their level re its own in dB."""
    view, group = view_of(analysis, output), analysis.sound_check.group_of(output)
    found: dict[str, dict[tuple[str, float], float]] = defaultdict(dict)
    for row in analysis.pairs:
        if output not in (row.output, row.other) or row.usable != "yes" or not view.holds(row):
            continue
        other, sign = (row.other, -1.0) if row.output == output else (row.output, 1.0)
        if other not in group and math.isfinite(row.relative_phase_deg):
            found[other][row.position, row.band_hz] = sign * row.level_difference_db
    return found


def _unevenness_ms(analysis: Analysis, output: str, other: str) -> float:
    """How much the difference of two outputs' arrivals varies over positions: what stand side by side differ alike.

    Standard deviation; infinite where fewer than two positions heard both.
    """
    arrivals = analysis.arrival_present_ms
    later = [
        arrivals[output, at] - arrivals[other, at]
        for at in analysis.sound_check.positions
        if (output, at) in arrivals and (other, at) in arrivals
    ]
    known = [ms for ms in later if math.isfinite(ms)]
    return float(np.std(known)) if len(known) > 1 else math.inf


def _times_loudest(neighbours: Mapping[str, Mapping[tuple[str, float], float]], name: str, among: Iterable[str]) -> int:
    """At how many positions and bands one neighbour is the loudest of some."""
    return sum(
        all(level_db >= neighbours[other].get(key, -math.inf) for other in among)
        for key, level_db in neighbours[name].items()
    )
