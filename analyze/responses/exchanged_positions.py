"""Two microphones that changed places between two takes of one output, or their tracks did: told by arrivals.

A setting that nobody wrote down moves all positions the same way, a moved microphone one of them; only an exchange has
each of two positions hear in the one take what the other hears in the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations

from analyze.findings import Finding
from analyze.responses.capture import Measured
from analyze.responses.rows import Arrival

# Position -> flight and its standard deviation in ms.
_Flights = Mapping[str, tuple[float, float]]
_NOTHING = (math.nan, math.nan)

#: Arrivals of two takes agree within this many of their standard deviations, and this: heads and air move so much.
_SIGMAS, _AGREE_MS = 3.0, 0.3
#: Positions whose arrivals differ by fewer times that are not told apart.
_CLEARLY = 4.0


def exchanged_positions(rows: Iterable[Arrival], measured: Sequence[Measured]) -> list[Finding]:
    """A finding per pair of takes and of positions that are exchanged in one of them."""
    flights: dict[str, dict[str, dict[str, tuple[float, float]]]] = {
        m.capture.name: {} for m in measured if not m.own_clocks
    }
    delays = {m.capture.name: m.capture.settings for m in measured}
    for row in rows:
        if row.capture in flights:
            flight_ms = row.arrival_ms - delays[row.capture][row.output].delay_ms
            flights[row.capture].setdefault(row.output, {})[row.position] = (flight_ms, row.arrival_std_ms)
    return [
        _finding(first, second, pair)
        for first, second in combinations(flights, 2)
        for pair in _pairs(flights[first], flights[second])
    ]


def _pairs(first: Mapping[str, _Flights], second: Mapping[str, _Flights]) -> list[tuple[str, str]]:
    """Pairs of positions that every output of both takes shows exchanged."""
    outputs = [name for name in first if name in second]
    positions = list(dict.fromkeys(p for name in outputs for p in first[name] if p in second[name]))
    moved = [p for p in positions if any(_differs(first[name], second[name], p, p) for name in outputs)]
    return [
        (p, q) for p, q in combinations(moved, 2) if all(_are_exchanged(first[n], second[n], p, q) for n in outputs)
    ]


def _are_exchanged(first: _Flights, second: _Flights, p: str, q: str) -> bool:
    """Whether one output is heard at each of two positions as it was heard at the other, and clearly not as before."""
    if not all(position in take for position in (p, q) for take in (first, second)):
        return False
    return all(_differs(first, second, one, one, _CLEARLY) for one in (p, q)) and not any(
        _differs(first, second, one, other) for one, other in ((p, q), (q, p))
    )


def _differs(first: _Flights, second: _Flights, p: str, q: str, times: float = 1.0) -> bool:
    """Whether the arrival at p in the one take is another than that at q in the other; NaN is no agreement."""
    (a_ms, a_std), (b_ms, b_std) = first.get(p, _NOTHING), second.get(q, _NOTHING)
    return not abs(a_ms - b_ms) <= times * max(_AGREE_MS, _SIGMAS * (a_std**2 + b_std**2) ** 0.5)


def _finding(first: str, second: str, pair: tuple[str, str]) -> Finding:
    """What to look at."""
    detail = (
        f"What {pair[0]} hears in {first!r} is heard at {pair[1]} in {second!r}, and the reverse: these microphones or "
        "their tracks are exchanged in one of the takes. Correct its mics in the description; a tape tells which it is."
    )
    return Finding("microphones exchanged", "warning", detail, second, pair[1])
