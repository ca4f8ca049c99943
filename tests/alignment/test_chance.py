"""What settings taken blindly give, against integrals that can be done by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from alignment_making import N_LINES, context, delay, seats

from analyze.alignment.chance import chance_score_db
from analyze.description import Output

MAIN = Output("main", "main")
SUBS = [Output("a", "sub", group="subs"), Output("b", "sub", group="subs")]


def flat(*late_ms: float, n_seats: int = 3) -> np.ndarray:
    """Equally loud everywhere, each later by so much: (output, position, line)."""
    return np.stack([np.stack([delay(ms + 10.0 * p) for p in range(n_seats)]) for ms in late_ms])


def test_two_equally_loud_ones_left_to_chance() -> None:
    """In a narrow band the mean of 20 lg |1 + exp j phi| / 2 over all phases is -6.02 dB (Jensen's formula)."""
    found = context([MAIN, Output("sub", "sub")], seats(3), flat(0.0, 0.0))
    narrow = np.mean(
        [20 * math.log10(abs(1 + np.exp(1j * phi)) / 2) for phi in np.linspace(0, 2 * np.pi, 20001)[1:-1:2]]
    )
    assert narrow == pytest.approx(-6.02, abs=0.01)
    # third octaves fill the holes: less is lost, and more than where energies add
    assert narrow < chance_score_db(found) < 10.0 * math.log10(0.5)


def test_what_stays_inside_a_group_is_not_left_to_chance() -> None:
    """Two subs that cancel one another stay so, whatever is set for them."""
    alike = chance_score_db(context([MAIN, *SUBS], seats(3), flat(0.0, 0.0, 0.0)))
    h = flat(0.0, 0.0, 0.0)
    h[2] *= -0.999
    cancelling = chance_score_db(context([MAIN, *SUBS], seats(3), h))
    assert cancelling == pytest.approx(20.0 * math.log10(1.0 / 3.0), abs=0.05)  # the main alone, of three
    assert alike > cancelling + 3.0


def test_nothing_that_may_be_moved_has_no_chance() -> None:
    assert math.isnan(chance_score_db(context([MAIN, Output("fill", "fill")], seats(3), flat(0.0, 0.0))))
    silent = np.zeros((2, 3, N_LINES), dtype=np.complex128)
    assert math.isnan(chance_score_db(context([MAIN, Output("sub", "sub")], seats(3), silent)))
