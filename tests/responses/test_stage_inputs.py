"""Stage inputs of a capture: rows, partners, what is recommended, and what is said where nothing can be."""

from __future__ import annotations

import math
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal
from stage_making import RATE_HZ, Samples, check_in, drum, hit, late, noise, take, written

from analyze.audio.tracks_read import TracksRead
from analyze.description import Capture, Track
from analyze.findings import Finding
from analyze.responses.rows import InputPair
from analyze.responses.stage_inputs import compare_inputs


def rows_of(
    folder: Path, tracks: dict[str, Samples], against: dict[str, str] | None = None, rate_hz: int = RATE_HZ
) -> list[InputPair]:
    capture = Capture("kit", (), inputs=written(folder, tracks, rate_hz), against=against or {})
    rows, _, read = compare_inputs(check_in(folder), capture)
    assert [f.shown for f in read.files] == [f"{name}.wav" for name in tracks]
    return rows


def kit(seed: int = 1, n_hits: int = 10, rate_hz: int = RATE_HZ) -> Samples:
    samples = drum(seed, n_hits, rate_hz=rate_hz)
    return samples + noise(samples, seed + 50)


def test_an_inverted_input_that_is_earlier_is_turned_and_delayed(tmp_path: Path) -> None:
    samples = kit()
    (row,) = rows_of(tmp_path, {"snare top": late(samples, 0.6e-3), "snare bottom": -0.4 * samples})
    assert (row.capture, row.input, row.against) == ("kit", "snare bottom", "snare top")
    assert (row.polarity, row.recommended_polarity, row.decision) == ("inverted", "inverted", "change")
    assert row.relative_delay_ms == pytest.approx(-0.6, abs=0.001)
    assert row.recommended_delay_ms == 0.6
    assert row.relative_delay_std_ms < 0.1
    assert row.polarity_confidence > 0.95
    assert row.gain_db > 3.0
    assert row.reason.startswith("snare bottom reads inverted against snare top over 10 hits, as a microphone under")
    assert "delaying it by 0.60 ms" in row.reason


def test_an_input_that_is_later_is_kept_and_the_other_named(tmp_path: Path) -> None:
    samples = kit(2)
    (row,) = rows_of(tmp_path, {"kick in": samples, "kick out": late(samples, 1.5e-3)})
    assert (row.polarity, row.recommended_polarity, row.decision) == ("normal", "normal", "keep")
    assert row.relative_delay_ms == pytest.approx(1.5, abs=0.001)
    assert row.recommended_delay_ms == 0.0
    assert "delaying kick in by 1.50 ms" in row.reason
    assert row.gain_db > 0.1


def test_no_delay_is_recommended_that_changes_nothing(tmp_path: Path) -> None:
    samples = kit(3)
    (row,) = rows_of(tmp_path, {"a": late(samples, 0.02e-3), "b": samples})
    assert (row.recommended_delay_ms, row.decision) == (0.0, "keep")
    assert row.gain_db == pytest.approx(0.0, abs=0.1)
    assert "0.02 ms between them are not worth a delay" in row.reason


def test_partners_come_from_the_description_else_the_first_input(tmp_path: Path) -> None:
    samples = kit(4, 6)
    tracks = {name: late(samples, 1e-4 * k) for k, name in enumerate("abcd")}
    assert [(r.input, r.against) for r in rows_of(tmp_path, tracks)] == [("b", "a"), ("c", "a"), ("d", "a")]
    assert all("name it under `against`" in r.reason for r in rows_of(tmp_path, tracks))
    rows = rows_of(tmp_path, tracks, {"a": "c", "d": "b"})
    assert ["name it under `against`" in r.reason for r in rows] == [False, True, True, False]
    assert [(r.input, r.against) for r in rows] == [("a", "c"), ("b", "a"), ("c", "a"), ("d", "b")]
    assert [round(r.relative_delay_ms, 2) for r in rows] == [-0.2, 0.1, 0.2, 0.2]


