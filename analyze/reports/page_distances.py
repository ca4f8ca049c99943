"""How far every output is from every position, as far as arrivals tell: tables of the page.

A way is the flight of the sound times its speed, `(arrival - setting - latency) c`. Of a path whose latency is not
given, one distance that was measured by hand gives it; without one only differences between ways are known, the
difference of two latencies among them, and nothing is made up.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.acoustics import speed_of_sound_simple
from analyze.reports.naming import labels
from analyze.reports.page_evidence import DASH, Heading, PageTable, in_columns
from analyze.reports.selections import seats_first
from analyze.reports.summaries import as_known, number, signed
from analyze.reports.timed_arrivals import timed_arrivals_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analyze.pipeline import Analysis

# Per (output, position).
_Values = dict[tuple[str, str], float]


def distance_tables(analysis: Analysis) -> list[PageTable]:
    """Distances where they are known, then of all other outputs how much longer their ways are than the reference's."""
    distances, arrivals = _distances_m(analysis), _unset_ms(analysis)
    outputs = analysis.sound_check.outputs
    known = [name for name in outputs if any(name == output for output, _ in distances)]
    reference = analysis.sound_check.reference
    rest = [name for name in outputs if name not in known and name != reference]
    longer = _longer_ms(arrivals, rest, reference)
    rest = [name for name in rest if any(name == output for output, _ in longer)]
    speed = speed_of_sound_simple(analysis.sound_check.temperature_c)
    stds = {(one.output, at.position): at.arrival_std_ms for one in analysis.grounds for at in one.positions}

    def longer_cell(key: tuple[str, str]) -> str:
        std_ms = stds.get(key, math.nan)
        return f"{as_known(longer[key], std_ms, signed)} ms, {signed(longer[key] / 1000.0 * speed)} m"

    return [
        *_tables(
            analysis, "Distance of each output (m)", known, distances, lambda key: _distance(analysis, distances, key)
        ),
        *_tables(
            analysis,
            f"How much farther away each output is than {reference}, all delays taken out, minus is nearer; the "
            "difference of their latencies, which are not given, is part of it",
            rest,
            longer,
            longer_cell,
        ),
    ]


def _tables(
    analysis: Analysis, caption: str, outputs: Sequence[str], values: _Values, cell: Callable[[tuple[str, str]], str]
) -> list[PageTable]:
    """A row per output, a few positions at a time; none where there is no output."""
    positions = [name for name in seats_first(analysis) if any(name == position for _, position in values)]
    return [
        PageTable(
            caption,
            (Heading("output", is_name=True), *(Heading(text, is_number=True) for text in labels(chunk).values())),
            tuple(
                (output, *(cell((output, name)) if (output, name) in values else DASH for name in chunk))
                for output in outputs
            ),
        )
        for chunk in in_columns(positions)
        if outputs
    ]


def _distance(analysis: Analysis, distances: Mapping[tuple[str, str], float], key: tuple[str, str]) -> str:
    """A distance, with what was measured by hand beside it."""
    check, (output, position) = analysis.sound_check, key
    given = check.positions[position].distance_m.get(output)
    taped = [name for name, one in check.positions.items() if output in one.distance_m and (output, name) in distances]
    if taped == [position] and not math.isfinite(check.outputs[output].latency_ms):
        return f"{given:g} by hand; the others are counted from it"
    return number(distances[key]) if given is None else f"{number(distances[key])} (by hand {given:g})"


def _unset_ms(analysis: Analysis) -> _Values:
    """The same without the delays that are set."""
    outputs = analysis.sound_check.outputs
    return {key: ms - outputs[key[0]].setting.delay_ms for key, ms in timed_arrivals_ms(analysis).items()}


def _distances_m(analysis: Analysis) -> _Values:
    """Distances of the outputs whose latency is given, or follows from distances that were measured by hand."""
    check, unset = analysis.sound_check, _unset_ms(analysis)
    speed_m_ms = speed_of_sound_simple(check.temperature_c) / 1000.0
    found: _Values = {}
    for name, output in check.outputs.items():
        heard = {position: ms for (other, position), ms in unset.items() if other == name}
        by_hand = {p: check.positions[p].distance_m[name] for p in heard if name in check.positions[p].distance_m}
        latency_ms = output.latency_ms
        if not math.isfinite(latency_ms) and by_hand:
            latency_ms = sum(heard[p] - metres / speed_m_ms for p, metres in by_hand.items()) / len(by_hand)
        if math.isfinite(latency_ms):
            found |= {(name, p): max(0.0, ms - latency_ms) * speed_m_ms for p, ms in heard.items()}
    return found


def _longer_ms(unset_ms: _Values, outputs: Sequence[str], reference: str) -> _Values:
    """How much later than the reference each of some outputs would arrive without any delay set."""
    return {
        (output, position): ms - unset_ms[reference, position]
        for (output, position), ms in unset_ms.items()
        if output in outputs and (reference, position) in unset_ms
    }
