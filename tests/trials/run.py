"""Cases made, analysed and scored, several at a time; one that cannot be analysed is a row, never a stop."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path
from typing import Any

from analyze.description import load_sound_check
from analyze.pipeline import analyse
from tests.trials.cases import FAMILIES, Case, make_case
from tests.trials.rows import Row, row
from tests.trials.scoring import score
from tests.trials.scoring_yardsticks import yardstick_rows
from tests.trials.stage_cases import STAGE, make_stage_case
from tests.trials.stage_scoring import about_stage, stage_score, stage_yardstick_rows
from tests.trials.variety import words


@dataclass(frozen=True)
class Kind:
    """What is done with the cases of a family: made, told about, looked at with simple methods, scored."""

    make: Callable[..., Any]
    about: Callable[..., Row]
    yardsticks: Callable[..., list[Row]]
    score: Callable[..., list[Row]]


def run_case(family: str, seed: int, number: int, folder: Path | None = None) -> list[Row]:
    """All rows of one case, those of the yardsticks among them; its recordings stay in `folder` if one is given."""
    start_s = time.process_time()
    kind = _STAGES if family == STAGE else _SOUND_CHECKS
    case = kind.make(family, seed, number)
    with tempfile.TemporaryDirectory() as place:
        path = case.write(folder or Path(place))
        rows = [kind.about(case), *kind.yardsticks(case, path.parent)]
        made_s = time.process_time()
        try:
            analysis = analyse(load_sound_check(path), workers=1)
        except Exception as error:  # a fault of the program is a result of the trial too
            return [*rows, row(case, "failed", f"{type(error).__name__}: {error}")]
    analysed_s = time.process_time()
    rows += kind.score(case, analysis)
    return [*rows, row(case, "seconds", value=time.process_time() - start_s, other=analysed_s - made_s)]


def _about(case: Case) -> Row:
    """What a case is like; value: number of outputs, other: mean signal to noise, dB."""
    traps = ", ".join([f"{t.name} {t.where}" for t in case.traps] + [*words(case)]) or "no traps"
    snr_db = sum(p.snr_db for p in case.positions) / len(case.positions)
    where = f"{case.venue.kind}; {case.captures[0].name}; {traps}"
    return row(case, "case", where, n=len(case.positions), value=len(case.outputs), other=snr_db)


_SOUND_CHECKS = Kind(make_case, _about, yardstick_rows, score)
_STAGES = Kind(make_stage_case, about_stage, stage_yardstick_rows, stage_score)
#: Families of the trials, stages last.
ALL_FAMILIES = (*FAMILIES, STAGE)


def run(families: Sequence[str], seed: int, numbers: Sequence[int], jobs: int) -> Iterator[list[Row]]:
    """Rows of every case, in order."""
    work = [(family, number) for number in numbers for family in families]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    if jobs == 1:
        yield from (run_case(family, seed, number) for family, number in work)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(run_case, [f for f, _ in work], repeat(seed), [n for _, n in work])
