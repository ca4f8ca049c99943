"""Figures of a pass and what they lead to; expected ones from how each signal was made, or counted sample by sample."""

from __future__ import annotations

import math

import numpy as np
import pytest
from audio_helpers import RATE_HZ, STEP_16, Samples, names, noise, only
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.audio.damage import FULL_SCALE, Kind, TrackPlace, TrackStatistics, TrackSummary, damage_findings
from analyze.findings import Finding

LOW_RATE_HZ = 8000
#: Exact zeros in succession that are lost samples at that rate: more than 5 ms.
SHORTEST_LOW = 41
STRETCH = 1 << 14


def summary_of(samples: Samples, *, sizes: tuple[int, ...] = (1000,), rate: float = RATE_HZ) -> TrackSummary:
    """Statistics of (frame, track), given in blocks of these sizes over and over."""
    statistics, done, turn = TrackStatistics(samples.shape[1], rate), 0, 0
    while done < len(samples):
        n = sizes[turn % len(sizes)]
        statistics.update(samples[done : done + n])
        done, turn = done + n, turn + 1
    return statistics.finish()


def places(*kinds: Kind) -> list[TrackPlace]:
    """Tracks of these kinds, one file of many channels, the capture starting 10 s into it."""
    return [TrackPlace(kind, f"{kind} {i}", "take", "a.wav", i + 1, 10.0) for i, kind in enumerate(kinds)]


def found_in(samples: Samples, *kinds: Kind) -> list[Finding]:
    """Findings of (frame, track)."""
    return damage_findings(summary_of(samples), places(*kinds))


def test_clean_noise_has_no_finding() -> None:
    assert found_in(noise(100_000, 4), "feed", "mic", "mic", "input") == []


def test_loud_clean_noise_has_no_finding() -> None:
    """Peaks that touch full scale one sample at a time are not clipped."""
    samples = noise(100_000, 2)
    samples[::1000] = 1.0
    assert found_in(samples, "feed", "mic") == []


@pytest.mark.parametrize(("peak", "kind", "is_told"), [(0.9, "mic", True), (0.7, "mic", False), (0.9, "feed", False)])
def test_a_microphone_that_came_near_full_scale_is_told(peak: float, kind: Kind, is_told: bool) -> None:
    """0.9 is 0.9 dB under full scale, 0.7 is 3.1."""
    samples = noise(100_000, 1)
    samples[5000] = peak
    found = found_in(samples, kind)
    assert [(one.finding, one.severity) for one in found] == [("little headroom", "note")] * is_told
    if is_told:
        assert found[0].value == pytest.approx(20.0 * math.log10(0.9), abs=1e-4)
        assert found[0].detail.startswith("It did not clip")


def test_a_single_sample_at_full_scale_is_not_said_to_be_well() -> None:
    samples = noise(100_000, 1)
    samples[5000] = 0.9999999
    (found,) = found_in(samples, "mic")
    assert (found.finding, found.value) == ("little headroom", 0.0)
    assert found.detail.startswith("Its loudest sample is at full scale")


def test_figures_of_a_known_signal() -> None:
    """A square wave of 0.5 on an offset of 0.25: peak 0.75, mean 0.25, mean square 0.3125."""
    samples = np.tile(np.array([[0.75], [-0.25]], dtype=np.float32), (20_000, 1))
    summary = summary_of(samples)
    assert summary.n_frames == 40_000
    assert summary.peak[0] == 0.75
    assert summary.mean[0] == pytest.approx(0.25, abs=1e-7)
    assert summary.level_dbfs[0] == pytest.approx(10 * math.log10(0.3125), abs=1e-5)
    assert summary_of(-samples).peak[0] == 0.75


# --- silence, offset ---


