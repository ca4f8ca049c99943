"""Are slow drifts told, and none where there is none? `python -m tests.trials.drifts --first 301 --seeds 9`.

The rig of every seed is visited eight times with nothing changed but the air, by up to 8 °C, of which some are not
written down (a standard deviation of 1 °C), and microphones put back to within 1, 2 or 5 cm along each axis, by the
seed. Histories are drawn from them, 3 to 8 visits in any order and 20 to 300 days apart. A drift is put in by adding it
to the changes that were measured; that it is measured when it sounds is tested (`tests/archive/test_history_drift.py`).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import permutations
from pathlib import Path

import numpy as np

from analyze.archive.comparison import compare
from analyze.archive.comparison_certainty import ARRIVAL_MS, LEVEL_DB, Change
from analyze.archive.comparison_rows import OutputChange, Tolerances
from analyze.archive.history_drift import drift_of
from tests.trials import visits
from tests.trials.second_visits import put_back, report_of

_VISITS, _HISTORIES = 8, 60
_WITHIN_M = (0.01, 0.02, 0.05)


@dataclass(frozen=True)
class Quantity:
    """What may drift: its columns, its tolerance, and the drifts that are put in."""

    value: str
    std: str
    tolerance: float
    change: Change
    drifts: tuple[float, ...]


QUANTITIES = {
    "arrival (ms)": Quantity(
        "arrival_change_ms", "arrival_change_std_ms", Tolerances.arrival_ms, ARRIVAL_MS, (0.1, 0.15, 0.2, 0.3)
    ),
    "level (dB)": Quantity(
        "level_change_db", "level_change_std_db", Tolerances.level_db, LEVEL_DB, (0.7, 1.0, 1.5, 2.0)
    ),
}

#: Of every two visits what became of every output from one to the other.
Pairs = Mapping[tuple[int, int], Mapping[str, OutputChange]]


def pairs_of(seed: int) -> Pairs:
    """Eight visits to one rig, each against each."""
    rng, scene, reports = np.random.default_rng([seed, 99]), visits.first_scene(seed), []
    with tempfile.TemporaryDirectory() as place:
        for number in range(_VISITS):
            air = round(float(rng.uniform(-8.0, 8.0)), 1), round(float(rng.normal(0.0, 1.0)), 1)
            change = put_back(visits.Change(*air), scene, rng, _WITHIN_M[seed % 3])
            folder = Path(place) / str(number)
            reports.append(report_of(visits.second_scene(scene, change), folder, 1000 * seed + number, change, 4.0))
        return {
            (i, j): {row.output: row for row in compare(reports[i], reports[j]).outputs}
            for i, j in permutations(range(_VISITS), 2)
        }


def histories(pairs: Pairs, rng: np.random.Generator) -> Iterator[tuple[list[int], list[OutputChange]]]:
    """Days since the first visit and changes since then of one output after the other."""
    for _ in range(_HISTORIES):
        n = int(rng.integers(3, _VISITS + 1))
        order, days = rng.permutation(_VISITS)[:n], np.cumsum(rng.integers(20, 300, n))
        for output in pairs[0, 1]:
            yield (days[1:] - days[0]).tolist(), [pairs[order[0], k][output] for k in order[1:]]


def told(quantity: Quantity, days: list[int], rows: list[OutputChange], drift: float) -> bool:
    """Whether a drift that was put in is told."""
    value = [getattr(row, quantity.value) + drift * day / days[-1] for row, day in zip(rows, days, strict=True)]
    std = [getattr(row, quantity.std) for row in rows]
    return drift_of(days, value, std, quantity.tolerance, quantity.change).is_beyond


def main() -> int:
    """Print of how many lines a drift is told, by its size; size 0 are false alarms."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=1)
    arguments = parser.parse_args()
    found, of = Counter[tuple[str, float]](), Counter[tuple[str, float]]()
    for seed in range(arguments.first, arguments.first + arguments.seeds):
        for days, rows in histories(pairs_of(seed), np.random.default_rng([seed, 98])):
            for name, quantity in QUANTITIES.items():
                for drift in (0.0, *quantity.drifts):
                    found[name, drift] += told(quantity, days, rows, drift)
                    of[name, drift] += 1
        sys.stdout.write(f"seed {seed}\n")
        sys.stdout.flush()
    for (name, drift), n in of.items():
        sys.stdout.write(f"{name:14s} {drift:4.2f}: told of {found[name, drift]:5d} of {n}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
