"""The yardsticks for signs are no straw men: in the open each of them is right about the box it was made for."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from analyze.responses.arrival import Evidence
from analyze.responses.onset import Onset
from analyze.spectra.cross_spectra import line_hz
from tests.trials.boxes import Filter
from tests.trials.sign_methods import METHODS, Heard, first_excursion, parametric, table

FREQUENCY_HZ = line_hz(2_001)


def sub(sign: float, vented: bool) -> Heard:
    """A sub 30 ms away behind a fourth-order low-pass, without a room."""
    s = 1j * FREQUENCY_HZ / 34.0
    closed, more = s**2 / (s**2 + s / 0.7 + 1.0), s**2 / (s**2 + 0.8 * s + 1.0)
    box = (closed * more if vented else closed) * Filter("LR4", 95.0, "low").response(FREQUENCY_HZ)
    h = (sign * box * np.exp(-2j * np.pi * FREQUENCY_HZ * 0.03)).astype(np.complex64)
    flat = Onset(np.array([0.029, 0.031]), np.zeros(2), np.zeros(2))
    evidence = Evidence("sub", "mix", 28.0, 140.0, math.nan, math.nan, math.nan, flat, 0.0)
    return Heard(h, np.full(len(h), 1e-8, dtype=np.float32), FREQUENCY_HZ, evidence)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("vented", [False, True])
def test_in_the_open_they_are_right(sign: float, vented: bool) -> None:
    heard = sub(sign, vented)
    assert first_excursion(heard) == sign
    assert sign * parametric(heard) > 0.0


def test_the_table_counts_rows_and_outputs() -> None:
    """Three positions of one output, two of them right: the rows say 67/0/33, the output pooled is right."""
    rows = [
        {"method": name, "kind": "sub", "case": 1, "output": "sub", "position": p, "evidence": e, "family": "solo"}
        for name in METHODS
        for p, e in (("a", 1.0), ("b", 2.0), ("c", -5.0))
    ]
    found = table(pd.DataFrame(rows))
    assert set(found["right/undecided/wrong"]) == {"67/0/33"}
    assert set(found["pooled"]) == {"100/0/0"}
    assert set(found["outputs"]) == {1}
