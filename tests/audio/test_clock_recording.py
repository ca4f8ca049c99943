"""Recordings with tracks on clocks of their own: in the order asked for, on the base clock, left out if not found."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from audio_helpers import names, only, read_all, track
from clock_making import RATE_HZ, Clock, hall, heard, pink
from numpy.typing import NDArray

from analyze.audio.recording import Recording, open_recording
from analyze.description import Capture
from analyze.errors import AudioError, DescriptionError

DURATION_S = 16.0
N = round(DURATION_S * RATE_HZ)
#: Two recorders on their own clocks, one of them in two files, one at another rate and with a jump.
PAIR, LONE = Clock(3.5, 120.0), Clock(-2.25, -70.0, ((9.0, 0.05),), rate_hz=16_000)
UNSYNCED = (("seat.wav", "lawn.wav"), ("lone.wav",))
TRACKS = {
    ("mic", "lawn"): "lawn.wav:1",
    ("feed", "mains"): "desk.wav:2",
    ("mic", "lone"): "lone.wav:1",
    ("mic", "mix"): "desk.wav:1",
    ("mic", "seat"): "seat.wav:2",
}


@pytest.fixture(scope="module")
def sounds() -> dict[str, NDArray[np.float64]]:
    """What there is to hear on the base clock: the feed and every microphone."""
    rng = np.random.default_rng(1)
    feed = pink(N, rng)
    places = {"mix": 0.03, "seat": 0.05, "lawn": 0.08, "lone": 0.06}
    return {"mains": feed} | {name: heard(feed, hall(rng, s, 0.0), 25.0, rng) for name, s in places.items()}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, sounds: dict[str, NDArray[np.float64]]) -> Path:
    path = tmp_path_factory.mktemp("take")
    put(path / "desk.wav", [sounds["mix"], sounds["mains"]])
    put(path / "seat.wav", [np.zeros(26 * RATE_HZ), PAIR.recorded(sounds["seat"], 26.0)])
    put(path / "lawn.wav", [PAIR.recorded(sounds["lawn"], 25.0)])
    put(path / "lone.wav", [LONE.recorded(sounds["lone"], 14.0)], LONE.rate_hz)
    return path


def put(path: Path, tracks: Sequence[NDArray[np.float64]], rate_hz: int = RATE_HZ) -> Path:
    """Write tracks (frame,) as floating point."""
    soundfile.write(path, np.stack(tracks, axis=1).astype(np.float32), rate_hz, subtype="FLOAT")
    return path


def opened(folder: Path, tracks: Mapping[tuple[str, str], str], **of_capture: object) -> Recording:
    capture = replace(Capture(name="take", playing=(), unsynced=UNSYNCED), **of_capture)
    return open_recording(folder, capture, {label: track(text) for label, text in tracks.items()})


def delay_s(one: NDArray[np.floating], other: NDArray[np.floating]) -> float:
    """How much later `other` is than `one`, by the phase of their cross-spectrum from 200 to 4000 Hz."""
    taper = np.hanning(len(one))
    cross = np.conj(np.fft.rfft(one * taper)) * np.fft.rfft(other * taper)
    frequency_hz = np.arange(len(cross)) * RATE_HZ / len(one)
    cross = cross[(frequency_hz > 200.0) & (frequency_hz < 4000.0)]
    frequency_hz = frequency_hz[(frequency_hz > 200.0) & (frequency_hz < 4000.0)]
    return float(-np.sum(np.abs(cross) * np.angle(cross) * frequency_hz)) / float(
        2.0 * np.pi * np.sum(np.abs(cross) * frequency_hz**2)
    )


@pytest.mark.parametrize("left_out", [["seat"], ["seat", "lawn"], ["lone", "mix"]])
def test_some_tracks_of_a_recording(folder: Path, left_out: list[str]) -> None:
    """The same samples, clocks and gaps as in the whole, in another order too, whatever clock loses its tracks."""
    kept = [label for label in reversed(TRACKS) if label[1] not in left_out]
    with opened(folder, TRACKS) as recording:
        some = recording.in_order(kept)
        assert some.labels == tuple(kept)
        columns = [recording.labels.index(label) for label in kept]
        for of_some, of_all in ((some.clock_of, recording.clock_of), (some.gaps, recording.gaps)):
            assert list(of_some) == [of_all[k] for k in columns]
        np.testing.assert_array_equal(read_all(some), read_all(recording)[:, columns])


def test_tracks_of_three_clocks_in_one_block(folder: Path, sounds: dict[str, NDArray[np.float64]]) -> None:
    with opened(folder, TRACKS) as recording:
        assert recording.labels == tuple(TRACKS)
        assert recording.clock_of == (1, 0, 2, 0, 1)
        assert (recording.sample_rate_hz, recording.n_frames, recording.start_frame) == (RATE_HZ, N, 0)
        assert [place.name for place in recording.places] == [name for _, name in TRACKS]
        assert [file.shown for file in recording.files] == ["desk.wav", "lawn.wav", "seat.wav", "lone.wav"]
        samples = read_all(recording)
        assert samples.dtype == np.float32
    for column, (_, name) in enumerate(TRACKS):
        if name in ("mains", "mix"):
            np.testing.assert_array_equal(samples[:, column], sounds[name].astype(np.float32))


def test_foreign_tracks_keep_their_distance(folder: Path, sounds: dict[str, NDArray[np.float64]]) -> None:
    """The earliest of a clock comes with the feed, the others as much later as they are; no drift. Residual 1 us."""
    with opened(folder, TRACKS) as recording:
        samples, gaps = read_all(recording), recording.gaps
    lawn, seat, lone = (samples[:, list(TRACKS).index(("mic", name))] for name in ("lawn", "seat", "lone"))
    shift = round(0.05 * RATE_HZ)  # the seat's flight, by which its clock is off
    for start_s in (1.0, 8.0, 13.0):
        here = slice(round(start_s * RATE_HZ), round((start_s + 2.0) * RATE_HZ))
        there = slice(here.start + shift, here.stop + shift)
        one, other = delay_s(sounds["seat"][there], seat[here]), delay_s(sounds["lawn"][there], lawn[here])
        assert abs(one) < 2e-4, "the grid on which the arrival is found is 0.125 ms"
        assert other == pytest.approx(one, abs=4e-6)
    (first, stop), lost = gaps[2]
    assert (first, stop) == (0, pytest.approx(2.25 * RATE_HZ, abs=0.1 * RATE_HZ))
    assert lost[0] < 9.0 * RATE_HZ < 9.05 * RATE_HZ < lost[1] < 11.0 * RATE_HZ
    assert not lone[first:stop].any()
    assert not lone[lost[0] : lost[1]].any()
    shift = round(0.06 * RATE_HZ)
    late = []
    for start_s in (3.0, 5.0, 11.0, 13.5):
        here = slice(round(start_s * RATE_HZ), round((start_s + 2.0) * RATE_HZ))
        late.append(delay_s(sounds["lone"][here.start + shift : here.stop + shift], lone[here]))
    assert np.ptp(late) < 4e-6, "before and after the jump, from the beginning to the end"


def test_findings_name_every_clock(folder: Path) -> None:
    with opened(folder, TRACKS) as recording:
        found = list(recording.findings)
        assert names(found) == ["files differ in length", "recorder clock", "recorder clock", "recorder jump"]
        assert [f.file for f in found] == ["lawn.wav", "lawn.wav, seat.wav", "lone.wav", "lone.wav"]
        assert [f.capture for f in found] == ["take"] * 4
        assert found[1].value == pytest.approx(120.0, abs=0.2)
        assert found[2].value == pytest.approx(-70.0, abs=0.2)
        assert found[3].value == pytest.approx(50.0, abs=0.1)
        assert recording.late_findings() == []


@pytest.mark.parametrize("n", [777, 16_384, 100_000])
def test_blocks_do_not_depend_on_their_size(folder: Path, n: int) -> None:
    with opened(folder, TRACKS) as recording:
        whole = recording.read(0, N)
        np.testing.assert_array_equal(read_all(recording, n), whole)
        for start, length in ((150_000, 100), (20_000, 5000), (N - 10, 50)):
            np.testing.assert_array_equal(recording.read(start, length), whole[start : start + length])


def test_order_of_tracks_only_permutes(folder: Path) -> None:
    backwards = dict(reversed(TRACKS.items()))
    with opened(folder, TRACKS) as one, opened(folder, backwards) as other:
        np.testing.assert_allclose(one.read(0, 60_000), other.read(0, 60_000)[:, ::-1], atol=2e-5)
        assert other.labels == tuple(backwards)
        assert other.clock_of == one.clock_of[::-1]


def test_part_of_a_capture(folder: Path) -> None:
    """Times of the base count from the capture's start, the foreign file is searched whole; findings say file time."""
    tracks = {label: TRACKS[label] for label in (("feed", "mains"), ("mic", "lone"))}
    with opened(folder, tracks, start_s=4.0, end_s=15.0) as recording:
        assert (recording.start_frame, recording.n_frames) == (4 * RATE_HZ, 11 * RATE_HZ)
        assert recording.clock_of == (0, 2)
        jump = only([found for found in recording.findings if found.finding == "recorder jump"])
        assert jump.at_s == pytest.approx(9.0, abs=1.3)
        assert recording.gaps[0] == ()
        ((first, stop),) = recording.gaps[1]
        assert first < 5.0 * RATE_HZ < stop
        assert recording.places[0].from_s == 4.0
        assert recording.places[1].from_s == pytest.approx(1.75 + 0.06, abs=0.01)