def test_silent_tracks() -> None:
    """Nothing at all, and noise 95 dB under full scale; 85 dB under is a quiet recording."""
    samples = noise(50_000, 3) / np.std(noise(50_000, 3), axis=0)
    samples *= np.array([0.0, 10 ** (-95 / 20), 10 ** (-85 / 20)], dtype=np.float32)
    nothing, noisy = found_in(samples.astype(np.float32), "mic", "feed", "mic")
    assert (nothing.finding, nothing.severity, nothing.track) == ("silent track", "error", "mic 0")
    assert math.isnan(nothing.value)
    assert (noisy.finding, noisy.track, noisy.unit) == ("silent track", "feed 1", "dBFS")
    assert noisy.value == pytest.approx(-95, abs=0.01)
    assert (noisy.capture, noisy.file, noisy.channel) == ("take", "a.wav", 2)


@pytest.mark.parametrize(("offset", "is_found"), [(0.009, False), (0.011, True), (-0.011, True)])
def test_offset(offset: float, is_found: bool) -> None:
    samples = noise(100_000, 1)
    samples += np.float32(offset) - samples.mean()
    found = found_in(samples, "mic")
    assert names(found) == (["dc offset"] if is_found else [])
    if is_found:
        assert found[0].severity == "note"
        assert found[0].value == pytest.approx(offset, abs=1e-6)


# --- clipping ---


def counted_clipping(row: Samples) -> tuple[int, int]:
    """Samples in runs of three or more equal ones at full scale, and the first of them: one sample after the other."""
    n, first, start = 0, -1, 0
    for i in range(1, len(row) + 1):
        if i == len(row) or row[i] != row[start]:
            if abs(row[start]) >= FULL_SCALE and i - start >= 3:
                n += i - start
                first = start if first < 0 else first
            start = i
    return n, first


