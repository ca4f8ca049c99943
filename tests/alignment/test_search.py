"""The joint search against brute force written apart from it: every state's score, and the best of all states."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from alignment_making import (
    FREQUENCY_HZ,
    N_LINES,
    N_LOW,
    Spectrum,
    closed,
    delay,
    low_pass,
    responses_of,
    room,
    spelled_out_db,
    vented,
)
from numpy.typing import NDArray

from analyze.alignment.cells import Cells, find_cells
from analyze.alignment.score import possible_energy
from analyze.alignment.search import STEP_MS, Landscape, Mover, search

State = list[tuple[float, float]]


def problem(seed: int, n_movers: int, n_seats: int = 2) -> tuple[Spectrum, Cells, Landscape]:
    """Boxes of two kinds in a room: what stays, then the movers, signs and delays by chance."""
    rng = np.random.default_rng(seed)
    h = np.zeros((n_movers + 1, n_seats, N_LINES), dtype=np.complex128)
    for i in range(n_movers + 1):
        box = vented(30.0 + 10 * i) * low_pass(150.0 + 40 * i) if i % 2 else closed(40.0)
        box = box * 10.0 ** (rng.uniform(-3.0, 3.0) / 20.0)
        for p in range(n_seats):
            h[i, p] = rng.choice([-1.0, 1.0]) * box * room(rng, 0.8) * delay(rng.uniform(0.0, 12.0))
    names = [f"out {i}" for i in range(n_movers + 1)]
    found = responses_of(h, names, [f"seat {p}" for p in range(n_seats)])
    cells = find_cells(found, [1.0, 2.5, 1.3][:n_seats])
    low = h[..., :N_LOW]
    return low, cells, Landscape(low[0], low[1:], possible_energy(low, cells), cells, FREQUENCY_HZ)


def at_state(h: Spectrum, state: State) -> Spectrum:
    moved = [h[k + 1] * sign * delay(delay_ms)[:N_LOW] for k, (sign, delay_ms) in enumerate(state)]
    return np.stack([h[0], *moved])


def brute_force_db(h: Spectrum, cells: Cells, grids_ms: list[NDArray[np.float64]]) -> float:
    """Best score over every combination of signs and of delays on the grids."""
    n = len(grids_ms)
    best = -np.inf
    for signs in product((1.0, -1.0), repeat=n):
        score = np.zeros([len(grid) for grid in grids_ms])
        for c in range(len(cells)):
            lines = slice(cells.first[c], cells.stop[c])
            x = h[:, cells.position[c], lines]
            turned = [
                signs[m] * x[m + 1] * np.exp(-2j * np.pi * np.outer(grids_ms[m], FREQUENCY_HZ[lines]) / 1000.0)
                for m in range(n)
            ]  # each (delay, line)
            energy = np.full(score.shape, (np.abs(x) ** 2).sum())
            for m in range(n):
                energy += 2.0 * spread((turned[m] @ np.conj(x[0])).real, (m,), n)
                for k in range(m + 1, n):
                    energy += 2.0 * spread((np.conj(turned[m]) @ turned[k].T).real, (m, k), n)
            possible = (np.abs(x).sum(axis=0) ** 2).sum()
            score += cells.weight[c] * 10.0 * np.log10(np.maximum(energy / possible, 1e-12))
        best = max(best, float(score.max()) / float(cells.weight.sum()))
    return best


def spread(values: NDArray[np.float64], axes: tuple[int, ...], n: int) -> NDArray[np.float64]:
    """Values whose axes become these of n."""
    return values[tuple(slice(None) if axis in axes else None for axis in range(n))]


# The landscape


@pytest.mark.parametrize("n_movers", [1, 2, 3, 4])
def test_the_score_of_a_state_is_that_of_the_sum(n_movers: int) -> None:
    """Random signs and delays, over all cells and over some; by loops over the sums themselves."""
    rng = np.random.default_rng(n_movers)
    for seed in range(4):
        h, cells, landscape = problem(seed, n_movers, n_seats=1 + seed % 3)
        mask = rng.uniform(size=len(cells)) < 0.5
        mask[0] = True
        for _ in range(6):
            state = [(float(rng.choice([-1.0, 1.0])), float(rng.uniform(-40.0, 40.0))) for _ in range(n_movers)]
            moved = at_state(h, state)
            assert landscape.score(state) == pytest.approx(spelled_out_db(moved, cells), abs=1e-8)
            assert landscape.score(state, mask) == pytest.approx(spelled_out_db(moved, cells, mask), abs=1e-8)


def test_the_score_of_nothing_moved_is_that_of_the_present_sum() -> None:
    h, cells, landscape = problem(5, 2)
    assert landscape.score([(1.0, 0.0)] * 2) == pytest.approx(spelled_out_db(h, cells), abs=1e-9)
    alone = Landscape(h.sum(axis=0), h[:0], possible_energy(h, cells), cells, FREQUENCY_HZ)
    assert alone.score([]) == pytest.approx(spelled_out_db(h, cells), abs=1e-9)


@pytest.mark.parametrize(("n_movers", "mover"), [(1, 0), (3, 0), (3, 1), (3, 2)])
def test_a_scan_is_a_loop_over_scores(n_movers: int, mover: int) -> None:
    rng = np.random.default_rng(10 * n_movers + mover)
    _, cells, landscape = problem(6, n_movers)
    state = [(float(rng.choice([-1.0, 1.0])), float(rng.uniform(-9.0, 9.0))) for _ in range(n_movers)]
    grid_ms = rng.uniform(-20.0, 20.0, 7)
    for mask in (None, cells.band_hz > 70.0):
        scores = landscape.scan(state, mover, grid_ms, mask)
        assert scores.shape == (2, 7)
        for row, sign in enumerate((1.0, -1.0)):
            for k, delay_ms in enumerate(grid_ms):
                one = [*state]
                one[mover] = (sign, float(delay_ms))
                assert scores[row, k] == pytest.approx(landscape.score(one, mask), abs=1e-9)


def test_a_later_part_has_a_falling_phase() -> None:
    """A mover 3 ms early is found 3 ms to be delayed: the score at +3 ms is that of a full sum."""
    h = np.stack([closed(40.0), closed(40.0) * delay(-3.0)])[:, None]
    cells = find_cells(responses_of(h, ["a", "b"], ["seat"]), [1.0])
    low = h[..., :N_LOW]
    landscape = Landscape(low[0], low[1:], possible_energy(low, cells), cells, FREQUENCY_HZ)
    assert landscape.score([(1.0, 3.0)]) == pytest.approx(0.0, abs=1e-9)
    assert landscape.score([(1.0, -3.0)]) < -3.0


# The search


@pytest.mark.parametrize("seed", range(5))
def test_one_mover_finds_the_best_of_all(seed: int) -> None:
    h, cells, landscape = problem(seed, 1)
    mover = Mover((1.0, -1.0), -23.0 + 0.33 * seed, 31.0)
    found = search(landscape, [mover])
    best_db = brute_force_db(h, cells, [np.arange(mover.low_ms, mover.high_ms, 0.05)])
    assert found.score_db > best_db - 1e-3
    assert found.score_db == pytest.approx(spelled_out_db(at_state(h, list(found.state)), cells), abs=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_two_movers_find_the_best_of_all(seed: int) -> None:
    h, cells, landscape = problem(seed, 2)
    movers = [Mover((1.0, -1.0), -11.7, 12.1), Mover((1.0, -1.0), -7.03, 9.5)]
    found = search(landscape, movers)
    best_db = brute_force_db(h, cells, [np.arange(m.low_ms, m.high_ms, 0.2) for m in movers])
    assert found.score_db >= best_db
    assert found.score_db == pytest.approx(spelled_out_db(at_state(h, list(found.state)), cells), abs=1e-8)


@pytest.mark.parametrize("seed", [0, 4, 17, 21])
def test_three_movers_find_the_best_of_all(seed: int) -> None:
    """Brute force on a grid of 0.4 ms is a lower bound: what beats the search was missed by it."""
    h, cells, landscape = problem(seed, 3)
    movers = [Mover((1.0, -1.0), -8.0 + 0.33 * k, 8.0 - 0.21 * k) for k in range(3)]
    found = search(landscape, movers)
    best_db = brute_force_db(h, cells, [np.arange(m.low_ms, m.high_ms, 0.4) for m in movers])
    assert found.score_db >= best_db
    assert found.score_db == pytest.approx(spelled_out_db(at_state(h, list(found.state)), cells), abs=1e-8)


@pytest.mark.parametrize("n_movers", [1, 2])
@pytest.mark.parametrize("off_ms", [12.5, -25.0])
def test_the_best_is_found_a_period_away(n_movers: int, off_ms: float) -> None:
    """Subs that end at 100 Hz: a period of 12.5 ms off lies an optimum of its own, where the search must not stay."""
    box = vented(60.0) * low_pass(80.0)
    parts = [box, *(box * delay(-off_ms - 0.37 * k) * (1.0 - 0.2 * k) for k in range(n_movers))]
    h = np.stack(parts)[:, None] * np.array([1.0, 0.7])[None, :, None]
    cells = find_cells(responses_of(h, [str(k) for k in range(len(parts))], ["p", "q"]), [1.0, 2.0])
    low = h[..., :N_LOW]
    landscape = Landscape(low[0], low[1:], possible_energy(low, cells), cells, FREQUENCY_HZ)
    found = search(landscape, [Mover((1.0, -1.0), -40.0, 40.0)] * n_movers)
    for k, (sign, delay_ms) in enumerate(found.state):
        assert sign == 1.0
        assert delay_ms == pytest.approx(off_ms + 0.37 * k, abs=0.02)
    around = landscape.scan([(1.0, off_ms)] * n_movers, 0, np.arange(-40.0, 40.0, 0.1))[0]
    tops = np.flatnonzero((around[1:-1] > around[:-2]) & (around[1:-1] > around[2:]))
    assert len(tops) > 2  # there is something to fall into


def test_signs_and_ranges_are_kept() -> None:
    """What may not turn keeps its sign, what may not move its delay, whatever that costs."""
    h, cells, landscape = problem(3, 2)
    movers = [Mover((1.0,), -2.3, 1.15), Mover((1.0, -1.0), 0.0, 0.0)]
    found = search(landscape, movers)
    (first, second) = found.state
    assert first[0] == 1.0
    assert -2.3 <= first[1] <= 1.15
    assert second[1] == 0.0
    grid = np.linspace(-2.3, 1.15, 70)
    assert (
        found.score_db
        > max(spelled_out_db(at_state(h, [(1.0, float(d)), (s, 0.0)]), cells) for d in grid for s in (1.0, -1.0)) - 1e-3
    )


def test_nothing_to_move() -> None:
    h, cells, landscape = problem(4, 1)
    assert search(Landscape(h.sum(axis=0), h[:0], landscape.possible, cells, FREQUENCY_HZ), []).state == ()
    fixed = search(landscape, [Mover((1.0,), 0.0, 0.0)])
    assert fixed.state == ((1.0, 0.0),)
    assert fixed.score_db == pytest.approx(landscape.score([(1.0, 0.0)]))


@pytest.mark.parametrize(("low_ms", "high_ms"), [(-1.07, 0.93), (0.0, 0.0), (0.0, 0.55), (-3.0, 3.0)])
def test_the_grid_holds_its_ends_and_the_present_setting(low_ms: float, high_ms: float) -> None:
    grid = Mover((1.0,), low_ms, high_ms).grid_ms()
    assert grid[0] == low_ms
    assert grid[-1] == high_ms
    assert 0.0 in grid
    assert (np.diff(grid) > 0.0).all()
    assert np.diff(grid).max(initial=0.0) <= STEP_MS + 1e-9