def test_without_tracks_of_other_clocks_nothing_changes(folder: Path) -> None:
    tracks = {label: TRACKS[label] for label in (("mic", "mix"), ("feed", "mains"))}
    with opened(folder, tracks) as listed, opened(folder, tracks, unsynced=()) as plain:
        assert listed.clock_of == plain.clock_of == (0, 0)
        assert listed.gaps == ((), ())
        assert listed.findings == plain.findings == ()
        np.testing.assert_array_equal(listed.read(0, N), plain.read(0, N))


def test_one_clock_alone_is_its_own_base(folder: Path) -> None:
    tracks = {("mic", "seat"): "seat.wav:2", ("mic", "lawn"): "lawn.wav:1"}
    with opened(folder, tracks) as recording:
        assert recording.clock_of == (0, 0)
        assert recording.n_frames == 25 * RATE_HZ


def test_tracks_whose_clock_is_not_found_are_left_out(folder: Path, tmp_path: Path) -> None:
    for name in ("desk.wav", "lone.wav"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    for name, seed in (("seat.wav", 2), ("lawn.wav", 3)):
        put(tmp_path / name, [pink(N, np.random.default_rng(seed)) for _ in range(2)])
    with opened(tmp_path, TRACKS) as recording:
        assert recording.labels == (("feed", "mains"), ("mic", "lone"), ("mic", "mix"))
        assert recording.clock_of == (0, 2, 0)
        assert [file.shown for file in recording.files] == ["desk.wav", "lone.wav"]
        assert names(recording.findings) == ["recorder clock not found", "recorder clock", "recorder jump"]
        assert only([f for f in recording.findings if f.severity == "warning" and f.unit == ""]).file == (
            "lawn.wav, seat.wav"
        )
        assert read_all(recording).shape == (N, 3)


def test_feed_on_its_own_clock_helps_the_microphones(tmp_path: Path, sounds: dict[str, NDArray[np.float64]]) -> None:
    """The base is a microphone; the file that was played is brought onto it first, then the seat by both."""
    put(tmp_path / "mix.wav", [sounds["mix"]])
    put(tmp_path / "played.wav", [PAIR.recorded(sounds["mains"], 20.0)])
    put(tmp_path / "lone.wav", [LONE.recorded(sounds["lone"], 14.0)], LONE.rate_hz)
    tracks = {("mic", "lone"): "lone.wav:1", ("feed", "mains"): "played.wav:1", ("mic", "mix"): "mix.wav:1"}
    with opened(tmp_path, tracks, unsynced=(("lone.wav",), ("played.wav",))) as recording:
        assert recording.labels == tuple(tracks)
        assert recording.clock_of == (1, 2, 0)
        assert names(recording.findings) == ["recorder clock", "recorder clock", "recorder jump"]
        assert [f.value for f in recording.findings[:2]] == pytest.approx([120.0, -70.0], abs=0.3)


def test_samples_that_are_no_numbers_in_a_foreign_file(folder: Path, tmp_path: Path) -> None:
    """They come as silence and are counted once, at their place in their file."""
    samples, _ = soundfile.read(folder / "lone.wav", dtype="float32", always_2d=True)
    samples[80_000:80_003] = np.nan
    soundfile.write(tmp_path / "lone.wav", samples, LONE.rate_hz, subtype="FLOAT")
    (tmp_path / "desk.wav").write_bytes((folder / "desk.wav").read_bytes())
    tracks = {label: TRACKS[label] for label in (("feed", "mains"), ("mic", "lone"))}
    with opened(tmp_path, tracks) as recording:
        assert np.isfinite(read_all(recording)).all()
        read_all(recording)
        found = only(recording.late_findings())
        assert (found.finding, found.value, found.file, found.track) == ("non-finite samples", 3, "lone.wav", "lone")
        assert found.at_s == pytest.approx(80_000 / LONE.rate_hz)


def test_foreign_file_that_breaks_off(folder: Path, tmp_path: Path) -> None:
    """Cut after its header was written: what is left is used, the rest is a gap."""
    samples, rate_hz = soundfile.read(folder / "lone.wav", always_2d=True)
    soundfile.write(tmp_path / "lone.flac", samples, rate_hz, subtype="PCM_24")
    content = (tmp_path / "lone.flac").read_bytes()
    (tmp_path / "lone.flac").write_bytes(content[: int(0.6 * len(content))])
    (tmp_path / "desk.wav").write_bytes((folder / "desk.wav").read_bytes())
    tracks = {("feed", "mains"): "desk.wav:2", ("mic", "lone"): "lone.flac:1"}
    with opened(tmp_path, tracks, unsynced=(("lone.flac",),)) as recording:
        samples = read_all(recording)
        assert len(samples) == recording.n_frames == N
        first, stop = recording.gaps[1][-1]
        assert first < 13 * RATE_HZ < stop == N
        assert names(recording.late_findings()) == ["damaged file"]


def test_mistakes_in_a_foreign_group_are_refused(folder: Path, tmp_path: Path) -> None:
    for name in ("desk.wav", "lawn.wav"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    put(tmp_path / "seat.wav", [np.zeros(9000), np.ones(9000)], 44_100)
    tracks = {label: TRACKS[label] for label in (("feed", "mains"), ("mic", "lawn"), ("mic", "seat"))}
    with pytest.raises(AudioError, match=r"found 44100 Hz, expected 12000 Hz as in lawn\.wav"):
        opened(tmp_path, tracks)
    with pytest.raises(DescriptionError, match=r"^lone\.wav: there is no such file"):
        opened(tmp_path, {("feed", "mains"): "desk.wav:2", ("mic", "lone"): "lone.wav:1"})


def test_files_are_closed(folder: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error", ResourceWarning)
        with opened(folder, TRACKS) as recording:
            recording.read(0, 10)
            decoders = [source.decoder for source in recording._sources]
            decoders += [source.decoder for own in recording._own_clocks for source in own.recording._sources]
            assert len(decoders) == 4
        assert all(decoder._sound is None for decoder in decoders)
