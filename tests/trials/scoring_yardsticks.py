"""The simple methods held against the truth as the program is: regret, wiring, arrivals, fills."""

from __future__ import annotations

import math
from pathlib import Path

from tests.trials.cases import Case
from tests.trials.rows import Row, kind_of, row
from tests.trials.truth import Truth, late_ms, present, truth_of
from tests.trials.yardsticks import LEAVE, METHODS, Reading, readings


def yardstick_rows(case: Case, folder: Path) -> list[Row]:
    """Rows of all methods; `decision` is the method."""
    truth, read = truth_of(case), readings(case, folder)
    rows = []
    for method in METHODS:
        settings = present(case) if method == LEAVE else read[method].settings(case)
        if truth.movable and truth.sums.cells.any():
            left = truth.left(settings)
            best_db = truth.sums.score_db(truth.best(settings, [left]))
            regret, as_is = (best_db - truth.sums.score_db(s) for s in (settings, left))
            rows.append(row(case, "yardstick regret", decision=method, value=regret, other=as_is))
        for group in case.groups:
            first = case.outputs[group[0]]
            if first.align_at:
                error_ms = abs(late_ms(case, group, settings.delays_s))
                rows.append(row(case, "yardstick fill", first.name, decision=method, value=error_ms))
        if method != LEAVE:
            rows += _read(truth, method, read[method])
    return rows


def _read(truth: Truth, method: str, reading: Reading) -> list[Row]:
    """Wiring of every output, and the error of every arrival on the common clock."""
    case, rows = truth.case, []
    own = {name for take in case.captures for name in take.own_clock}
    for i, output in enumerate(case.outputs):
        kind = kind_of(case, output.name)
        is_right = reading.polarity(case, i) == output.wiring
        rows.append(row(case, "yardstick wiring", output.name, kind, method, is_right=is_right))
        for p, position in enumerate(case.positions):
            error_ms = 1000.0 * abs(float(reading.time_s[i, p] - case.arrival_s[i, p]))
            if position.name not in own and math.isfinite(error_ms):
                where = f"{output.name} at {position.name}"
                rows.append(row(case, "yardstick arrival", where, kind, method, value=error_ms))
    return rows
