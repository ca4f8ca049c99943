"""Tracks of a capture on one clock: right samples in the right order whatever the blocks, damage reported once."""

from __future__ import annotations

import itertools
import warnings
from pathlib import Path

import numpy as np
import pytest
from audio_helpers import (
    RATE_HZ,
    Samples,
    capture,
    counted_reads,
    cut,
    names,
    noise,
    only,
    opened,
    patch,
    read_all,
    track,
    write,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.audio.damage import TrackStatistics, TrackSummary, damage_findings
from analyze.audio.recording import open_recording
from analyze.errors import AudioError, DescriptionError

#: Samples per FLAC frame as libFLAC writes them here (from the file: STREAMINFO block size); damage falls on a border.
FLAC_FRAME = 4096


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A four-channel and two mono files of 7001 frames: two containers, integers and floats."""
    path = tmp_path_factory.mktemp("takes")
    write(path / "four.wav", noise(7001, 4, seed=1))
    write(path / "one.flac", noise(7001, 1, seed=2), form="FLAC")
    write(path / "two.wav", noise(7001, 1, seed=3), subtype="FLOAT")
    return path


TRACKS = {
    ("feed", "mains"): "four.wav:3",
    ("mic", "mix"): "one.flac:1",
    ("mic", "lawn"): "four.wav:1",
    ("mic", "roof"): "two.wav:1",
    ("input", "kick"): "four.wav:2",
}


def expected_samples() -> Samples:
    """What `TRACKS` must give."""
    four, one, two = noise(7001, 4, seed=1), noise(7001, 1, seed=2), noise(7001, 1, seed=3)
    return np.column_stack([four[:, 2], one[:, 0], four[:, 0], two[:, 0], four[:, 1]])


def test_tracks_come_in_the_order_asked_for(folder: Path) -> None:
    with opened(folder, TRACKS) as recording:
        assert recording.labels == tuple(TRACKS)
        assert (recording.sample_rate_hz, recording.n_frames, recording.start_frame) == (RATE_HZ, 7001, 0)
        assert recording.duration_s == pytest.approx(7001 / RATE_HZ)
        assert [file.shown for file in recording.files] == ["four.wav", "one.flac", "two.wav"]
        assert recording.findings == ()
        samples = read_all(recording)
        assert samples.dtype == np.float32
        np.testing.assert_array_equal(samples, expected_samples())
        assert recording.late_findings() == []
        place = recording.places[2]
        assert (place.kind, place.name, place.file, place.channel) == ("mic", "lawn", "four.wav", 1)
        assert [place.kind for place in recording.places] == ["feed", "mic", "mic", "mic", "input"]


@pytest.mark.parametrize("order", list(itertools.permutations(range(5)))[::13])
def test_order_of_tracks_only_permutes(folder: Path, order: tuple[int, ...]) -> None:
    items = [list(TRACKS.items())[i] for i in order]
    with opened(folder, dict(items)) as recording:
        np.testing.assert_array_equal(read_all(recording), expected_samples()[:, order])


@pytest.mark.parametrize("tracks", [[1, 2, 3, 4], [4, 3, 2, 1], [2, 3], [4], [1, 1]])
def test_channels_of_one_file(folder: Path, tracks: list[int]) -> None:
    with opened(folder, {i: f"four.wav:{channel}" for i, channel in enumerate(tracks)}) as recording:
        assert [place.kind for place in recording.places] == ["mic"] * len(tracks)
        np.testing.assert_array_equal(read_all(recording), noise(7001, 4, seed=1)[:, [t - 1 for t in tracks]])


def test_many_mono_files(tmp_path: Path) -> None:
    samples = noise(5000, 40)
    for i in range(40):
        write(tmp_path / f"{i}.wav", samples[:, i : i + 1])
    with opened(tmp_path, {i: f"{i}.wav:1" for i in range(40)}) as recording:
        np.testing.assert_array_equal(read_all(recording, 4999), samples)


@settings(max_examples=40, deadline=None)
@given(n=st.integers(1, 8000), share=st.floats(0, 0.999), span=st.tuples(st.integers(0, 3000), st.integers(1, 5000)))
def test_blocks_do_not_depend_on_their_size(folder: Path, n: int, share: float, span: tuple[int, int]) -> None:
    """Any block, overlap and part of the files: the same samples, each decoded once, nothing sought after the start."""
    overlap = int(share * n)
    start, stop = span[0], min(7001, span[0] + span[1])
    expected = expected_samples()[start:stop]
    with opened(folder, TRACKS, start / RATE_HZ, stop / RATE_HZ) as recording, counted_reads() as (n_decoded, sought):
        blocks = list(recording.blocks(n, overlap))
    assert sought == ([start] * 3 if start else [])
    assert sum(n_decoded) == 3 * (stop - start)
    assert [first for first, _ in blocks] == [i * (n - overlap) for i in range(len(blocks))]
    assert all(len(block) == n for _, block in blocks[:-1])
    covered = 0
    for first, block in blocks:
        np.testing.assert_array_equal(block, expected[first : first + n])
        assert first + len(block) > covered, "a block without a new frame"
        covered = first + len(block)
    assert covered == len(expected)


def test_what_a_caller_does_to_a_block_stays_there(folder: Path) -> None:
    with opened(folder, TRACKS) as recording:
        for first, block in recording.blocks(1000, 400):
            np.testing.assert_array_equal(block, expected_samples()[first : first + 1000])
            block[:] = 7.0


@settings(max_examples=30, deadline=None)
@given(reads=st.lists(st.tuples(st.integers(0, 8000), st.integers(0, 3000)), min_size=1, max_size=6))
def test_any_order_of_reads(folder: Path, reads: list[tuple[int, int]]) -> None:
    with opened(folder, TRACKS, start_s=1000 / RATE_HZ) as recording:
        for start, n in reads:
            np.testing.assert_array_equal(recording.read(start, n), expected_samples()[1000:][start : start + n])


def test_bad_spans_are_mistakes_of_the_program(folder: Path) -> None:
    with opened(folder, TRACKS) as recording:
        with pytest.raises(ValueError, match="negative"):
            recording.read(-1, 5)
        with pytest.raises(ValueError, match=r"overlap 5 is outside 0\.\.4"):
            next(recording.blocks(5, 5))
    with pytest.raises(ValueError, match="no tracks"):
        opened(folder, {})


def test_one_file_in_two_spellings_is_opened_once(folder: Path) -> None:
    with opened(folder, {1: "four.wav:1", 2: f"../{folder.name}/four.wav:2"}) as recording:
        assert len(recording.files) == 1
        np.testing.assert_array_equal(read_all(recording), noise(7001, 4, seed=1)[:, :2])


def test_part_of_a_capture(folder: Path) -> None:
    with opened(folder, TRACKS, start_s=0.05, end_s=0.1) as recording:
        assert (recording.start_frame, recording.n_frames) == (2400, 2400)
        assert recording.findings == ()
        assert recording.places[0].from_s == pytest.approx(0.05)
        np.testing.assert_array_equal(read_all(recording), expected_samples()[2400:4800])


def test_unequal_lengths_use_what_is_common(tmp_path: Path) -> None:
    write(tmp_path / "long.wav", noise(9600, 2, seed=1))
    write(tmp_path / "short.wav", noise(7200, 1, seed=2))
    tracks = {("feed", "mains"): "long.wav:1", ("mic", "mix"): "short.wav:1"}
    with opened(tmp_path, tracks) as recording:
        found = only(recording.findings)
        assert (found.finding, found.severity, found.file) == ("files differ in length", "note", "short.wav")
        assert (found.capture, found.unit) == ("noise", "s")
        assert found.value == pytest.approx(2400 / RATE_HZ)
        assert found.at_s == pytest.approx(7200 / RATE_HZ)
        expected = np.column_stack([noise(9600, 2, seed=1)[:7200, 0], noise(7200, 1, seed=2)])
        np.testing.assert_array_equal(read_all(recording), expected)
    with opened(tmp_path, tracks, end_s=7200 / RATE_HZ) as recording:
        assert recording.findings == ()
    with opened(tmp_path, tracks, end_s=8400 / RATE_HZ) as recording:
        assert only(recording.findings).value == pytest.approx(1200 / RATE_HZ)


def test_end_after_the_audio_is_noted(folder: Path) -> None:
    with opened(folder, TRACKS, end_s=8000 / RATE_HZ) as recording:
        found = only(recording.findings)
        assert (found.finding, found.severity) == ("end after the audio", "note")
        assert found.value == pytest.approx(999 / RATE_HZ)
        assert recording.n_frames == 7001


def test_start_after_the_end_is_refused(folder: Path) -> None:
    with pytest.raises(DescriptionError, match=r'^four.wav: capture "noise" begins after the end of the file'):
        opened(folder, TRACKS, start_s=7001 / RATE_HZ)
    with pytest.raises(DescriptionError, match=r'capture "noise" is empty \(found start_s 0.1, end_s 0.100001\)'):
        opened(folder, TRACKS, start_s=0.1, end_s=0.100001)


@pytest.mark.parametrize(("text", "mend"), [("four.wav:5", "Name channel 1 to 4"), ("two.wav:2", "Name channel 1 in")])
def test_channel_that_is_not_there_is_refused(folder: Path, text: str, mend: str) -> None:
    with pytest.raises(DescriptionError, match="there is no such channel") as caught:
        opened(folder, {("mic", "mix"): text})
    error = caught.value
    assert (f"{error.path}:{error.channel}", error.exit_code) == (text, 2)
    assert mend in error.mend


def test_differing_sample_rates_are_refused(tmp_path: Path) -> None:
    write(tmp_path / "a.wav", noise(100, 1))
    write(tmp_path / "b.wav", noise(100, 1), rate=44_100)
    with pytest.raises(AudioError, match=r"found 44100 Hz, expected 48000 Hz as in a\.wav") as caught:
        opened(tmp_path, {("feed", "mains"): "a.wav:1", ("mic", "mix"): "b.wav:1"})
    assert caught.value.path == "b.wav"
    assert "list b.wav in `unsynced`" in caught.value.mend


def test_missing_file_names_itself(folder: Path) -> None:
    with pytest.raises(DescriptionError, match=r"^day 1/gone\.wav: there is no such file"):
        opened(folder, {("mic", "mix"): "day 1/gone.wav:1"})


def test_finding_of_a_file_tells_the_capture(tmp_path: Path) -> None:
    cut(write(tmp_path / "a.wav", noise(5000, 1)), 0.6)
    with opened(tmp_path, {("mic", "mix"): "a.wav:1"}) as recording:
        found = only(recording.findings)
        assert (found.finding, found.capture, found.file) == ("truncated file", "noise", "a.wav")


# --- samples that are no numbers ---


def bad_samples() -> Samples:
    """Noise with a NaN and three infinite samples in two of three channels; first ones at 1500 and 3000."""
    samples = noise(7001, 3)
    samples[1500, 0] = np.nan
    samples[[3000, 3001, 6000], 2] = [np.inf, -np.inf, np.inf]
    return samples


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("n", [1, 997, 3001, 9000])
def test_samples_that_are_no_numbers_count_as_zero(tmp_path: Path, subtype: str, n: int) -> None:
    write(tmp_path / "a.wav", bad_samples(), subtype=subtype)
    tracks = {("mic", "mix"): "a.wav:1", ("mic", "lawn"): "a.wav:2", ("mic", "roof"): "a.wav:3"}
    with opened(tmp_path, tracks, start_s=1000 / RATE_HZ) as recording:
        expected = np.where(np.isfinite(bad_samples()), bad_samples(), 0.0)[1000:]
        for _ in range(2):  # the second pass finds nothing new
            np.testing.assert_array_equal(read_all(recording, n), expected)
        mix, roof = recording.late_findings()
    assert (mix.finding, mix.severity, mix.unit) == ("non-finite samples", "warning", "samples")
    assert (mix.track, mix.value, mix.channel, mix.file, mix.capture) == ("mix", 1, 1, "a.wav", "noise")
    assert (roof.track, roof.value, roof.channel) == ("roof", 3, 3)
    assert mix.at_s == pytest.approx(1500 / RATE_HZ)
    assert roof.at_s == pytest.approx(3000 / RATE_HZ)


@settings(max_examples=30, deadline=None)
@given(reads=st.lists(st.tuples(st.integers(0, 7000), st.integers(1, 4000)), max_size=8))
def test_bad_samples_are_counted_once_in_any_order_of_reads(
    tmp_path_factory: pytest.TempPathFactory, reads: list[tuple[int, int]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "bad.wav"
    write(path, bad_samples(), subtype="FLOAT")
    with opened(path.parent, {("mic", str(i)): f"bad.wav:{i + 1}" for i in range(3)}) as recording:
        seen = np.zeros(7001, dtype=bool)
        for start, n in reads:
            recording.read(start, n)
            seen[start : start + n] = True
        is_bad = ~np.isfinite(bad_samples()) & seen[:, np.newaxis]
        counted = {found.channel: (found.value, found.at_s) for found in recording.late_findings()}
        for channel in (1, 2, 3):
            frames = np.flatnonzero(is_bad[:, channel - 1])
            assert (channel in counted) == (len(frames) > 0)
            if len(frames):
                assert counted[channel] == pytest.approx((len(frames), frames[0] / RATE_HZ))


def test_loud_samples_are_sound_and_impossible_ones_are_not(tmp_path: Path) -> None:
    """Up to 120 dB over full scale, more than any float recorder has room for; the squares of 3e38 would run over."""
    samples = np.full((5000, 1), 1e6, dtype=np.float32)
    samples[7::1000] = (-3e38,)
    write(tmp_path / "a.wav", samples, subtype="FLOAT")
    with opened(tmp_path, {("mic", "mix"): "a.wav:1"}) as recording:
        statistics = TrackStatistics(1, RATE_HZ)
        blocks = [block for _, block in recording.blocks(700, statistics=statistics)]
        np.testing.assert_array_equal(np.concatenate(blocks), np.where(samples > 0.0, samples, 0.0))
        (found,) = recording.late_findings()
        assert (found.finding, found.value, found.at_s) == ("non-finite samples", 5.0, 7 / RATE_HZ)
    assert statistics.finish().level_dbfs[0] == pytest.approx(120.0, abs=0.01)


# --- files that break off ---


def broken_flac(path: Path, n_frames: int, n_channels: int, *, share: float = 0.6) -> Path:
    """A FLAC file damaged at about `share` of its bytes: 60 bytes overwritten, the rest left whole."""
    write(path, noise(n_frames, n_channels, seed=7), form="FLAC")
    return patch(path, int(path.stat().st_size * share), b"\x55" * 60)


@pytest.mark.parametrize("damage", ["cut", "overwritten"])
@pytest.mark.parametrize("n", [1, 1000, 4096, 5000, 100_000])
def test_flac_that_fails_midway_is_used_up_to_there(tmp_path: Path, damage: str, n: int) -> None:
    """The failing place is the same for every block size, and the other file is used as far."""
    n_frames = 40_000 if n > 1 else 12_000
    if damage == "cut":
        cut(write(tmp_path / "a.flac", noise(n_frames, 2, seed=7), form="FLAC"), 0.6)
    else:
        broken_flac(tmp_path / "a.flac", n_frames, 2)
    write(tmp_path / "b.wav", noise(n_frames, 1, seed=8))
    expected = np.column_stack([noise(n_frames, 1, seed=8), noise(n_frames, 2, seed=7)[:, 1]])
    # of whole frames, the one that holds the damage is lost
    n_good = int(n_frames * 0.6) // FLAC_FRAME * FLAC_FRAME
    with opened(tmp_path, {("feed", "mains"): "b.wav:1", ("mic", "mix"): "a.flac:2"}) as recording:
        assert (recording.n_frames, recording.findings) == (n_frames, ())
        samples = read_all(recording, n)
        assert recording.n_frames == len(samples) == n_good
        np.testing.assert_array_equal(samples, expected[:n_good])
        found = only(recording.late_findings())
        assert (found.finding, found.severity, found.file) == ("damaged file", "warning", "a.flac")
        assert (found.capture, found.unit) == ("noise", "s")
        assert found.at_s == pytest.approx(n_good / RATE_HZ)
        assert found.value == pytest.approx((n_frames - n_good) / RATE_HZ)
        np.testing.assert_array_equal(read_all(recording, 777), expected[:n_good])  # a second pass goes as far
        assert recording.read(n_good, 10).shape == (0, 2)
        np.testing.assert_array_equal(recording.read(100, 50), expected[100:150])
        assert only(recording.late_findings()) == found


def test_flac_that_breaks_off_before_the_capture_begins(tmp_path: Path) -> None:
    cut(write(tmp_path / "a.flac", noise(100_000, 2), form="FLAC"), 0.3)
    with (
        opened(tmp_path, {("mic", "mix"): "a.flac:1"}, start_s=1.5) as recording,
        pytest.raises(AudioError, match=r"^a.flac at 1.50 s: cannot be decoded"),
    ):
        recording.read(0, 100)


def test_damage_after_the_capture_is_not_met(tmp_path: Path) -> None:
    broken_flac(tmp_path / "a.flac", 40_000, 2)
    with opened(tmp_path, {("mic", "mix"): "a.flac:1"}, end_s=0.3) as recording:
        np.testing.assert_array_equal(read_all(recording)[:, 0], noise(40_000, 2, seed=7)[:14_400, 0])
        assert recording.late_findings() == []


def test_file_that_shrinks_after_opening(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", noise(9000, 1))
    with opened(tmp_path, {("mic", "mix"): "a.wav:1"}) as recording:
        cut(path, 0.5)
        samples = read_all(recording)
        assert 4000 < len(samples) < 4500
        np.testing.assert_array_equal(samples, noise(9000, 1)[: len(samples)])
        assert names(recording.late_findings()) == ["damaged file"]


def test_files_are_closed(folder: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error", ResourceWarning)
        with opened(folder, TRACKS) as recording:
            recording.read(0, 10)
            handles = [source.decoder._sound for source in recording._sources]
            assert all(handle is not None and not handle.closed for handle in handles)
        assert all(handle is not None and handle.closed for handle in handles)


# --- the statistics ride along ---


def _summary(folder: Path, n: int, overlap: int) -> TrackSummary:
    with opened(folder, TRACKS) as recording:
        statistics = TrackStatistics(len(recording.labels), recording.sample_rate_hz)
        for _ in recording.blocks(n, overlap, statistics):
            pass
        summary = statistics.finish()
        assert damage_findings(summary, recording.places) == []
    return summary


@pytest.mark.parametrize(("n", "overlap"), [(1, 0), (1000, 750), (9000, 100)])
def test_statistics_get_every_frame_once(folder: Path, n: int, overlap: int) -> None:
    summary = _summary(folder, n, overlap)
    expected = expected_samples().astype(np.float64)
    assert summary.n_frames == 7001
    np.testing.assert_allclose(summary.peak, np.abs(expected).max(axis=0))
    np.testing.assert_allclose(summary.level_dbfs, 10 * np.log10((expected**2).mean(axis=0)), atol=1e-5)


def test_label_of_any_kind_and_typed_capture(folder: Path) -> None:
    with open_recording(folder, capture(), {"mix": track("one.flac:1")}) as recording:
        assert (recording.places[0].kind, recording.places[0].name) == ("mic", "mix")