def test_fewer_than_two_inputs_have_no_row(tmp_path: Path) -> None:
    inputs = written(tmp_path, {"snare": kit(5, 3)})
    assert compare_inputs(check_in(tmp_path), Capture("kit", (), inputs=inputs)) == ([], [], TracksRead())
    assert compare_inputs(check_in(tmp_path), Capture("kit", ())) == ([], [], TracksRead())


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_any_sample_rate(tmp_path: Path, rate_hz: int) -> None:
    samples = kit(6, 6, rate_hz)
    (row,) = rows_of(tmp_path, {"a": samples, "b": -late(samples, 2.2e-3, rate_hz)}, rate_hz=rate_hz)
    assert (row.polarity, row.polarity_confidence > 0.95) == ("inverted", True)
    assert row.relative_delay_ms == pytest.approx(2.2, abs=0.002)


def test_bleed_of_another_instrument_does_not_decide(tmp_path: Path) -> None:
    """The kick reaches both snare microphones upright, twice as often and 1.6 ms the other way round."""
    snare, kick = drum(7, 10), drum(8, 20, 60.0, 0.24)
    n = min(len(snare), len(kick))
    snare, kick = snare[:n], kick[:n]
    tracks = {
        "top": 0.8 * snare + 0.15 * late(kick, 4.0e-3),
        "bottom": -0.5 * late(snare, 0.4e-3) + 0.12 * late(kick, 2.4e-3),
        "kick": 0.9 * kick + 0.02 * snare,
    }
    tracks = {name: t + noise(t, 9) for name, t in tracks.items()}
    row = rows_of(tmp_path, tracks)[0]
    assert (row.input, row.polarity, row.polarity_confidence > 0.9) == ("bottom", "inverted", True)
    assert row.relative_delay_ms == pytest.approx(0.4, abs=0.05)


def test_a_bass_through_direct_box_and_cabinet(tmp_path: Path) -> None:
    """Cabinet: fourth-order low-pass at 4 kHz, second-order roll-off at 60 Hz; residual 0.03 ms."""
    rng = np.random.default_rng(10)
    strings = {0.3 + 0.45 * k: _string(rng, 45.0 + 7.0 * (k % 5)) for k in range(12)}
    direct = take(strings, 6.2)
    sections = [signal.butter(4, 4000.0, fs=RATE_HZ, output="sos")]
    sections.append(signal.butter(2, 60.0, "high", fs=RATE_HZ, output="sos"))
    cabinet = -signal.sosfilt(np.vstack(sections), late(direct, 2.1e-3))
    (row,) = rows_of(tmp_path, {"direct": direct + noise(direct, 11), "cabinet": cabinet + noise(cabinet, 12)})
    assert (row.polarity, row.polarity_confidence > 0.9) == ("inverted", True)
    assert row.relative_delay_ms == pytest.approx(2.1, abs=0.1)


def _string(rng: np.random.Generator, tone_hz: float) -> Samples:
    """A plucked string: a burst of noise going round in a loop that loses its heights."""
    period = round(RATE_HZ / tone_hz)
    burst = np.zeros(round(0.4 * RATE_HZ))
    burst[:period] = rng.uniform(-0.3, 0.3, period)
    loop = np.zeros(period + 2)
    loop[0], loop[period:] = 1.0, -0.498
    return np.asarray(signal.lfilter([1.0], loop, burst))


def undecided(row: InputPair) -> bool:
    return (row.polarity, row.decision, row.recommended_polarity, row.recommended_delay_ms) == (
        "undecided",
        "undecided",
        "normal",
        0.0,
    )


@pytest.mark.parametrize(
    ("second", "reason"),
    [
        (0.0 * kit(), "b holds no sound"),
        (noise(kit(), 13, 1e-3), "Only 0 usable hits"),
        (np.concatenate([np.zeros(12_345), drum(14, 10, 90.0)])[: len(kit())], "Only 0 usable hits"),
        (np.clip(20.0 * kit(), -1.0, 1.0), "10 more are clipped"),
    ],
)
def test_what_cannot_be_told_is_undecided_and_says_why(tmp_path: Path, second: Samples, reason: str) -> None:
    (row,) = rows_of(tmp_path, {"a": kit(), "b": second})
    assert undecided(row)
    assert reason in row.reason
    assert row.polarity_confidence == 0.5
    assert math.isnan(row.relative_delay_ms)
    assert math.isnan(row.gain_db)


