"""Where damage lies and what of a take must not count; expected spans from how each signal was made."""

from __future__ import annotations

import numpy as np
import pytest
from audio_helpers import RATE_HZ, STEP_16, Samples, names, noise, only
from hypothesis import given, settings
from hypothesis import strategies as st

from analyze.audio.damage import (
    Kind,
    Span,
    TrackPlace,
    TrackStatistics,
    TrackSummary,
    copied_microphones,
    copy_findings,
    damage_findings,
    damaged_spans,
)
from analyze.audio.damage_runs import MOST_SPANS, Spans

APART = RATE_HZ // 2


def summary_of(
    samples: Samples, sizes: tuple[int, ...] = (50_000,), gaps: tuple[tuple[Span, ...], ...] = ()
) -> TrackSummary:
    """Statistics of (frame, track), given in blocks of these sizes over and over."""
    statistics, done, turn = TrackStatistics(samples.shape[1], RATE_HZ, gaps), 0, 0
    while done < len(samples):
        n = sizes[turn % len(sizes)]
        statistics.update(samples[done : done + n])
        done, turn = done + n, turn + 1
    return statistics.finish()


def places(*kinds: Kind) -> list[TrackPlace]:
    return [TrackPlace(kind, f"{kind} {i}", "take", "a.wav", i + 1) for i, kind in enumerate(kinds)]


def spans_of(samples: Samples, *kinds: Kind) -> list[tuple[tuple[int, int], ...]]:
    return list(damaged_spans(summary_of(samples), places(*kinds)))


def sound(n_frames: int, n_tracks: int) -> Samples:
    """Noise without a zero."""
    samples = noise(n_frames, n_tracks)
    samples[samples == 0] = STEP_16
    return samples


# --- clipped and dropped out ---


def test_undamaged_tracks_have_no_spans() -> None:
    assert spans_of(sound(200_000, 3), "feed", "mic", "input") == [(), (), ()]


@pytest.mark.parametrize("first", [0, 7, (1 << 14) - 2, 1 << 14, 100_000])
def test_a_clipped_run_is_one_span(first: int) -> None:
    """Also across two stretches; neighbours less than half a second later join it, later ones do not."""
    samples = sound(200_000, 2)
    samples[first : first + 5, 1] = 1.0
    assert spans_of(samples, "feed", "mic") == [(), ((first, first + 5),)]
    samples[first + 5 + APART - 1 :][:4, 1] = -1.0
    assert spans_of(samples, "feed", "mic") == [(), ((first, first + 8 + APART),)]
    samples[first + 8 + 2 * APART :][:3, 1] = -1.0
    assert spans_of(samples, "feed", "mic")[1][1:] == ((first + 8 + 2 * APART, first + 11 + 2 * APART),)


def test_gaps_and_clipping_go_together_in_a_microphone() -> None:
    samples = sound(200_000, 2)
    samples[150_000:150_400] = 0.0
    samples[60_000:60_003] = 1.0
    assert spans_of(samples, "feed", "mic") == [((60_000, 60_003),), ((60_000, 60_003), (150_000, 150_400))]
    samples[150_410:150_413] = 1.0
    assert spans_of(samples, "mic", "mic")[0] == ((60_000, 60_003), (150_000, 150_400), (150_410, 150_413))


def test_a_gap_over_many_stretches_is_one_span() -> None:
    samples = sound(200_000, 1)
    samples[20_000:120_000] = 0.0
    assert spans_of(samples, "mic") == [((20_000, 120_000),)]


def test_a_feed_that_clips_most_of_the_time_is_loud_music() -> None:
    samples = sound(400_000, 1)
    for first in range(0, 90_000, 1000):
        samples[first : first + 3] = 1.0
    assert spans_of(samples, "feed") == [((0, 89_003),)]
    for first in range(90_000, 110_000, 1000):
        samples[first : first + 3] = 1.0
    assert spans_of(samples, "feed") == [()]
    assert spans_of(samples, "mic") == [((0, 109_003),)]


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), sizes=st.lists(st.integers(1, 90_000), min_size=1, max_size=4))
def test_spans_equal_a_count_sample_by_sample(seed: int, sizes: list[int]) -> None:
    rng = np.random.default_rng(seed)
    samples = sound(300_000, 1)
    bad = np.zeros(len(samples), dtype=bool)
    for first in rng.integers(1, 299_000, 6):
        samples[first : first + 3] = 1.0
        bad[first : first + 3] = True
    at = np.flatnonzero(bad)
    starts = at[np.flatnonzero(np.diff(at, prepend=-APART - 1) > APART)]
    stops = 1 + at[np.flatnonzero(np.diff(at, append=len(bad) + APART + 1) > APART)]
    expected = tuple(zip(starts.tolist(), stops.tolist(), strict=True))
    assert summary_of(samples, tuple(sizes)).clipped_spans == (expected,)


