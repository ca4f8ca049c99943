"""Columns of lowest and highest samples: exact, whatever the length, in memory that does not grow."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analyze.audio.damage import TrackPlace, TrackStatistics, waveforms_of
from analyze.audio.waveform import MOST_COLUMNS, PIECE, Columns, Waveform


def gathered(samples: NDArray[np.float32], stretch: int) -> Columns:
    """Columns of samples (track, frame) given in stretches."""
    columns = Columns(len(samples))
    for start in range(0, samples.shape[1], stretch):
        held = samples[:, start : start + stretch]
        low, high = columns.take(held)
        np.testing.assert_array_equal(low, held.min(axis=1))
        np.testing.assert_array_equal(high, held.max(axis=1))
    return columns


@pytest.mark.parametrize("stretch", [1, 3, 16])
@pytest.mark.parametrize("n_pieces", [0.3, 1, 7.5, MOST_COLUMNS, MOST_COLUMNS + 0.1, 2.6 * MOST_COLUMNS])
def test_every_column_holds_its_extremes(n_pieces: float, stretch: int) -> None:
    rng = np.random.default_rng(3)
    samples = rng.standard_normal((2, round(n_pieces * PIECE)), dtype=np.float32)
    overview = gathered(samples, stretch * PIECE).overview()
    starts = np.arange(0, samples.shape[1], overview.n_frames)
    np.testing.assert_array_equal(overview.low, np.minimum.reduceat(samples, starts, axis=1))
    np.testing.assert_array_equal(overview.high, np.maximum.reduceat(samples, starts, axis=1))
    assert overview.low.shape[1] <= MOST_COLUMNS
    assert n_pieces <= MOST_COLUMNS or overview.low.shape[1] > MOST_COLUMNS // 2


def test_a_click_in_hours_is_seen_where_it_is() -> None:
    """Three hours at 48 kHz, silence but for one sample; a column is 10.9 s then."""
    columns, silence = Columns(1), np.zeros((1, 16 * PIECE), dtype=np.float32)
    n_stretches, at = 3 * 3600 * 48_000 // (16 * PIECE), 20_000
    for k in range(n_stretches):
        if k == at:
            click = silence.copy()
            click[0, 5] = -0.7
            columns.take(click)
        else:
            columns.take(silence)
    overview = columns.overview()
    (column,) = np.flatnonzero(overview.low[0])
    assert overview.low[0, column] == np.float32(-0.7)
    assert column == at * 16 * PIECE // overview.n_frames
    assert overview.n_frames / 48_000 == pytest.approx(10.9, abs=0.1)


def test_a_waveform_knows_its_track_and_its_times() -> None:
    rate_hz = 8000
    statistics = TrackStatistics(2, rate_hz)
    samples = np.zeros((4 * rate_hz, 2), dtype=np.float32)
    samples[3 * rate_hz, 1] = 0.5
    statistics.update(samples)
    places = [TrackPlace("feed", "sub", "take", "a.wav", 1, 30.0), TrackPlace("mic", "mix", "take", "a.wav", 2, 30.0)]
    sub, mix = waveforms_of(statistics.finish(), places)
    assert (sub.kind, sub.name, mix.capture, mix.name) == ("feed", "sub", "take", "mix")
    assert not sub.high.any()
    assert mix.from_s + mix.column_s * int(np.argmax(mix.high)) == pytest.approx(33.0, abs=PIECE / rate_hz)
    assert mix.to_s == pytest.approx(34.0, abs=PIECE / rate_hz)
    assert mix.without([(0, rate_hz), (2 * rate_hz, 3 * rate_hz)], rate_hz).left_out == ((30.0, 31.0), (32.0, 33.0))


@pytest.mark.parametrize("most", [1, 3, 10, 99])
def test_a_coarser_waveform_keeps_its_extremes_and_its_end(most: int) -> None:
    rng = np.random.default_rng(1)
    low, high = np.sort(rng.standard_normal((2, 10)), axis=0).astype(np.float32)
    fine = Waveform("take", "mic", "mix", 2.0, 0.1, low, high)
    coarse = fine.coarser(most)
    assert len(coarse.low) <= most
    assert (coarse.low.min(), coarse.high.max()) == (low.min(), high.max())
    assert 0.0 <= coarse.to_s - fine.to_s < coarse.column_s
