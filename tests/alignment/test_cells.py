"""Cells and overlaps on responses whose levels are put in: the 10 dB and 25 dB rules and their edges."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from alignment_making import CENTRES_HZ, FREQUENCY_HZ, N_LINES, Spectrum, responses_of

from analyze.alignment.cells import (
    Bands,
    Cells,
    band_energy,
    band_mean,
    bands,
    find_cells,
    heard_share,
    overlap_hz,
    third_octaves,
)
from analyze.spectra.cross_spectra import line_hz


def levels(per_third_db: dict[float, float], otherwise_db: float = 0.0, n_lines: int = N_LINES) -> Spectrum:
    """A response with a level per third octave (its centre to 1 %), phases by chance."""
    frequency_hz = line_hz(n_lines)
    level_db = np.full(n_lines, otherwise_db)
    for centre_hz, value in per_third_db.items():
        exact = 1000.0 * 10.0 ** (round(10.0 * math.log10(centre_hz / 1000.0)) / 10.0)
        level_db[(frequency_hz >= exact * 10**-0.05) & (frequency_hz < exact * 10**0.05)] = value
    phase = np.random.default_rng(len(per_third_db)).uniform(0.0, 2.0 * np.pi, n_lines)
    return 10.0 ** (level_db / 20.0) * np.exp(1j * phase)


def cells_of(h: list[list[Spectrum]], weights: list[float]) -> Cells:
    outputs = [f"out {i}" for i in range(len(h))]
    return find_cells(responses_of(np.array(h), outputs, [f"seat {p}" for p in range(len(h[0]))]), weights)


def centres(cells: Cells, position: int) -> list[float]:
    return [round(float(f), 1) for f in cells.band_hz[cells.position == position]]


# Cells


def test_all_third_octaves_from_25_to_315_hz_where_two_outputs_are_alike() -> None:
    cells = cells_of([[levels({})], [levels({}, -3.0)]], [1.0])
    assert cells.band_hz == pytest.approx(CENTRES_HZ)
    assert len(cells) == 12
    assert cells.meets.all()
    for c in range(len(cells)):
        inside = FREQUENCY_HZ[cells.first[c] : cells.stop[c]]
        assert CENTRES_HZ[c] * 10**-0.05 <= inside[0]
        assert inside[-1] < CENTRES_HZ[c] * 10**0.05
    assert (cells.first[1:] == cells.stop[:-1]).all()


@pytest.mark.parametrize(("second_db", "n"), [(-9.9, 12), (-10.1, 0), (9.9, 12), (10.1, 0)])
def test_the_second_loudest_is_within_10_db(second_db: float, n: int) -> None:
    assert len(cells_of([[levels({})], [levels({}, second_db)]], [1.0])) == n


@pytest.mark.parametrize(("dip_db", "is_cell"), [(-24.9, True), (-25.1, False)])
def test_the_loudest_is_within_25_db_of_the_position_s_loudest_band(dip_db: float, is_cell: bool) -> None:
    cells = cells_of([[levels({50.0: dip_db})], [levels({50.0: dip_db - 5.0}, -5.0)]], [1.0])
    assert (50.1 in centres(cells, 0)) is is_cell
    assert len(cells) == 11 + is_cell


def test_only_the_bands_that_are_scored_set_the_loudest() -> None:
    """What is 30 dB louder at 630 Hz does not push a low cell out; what is so at 63 Hz does."""
    assert len(cells_of([[levels({630.0: 30.0})], [levels({})]], [1.0])) == 12
    assert len(cells_of([[levels({63.0: 30.0})], [levels({})]], [1.0])) == 0
    both = cells_of([[levels({63.0: 30.0})], [levels({63.0: 25.0})]], [1.0])
    assert centres(both, 0) == [63.1]


def test_each_position_has_its_own_levels_and_weight() -> None:
    quiet = levels({100.0: -50.0}, -40.0)
    cells = cells_of([[levels({}), quiet, levels({})], [levels({40.0: -12.0}), quiet, levels({})]], [1.0, 2.5, 0.0])
    assert centres(cells, 0) == [round(f, 1) for f in CENTRES_HZ if round(f, 1) != 39.8]
    assert len(centres(cells, 1)) == 12
    assert centres(cells, 2) == []
    assert set(cells.weight[cells.position == 0]) == {1.0}
    assert set(cells.weight[cells.position == 1]) == {2.5}


def test_own_cells_are_those_within_10_db_of_the_loudest() -> None:
    """Three outputs: the third meets the loudest in its own two bands only; the loudest may change."""
    cells = cells_of([[levels({})], [levels({31.5: 8.0}, -4.0)], [levels({80.0: -9.0, 31.5: -4.0}, -30.0)]], [1.0])
    names = [round(f, 1) for f in cells.band_hz]
    third = dict(zip(names, cells.meets[:, 2].tolist(), strict=True))
    assert [f for f, meets in third.items() if meets] == [79.4]
    assert cells.own([0]).all()
    assert cells.own([2]).sum() == 1
    assert cells.own([1, 2]).all()
    assert not cells.own([]).any()


def test_an_output_that_says_nothing_makes_no_cell() -> None:
    """Its energy must be three times its error: it is the noise that would meet the other."""
    h = np.array([[levels({})], [levels({}, -6.0)]])
    for std, n in ((0.2, 12), (0.35, 0)):
        found = responses_of(h, ["a", "b"], ["seat"], std=std)
        assert len(find_cells(found, [1.0])) == n


def test_what_was_not_measured_makes_no_cell() -> None:
    h = np.array([[levels({}), levels({})], [levels({}), np.full(N_LINES, np.nan)]])
    cells = find_cells(responses_of(h, ["a", "b"], ["both", "one"]), [1.0, 1.0])
    assert set(cells.position.tolist()) == {0}


def test_levels_are_without_their_noise() -> None:
    rng = np.random.default_rng(1)
    noise = 0.5 * math.sqrt(0.5) * (rng.standard_normal((1, 1, N_LINES)) + 1j * rng.standard_normal((1, 1, N_LINES)))
    found = responses_of(1.0 + noise, ["a"], ["seat"], std=0.5)
    b = bands(FREQUENCY_HZ, 1, 100.0, 600.0)
    assert band_energy(found, b)[0, 0] == pytest.approx(1.0, abs=0.12)


# Bands


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
@pytest.mark.parametrize("n_lines", [N_LINES, 2800])
def test_every_line_lies_in_one_band(fraction: int, n_lines: int) -> None:
    b = bands(line_hz(n_lines), fraction, 19.0, 17_000.0)
    assert (b.stop > b.first).all()
    assert b.high_hz[-1] <= line_hz(n_lines)[-1]
    if fraction < 12:
        assert (b.first[1:] == b.stop[:-1]).all()
    inside = np.concatenate([np.arange(i, j) for i, j in zip(b.first, b.stop, strict=True)])
    assert len(np.unique(inside)) == len(inside)


def test_means_are_counted() -> None:
    b = Bands(*(np.zeros(3) for _ in range(3)), first=np.array([0, 2, 5]), stop=np.array([2, 5, 6]))
    values = np.array([[1.0, 3.0, 2.0, 4.0, 6.0, -5.0, 100.0], [0.0, 2.0, 1.0, 1.0, 1.0, 7.0, 100.0]])
    assert band_mean(values, b).tolist() == [[2.0, 4.0, -5.0], [1.0, 1.0, 7.0]]
    assert band_mean(values * 1j, b)[0].tolist() == [2j, 4j, -5j]


# Overlap


def overlap(h: list[list[Spectrum]], output: int, others: list[int], weights: list[float]) -> tuple[float, float]:
    outputs = [f"out {i}" for i in range(len(h))]
    found = responses_of(np.array(h), outputs, [f"seat {p}" for p in range(len(h[0]))])
    return overlap_hz(third_octaves(found), output, others, weights)


def edges(low_hz: float, high_hz: float) -> tuple[float, float]:
    """Outer edges of the third octaves with these centres."""
    return pytest.approx((low_hz * 10**-0.05, high_hz * 10**0.05), rel=1e-3)


SUB = {31.5: 0.0, 40.0: 3.0, 50.0: 3.0, 63.0: 3.0, 80.0: 3.0, 100.0: 0.0, 125.0: -8.0, 160.0: -12.0}
MAIN = {31.5: -30.0, 40.0: -20.0, 50.0: -9.0, 63.0: -6.5, 80.0: -3.0}


def test_the_overlap_is_the_longest_run() -> None:
    """A sub (silent above 160 Hz) and a main: within 10 dB of each other from 63 to 125 Hz."""
    sub, main = levels(SUB, -60.0), levels(MAIN)
    assert overlap([[sub], [main]], 0, [1], [1.0]) == edges(63.096, 125.893)
    assert overlap([[sub], [main]], 1, [0], [1.0]) == edges(63.096, 125.893)


@pytest.mark.parametrize(
    ("first", "second", "expected"), [(2, 4, (501.19, 1000.0)), (4, 2, (63.096, 125.89)), (3, 3, (63.096, 100.0))]
)
def test_of_two_runs_the_longer_counts(first: int, second: int, expected: tuple[float, float]) -> None:
    """Of equals the lower."""
    low = [63.0, 80.0, 100.0, 125.0][:first]
    high = [500.0, 630.0, 800.0, 1000.0][:second]
    sub = levels(dict.fromkeys([*low, *high], 0.0), -60.0, 2801)
    assert overlap([[sub], [levels({}, n_lines=2801)]], 0, [1], [1.0]) == edges(*expected)


@pytest.mark.parametrize(("weights", "found"), [([1.0, 1.0], True), ([1.0, 1.1], False), ([0.0, 1.0], False)])
def test_half_the_weight_is_needed(weights: list[float], found: bool) -> None:
    """Seat 0 hears both alike, seat 1 the main alone."""
    sub = [levels({63.0: 0.0, 80.0: 0.0}, -60.0), levels({}, -40.0)]
    main = [levels({}), levels({})]
    low, _ = overlap([sub, main], 0, [1], weights)
    assert math.isfinite(low) is found


def test_the_loudest_of_the_others_counts() -> None:
    sub, weak, loud = levels({63.0: 0.0}, -60.0), levels({}, -3.0), levels({}, 15.0)
    assert math.isfinite(overlap([[sub], [weak], [loud]], 0, [1], [1.0])[0])
    assert math.isnan(overlap([[sub], [weak], [loud]], 0, [1, 2], [1.0])[0])


def test_nothing_overlaps_with_nothing() -> None:
    whole = [[levels({})], [levels({})]]
    assert all(math.isnan(f) for f in overlap(whole, 0, [], [1.0]))
    assert all(math.isnan(f) for f in overlap(whole, 0, [1], [0.0]))
    silent = [[levels({})], [np.zeros(N_LINES, dtype=np.complex128)]]
    assert all(math.isnan(f) for f in overlap(silent, 0, [1], [1.0]))
    assert all(math.isnan(f) for f in overlap(silent, 1, [0], [1.0]))


# What noise hides


@pytest.mark.parametrize(("noise_db", "share"), [(-40.0, 1.0), (-16.0, 1.0), (-13.0, 0.5), (-3.0, 0.5)])
def test_the_share_that_noise_does_not_hide(noise_db: float, share: float) -> None:
    """Two outputs alike in the lower six bands; above, the second is 30 dB down, or may be as loud as noise allows."""
    lower = dict.fromkeys(CENTRES_HZ[:6], 0.0)
    second = np.where(CENTRES_HZ[5] * 10**0.05 > FREQUENCY_HZ, levels(lower), levels({}, -60.0))
    variance = np.where(CENTRES_HZ[5] * 10**0.05 > FREQUENCY_HZ, 1e-6, 10.0 ** (noise_db / 10.0))
    made = responses_of(np.array([[levels({})], [second]]), ["main", "sub"], ["seat"])
    variance = np.broadcast_to(variance, made.h.shape).astype(np.float32).copy()
    variance[0] = 1e-6
    assert heard_share(replace(made, variance=variance), [1.0], [1]) == pytest.approx(share, abs=0.05)
