"""What is left of a gain at every seat if something changes: spans of the cases, as text and as bars on one scale."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyze.reports.selections import scenario_text, seats, spreads
from analyze.reports.summaries import number, signed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analyze.alignment.rows import Robustness
    from analyze.pipeline import Analysis

#: What changes, by the first word of a scenario, and how it is called.
CASES = {"level": "a fader 3 or 6 dB up or down", "air": "air 10 °C warmer or colder", "seat": "decided without a seat"}


@dataclass(frozen=True)
class Bar:
    """A span in words, and where it and zero lie on the scale of all bars, in per cent of its length."""

    text: str
    left: float
    width: float
    zero: float


@dataclass(frozen=True)
class LastingRow:
    """One seat: the gain as recommended, a bar per kind of case (None where it has none), and the least of all."""

    position: str
    gain: str
    bars: tuple[Bar | None, ...]
    least: str


def lasting_rows(analysis: Analysis) -> list[LastingRow]:
    """Every seat of the audience that has cases; none where no setting is changed."""
    cases = _cases(analysis) if spreads(analysis) else {}
    values = [row.advantage_db for kinds in cases.values() for rows in kinds.values() for row in rows]
    low_db, high_db = min([0.0, *values]), max([0.0, *values])
    gains = {seat.position: seat.change_db for seat in seats(analysis)}
    return [
        LastingRow(
            position,
            f"{signed(gains[position])} dB" if position in gains else "",
            tuple(_bar(kinds[kind], low_db, high_db) if kind in kinds else None for kind in CASES),
            _least([row for rows in kinds.values() for row in rows]),
        )
        for position, kinds in cases.items()
    ]


def air_words(analysis: Analysis) -> list[str]:
    """What warmer and colder air do to every fill and tower where it was lined up."""
    from analyze.alignment.robustness import AIR_K  # brings in numpy
    from analyze.reports.lateness import air_shifts_ms

    words = []
    for (output, position), shifts_ms in air_shifts_ms(analysis).items():
        said = [
            f"{number(abs(ms))} ms {'later' if ms > 0.0 else 'earlier'} in air {abs(kelvin)} °C "
            f"{'warmer' if kelvin > 0 else 'colder'}"
            for kelvin, ms in zip(AIR_K, shifts_ms, strict=True)
            if round(abs(ms), 1)
        ]
        kept = f"within 0.1 ms in air {abs(AIR_K[0])} °C warmer or colder"
        words.append(f"{output} at {position}: {', '.join(said) or kept}")
    return words


def _cases(analysis: Analysis) -> Mapping[str, Mapping[str, list[Robustness]]]:
    """Per audience position and kind of case the rows that are known, positions in the order of the description."""
    found: dict[str, dict[str, list[Robustness]]] = defaultdict(lambda: defaultdict(list))
    for row in analysis.robustness:
        kind = row.scenario.partition(":")[0]
        if kind in CASES and row.zone == "audience" and math.isfinite(row.advantage_db):
            found[row.position][kind].append(row)
    return {name: found[name] for name in analysis.sound_check.positions if name in found}


def _bar(rows: Sequence[Robustness], low_db: float, high_db: float) -> Bar:
    """The span of some cases on a scale from one value to another."""
    advantages = [row.advantage_db for row in rows]
    ends = min(advantages), max(advantages)
    texts = list(dict.fromkeys(signed(end) for end in ends))
    left, right, zero = (100.0 * (at - low_db) / ((high_db - low_db) or 1.0) for at in (*ends, 0.0))
    return Bar(f"{' to '.join(texts)} dB", round(left, 1), round(right - left, 1), round(zero, 1))


def _least(rows: Sequence[Robustness]) -> str:
    """The case that leaves least."""
    least = min(rows, key=lambda row: row.advantage_db)
    return f"{signed(least.advantage_db)} dB: {scenario_text(least.scenario)}"