def test_clipped_sine() -> None:
    """A 100 Hz sine 6 dB over full scale: |sin| > 1/2, so two thirds of the samples stand at full scale."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    sine = np.clip(2.0 * np.sin(2 * np.pi * 100 * t), -1.0, 1.0 - STEP_16).astype(np.float32)
    samples = np.column_stack([noise(len(t), 1)[:, 0], sine])
    found = only(found_in(samples, "feed", "mic"))
    assert (found.finding, found.severity, found.unit, found.track) == ("clipping", "warning", "%", "mic 1")
    assert found.value == pytest.approx(200 / 3, rel=0.01)
    assert found.at_s == pytest.approx(10.0 + 1 / 1200, abs=2 / RATE_HZ)
    assert "preamplifier" in found.detail
    assert "music itself" in only(found_in(samples[:, ::-1], "feed", "mic")).detail


@pytest.mark.parametrize(("run", "is_found"), [(2, False), (3, True), (4, True)])
@pytest.mark.parametrize("at", [0, 5, STRETCH - 3, STRETCH - 2, STRETCH - 1, STRETCH, 20_000 - 4])
def test_run_at_full_scale_anywhere(run: int, is_found: bool, at: int) -> None:
    """Also across the border of two stretches, at the start and at the end."""
    samples = noise(20_000, 2)
    samples[at : at + run, 1] = -1.0
    summary = summary_of(samples)
    assert list(summary.n_clipped) == [0, run if is_found else 0]
    assert list(summary.first_clipped) == [-1, at if is_found else -1]


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), sizes=st.lists(st.integers(1, 30_000), min_size=1, max_size=4))
def test_clipping_equals_a_count_sample_by_sample(seed: int, sizes: list[int]) -> None:
    """Few levels, so that runs of all lengths and both signs abound."""
    rng = np.random.default_rng(seed)
    levels = np.array([1.0, -1.0, 0.99995, 0.5], dtype=np.float32)
    samples = np.repeat(levels[rng.integers(0, 4, 9000)], rng.integers(1, 5, 9000))[:, np.newaxis]
    summary = summary_of(samples, sizes=tuple(sizes))
    assert (summary.n_clipped[0], summary.first_clipped[0]) == counted_clipping(samples[:, 0])


# --- drop-outs ---


def counted_dropouts(row: Samples, shortest: int) -> list[tuple[int, int]]:
    """(first, length) of gaps of zeros between sound, one sample after the other; sound of one 16-bit step has none."""
    gaps, last = [], -1
    for i, value in enumerate(row):
        if value == 0:
            continue
        if last >= 0 and i - last - 1 >= shortest and max(abs(row[last]), abs(value)) > 1.5 * STEP_16:
            gaps.append((last + 1, i - last - 1))
        last = i
    return gaps


def with_gap(first: int, n: int, n_frames: int = 40_000) -> Samples:
    """Noise without a zero, but for one gap."""
    samples = noise(n_frames, 1)
    samples[samples == 0] = STEP_16
    samples[first : first + n] = 0.0
    return samples


def test_dropout_in_a_microphone() -> None:
    samples = np.column_stack([with_gap(0, 0), with_gap(9600, 480)])
    samples[30_000:30_300, 1] = 0.0
    found = only(found_in(samples, "feed", "mic"))
    assert (found.finding, found.severity, found.track, found.unit) == ("drop-out", "warning", "mic 1", "s")
    assert found.value == pytest.approx(780 / RATE_HZ)
    assert found.at_s == pytest.approx(10.2)
    assert found.detail.startswith("2 gaps of exact silence, the longest 10 ms.")


def test_silence_in_a_feed_is_no_dropout() -> None:
    samples = np.column_stack([with_gap(10_000, 9000), with_gap(0, 0)])
    assert found_in(samples, "feed", "mic") == []


@pytest.mark.parametrize("n", [239, 240, 241, 242, 479, 481, 20_000])
@pytest.mark.parametrize("first", [1, 239, 240, 241, STRETCH - 241, STRETCH - 240, STRETCH - 1, STRETCH, 2 * STRETCH])
def test_gap_of_any_length_anywhere(first: int, n: int) -> None:
    """5 ms at 48 kHz are 240 samples, so 241 zeros are the shortest drop-out, wherever it lies."""
    summary = summary_of(with_gap(first, n, n_frames=60_000))
    is_found = n > 240
    assert summary.n_dropouts[0] == is_found
    assert summary.first_dropout[0] == (first if is_found else -1)
    assert summary.dropout_frames[0] == summary.longest_dropout[0] == (n if is_found else 0)


@pytest.mark.parametrize(("first", "n"), [(0, 3000), (37_000, 3000), (0, STRETCH + 10)])
def test_silence_before_and_after_the_sound_is_no_dropout(first: int, n: int) -> None:
    assert summary_of(with_gap(first, n)).n_dropouts[0] == 0


def test_soft_sound_rounded_to_zero_is_no_dropout() -> None:
    """Noise of a fifth of a 16-bit step is zero nearly all the time, and not lost."""
    rng = np.random.default_rng(4)
    samples = (np.round(0.2 * rng.standard_normal((100_000, 1))) * STEP_16).astype(np.float32)
    gaps = np.diff(np.flatnonzero(samples)) - 1
    assert (gaps > 240).any(), "the signal does not test what it should"
    assert summary_of(samples).n_dropouts[0] == 0


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), sizes=st.lists(st.integers(1, 30_000), min_size=1, max_size=4))
def test_dropouts_equal_a_count_sample_by_sample(seed: int, sizes: list[int]) -> None:
    """Bursts and gaps of all lengths about the shortest, with levels about one 16-bit step; 8 kHz."""
    rng = np.random.default_rng(seed)
    parts = []
    for n_sound, n_zero in zip(rng.integers(1, 300, 300), rng.integers(0, 100, 300), strict=True):
        parts += [rng.choice([1.0, -1.0, 2.0, 3000.0], n_sound) * STEP_16, np.zeros(n_zero)]
    samples = np.concatenate(parts).astype(np.float32)[:, np.newaxis]
    summary = summary_of(samples, sizes=tuple(sizes), rate=LOW_RATE_HZ)
    gaps = counted_dropouts(samples[:, 0], SHORTEST_LOW)
    assert summary.n_dropouts[0] == len(gaps)
    assert summary.first_dropout[0] == gaps[0][0]
    assert summary.dropout_frames[0] == sum(n for _, n in gaps)
    assert summary.longest_dropout[0] == max(n for _, n in gaps)


# --- a feed in the place of a microphone ---


def test_microphone_that_holds_the_feed() -> None:
    samples = noise(50_000, 3)
    samples[:, 2] = samples[:, 0]
    found = only(found_in(samples, "feed", "mic", "mic"))
    assert (found.finding, found.severity, found.track) == ("same signal", "warning", "mic 2")
    assert "feed 0" in found.detail
    assert names(found_in(samples, "feed", "mic", "input")) == []


def _near_copies(feed: Samples) -> dict[str, Samples]:
    """What is almost the feed, and is not."""
    one_step, two_swapped, last = feed.copy(), feed.copy(), feed.copy()
    one_step[30_000] += np.float32(2.0**-24)
    two_swapped[[100, 101]] = feed[[101, 100]]
    last[-1] *= -1
    return {
        "inverted": -feed,
        "a sample later": np.roll(feed, 1),
        "a stretch later": np.roll(feed, STRETCH),
        "half as loud": feed * np.float32(0.5),
        "one step": one_step,
        "two swapped": two_swapped,
        "last inverted": last,
    }


@pytest.mark.parametrize("copy", list(_near_copies(noise(50_000, 1)[:, 0])))
def test_near_copy_is_not_the_feed(copy: str) -> None:
    feed = noise(3 * STRETCH, 1)[:, 0]  # whole stretches, so that one later is the same ones in another order
    assert found_in(np.column_stack([feed, _near_copies(feed)[copy]]), "feed", "mic") == []


# --- the contract ---


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), sizes=st.lists(st.integers(1, 40_000), min_size=1, max_size=5))
def test_figures_do_not_depend_on_blocks_or_track_order(seed: int, sizes: list[int]) -> None:
    """To the last bit."""
    rng = np.random.default_rng(seed)
    samples = (rng.standard_normal((40_000, 3)) * [0.1, 0.3, 2.0]).astype(np.float32).clip(-1, 1)
    samples[rng.integers(0, 39_000) :][:800, 1] = 0.0
    whole, order = summary_of(samples, sizes=(40_000,)), [2, 0, 1]
    blocks, permuted = summary_of(samples, sizes=tuple(sizes)), summary_of(samples[:, order])
    for name, figures in vars(whole).items():
        if name == "overview":
            continue
        if not isinstance(figures, np.ndarray):
            expected = tuple(figures[k] for k in order) if isinstance(figures, tuple) else figures
            assert (getattr(blocks, name), getattr(permuted, name)) == (figures, expected), name
            continue
        np.testing.assert_array_equal(getattr(blocks, name), figures, err_msg=name)
        np.testing.assert_array_equal(getattr(permuted, name), figures[order], err_msg=name)
    for name in ("low", "high"):
        figures = getattr(whole.overview, name)
        np.testing.assert_array_equal(getattr(blocks.overview, name), figures)
        np.testing.assert_array_equal(getattr(permuted.overview, name), figures[order])


def test_one_sample() -> None:
    summary = summary_of(np.full((1, 2), 0.5, dtype=np.float32))
    assert (summary.n_frames, list(summary.peak)) == (1, [0.5, 0.5])


def test_wrong_use_raises() -> None:
    statistics = TrackStatistics(2, RATE_HZ)
    with pytest.raises(ValueError, match="no frames"):
        TrackStatistics(2, RATE_HZ).finish()
    with pytest.raises(ValueError, match=r"shape \(5, 3\), expected \(frame, 2\)"):
        statistics.update(np.zeros((5, 3), dtype=np.float32))
    statistics.update(noise(5, 2))
    summary = statistics.finish()
    with pytest.raises(ValueError, match="finished"):
        statistics.update(noise(5, 2))
    with pytest.raises(ValueError, match="1 places for 2 tracks"):
        damage_findings(summary, places("mic"))
    with pytest.raises(ValueError, match="read-only"):
        summary.peak[0] = 1.0
