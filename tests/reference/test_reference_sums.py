"""Sums of two signals by phase and level, through the pair table and the score.

Sums of pairs are dB re the louder of the two, the score is dB re the sum of magnitudes. Responses are single precision:
the residuals of closed forms, up to 5e-7 dB and more where a sum cancels, come from it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import delay_phase, is_close, lines_hz, responses_from, sound_check_of

from analyze.alignment.cells import find_cells
from analyze.alignment.pairs import pair_rows
from analyze.alignment.rows import Pair
from analyze.alignment.score import efficiency_db, mean_score, trusted

TOP_HZ = 1000.0
#: A published value is rounded to a hundredth of a dB.
PUBLISHED_DB = 0.0051
RISE = 10.0 ** (3.7 / 20.0)


def pairs(ratio: complex | NDArray[np.complex128], fraction: int = 3) -> list[Pair]:
    """Rows of the pair whose second output is the first times `ratio`; the first rises by 3 dB per octave."""
    frequency_hz = lines_hz(TOP_HZ)
    first = RISE * np.sqrt(frequency_hz / 100.0) * delay_phase(frequency_hz, 0.0213)
    responses = responses_from({"main": first, "sub": first * ratio}, TOP_HZ)
    return pair_rows(responses, sound_check_of({"main": "main", "sub": "sub"}), {}, fraction)


def column(rows: list[Pair], name: str) -> NDArray[np.float64]:
    return np.array([getattr(row, name) for row in rows])


def holds(rows: list[Pair], name: str, expected: float, tolerance: float = PUBLISHED_DB) -> bool:
    """Whether a column has the expected value in every band."""
    values = column(rows, name)
    assert len(values) >= 5
    return is_close(values, np.full(len(values), expected), tolerance)


@pytest.mark.parametrize("fraction", [1, 3, 12])
@pytest.mark.parametrize(
    ("phase_deg", "sum_db"), [(0.0, 6.02), (60.0, 4.77), (90.0, 3.01), (120.0, 0.0), (150.0, -5.72)]
)
def test_two_equal_sounds_by_phase(phase_deg: float, sum_db: float, fraction: int) -> None:
    # 20 log10(2 |cos(phi / 2)|), e.g. Beranek, Acoustics, ch. 4 (from memory). Residual of the closed form 5e-7 dB.
    for sign in (1.0, -1.0):
        rows = pairs(np.exp(-1j * np.radians(sign * phase_deg)), fraction)
        assert holds(rows, "sum_db", sum_db)
        assert holds(rows, "sum_db", 20.0 * math.log10(2.0 * math.cos(math.radians(phase_deg / 2.0))), 2e-6)
        assert holds(rows, "relative_phase_deg", sign * phase_deg, 5e-6)  # positive: the first is ahead
    off = pairs(np.exp(-1.05j * np.radians(phase_deg)), fraction)
    assert phase_deg == 0.0 or not holds(off, "sum_db", sum_db)


def test_two_equal_sounds_in_opposition_cancel() -> None:
    # 20 log10(0); what is left is the error that the responses claim, -100 dB of their mean level and -83 dB of the
    # softest band; 1 % of level difference leaves -40 dB.
    assert column(pairs(-1.0), "sum_db").max() < -80.0
    assert column(pairs(1.0), "flipped_sum_db").max() < -80.0
    assert holds(pairs(-0.99), "sum_db", -40.0, 1e-3)


@pytest.mark.parametrize(("phase_deg", "residual_db"), [(5.0, -21.2), (10.0, -15.2), (20.0, -9.2)])
def test_what_a_phase_error_leaves_of_a_cancellation(phase_deg: float, residual_db: float) -> None:
    # 20 log10(2 sin(phi / 2)), closed form; rounded to a tenth.
    rows = pairs(np.exp(1j * np.radians(phase_deg)))
    assert holds(rows, "flipped_sum_db", residual_db, 0.05)
    assert not holds(pairs(np.exp(1.05j * np.radians(phase_deg))), "flipped_sum_db", residual_db, 0.05)


@pytest.mark.parametrize(
    ("difference_db", "in_phase_db", "cancelled_db"),
    [(1.0, 5.53, -19.27), (2.0, 5.08, -13.74), (3.0, 4.65, -10.69), (6.0, 3.53, -6.04), (10.0, 2.39, -3.30)],
)
def test_unequal_sounds_re_the_louder(difference_db: float, in_phase_db: float, cancelled_db: float) -> None:
    # 20 log10(1 +- 10^(-d / 20)), closed form, re the louder of the two, whichever it is.
    for louder in ("main", "sub"):
        ratio = 10.0 ** ((-1.0 if louder == "main" else 1.0) * difference_db / 20.0)
        rows = pairs(ratio)
        assert holds(rows, "sum_db", in_phase_db)
        assert holds(rows, "flipped_sum_db", cancelled_db)
        assert holds(rows, "level_difference_db", difference_db if louder == "main" else -difference_db, 1e-5)
        assert holds(pairs(-ratio), "sum_db", cancelled_db)
        # re the quieter of the two it would be this much more
        assert not holds(rows, "flipped_sum_db", cancelled_db + difference_db)
        assert not holds(pairs(1.05 * ratio), "flipped_sum_db", cancelled_db)


def test_six_db_of_difference_cancel_to_the_quieter_level() -> None:
    # Closed form: at 20 log10(2) dB of difference the remainder is as loud as the quieter, -6.02 dB re the louder.
    assert holds(pairs(0.5), "flipped_sum_db", -6.0206, 1e-6)
    assert holds(pairs(-0.5), "sum_db", -6.0206, 1e-6)


def test_unrelated_sounds_add_by_energy() -> None:
    # +3.01 dB for equal levels: phases spread evenly, by the golden section, over the lines of every band.
    turns = np.arange(len(lines_hz(TOP_HZ))) * (math.sqrt(5.0) - 1.0) / 2.0
    rows = pairs(np.exp(2j * np.pi * turns), fraction=1)
    # Residual 0.08 dB in the lowest octave, of 32 lines, 0.01 from 125 Hz on.
    for name in ("sum_db", "flipped_sum_db"):
        values = column(rows, name)[-3:]
        assert is_close(values, np.full(3, 3.01), 0.03)
    assert not is_close(column(pairs(1.0, fraction=1), "sum_db")[-3:], np.full(3, 3.01), 0.03)


def test_a_recommended_change_is_what_is_added_up() -> None:
    # Closed form: a sub inverted and 2 ms early, put right by a change of (-1, +2 ms), adds to +6.02 dB.
    frequency_hz = lines_hz(TOP_HZ)
    right = np.ones(len(frequency_hz))
    wrong = -delay_phase(frequency_hz, -0.002)
    responses = responses_from({"main": right, "sub": wrong}, TOP_HZ)
    check = sound_check_of({"main": "main", "sub": "sub"})
    assert holds(pair_rows(responses, check, {"sub": (-1.0, 2.0)}, 3), "recommended_sum_db", 6.02)
    for change in ((1.0, 2.0), (-1.0, -2.0), (-1.0, 1.9)):
        assert not holds(pair_rows(responses, check, {"sub": change}, 3), "recommended_sum_db", 6.02)
    rows = pair_rows(responses, check, {}, 3)
    assert holds(rows, "relative_delay_ms", 2.0, 1e-4)  # positive: the first is later
    assert not holds(rows, "sum_db", 6.02)


# The score: dB re the sum of magnitudes


def score_db(*outputs: complex | NDArray[np.complex128], bands: int = 12) -> float:
    """Score of outputs of flat level at two seats of unequal weight."""
    rows = {f"output {i}": h * np.ones((2, len(lines_hz(TOP_HZ)))) for i, h in enumerate(outputs)}
    responses = responses_from(rows, TOP_HZ, ("mix", "back"))
    cells = find_cells(responses, [1.0, 0.3])
    assert len(cells) == 2 * bands  # 25 to 315 Hz
    return float(mean_score(efficiency_db(trusted(responses), cells), cells))


@pytest.mark.parametrize(("phase_deg", "loss_db"), [(0.0, 0.0), (60.0, -1.25), (90.0, -3.01), (120.0, -6.02)])
def test_efficiency_by_phase(phase_deg: float, loss_db: float) -> None:
    # 20 log10 |cos(phi / 2)|: the sum of two equal sounds less the 6.02 dB that they could give.
    assert is_close(score_db(1.0, np.exp(1j * np.radians(phase_deg))), loss_db, PUBLISHED_DB)
    assert phase_deg == 0.0 or not is_close(score_db(1.0, np.exp(1.05j * np.radians(phase_deg))), loss_db, PUBLISHED_DB)


@pytest.mark.parametrize("difference_db", [1.0, 3.0, 9.0])
def test_efficiency_of_a_cancellation(difference_db: float) -> None:
    # (1 - r) / (1 + r) of the two closed forms above: -24.8, -15.3 and -6.5 dB.
    ratio = 10.0 ** (-difference_db / 20.0)
    expected = 20.0 * math.log10((1.0 - ratio) / (1.0 + ratio))
    assert is_close(score_db(1.0, -ratio), expected, 1e-5)
    assert is_close(score_db(1.0, ratio), 0.0, 1e-6)


def test_one_of_three_inverted() -> None:
    # |1 + 1 - 1| / 3: -9.54 dB; which of the three does not matter.
    for signs in ((1.0, 1.0, -1.0), (1.0, -1.0, 1.0), (-1.0, 1.0, 1.0)):
        assert is_close(score_db(*signs), -9.54, PUBLISHED_DB)
    assert not is_close(score_db(1.0, 1.0, 1.0), -9.54, PUBLISHED_DB)


def test_the_score_is_the_mean_in_db_over_cells_by_weight() -> None:
    # Closed form: -3.01 dB at the seat of weight 1, nothing lost at the one of 0.3, makes -3.0103 / 1.3.
    quarter = np.stack([np.full(len(lines_hz(TOP_HZ)), 1j), np.ones(len(lines_hz(TOP_HZ)))])
    assert is_close(score_db(1.0, quarter), -3.0103 / 1.3, 1e-4)


# Comb filters


@pytest.mark.parametrize(("sign", "expected"), [(1.0, "sum_db"), (-1.0, "flipped_sum_db")])
def test_a_whole_number_of_comb_teeth_adds_by_energy(sign: float, expected: str) -> None:
    # Closed form: a band as wide as n teeth, 1 / dt each, holds as much sum as cancellation: +3.01 dB either way up.
    band_hz = 10.0**2.95 - 10.0**2.85  # third octave of 794 Hz
    frequency_hz = lines_hz(TOP_HZ)
    rows = pairs(sign * delay_phase(frequency_hz, 4.0 / band_hz))
    row = next(row for row in rows if row.band_hz == 800.0)
    assert is_close(getattr(row, expected), 3.01, 0.06)
    assert not is_close(getattr(next(r for r in pairs(sign * 1.0) if r.band_hz == 800.0), expected), 3.01, 0.06)
