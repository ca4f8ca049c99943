"""One row for everything that was decided, measured or said, with its claim, whether it is right, and the evidence."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tests.trials.cases import Case
from tests.trials.stage_cases import StageCase


@dataclass(frozen=True)
class Row:
    """A row of the table that all figures are made of.

    what : setting, polarity, fill, fill polarity, monitor, monitor polarity, wiring, arrival polarity, own polarity,
        chain, stage polarity (carry a claim); stage delay, opposed, fill out of reach, regret, gain, arrival, finding,
        false finding, failed, yardstick ..., case, seconds (do not)
    where, kind : which output or position, full-range or sub
    decision : the program's word; claim : probability stated, NaN for none; is_right : 1, 0, NaN where it cannot be;
        of something undecided, whether the candidate named in words would have been
    value, other : what `what` measures, see `scoring.py`
    gain_db, cost_db, overlap_hz, std, n, n_agreeing, coherence, averages : evidence as the analysis states it
    """

    family: str
    seed: int
    case: int
    what: str
    where: str = ""
    kind: str = ""
    decision: str = ""
    claim: float = math.nan
    is_right: float = math.nan
    value: float = math.nan
    other: float = math.nan
    gain_db: float = math.nan
    cost_db: float = math.nan
    overlap_hz: float = math.nan
    std: float = math.nan
    n: float = math.nan
    n_agreeing: float = math.nan
    coherence: float = math.nan
    averages: float = math.nan


def row(case: Case | StageCase, what: str, where: str = "", kind: str = "", decision: str = "", **more: float) -> Row:
    """A row of a case; truth values become 1 and 0."""
    return Row(
        case.family, case.seed, case.number, what, where, kind, decision, **{k: float(v) for k, v in more.items()}
    )


def kind_of(case: Case, output: str) -> str:
    return "sub" if case.outputs[case.output(output)].kind == "sub" else "full-range"
