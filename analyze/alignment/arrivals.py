"""Fills and towers: lined up by arrival at the seats they are for, the leading edge of the reference's sign.

The reference is the output named so in the description, not its whole group.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analyze.acoustics import energy_db
from analyze.alignment.cells import ThirdOctaves
from analyze.alignment.confidence import within
from analyze.description import Output
from analyze.responses.transfer import Responses

#: An alignment is right when arrivals are within this of what was asked.
RIGHT_MS = 0.3
#: What an arrival may be off without its spread showing it: phase that crossovers leave at high frequencies.
MODEL_MS = 0.05

#: Pure delay and its standard deviation in ms, per (output, position), at present settings.
ArrivalTable = Mapping[tuple[str, str], tuple[float, float]]


@dataclass(frozen=True)
class Alignment:
    """What an output needs to arrive as asked.

    change_ms : later is positive; std_ms : of it; seats : where it was judged; error_ms : largest deviation between
    the seats from the mean change
    """

    change_ms: float
    std_ms: float
    seats: tuple[str, ...]
    error_ms: float

    def confidence(self, change_ms: float) -> float:
        """Probability that arrivals come out within 0.3 ms of what was asked after this change."""
        miss = abs(change_ms - self.change_ms)
        return within(-RIGHT_MS - miss, RIGHT_MS - miss, math.hypot(self.std_ms, MODEL_MS))


def alignment_of(output: Output, reference: str, seats: Sequence[str], arrivals: ArrivalTable) -> Alignment | None:
    """Change that lines `output` up with the reference at `seats`; None where an arrival is not known."""
    changes, variances, used = [], [], []
    for seat in seats:
        own, other = arrivals.get((output.name, seat)), arrivals.get((reference, seat))
        if own is None or other is None or not math.isfinite(own[0] + other[0]):
            continue
        changes.append(other[0] + output.later_ms - own[0])
        variances.append(own[1] ** 2 + other[1] ** 2)
        used.append(seat)
    if not used:
        return None
    mean = float(np.mean(changes))
    std = math.sqrt(sum(variances)) / len(used)
    return Alignment(mean, std, tuple(used), float(np.max(np.abs(np.array(changes) - mean))))


def seats_for(
    output: Output, reference: str, responses: Responses, thirds: ThirdOctaves, audience: Sequence[str]
) -> tuple[str, ...]:
    """Seats at which a fill or tower shall line up: as described, else the one where levels are closest.

    Level is the mean over third octaves from 250 Hz to 4 kHz in dB; empty where output and reference were not both
    heard at any seat.
    """
    if output.align_at:
        return output.align_at
    if output.name not in responses.outputs or reference not in responses.outputs:
        return ()
    inside = (thirds.b.centre_hz > 249.0) & (thirds.b.centre_hz < 4100.0)
    own, other = (
        energy_db(np.nan_to_num(thirds.energy[responses.outputs.index(name)][:, inside]) + 1e-20)
        for name in (output.name, reference)
    )
    difference = {
        seat: abs(float(np.mean(own[p] - other[p])))
        for p, seat in enumerate(responses.positions)
        if seat in audience and responses.has(output.name, seat) and responses.has(reference, seat)
    }
    return (min(difference, key=difference.__getitem__),) if difference else ()
