"""The steps by which a clock is found, each by itself: pairs, likely lags, rate, path of the lag, line."""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from clock_making import RATE_HZ, Clock, Samples, between, drums, hall, heard, opened, pink

from analyze.audio.clock_line import fit_line
from analyze.audio.clock_pairs import Pairs, pairs_of
from analyze.audio.clock_rate import coherent_excess, rate_of
from analyze.audio.clock_search import Lag, likely_lags, repeats_after_s
from analyze.audio.clock_track import LARGEST_JUMP_S, TRACK_HZ, Track, track_of
from analyze.audio.clock_windows import Windows

N = 24 * RATE_HZ

#: Tracks (kind, samples) of the base and of the foreign recording.
Takes = tuple[list[tuple[str, Samples]], list[tuple[str, Samples]]]


@pytest.fixture
def pairs(tmp_path: Path, request: pytest.FixtureRequest) -> Pairs:
    """The first pairs of two recordings, which are closed after the test."""
    base, foreign = request.param() if callable(request.param) else request.param
    with ExitStack() as stack:
        one = stack.enter_context(opened(tmp_path, "base", base))
        yield pairs_of(one, stack.enter_context(opened(tmp_path, "own", foreign)))[0]


def simple(jumps: tuple[tuple[float, float], ...] = (), duration_s: float = 40.0) -> Takes:
    """One feed, and one microphone in a hall on a clock 10 s early and 150 ppm fast."""
    clock = Clock(10.0, 150.0, jumps)
    rng = np.random.default_rng(1)
    feed = pink(N, rng)
    return [("feed", feed)], [("mic", clock.recorded(heard(feed, hall(rng, 0.05, 3.0), 5.0, rng), duration_s))]


def quiet(kinds: str) -> list[tuple[str, Samples]]:
    """Tracks of these kinds, by their first letters."""
    names = {"f": "feed", "m": "mic", "i": "input"}
    return [(names[kind], np.full(500, 0.1)) for kind in kinds]


# --- pairs ---


def all_pairs(folder: Path, base: str, foreign: str) -> list[tuple[bool, tuple[tuple[int, int], ...]]]:
    with opened(folder, "base", quiet(base)) as one, opened(folder, "own", quiet(foreign)) as other:
        return [(pairs.has_feed, pairs.tracks) for pairs in pairs_of(one, other)]


def test_pairs_with_a_feed_come_first(tmp_path: Path) -> None:
    assert all_pairs(tmp_path, "fm", "mi") == [(True, ((0, 0), (0, 1))), (False, ((1, 0), (1, 1)))]
    assert all_pairs(tmp_path, "m", "fm") == [(True, ((0, 0),)), (False, ((0, 1),))]
    assert all_pairs(tmp_path, "im", "i") == [(False, ((0, 0), (1, 0)))]
    assert all_pairs(tmp_path, "f", "m") == [(True, ((0, 0),))]


@pytest.mark.parametrize("pairs", [(quiet("mff"), quiet("fm"))], indirect=True)
def test_some_of_the_pairs(pairs: Pairs) -> None:
    assert pairs.tracks == ((0, 0), (1, 0), (1, 1), (2, 0), (2, 1))
    kept = pairs.only([4, 1])
    assert kept.tracks == ((2, 1), (1, 0))
    assert kept.columns == ((1, 1), (0, 0)), "on the axes of the tracks that are left"
    assert [kept.kinds(p) for p in (0, 1)] == [("feed", "mic"), ("feed", "feed")]
    assert [pairs.feed(p) for p in range(5)] == [(1, 0), (0, 1), (0, 1), (0, 2), (0, 2)]
    assert kept.base_sound(3000) is kept.base_sound(3000), "decoded once"
    assert kept.base_sound(3000).tracks == (1, 2)


# --- likely lags ---


@pytest.mark.parametrize("pairs", [simple], indirect=True)
def test_likely_lag(pairs: Pairs) -> None:
    """Within the spread of paths that is allowed for, 30 ms, and a bin."""
    lag = likely_lags(pairs)[0]
    assert 5.0 < lag.base_s < 20.0
    assert lag.lag_s == pytest.approx(10.05 + 150e-6 * lag.base_s, abs=0.035)
    assert repeats_after_s(pairs) == []


