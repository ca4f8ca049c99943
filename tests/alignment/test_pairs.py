"""How two outputs relate: order, signs, and sums of the changed responses."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from alignment_making import FREQUENCY_HZ, N_LINES, Spectrum, closed, delay, responses_of, sound_check, turned, vented

from analyze.alignment.pairs import pair_rows
from analyze.alignment.rows import Pair
from analyze.description import Output, Position

NAMES = ["main", "sub", "fill"]
OUTPUTS = [Output("main", "main"), Output("sub", "sub"), Output("fill", "fill")]
POSITIONS = [Position("mix", "audience"), Position("drums", "stage")]
CHANGES = {"sub": (-1.0, 2.37), "fill": (1.0, -0.81)}


def rows_of(
    h: Spectrum, fraction: int = 3, changes: dict[str, tuple[float, float]] | None = None, std: float = 1e-4
) -> list[Pair]:
    names = NAMES[: len(h)]
    responses = responses_of(h, names, ["mix", "drums"][: h.shape[1]], std=std)
    check = sound_check(OUTPUTS[: len(h)], POSITIONS[: h.shape[1]])
    return pair_rows(responses, check, CHANGES if changes is None else changes, fraction)


def band(rows: list[Pair], output: str, other: str, position: str, band_hz: float) -> Pair:
    (row,) = (r for r in rows if (r.output, r.other, r.position, r.band_hz) == (output, other, position, band_hz))
    return row


def delays() -> Spectrum:
    """Gains and delays of each output's own; the sub inverted."""
    gains, late_ms = (
        np.array([[1.0, 0.5], [-0.7, -0.9], [0.4, 0.1]]),
        np.array([[10.0, 12.0], [13.5, 11.2], [9.1, 9.0]]),
    )
    return np.array([[g * delay(t) for g, t in zip(*row, strict=True)] for row in zip(gains, late_ms, strict=True)])


def test_each_pair_once_in_the_order_of_the_description() -> None:
    rows = rows_of(delays())
    pairs = list(dict.fromkeys((r.position, r.output, r.other) for r in rows))
    assert pairs == [
        (p, *pair) for p in ("mix", "drums") for pair in (("main", "sub"), ("main", "fill"), ("sub", "fill"))
    ]
    assert {(r.position, r.zone) for r in rows} == {("mix", "audience"), ("drums", "stage")}
    frequencies = [r.band_hz for r in rows if (r.position, r.output, r.other) == pairs[0]]
    assert frequencies == sorted(frequencies)
    assert (frequencies[0], frequencies[-1]) == (20.0, 800.0)


def test_relative_is_this_one_minus_the_other() -> None:
    """Positive when this one is later, louder, ahead in phase; at the mix the sub is 3.5 ms late and inverted."""
    rows = rows_of(delays())
    for centre in (63.0, 250.0, 800.0):
        row = band(rows, "main", "sub", "mix", centre)
        assert row.relative_delay_ms == pytest.approx(-3.5, abs=1e-3)
        assert row.level_difference_db == pytest.approx(20.0 * math.log10(1.0 / 0.7), abs=1e-3)
        other = band(rows, "sub", "fill", "drums", centre)
        assert other.relative_delay_ms == pytest.approx(2.2, abs=1e-3)
        assert other.level_difference_db == pytest.approx(20.0 * math.log10(9.0), abs=1e-3)
    row = band(rows, "main", "sub", "mix", 63.0)
    inside = slice(*np.searchsorted(FREQUENCY_HZ, [56.234, 70.795]))
    vector = -np.exp(2j * np.pi * FREQUENCY_HZ[inside] * 0.0035).mean()
    assert row.relative_phase_deg == pytest.approx(math.degrees(np.angle(vector)), abs=0.05)


def test_ahead_is_positive() -> None:
    """The main a quarter turn ahead at every frequency."""
    h = np.stack([np.full(N_LINES, 1j), np.ones(N_LINES)])[:, None]
    for row in rows_of(h):
        assert row.relative_phase_deg == pytest.approx(90.0, abs=1e-3)
        assert row.relative_delay_ms == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("phase_deg", "sum_db", "flipped_db"),
    [(0.0, 6.0206, -60.0), (60.0, 4.7712, 0.0), (90.0, 3.0103, 3.0103), (120.0, 0.0, 4.7712)],
)
def test_sums_of_two_equal_outputs(phase_deg: float, sum_db: float, flipped_db: float) -> None:
    """+6.02 dB in phase to 0 at 120 degrees: the table of coherent sums."""
    h = np.stack([np.ones(N_LINES), np.full(N_LINES, np.exp(-1j * np.radians(phase_deg)))])[:, None]
    for row in rows_of(h, changes={}):
        assert row.sum_db == pytest.approx(sum_db, abs=1e-3)
        assert row.recommended_sum_db == row.sum_db
        if flipped_db > -50.0:
            assert row.flipped_sum_db == pytest.approx(flipped_db, abs=1e-3)
        else:
            assert row.flipped_sum_db < flipped_db