def test_two_drums_struck_together_share_nothing(tmp_path: Path) -> None:
    rng = np.random.default_rng(15)
    times_s = 0.3 + 0.5 * np.arange(10)
    first = take({float(t): hit(rng, 180.0) for t in times_s}, 5.5)
    second = take({float(t + rng.uniform(-4e-3, 4e-3)): hit(rng, 95.0) for t in times_s}, 5.5)
    (row,) = rows_of(tmp_path, {"snare": first + noise(first, 16), "tom": second + noise(second, 17)})
    assert undecided(row)
    assert "too little sound in common" in row.reason


def test_inputs_on_another_clock_are_not_compared(tmp_path: Path) -> None:
    samples = kit(18, 6)
    inputs = written(tmp_path, {"a": samples, "b": samples, "c": samples})
    capture = Capture("kit", (), inputs=inputs, unsynced=(("b.wav",),))
    rows, _, read = compare_inputs(check_in(tmp_path), capture)
    assert [(r.input, r.polarity) for r in rows] == [("b", "undecided"), ("c", "normal")]
    assert "not on one clock" in rows[0].reason
    assert [f.shown for f in read.files] == ["a.wav", "c.wav"]
    everything_apart = Capture("kit", (), inputs=inputs, unsynced=(("a.wav", "b.wav", "c.wav"),))
    rows, findings, read = compare_inputs(check_in(tmp_path), everything_apart)
    assert ([undecided(r) for r in rows], findings, read) == ([True, True], [], TracksRead())


def test_damage_is_found_and_progress_told(tmp_path: Path) -> None:
    samples = kit(19, 8)
    inputs = written(tmp_path, {"a": samples, "b": np.clip(4.0 * samples, -1.0, 1.0)})
    told: list[tuple[str, int]] = []

    def progress(capture: str, n_samples: int):  # type: ignore[no-untyped-def]
        told.append((capture, n_samples))
        return lambda done: told.append(("", done))

    _, findings, _ = compare_inputs(check_in(tmp_path), Capture("kit", (), inputs=inputs), progress)
    assert [(f.finding, f.track, f.capture) for f in findings] == [("clipping", "b", "kit")]
    assert all(isinstance(f, Finding) for f in findings)
    assert told[0] == ("kit", len(samples))
    assert sum(done for _, done in told[1:]) == len(samples)


def test_only_the_part_that_counts_is_compared(tmp_path: Path) -> None:
    first, second = kit(20, 6), kit(21, 6)
    a = np.concatenate([first, second])
    b = np.concatenate([first, -late(second, 1.0e-3)])
    capture = Capture("kit", (), inputs=written(tmp_path, {"a": a, "b": b}), start_s=len(first) / RATE_HZ)
    (row,), _, _ = compare_inputs(check_in(tmp_path), capture)
    assert (row.polarity, round(row.relative_delay_ms, 2)) == ("inverted", 1.0)


def test_two_channels_of_one_file(tmp_path: Path) -> None:
    samples = kit(22, 6)
    soundfile.write(tmp_path / "take.wav", np.stack([samples, -late(samples, 3e-4)], axis=1), RATE_HZ, subtype="FLOAT")
    inputs = {"left": Track("take.wav", 1), "right": Track("take.wav", 2)}
    (row,), _, read = compare_inputs(check_in(tmp_path), Capture("kit", (), inputs=inputs))
    assert (row.polarity, round(row.relative_delay_ms, 2), len(read.files)) == ("inverted", 0.3, 1)


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    peaks = []
    for n_hits in (60, 240):
        folder = tmp_path / str(n_hits)
        folder.mkdir()
        samples = kit(23, n_hits)
        capture = Capture("kit", (), inputs=written(folder, {"a": samples, "b": samples}))
        compare_inputs(check_in(folder), capture)  # what is loaded once is loaded
        tracemalloc.start()
        compare_inputs(check_in(folder), capture)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]
