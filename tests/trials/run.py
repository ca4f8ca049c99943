"""Cases made, analysed and scored, several at a time; one that fails is a row, never a stop."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from analyze.description import load_sound_check
from analyze.errors import AnalyzeError
from analyze.pipeline import analyse
from tests.trials.cases import make_case
from tests.trials.scoring import Row, score
from tests.trials.yardsticks import yardsticks


def run_case(family: str, seed: int, number: int) -> list[Row]:
    """All rows of one case, and those of the yardsticks."""
    case = make_case(family, seed, number)
    rows = [
        Row(family, number, "yardstick", y.method, "", "", float("nan"), float("nan"), y.regret_db, y.left_db)
        for y in yardsticks(case)
    ]
    for y in yardsticks(case):
        for kind, (right, of) in (("full-range", y.full_range), ("sub", y.subs)):
            rows.append(
                Row(family, number, "yardstick wiring", y.method, kind, "", float("nan"), float("nan"), right, of)
            )
    with tempfile.TemporaryDirectory() as place:
        try:
            analysis = analyse(load_sound_check(case.write(Path(place))), workers=1)
        except AnalyzeError as error:
            return [*rows, Row(family, number, "failed", str(error), "", "", float("nan"), 0.0)]
    return [*rows, *score(case, analysis)]


def run(families: Sequence[str], seed: int, numbers: Sequence[int], jobs: int) -> Iterator[list[Row]]:
    """Rows of every case, in order."""
    work = [(family, seed, number) for number in numbers for family in families]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    if jobs == 1:
        yield from (run_case(*one) for one in work)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(run_case, *zip(*work, strict=True))
