"""What the recommended settings change, band by band, against sums spelled out."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from alignment_making import FREQUENCY_HZ, N_LINES, Spectrum, closed, context, responses_of, sound_check, turned

from analyze.acoustics import band_centres_hz
from analyze.alignment.cells import find_cells
from analyze.alignment.prediction import change_effects, prediction_rows
from analyze.alignment.rows import Prediction
from analyze.alignment.score import efficiency_db
from analyze.description import Output, Position

NAMES = ["main", "sub", "fill"]
OUTPUTS = [Output("main", "main"), Output("sub", "sub"), Output("fill", "fill")]
POSITIONS = [Position("mix", "audience"), Position("drums", "stage")]
CHANGES = {"sub": (-1.0, 2.37), "fill": (1.0, -0.81)}


def rig() -> Spectrum:
    rng = np.random.default_rng(1)
    h = rng.standard_normal((3, 2, N_LINES)) + 1j * rng.standard_normal((3, 2, N_LINES))
    return h * np.array([1.0, 0.6, 0.3])[:, None, None]


def test_noise_that_is_no_sound_of_an_output_changes_no_sum_above_what_is_decided() -> None:
    """A sub that ends at 400 Hz under an error as large as what is read of it: there the main is alone."""
    rng = np.random.default_rng(4)
    std, shape = 0.2, (2, 2, N_LINES)
    h = std * np.sqrt(0.5) * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    h[0] += 1.0
    h[1, :, FREQUENCY_HZ < 400.0] += 1.0
    responses = responses_of(h, NAMES[:2], ["mix", "drums"], std=std)
    cells = find_cells(responses, [1.0, 0.0])
    rows = prediction_rows(responses, sound_check(OUTPUTS[:2], POSITIONS), {"sub": (-1.0, 0.0)}, cells, 3)
    above = [row for row in rows if row.band_hz > 450.0]
    assert above
    assert [db for row in above for db in (row.present_db, row.recommended_db)] == pytest.approx(
        [0.0] * 2 * len(above), abs=1e-9
    )
    assert all(abs(row.change_db) > 0.5 for row in rows if 25.0 < row.band_hz < 315.0 and row.position == "mix")


def test_no_setting_is_sought_that_suits_the_noise_of_an_output() -> None:
    """A sub that ends at 150 Hz beside two mains that meet up to 315 Hz: moving it changes nothing above."""
    rng = np.random.default_rng(6)
    std, shape = 0.2, (3, 2, N_LINES)
    h = std * np.sqrt(0.5) * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    h[:2] += 1.0
    h[2, :, FREQUENCY_HZ < 150.0] += 1.0
    outputs = [Output("left", "main", "mains"), Output("right", "main", "mains"), Output("sub", "sub")]
    found = context(outputs, POSITIONS, h, std=std)
    cells, moved = found.audience, {"sub": (1.0, 4.0)}
    above = cells.band_hz > 180.0
    assert above.sum() == 3
    change_db = efficiency_db(found.changed(moved), cells) - efficiency_db(found.changed({}), cells)
    assert np.abs(change_db[above]).max() < 1e-9
    assert np.abs(change_db[~above]).min() > 0.0
    again = found.landscape([("sub",)], moved, cells, 0).score([(1.0, 0.0)], above)
    assert again == pytest.approx(found.landscape([("sub",)], {}, cells, 0).score([(1.0, 0.0)], above), abs=1e-9)


def rows_of(h: Spectrum, fraction: int = 3, changes: dict[str, tuple[float, float]] | None = None) -> list[Prediction]:
    responses = responses_of(h, NAMES[: len(h)], ["mix", "drums"])
    cells = find_cells(responses, [1.0, 0.0])
    check = sound_check(OUTPUTS[: len(h)], POSITIONS)
    return prediction_rows(responses, check, CHANGES if changes is None else changes, cells, fraction)


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_sums_are_re_the_sum_of_all_magnitudes(fraction: int) -> None:
    h = rig()
    rows = rows_of(h, fraction)
    known = []
    for centre_hz in band_centres_hz(fraction, 19.0, 17_000.0):
        edges_hz = centre_hz * 10.0 ** (np.array([-0.15, 0.15]) / fraction)
        first, stop = np.searchsorted(FREQUENCY_HZ, edges_hz)
        if stop > first and edges_hz[1] <= 1000.0:
            known.append((centre_hz, edges_hz))
    assert len(rows) == 2 * len(known)
    for row, (p, centre, edges_hz) in zip(rows, [(p, *band) for p in range(2) for band in known], strict=True):
        assert row.band_hz == pytest.approx(centre, rel=0.03)
        if np.abs(FREQUENCY_HZ[:, None] - edges_hz).min() < 1e-6:
            continue  # a line on an edge belongs to either band
        inside = slice(*np.searchsorted(FREQUENCY_HZ, edges_hz))
        possible = np.mean(np.abs(h[:, p, inside]).sum(axis=0) ** 2)
        for value, state in ((row.present_db, {}), (row.recommended_db, CHANGES)):
            actual = np.mean(np.abs(turned(h, NAMES, state)[:, p, inside].sum(axis=0)) ** 2)
            assert value == pytest.approx(10.0 * math.log10(actual / possible), abs=1e-3)
        assert row.change_db == pytest.approx(row.recommended_db - row.present_db, abs=1e-9)
        assert (row.position, row.zone) == [("mix", "audience"), ("drums", "stage")][p]
        assert row.present_db <= 1e-6


def test_nothing_changed_changes_nothing() -> None:
    for row in rows_of(rig(), changes={}):
        assert row.change_db == 0.0


def test_two_equal_outputs_lose_nothing_in_phase_and_everything_opposed() -> None:
    h = np.stack([closed(50.0), closed(50.0)])[:, None] * np.ones((1, 2, 1))
    for row in rows_of(h, changes={"sub": (-1.0, 0.0)}):
        assert row.present_db == pytest.approx(0.0, abs=1e-3)
        assert row.recommended_db < -100.0


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_cells_are_those_of_the_score(fraction: int) -> None:
    """Bands from 25 to 315 Hz at seats of the audience; of other widths where the third at their centre is one."""
    for row in rows_of(rig(), fraction):
        inside = 22.4 < row.band_hz < 355.0
        assert (row.cell == "yes") is (inside and row.position == "mix")


def test_a_gap_between_cells_shows_in_every_fraction() -> None:
    h = np.ones((2, 2, N_LINES), dtype=np.complex128)
    h[1, :, (FREQUENCY_HZ >= 89.2) & (FREQUENCY_HZ < 141.2)] = 0.01
    for fraction in (3, 6, 12):
        for row in rows_of(h, fraction, {}):
            if row.position == "mix" and 26.0 < row.band_hz < 310.0:
                assert (row.cell == "no") is (89.1 < row.band_hz < 141.3), (fraction, row.band_hz)


def test_what_was_not_measured_has_no_rows() -> None:
    h = rig()
    h[:, 1] = np.nan
    assert {r.position for r in rows_of(h)} == {"mix"}
    h[0, 0] = np.nan
    assert all(math.isfinite(r.present_db) for r in rows_of(h))


def test_the_error_of_a_sum_is_that_of_its_resamples() -> None:
    """One of two equal outputs at 90 degrees whose phase scatters by s: 2 - 2 sin s is a scatter of 4.34 s dB.

    Resamples end at a line, here of 400 Hz; above it no error is known.
    """
    rng = np.random.default_rng(3)
    n_low = int(np.searchsorted(FREQUENCY_HZ, 400.0))
    h = np.stack([np.ones((2, N_LINES)), 1j * np.ones((2, N_LINES))])
    turns_rad = 0.05 * rng.standard_normal(4000)
    replicates = np.repeat(h[None, ..., :n_low], len(turns_rad), axis=0).astype(np.complex64)
    replicates[:, 1] *= np.exp(1j * turns_rad)[:, None, None]
    responses = dataclasses.replace(responses_of(h, NAMES[:2], ["mix", "drums"]), replicates=replicates)
    cells = find_cells(responses, [1.0, 0.0])
    rows = prediction_rows(responses, sound_check(OUTPUTS[:2], POSITIONS), {"sub": (-1.0, 0.0)}, cells, 3)
    for row in rows:
        is_known = row.band_hz <= 315.0
        for std_db in (row.present_std_db, row.recommended_std_db):
            assert math.isfinite(std_db) is is_known
            assert not is_known or std_db == pytest.approx(10.0 / math.log(10.0) * np.std(turns_rad), rel=0.02)
    assert {row.band_hz > 315.0 for row in rows} == {True, False}


def test_the_effect_of_a_change_is_what_is_lost_without_it() -> None:
    h = rig()
    effects = change_effects(responses_of(h, NAMES, ["mix", "drums"]), [("main",), ("sub",), ("fill",)], CHANGES)
    assert [one.outputs for one in effects] == [("sub",), ("fill",)]
    every = {(row.position, row.band_hz): row.recommended_db for row in rows_of(h)}
    for one in effects:
        others = {name: change for name, change in CHANGES.items() if name not in one.outputs}
        without = {(row.position, row.band_hz): row.recommended_db for row in rows_of(h, changes=others)}
        assert set(one.sum_db) == set(every)
        assert max(abs(every[at] - without[at] - db) for at, db in one.sum_db.items()) < 1e-9
        assert max(map(abs, one.sum_db.values())) > 0.1


def test_a_group_has_one_effect() -> None:
    """Two subs turned over together: without them nothing has changed."""
    h = rig()
    changes = {"sub": (-1.0, 0.0), "fill": (-1.0, 0.0)}
    (effect,) = change_effects(responses_of(h, NAMES, ["mix", "drums"]), [("main",), ("sub", "fill")], changes)
    rows = {(row.position, row.band_hz): row.change_db for row in rows_of(h, changes=changes)}
    assert effect.sum_db == pytest.approx(rows)
