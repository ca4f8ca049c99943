"""Per output what its answers rest on: grounds of its setting, and what every position says of wiring and arrival."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analyze.alignment.arrivals import ArrivalTable
from analyze.alignment.decision import Decision
from analyze.alignment.grounds import Grounds
from analyze.description import SoundCheck
from analyze.responses.rows import Arrival
from analyze.responses.wiring import DECIDED, Signs, own_confidence


@dataclass(frozen=True)
class PositionGrounds:
    """What one position says of one output.

    n_captures : in which it was heard there, or its arrival alone was told
    arrival_ms, arrival_std_ms : at present settings, NaN where not known
    normal_probability : that it is wired normal, from this position alone and before anything else is known, an
        inverted microphone chain taken out; 0.5 where nothing can be told
    is_microphone_inverted : whether the microphone chain there was taken as inverted
    """

    position: str
    n_captures: int
    normal_probability: float
    is_microphone_inverted: bool
    arrival_ms: float
    arrival_std_ms: float


@dataclass(frozen=True)
class OutputGrounds:
    """What the answers on one output rest on.

    normal_probability : that it is wired normal, all positions and captures together; NaN where it was not heard
    setting : None where nothing was measured for it, as of the reference
    """

    output: str
    normal_probability: float
    setting: Grounds | None
    positions: tuple[PositionGrounds, ...]


def output_grounds(
    sound_check: SoundCheck,
    decisions: Mapping[tuple[str, ...], Decision],
    evidence: Mapping[tuple[str, str], float],
    signs: Signs,
    arrivals: ArrivalTable,
    rows: Sequence[Arrival],
) -> list[OutputGrounds]:
    """Grounds of every output, in the order of the description.

    evidence : per (output, position) for `normal`, as `solve_signs` takes it; rows : of `arrivals.csv`
    """
    counts = Counter((r.output, r.position) for r in rows if math.isfinite(r.level_db) or math.isfinite(r.arrival_ms))
    inverted = {p for p, s in signs.microphone_sign.items() if s < 0 and signs.microphone_confidence[p] >= DECIDED}
    settings = {name: d.grounds() for d in decisions.values() for name in d.members}
    found = []
    for output in sound_check.outputs:
        positions = []
        for position in sound_check.positions:
            key = output, position
            if not counts[key]:
                continue
            value = evidence.get(key, 0.0) * (-1.0 if position in inverted else 1.0)
            probability = own_confidence(value) if value >= 0.0 else 1.0 - own_confidence(value)
            arrival = arrivals.get(key, (math.nan, math.nan))
            positions.append(PositionGrounds(position, counts[key], probability, position in inverted, *arrival))
        confidence = signs.confidence.get(output, math.nan)
        normal = confidence if signs.likelier.get(output, 1) > 0 else 1.0 - confidence
        found.append(OutputGrounds(output, normal, settings.get(output), tuple(positions)))
    return found