def bars() -> Takes:
    loop = np.tile(drums(3 * RATE_HZ, np.random.default_rng(2)), 6)
    return [("feed", loop)], [("mic", loop)]


@pytest.mark.parametrize("pairs", [bars], indirect=True)
def test_repeats_of_a_loop(pairs: Pairs) -> None:
    """Every 3 s, both ways, those that most of the base shares; on a grid of 4 ms."""
    found_s = sorted(repeats_after_s(pairs))
    assert len(found_s) == 6
    np.testing.assert_allclose(found_s, [-9.0, -6.0, -3.0, 3.0, 6.0, 9.0], atol=0.005)


# --- rate ---


def windows(rate_ppm: float, n: int = 24, hop_s: float = 1.0) -> Windows:
    """Windows of one pair with a room of random phase, on a clock that far off."""
    frequency_hz = np.arange(401) * 2.5
    room = np.exp(2j * np.pi * np.random.default_rng(3).random(401))
    middle_s = 5.0 + hop_s * np.arange(n)
    cross = room * np.exp(-2j * np.pi * np.outer(rate_ppm * 1e-6 * middle_s, frequency_hz))
    return Windows(middle_s, frequency_hz, cross[:, np.newaxis].astype(np.complex64), np.ones((n, 1), dtype=bool))


@pytest.mark.parametrize("ppm", [-190.0, 0.0, 40.0])
def test_coherent_energy_is_largest_at_the_rate(ppm: float) -> None:
    """Closed form: n windows in phase have n (n - 1) times a window's energy more than n by chance."""
    rates_ppm = np.arange(-240.0, 241.0, 10.0)
    excess, chance = coherent_excess(windows(ppm), rates_ppm)
    assert excess.shape == (1, len(rates_ppm))
    assert rates_ppm[np.argmax(excess[0])] == ppm
    assert excess.max() == pytest.approx(24 * 23 * 401, rel=0.03)
    assert chance[0] == pytest.approx(24 * math.sqrt(1.9 * 401), rel=1e-6)
    there = excess[0][rates_ppm == ppm][0]
    assert excess[0][rates_ppm == ppm + 40.0 * (1 if ppm < 150 else -1)][0] < 0.7 * there


def test_shifted_windows_are_in_time() -> None:
    late = windows(100.0)
    np.testing.assert_allclose(late.later(100e-6 * late.middle_s), windows(0.0).cross, atol=1e-4)
    assert late.part(slice(3, 9)).only([0]).cross.shape == (6, 1, 401)
    assert late.length == 800


@pytest.mark.parametrize("pairs", [simple], indirect=True)
def test_rate_around_a_lag(pairs: Pairs) -> None:
    """To the step of 4 ppm; the line goes through the lag it was given; elsewhere nothing stands out."""
    rate = rate_of(pairs, Lag(12.0, 10.06))
    assert rate is not None
    assert rate.line.ppm == pytest.approx(150.0, abs=4.0)
    assert rate.line.foreign_s(12.0) - 12.0 == pytest.approx(10.06, abs=2e-4)
    assert rate.best_z > 100.0
    other = rate_of(pairs, Lag(12.0, 3.0))
    assert other is not None
    assert other.best_z < 8.0
    assert rate_of(pairs, Lag(12.0, 60.0)) is None, "no overlap"


# --- path and line ---


def tracked(pairs: Pairs, lag_s: float) -> Track:
    rate = rate_of(pairs, Lag(12.0, lag_s))
    assert rate is not None
    track = track_of(pairs, rate)
    assert track is not None
    return track


def jumping() -> Takes:
    return simple(((8.0, 0.3), (16.0, -0.1)))


@pytest.mark.parametrize("pairs", [jumping], indirect=True)
def test_path_of_a_clock_that_jumps(pairs: Pairs) -> None:
    track = tracked(pairs, 9.76)
    assert track.piece.max() == 2
    assert (track.z[track.is_sounding] > 10.0).all()
    middle_s = track.windows.middle_s
    for number, stretch in enumerate(((0.0, 7.5), (9.0, 15.5), (17.0, 24.0))):
        inside = (middle_s > stretch[0]) & (middle_s < stretch[1])
        assert (track.piece[inside] == number).all()
    steps_s = [
        np.median(track.late_s[track.piece == k + 1]) - np.median(track.late_s[track.piece == k]) for k in (0, 1)
    ]
    np.testing.assert_allclose(steps_s, [-0.3, 0.1], atol=2.0 / TRACK_HZ)


