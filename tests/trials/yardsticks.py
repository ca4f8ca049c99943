"""Three simple methods beside which the program is measured: leave as is, plain correlation, impulse-response peak.

Each finds delay and sign of every output at every seat from one maximum, and lines the subs up with the reference by
the middle of what the seats say. They get the true responses of the chain, without noise: better than they ever have.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.trials.cases import Case
from tests.trials.truth import Settings, present, truth_of
from tests.trials.venues import RATE_HZ

METHODS = ("leave as is", "plain correlation", "impulse-response peak")


@dataclass(frozen=True)
class Yardstick:
    """What a method gives away, dB, and how many outputs' wiring it reads right: full-range and subs, of how many."""

    method: str
    regret_db: float
    left_db: float
    full_range: tuple[int, int]
    subs: tuple[int, int]


def yardsticks(case: Case) -> list[Yardstick]:
    out = []
    for method in METHODS:
        settings, signs = _judged(case, method)
        truth = truth_of(case, settings)
        if truth is None:
            continue
        counts = {"sub": [0, 0], "full-range": [0, 0]}
        for output, sign in zip(case.outputs, signs, strict=True):
            kind = "sub" if output.kind == "sub" else "full-range"
            counts[kind][0] += int(sign == output.wiring)
            counts[kind][1] += 1
        regrets = truth.regret_db(settings), truth.regret_db(present(case))
        out.append(Yardstick(method, *regrets, (*counts["full-range"],), (*counts["sub"],)))
    return out


def _judged(case: Case, method: str) -> tuple[Settings, NDArray[np.float64]]:
    """Settings by a method, and the wiring it reads per output."""
    now = present(case)
    if method == "leave as is":
        return now, np.zeros(len(case.outputs))
    audience = [p for p, seat in enumerate(case.positions) if seat.zone == "audience"]
    f, response = case.frequency_hz, case.response[:, audience]
    # the programme falls by 3 dB per octave; its correlation is the response so weighted
    weight = 1.0 / np.maximum(f, 30.0) if method == "plain correlation" else np.ones(len(f))
    impulses = np.fft.irfft(response * weight, axis=-1)
    top = np.abs(impulses).argmax(axis=-1)  # (output, seat)
    signs = np.sign(np.take_along_axis(impulses, top[..., None], axis=-1)[..., 0])
    signs = signs * np.array([case.positions[p].chain for p in audience])
    read = np.sign(signs.sum(axis=1) + 1e-9)
    subs = [i for i, o in enumerate(case.outputs) if o.kind == "sub"]
    main_s = top[0] / RATE_HZ + now.delays_s[0]
    delay_s = max(0.0, float(np.median(main_s - top[subs[0]] / RATE_HZ)))
    sign = now.signs[0] * read[0] * read[subs[0]]
    return now.with_group(subs, sign, delay_s), read
