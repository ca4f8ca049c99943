"""Trials without box or room, whose truth is a matter of distances, and analyses made up for them: for tests."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.rows import Recommendation
from tests.situations.takes import Take
from tests.trials.boxes import Box
from tests.trials.cases import Case
from tests.trials.rigs import Output, Seat
from tests.trials.rows import Row
from tests.trials.venues import RATE_HZ, Venue

VENUE = Venue("open air", (60.0, 40.0, 20.0), 0.0, 0.0, 20.0)
LINES_HZ = np.fft.rfftfreq(RATE_HZ // 2, 1.0 / RATE_HZ)
BOX = Box(((50.0, 0.7),), 0.0)
#: Distances to main, sub and tower, m: a flight of 10, 15 and 20 ms at 343.2 m/s.
NEAR, FAR, FURTHER = 3.432, 5.148, 6.864


def delayed(delay_s: float, sign: float = 1.0) -> NDArray[np.complex128]:
    return sign * np.exp(-2j * np.pi * LINES_HZ * delay_s)


def case_of(*outputs: Output, captures: tuple[Take, ...] = (), chains: tuple[float, ...] = (1.0, 1.0)) -> Case:
    """Flat point sources of equal level at seats in the same place."""
    seats = tuple(Seat(f"seat {k + 1}", "audience", (0.0, 0.0, 0.0), c, 40.0) for k, c in enumerate(chains))
    case = Case("solo", 3, 1, VENUE, outputs, seats, LINES_HZ, np.empty(0), captures)
    flight_s = case.arrival_s - np.array([o.delay_s for o in outputs])[:, None]
    h = np.stack([[delayed(t, o.wiring) for t in row] for o, row in zip(outputs, flight_s, strict=True)])
    return Case("solo", 3, 1, VENUE, outputs, seats, LINES_HZ, h, captures)


def main_and_sub(wiring: float = 1.0) -> Case:
    """A sub 1 ms behind the main: it belongs at 3 ms."""
    main = Output("main", "main", "", (NEAR, 0.0, 0.0), BOX, delay_s=0.008)
    return case_of(main, Output("sub", "sub", "", (FAR, 0.0, 0.0), BOX, wiring=wiring, delay_s=0.004))


def recommendation(output: str, kind: str, delay_ms: float, polarity: str, **more: object) -> Recommendation:
    given = {
        "output": output, "kind": kind, "group": "", "setting_delay_ms": 0.0, "setting_polarity": "normal",
        "recommended_delay_ms": delay_ms, "recommended_polarity": polarity, "delay_change_ms": 0.0,
        "polarity_change": "no", "decision": "change", "confidence": 0.97, "polarity_confidence": 0.96,
        "cost_if_wrong_db": 1.0, "gain_db": 0.0, "worst_position": "", "worst_gain_db": 0.0, "overlap_low_hz": 25.0,
        "overlap_high_hz": 300.0, "alternative": "", "reason": "",
    }  # fmt: skip
    return Recommendation(**{**given, **more})


#: The reference of `main_and_sub`, left as it is.
MAIN = recommendation("main", "main", 8.0, "normal", decision="reference")


def analysis_of(*recommendations: Recommendation, **more: object) -> SimpleNamespace:
    tables = {"recommendations": recommendations, "wiring": (), "arrivals": (), "findings": ()}
    return SimpleNamespace(**{**tables, **more})


def only(rows: list[Row], what: str, where: str = "") -> Row:
    (found,) = [r for r in rows if r.what == what and (not where or r.where == where)]
    return found
