"""Sound read off by another clock: the right samples whatever the reads, silence where there is no data."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from audio_helpers import Samples, counted_reads, noise, track, write
from clock_making import Clock, read_off
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.audio.clock_source import ClockPiece, Resampled
from analyze.audio.recording import Recording, open_recording
from analyze.description import Capture

FOREVER = (-math.inf, math.inf)


def opened(folder: Path, samples: Samples, rate_hz: int = 48_000, form: str = "WAV") -> Recording:
    """A recording of one file, all its channels as tracks."""
    write(folder / "own.x", samples, rate=rate_hz, form=form)
    tracks = {("mic", str(i)): track(f"own.x:{i + 1}") for i in range(samples.shape[1])}
    return open_recording(folder, Capture(name="take", playing=()), tracks)


def tones(n: int, rate_hz: float) -> Samples:
    """Tones (frame, track) at 0.1, 1, 10 and 18 kHz, faded in and out over 2000 frames."""
    time_s = np.arange(n) / rate_hz
    fade = np.clip(np.minimum(np.arange(n), n - np.arange(n)) / 2000.0, 0.0, 1.0)
    return np.stack([0.9 * fade * np.sin(2 * np.pi * f * time_s) for f in (1e2, 1e3, 1e4, 1.8e4)], axis=1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("ppm", [200.0, -3.0, 0.0])
def test_tones_keep_their_phase(tmp_path: Path, rate_hz: int, ppm: float) -> None:
    """Closed form. Residual 1e-4 of the amplitude (24 bits, interpolator), 3e-4 at 18 kHz."""
    n, offset_s = round(1.25 * rate_hz), 0.123456789
    own = tones(n, rate_hz * (1.0 + ppm * 1e-6))  # the instants of the base at which it was sampled, from offset 0
    with opened(tmp_path, own, rate_hz) as recording:
        samples = Resampled(recording, [ClockPiece(*FOREVER, -offset_s, ppm)], 48_000).read(0, 50_000)
    base_s = np.arange(50_000) / 48_000 - offset_s / (1.0 + ppm * 1e-6)
    inside = slice(9_000, 45_000)
    for i, frequency_hz in enumerate((1e2, 1e3, 1e4, 1.8e4)):
        expected = 0.9 * np.sin(2 * np.pi * frequency_hz * base_s[inside])
        np.testing.assert_allclose(samples[inside, i], expected, atol=5e-4)
        late = 0.9 * np.sin(2 * np.pi * frequency_hz * (base_s[inside] - 2e-6))
        assert frequency_hz < 1e3 or np.abs(samples[inside, i] - late).max() > 5e-4, "2 us would pass"


def test_same_clock_is_the_same_samples(tmp_path: Path) -> None:
    samples = noise(40_000, 2)
    with opened(tmp_path, samples) as recording:
        same = Resampled(recording, [ClockPiece(*FOREVER, 0.0, 0.0)], 48_000)
        np.testing.assert_array_equal(same.read(0, 40_000), samples)
        later = Resampled(recording, [ClockPiece(*FOREVER, 0.25, 0.0)], 48_000)
        np.testing.assert_array_equal(later.read(100, 20_000), samples[12_100:32_100])


@pytest.fixture(scope="module")
def two_pieces(tmp_path_factory: pytest.TempPathFactory) -> Resampled:
    """Two tracks of noise at 44.1 kHz in two pieces with a gap, on a base of 48 kHz."""
    recording = opened(tmp_path_factory.mktemp("own"), noise(90_000, 2), 44_100, "FLAC")
    pieces = [ClockPiece(-math.inf, 0.9, -0.1, 150.0), ClockPiece(1.1, math.inf, -0.3, 150.0)]
    return Resampled(recording, pieces, 48_000)


@settings(max_examples=25, deadline=None)
@given(reads=st.lists(st.tuples(st.integers(-3000, 120_000), st.integers(0, 40_000)), min_size=1, max_size=5))
def test_any_order_and_length_of_reads(two_pieces: Resampled, reads: list[tuple[int, int]]) -> None:
    """To the bit: each read is part of one whole."""
    whole = two_pieces.read(-3000, 170_000)
    for start, n in reads:
        np.testing.assert_array_equal(two_pieces.read(start, n), whole[start + 3000 : start + 3000 + n])


def test_gaps_are_silence_and_nothing_else_is(two_pieces: Resampled) -> None:
    whole = two_pieces.read(0, 130_000)
    first = math.ceil(0.1 / (1 + 150e-6) * 48_000)
    last = math.ceil((90_000 / 44_100 + 0.3) / (1 + 150e-6) * 48_000)
    gaps = two_pieces.gaps(130_000)
    assert gaps == ((0, first), (43_200, 52_800), (last, 130_000))
    assert two_pieces.gaps(50_000) == ((0, first), (43_200, 50_000))
    is_gap = np.zeros(130_000, dtype=bool)
    for begin, stop in gaps:
        is_gap[begin:stop] = True
    assert not whole[is_gap].any()
    assert (np.abs(whole[~is_gap]).max(axis=1) > 0).all()


def test_pieces_do_not_mix(tmp_path: Path) -> None:
    """Each piece reads along its own line up to its ends."""
    sound = np.cumsum(np.random.default_rng(2).standard_normal(60_000))
    sound = np.convolve(sound - sound.mean(), np.hanning(31) / 15.0, "same")
    sound *= np.hanning(60_000) / np.abs(sound).max()
    with opened(tmp_path, sound[:, np.newaxis]) as recording:
        pieces = [ClockPiece(0.0, 0.4, 0.05, -80.0), ClockPiece(0.5, 0.9, 0.15, -80.0)]
        samples = Resampled(recording, pieces, 48_000).read(0, 48_000)[:, 0]
    for start, stop, offset_s in ((0, 19_200, 0.05), (24_000, 43_200, 0.15)):
        expected = read_off(sound, start * (1 - 80e-6) + offset_s * 48_000, 1 - 80e-6, stop - start)
        np.testing.assert_allclose(samples[start:stop], expected, atol=1e-5)


@pytest.mark.parametrize("n", [1000, 16_384, 30_000])
def test_sequential_reads_decode_every_frame_once(tmp_path: Path, n: int) -> None:
    with opened(tmp_path, noise(100_000, 1), 44_100) as recording:
        samples = Resampled(recording, [ClockPiece(*FOREVER, 0.0, 99.0)], 48_000)
        with counted_reads() as (n_decoded, sought):
            for start in range(0, 120_000, n):
                samples.read(start, n)
    assert sum(n_decoded) == 100_000
    assert not sought


def test_only_the_tracks_asked_for(two_pieces: Resampled) -> None:
    one = Resampled(two_pieces.recording, two_pieces.pieces, 48_000, [1], n_bytes_kept=1 << 22)
    whole = two_pieces.read(0, 100_000)[:, 1:]
    for _ in range(2):  # the second time from what was kept
        np.testing.assert_array_equal(one.read(0, 100_000), whole)


def test_file_that_breaks_off_becomes_a_gap(tmp_path: Path) -> None:
    """What was read before it turned out is the same afterwards."""
    with opened(tmp_path, noise(60_000, 1), 48_000, "FLAC") as recording:
        content = (tmp_path / "own.x").read_bytes()
        (tmp_path / "own.x").write_bytes(content[: len(content) // 2])
        samples = Resampled(recording, [ClockPiece(*FOREVER, 0.0, 50.0)], 48_000)
        whole = samples.read(0, 60_000)
        ((first, stop),) = samples.gaps(60_000)
        assert 20_000 < first < 32_000
        assert stop == 60_000
        assert not whole[first:].any()
        np.testing.assert_array_equal(Resampled(recording, samples.pieces, 48_000).read(0, 60_000), whole)


def test_line_of_a_piece() -> None:
    piece = ClockPiece(0.0, 10.0, 2.0, 100.0)
    assert piece.foreign_s(1000.0) == pytest.approx(1002.1)
    assert piece.base_s(1002.1) == pytest.approx(1000.0)
    assert Clock(2.0, 100.0).foreign_s(1000.0) == piece.foreign_s(1000.0)
    with pytest.raises(ValueError, match=r"the piece 3\.0\.\.3\.0 s is empty"):
        ClockPiece(3.0, 3.0, 0.0, 0.0)