@pytest.mark.parametrize("pairs", [jumping], indirect=True)
def test_line_through_the_path(pairs: Pairs) -> None:
    """Residual 0.03 ppm, 0.3 us; leaps in seconds of the base."""
    fitted = fit_line(tracked(pairs, 9.76))
    assert fitted is not None
    assert fitted.ppm == pytest.approx(150.0, abs=max(4.0 * fitted.std_ppm, 0.1))
    assert fitted.std_ppm < 0.2
    np.testing.assert_allclose(np.diff(fitted.offset_s), np.array([-0.3, 0.1]) / (1.0 + 150e-6), atol=2e-6)
    assert 500.0 < fitted.scale_hz < 3000.0
    assert fitted.outlier_share < 0.2


def leaping_by_little() -> Takes:
    return simple(((13.0, 0.00025),))


@pytest.mark.parametrize("pairs", [leaping_by_little], indirect=True)
def test_line_shows_a_leap_too_small_for_the_path(pairs: Pairs) -> None:
    """0.25 ms is what the path takes for two steps of its grid."""
    track = tracked(pairs, 10.06)
    assert track.piece.max() == 0
    fitted = fit_line(track)
    assert fitted is not None
    assert fitted.track.piece.max() == 1
    np.testing.assert_allclose(np.diff(fitted.offset_s), -0.00025, atol=5e-6)
    assert fitted.ppm == pytest.approx(150.0, abs=0.3)


def gone() -> Takes:
    """A jump beyond what is followed: the sound after it is elsewhere."""
    return simple(((15.0, LARGEST_JUMP_S + 1.0),))


@pytest.mark.parametrize("pairs", [gone], indirect=True)
def test_path_that_is_lost(pairs: Pairs) -> None:
    track = tracked(pairs, 10.06)
    middle_s = track.windows.middle_s
    assert (track.piece[middle_s < 14.0] == 0).all()
    assert (track.piece[middle_s > 16.5] == -1).all()
    assert np.isnan(track.late_s[middle_s > 16.5]).all()


def in_turn() -> Takes:
    rng = np.random.default_rng(4)
    feeds = [between(pink(N, rng), 0.5, 11.0), between(pink(N, rng), 12.5, 23.5)]
    there = sum(heard(feed, hall(rng, s, 0.0), 20.0, rng) for feed, s in zip(feeds, (0.05, 0.11), strict=True))
    return [("feed", feed) for feed in feeds], [("mic", Clock(10.0, 150.0).recorded(there, 40.0))]


@pytest.mark.parametrize("pairs", [in_turn], indirect=True)
def test_groups_that_sound_in_turn_have_offsets_of_their_own(pairs: Pairs) -> None:
    """Their flights differ by 60 ms: no leap, and no slope from one to the other."""
    track = tracked(pairs, 10.06)
    assert sorted(track.groups) == [(0,), (1,)]
    assert track.piece.max() == 0
    fitted = fit_line(track)
    assert fitted is not None
    assert fitted.ppm == pytest.approx(150.0, abs=0.5)
    response = np.abs(track.responses(fitted.late_s))
    peak, length = np.argmax(response, axis=-1), response.shape[-1]
    lag_s = (peak - length * (peak > length // 2)) / TRACK_HZ
    assert abs(lag_s[0] - lag_s[1]) == pytest.approx(0.06, abs=2e-4)
    assert track.peak_ratio > 50.0


@pytest.mark.parametrize("pairs", [in_turn], indirect=True)
def test_rate_is_told_within_the_groups(pairs: Pairs) -> None:
    """20 ppm left over by the steps before: each group shows it for its own half only, none from one to the other."""
    track = tracked(pairs, 10.06)
    middle_s = track.windows.middle_s
    turned = replace(track.windows, cross=track.windows.later(-20e-6 * (middle_s - middle_s.mean())))
    fitted = fit_line(replace(track, windows=turned, late_s=np.zeros(len(middle_s))))
    assert fitted is not None
    assert fitted.more_ppm == pytest.approx(20.0 + 150.0 - track.line.ppm, abs=0.5)
    assert fitted.std_ppm < 0.3
