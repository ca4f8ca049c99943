"""Sum efficiency against closed forms, and how single outputs enter it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from alignment_making import FREQUENCY_HZ, N_LINES, N_LOW, delay, responses_of, spelled_out_db, turned

from analyze.alignment.cells import Cells, find_cells
from analyze.alignment.score import (
    cell_energy,
    efficiency_db,
    mean_score,
    possible_energy,
    shrunk,
    trusted,
    with_changes,
)

ONES = np.ones(N_LINES, dtype=np.complex128)


def all_cells(n_outputs: int, n_positions: int, weights: list[float] | None = None) -> Cells:
    """Twelve cells at every position."""
    flat = np.ones((n_outputs, n_positions, N_LINES))
    names = [f"out {i}" for i in range(n_outputs)]
    return find_cells(responses_of(flat, names, [str(p) for p in range(n_positions)]), weights or [1.0] * n_positions)


@pytest.mark.parametrize(
    ("phase_deg", "sum_db"), [(0.0, 0.0), (60.0, -1.2494), (90.0, -3.0103), (120.0, -6.0206), (150.0, -11.7401)]
)
def test_two_equal_outputs(phase_deg: float, sum_db: float) -> None:
    """20 log10 |cos(phase / 2)|: the table of coherent sums (+6.02 in phase to 0 at 120 degrees) less 6.02."""
    h = np.stack([ONES, ONES * np.exp(1j * np.radians(phase_deg))])[:, None]
    assert efficiency_db(h, all_cells(2, 1)) == pytest.approx([sum_db] * 12, abs=1e-4)


@pytest.mark.parametrize(("level_db", "sum_db"), [(1.0, -24.815), (3.0, -15.337), (6.0, -9.566)])
def test_what_is_left_of_two_opposed_outputs(level_db: float, sum_db: float) -> None:
    """20 log10 of (1 - r) / (1 + r): residuals -19.27, -10.69, -6.04 dB re the louder, less sums 5.53, 4.65, 3.53."""
    h = np.stack([ONES, -ONES * 10.0 ** (-level_db / 20.0)])[:, None]
    assert efficiency_db(h, all_cells(2, 1)) == pytest.approx([sum_db] * 12, abs=0.02)


def test_level_phase_and_order_in_common_do_not_count() -> None:
    rng = np.random.default_rng(1)
    h = rng.standard_normal((3, 2, N_LINES)) + 1j * rng.standard_normal((3, 2, N_LINES))
    cells = all_cells(3, 2)
    expected = efficiency_db(h, cells)
    assert efficiency_db(h * 0.01 * delay(5.0), cells) == pytest.approx(expected)
    assert efficiency_db(h[[2, 0, 1]], cells) == pytest.approx(expected)
    assert mean_score(expected, cells) == pytest.approx(spelled_out_db(h, cells))
    assert (expected < 0.0).all()


def test_full_cancellation_has_a_floor() -> None:
    assert efficiency_db(np.stack([ONES, -ONES])[:, None], all_cells(2, 1)) == pytest.approx([-120.0] * 12)


def test_a_delay_turns_each_band_by_its_own_phase() -> None:
    """1 ms between two equal outputs: |cos(pi f tau)|, energies averaged over the lines of the cell."""
    h = np.stack([ONES, delay(1.0)])[:, None]
    cells = all_cells(2, 1)
    expected = [
        10.0 * math.log10(np.mean(np.cos(np.pi * FREQUENCY_HZ[i:j] * 1e-3) ** 2))
        for i, j in zip(cells.first, cells.stop, strict=True)
    ]
    assert efficiency_db(h, cells) == pytest.approx(expected, abs=1e-9)


def test_energies_are_sums_over_the_lines_of_a_cell() -> None:
    rng = np.random.default_rng(2)
    values = rng.uniform(size=(4, 3, N_LINES))
    cells = all_cells(2, 3)
    found = cell_energy(values, cells)
    assert found.shape == (4, len(cells))
    for c in (0, 5, 17, len(cells) - 1):
        p, lines = cells.position[c], slice(cells.first[c], cells.stop[c])
        assert found[:, c] == pytest.approx(values[:, p, lines].sum(axis=-1))
    h = values[:2] * np.exp(1j * values[2:])
    assert possible_energy(h, cells) == pytest.approx(cell_energy((values[0] + values[1]) ** 2, cells))


def test_changes_turn_and_delay_the_named_outputs() -> None:
    rng = np.random.default_rng(3)
    h = rng.standard_normal((3, 2, 800)) + 1j * rng.standard_normal((3, 2, 800))
    names = ["a", "b", "c"]
    changes = {"b": (-1.0, 2.345), "c": (1.0, -0.5), "other": (-1.0, 3.0)}
    assert with_changes(h, FREQUENCY_HZ, names, changes) == pytest.approx(turned(h, names, changes))
    assert np.array_equal(with_changes(h, FREQUENCY_HZ, names, {}), h)
    assert with_changes(h, FREQUENCY_HZ, names, changes) is not h


@pytest.mark.parametrize(("std", "share"), [(0.0, 1.0), (1.0, 0.5), (3.0, 0.1)])
def test_what_is_not_sure_counts_less(std: float, share: float) -> None:
    """`H |H|^2 / (|H|^2 + var)`."""
    h = np.array([1.0 + 0j, -1j, 0.6 - 0.8j])
    assert shrunk(h, np.full(3, std**2)) == pytest.approx(h * share)


def test_what_was_not_measured_is_silent() -> None:
    h = np.ones((2, 2, N_LINES), dtype=np.complex128)
    h[1, 0] = np.nan
    found = trusted(responses_of(h, ["a", "b"], ["p", "q"], std=0.5))
    assert found.shape == (2, 2, N_LOW)
    assert (found[1, 0] == 0.0).all()
    assert found[0] == pytest.approx(0.8)
    assert shrunk(np.array([0.0]), np.array([0.0]))[0] == 0.0


def test_the_mean_is_weighted_by_position() -> None:
    cells = all_cells(2, 2, [1.0, 3.0])
    values = np.where(cells.position == 0, -2.0, -6.0)
    assert mean_score(values, cells) == pytest.approx(-5.0)
    mask = (cells.position == 0) | (cells.band_hz > 100.1)
    assert mean_score(values, cells, mask) == pytest.approx((12 * -2.0 + 5 * 3 * -6.0) / (12 + 15))
    assert mean_score(np.stack([values, values * 2], axis=1), cells) == pytest.approx([-5.0, -10.0])
    assert np.isnan(mean_score(values, cells, np.zeros(len(cells), dtype=bool)))