def test_memory_has_a_bound() -> None:
    """Spans 10 apart, kept apart from 5 on: the distance doubles until there are few enough, and none is lost."""
    spans, first = Spans(5), 0
    for _ in range(300):
        starts = first + 10 * np.arange(100)
        starts[50:] += 400
        spans.add(starts, starts + 1)
        first = int(starts[-1]) + 10
    kept = spans.spans()
    assert 100 < len(kept) <= MOST_SPANS
    assert (kept[0][0], kept[-1][1]) == (0, first - 9)


# --- silence at an end ---


@pytest.mark.parametrize(("at_end", "first"), [(False, 0), (True, 150_000)])
def test_zeros_at_an_end_while_others_go_on(at_end: bool, first: int) -> None:
    samples = sound(200_000, 3)
    silent = slice(150_000, None) if at_end else slice(None, 50_000)
    samples[silent, 1] = 0.0
    found = only(damage_findings(summary_of(samples), places("feed", "mic", "mic")))
    assert (found.finding, found.severity, found.track, found.unit) == ("digital silence", "warning", "mic 1", "s")
    assert found.value == pytest.approx(50_000 / RATE_HZ)
    assert found.at_s == pytest.approx(first / RATE_HZ)
    assert spans_of(samples, "feed", "mic", "mic") == [(), ((first, first + 50_000),), ()]
    # a feed or a keyboard that is silent there was not played, and where all are silent nothing sounded
    assert spans_of(samples, "mic", "feed", "mic") == spans_of(samples, "mic", "input", "mic") == [(), (), ()]
    samples[silent] = 0.0
    assert damage_findings(summary_of(samples), places("feed", "mic", "mic")) == []


def test_a_quiet_beginning_rounded_to_zero_is_none() -> None:
    """Sound that comes up from less than one 16-bit step."""
    samples = sound(200_000, 2)
    samples[:100_000, 1] = 0.0
    samples[100_000, 1] = STEP_16
    assert damage_findings(summary_of(samples), places("feed", "mic")) == []


def test_half_a_second_at_an_end_is_none() -> None:
    samples = sound(200_000, 2)
    samples[-24_000:, 1] = 0.0
    assert damage_findings(summary_of(samples), places("feed", "mic")) == []


def test_silent_tracks_alone() -> None:
    samples = np.zeros((100_000, 2), dtype=np.float32)
    assert names(damage_findings(summary_of(samples), places("feed", "mic"))) == ["silent track", "silent track"]
    assert spans_of(samples, "feed", "mic") == [(), ()]


# --- recorders on their own clock ---


@pytest.mark.parametrize("gap", [(0, 80_000), (120_000, 200_000), (90_000, 120_000)])
def test_what_no_file_covers_is_no_silence(gap: Span) -> None:
    """A recorder started later, stopped earlier, or that jumped; figures are those of what it recorded."""
    samples = sound(200_000, 2)
    whole = np.delete(samples[:, 1], np.arange(*gap)).astype(float)
    samples[gap[0] : gap[1], 1] = 0.0
    summary = summary_of(samples, gaps=((), (gap,)))
    assert damage_findings(summary, places("feed", "mic")) == []
    assert list(damaged_spans(summary, places("feed", "mic"))) == [(), ()]
    assert summary.level_dbfs[1] == pytest.approx(10.0 * np.log10(np.mean(whole**2)), abs=1e-4)
    assert summary.mean[1] == pytest.approx(np.mean(whole), abs=1e-7)
    assert names(damage_findings(summary_of(samples), places("feed", "mic"))) != []


