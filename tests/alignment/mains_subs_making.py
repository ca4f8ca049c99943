"""Decisions on a main and its subs, the score spelled out beside them, and responses that waver."""

from __future__ import annotations

import numpy as np
from alignment_making import (
    N_LOW,
    Spectrum,
    context,
    delay,
    seats,
    spelled_out_db,
    turned,
)

from analyze.alignment.context import Context
from analyze.alignment.decision import Decision
from analyze.alignment.recommend import decide_all
from analyze.description import Output, Setting

MAIN = Output("main", "main")


def sub(delay_ms: float = 20.0, polarity: str = "normal", name: str = "sub", **values: object) -> Output:
    return Output(name, "sub", setting=Setting(delay_ms, polarity), **values)  # type: ignore[arg-type]


def decided(found: Context, group: tuple[str, ...] = ("sub",)) -> Decision:
    """The decision on one group when everything is decided."""
    return decide_all(found)[group]


def best_of(
    found: Context, h: Spectrum, low_ms: float, high_ms: float, signs: tuple[float, ...] = (1.0, -1.0)
) -> float:
    """Best score of the second output over a fine grid, spelled out."""
    names = list(found.responses.outputs)
    return max(
        spelled_out_db(turned(h[..., :N_LOW], names, {names[1]: (sign, float(d))}), found.audience)
        for sign in signs
        for d in np.arange(low_ms, high_ms, 0.1)
    )


def score_of(found: Context, h: Spectrum, changes: dict[str, tuple[float, float]]) -> float:
    return spelled_out_db(turned(h[..., :N_LOW], list(found.responses.outputs), changes), found.audience)


def wavering(h: Spectrum, by_ms: float, outputs: list[Output]) -> Context:
    """A context whose replicates have the sub elsewhere in time, by turns early and late."""
    found = context(outputs, seats(h.shape[1]), h, spread=0.0, n_replicates=12)
    replicates = found.replicates.copy()
    for r in range(len(replicates)):
        replicates[r, 1] *= delay(by_ms * (-1.0) ** r)[:N_LOW]
    object.__setattr__(found, "replicates", replicates)
    return found