def edges_of(nominal_hz: float, fraction: int) -> np.ndarray:
    """Edges of the band of this nominal frequency, IEC 61260-1:2014 eqs. (2) to (5)."""
    centres_hz = 1000.0 * 10.0 ** (0.3 * (np.arange(-90, 1) + (0.0 if fraction % 2 else 0.5)) / fraction)
    centre_hz = centres_hz[int(np.argmin(np.abs(np.log(centres_hz / nominal_hz))))]
    return centre_hz * 10.0 ** (np.array([-0.15, 0.15]) / fraction)


@pytest.mark.parametrize("fraction", [1, 3, 6, 12])
def test_recommended_sums_are_those_of_the_changed_responses(fraction: int) -> None:
    rng = np.random.default_rng(2)
    h = rng.standard_normal((3, 2, N_LINES)) + 1j * rng.standard_normal((3, 2, N_LINES))
    h *= np.array([1.0, 0.6, 1.7])[:, None, None]
    moved = turned(h, NAMES, CHANGES)
    rows = rows_of(h, fraction)
    for row in rows[:: 7 if fraction > 1 else 1]:
        i, j, p = NAMES.index(row.output), NAMES.index(row.other), ["mix", "drums"].index(row.position)
        edges_hz = edges_of(row.band_hz, fraction)
        if np.abs(FREQUENCY_HZ[:, None] - edges_hz).min() < 1e-6:
            continue  # a line on an edge belongs to either band
        inside = slice(*np.searchsorted(FREQUENCY_HZ, edges_hz))
        louder = max(np.mean(np.abs(h[k, p, inside]) ** 2) for k in (i, j))
        for value, a, b in (
            (row.sum_db, h[i], h[j]),
            (row.flipped_sum_db, h[i], -h[j]),
            (row.recommended_sum_db, moved[i], moved[j]),
        ):
            actual = np.mean(np.abs(a[p, inside] + b[p, inside]) ** 2)
            assert value == pytest.approx(10.0 * math.log10(actual / louder), abs=2e-3)


@pytest.mark.parametrize(("second", "usable"), [(0.32, "yes"), (0.31, "no"), (3.15, "yes"), (3.2, "no")])
def test_usable_is_within_10_db(second: float, usable: str) -> None:
    h = np.stack([np.ones(N_LINES), np.full(N_LINES, second)])[:, None]
    assert {r.usable for r in rows_of(h)} == {usable}


def test_what_carries_no_information_is_not_known() -> None:
    """A sub that is silent above 200 Hz in noise that is known: no relation there."""
    h = np.stack([closed(50.0), np.where(FREQUENCY_HZ < 200.0, vented(35.0), 0.01)])[:, None]
    for row in rows_of(h, std=0.02):
        if row.band_hz >= 250.0:
            assert row.usable == "no"
            for value in (row.relative_delay_ms, row.relative_phase_deg, row.level_difference_db):
                assert math.isnan(value)
        elif 40.0 <= row.band_hz <= 160.0:
            assert math.isfinite(row.relative_delay_ms)


def test_the_lower_coherence_counts() -> None:
    responses = responses_of(delays()[:2], NAMES[:2], ["mix", "drums"])
    coherence = np.full(responses.coherence.shape, 0.9, dtype=np.float32)
    coherence[1, 0], coherence[0, 1] = 0.4, 0.7
    changed = dataclasses.replace(responses, coherence=coherence)
    rows = pair_rows(changed, sound_check(OUTPUTS[:2], POSITIONS), {}, 3)
    assert {r.position: round(r.coherence, 3) for r in rows} == {"mix": 0.4, "drums": 0.7}


def test_only_what_was_measured_is_paired() -> None:
    h = delays()
    h[1, 0] = np.nan
    pairs = {(r.position, r.output, r.other) for r in rows_of(h)}
    assert pairs == {("mix", "main", "fill")} | {
        ("drums", a, b) for a, b in (("main", "sub"), ("main", "fill"), ("sub", "fill"))
    }


def test_a_sum_is_not_known_below_its_error() -> None:
    """Two opposite signals cancel to nothing, as far as can be told: to the error of both, -37 dB here."""
    h = np.stack([np.ones((1, N_LINES)), -np.ones((1, N_LINES))]).astype(np.complex128)
    rows = rows_of(h, std=0.01)
    assert [r.sum_db for r in rows] == pytest.approx([10.0 * math.log10(2e-4)] * len(rows), abs=0.01)