@pytest.mark.parametrize(
    ("gap", "silent", "from_s"), [((0, 80_000), (80_000, 150_000), -1.67), ((120_000, 200_000), (60_000, 120_000), 2.0)]
)
def test_silence_that_a_file_does_hold_is_named_in_its_own_time(gap: Span, silent: Span, from_s: float) -> None:
    """The recorder started 80 000 frames, 1.667 s, late, by a clock that puts its first sample 3 ms too early."""
    samples = sound(200_000, 2)
    for first, stop in (gap, silent):
        samples[first:stop, 1] = 0.0
    summary = summary_of(samples, gaps=((), (gap,)))
    of = [TrackPlace("feed", "main"), TrackPlace("mic", "mix", from_s=from_s)]
    found = only(damage_findings(summary, of))
    assert (found.finding, found.track) == ("digital silence", "mix")
    assert found.value == pytest.approx((silent[1] - silent[0]) / RATE_HZ)
    assert found.at_s == pytest.approx(max(0.0, from_s + silent[0] / RATE_HZ))
    assert list(damaged_spans(summary, of)) == [(), (silent,)]


def test_a_gap_of_its_own_is_named_beside_a_jump() -> None:
    samples = sound(200_000, 1)
    samples[90_000:120_000] = samples[150_000:151_000] = 0.0
    summary = summary_of(samples, gaps=(((90_000, 120_000),),))
    found = only(damage_findings(summary, places("mic")))
    assert (found.finding, found.at_s) == ("drop-out", pytest.approx(150_000 / RATE_HZ))
    assert list(damaged_spans(summary, places("mic"))) == [((150_000, 151_000),)]


# --- the same samples twice ---


@pytest.mark.parametrize(
    ("kind", "severity", "says"),
    [("mic", "warning", "not what its microphone"), ("feed", "note", "sent the same"), ("input", "warning", "patch")],
)
def test_two_tracks_with_the_same_samples(kind: Kind, severity: str, says: str) -> None:
    samples = noise(50_000, 3)
    samples[:, 2] = samples[:, 0]
    found = only(damage_findings(summary_of(samples), places(kind, "mic", kind)))
    assert (found.finding, found.severity, found.track) == ("duplicated track", severity, f"{kind} 2")
    assert f"{kind} 0" in found.detail
    assert says in found.detail
    samples[-1, 2] += np.float32(STEP_16)
    assert damage_findings(summary_of(samples), places(kind, "mic", kind)) == []


def test_microphones_that_hold_the_feed_are_named_for_that() -> None:
    samples = np.repeat(noise(50_000, 1), 3, axis=1)
    found = damage_findings(summary_of(samples), places("feed", "mic", "mic"))
    assert [(f.finding, f.track) for f in found] == [("same signal", "mic 1"), ("same signal", "mic 2")]
    assert all("left out of this capture" in f.detail for f in found)


@pytest.mark.parametrize(
    ("kinds", "equal", "left_out"),
    [
        (("feed", "mic", "mic"), (0, 1), [1]),
        (("mic", "feed", "mic"), (0, 1), [0]),
        (("feed", "mic", "mic"), (1, 2), [2]),
        (("feed", "mic", "mic"), (0, 1, 2), [1, 2]),
        (("feed", "mic", "mic", "mic"), (1, 2, 3), [2, 3]),
        (("feed", "feed", "mic"), (0, 1), []),
        (("input", "input", "mic"), (0, 1), []),
    ],
)
def test_copied_microphones_are_left_out(kinds: tuple[Kind, ...], equal: tuple[int, ...], left_out: list[int]) -> None:
    """Those that hold a feed, and all but the first of those that hold one another's samples."""
    samples = noise(50_000, len(kinds))
    samples[:, equal] = samples[:, equal[:1]]
    summary = summary_of(samples)
    assert list(copied_microphones(summary, places(*kinds))) == left_out
    found = copy_findings(summary, places(*kinds))
    assert [f.track for f in found] == [f"mic {k}" for k in left_out]
    assert all("left out of this capture" in f.detail and "Check the patch" in f.detail for f in found)


def test_silent_microphones_are_no_copies() -> None:
    assert copied_microphones(summary_of(np.zeros((50_000, 2), dtype=np.float32)), places("mic", "mic")) == ()
