"""The coarse delay: every delay in its range, fractions included, whichever way up, or none at all."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from spectra_making import ODD_RATE_HZ, RATE_HZ, Samples, delayed, noise, sweep

from analyze.spectra import coarse_delay
from analyze.spectra.coarse_delay import EARLIEST_S, LATEST_S, coarse_delays_s, first_arrivals_s

#: Whole samples, fractions of one, both ends of the range.
DELAYS_S = [EARLIEST_S + 0.002, -0.01, 0.0, 0.00031, 0.0123, 0.1 + 0.5 / RATE_HZ, 0.3001, 0.55, 0.9, LATEST_S - 0.01]


def band_limited(samples: Samples, rate_hz: int) -> Samples:
    """What a sub makes of a feed: a vented box at 32 Hz, a fourth-order low-pass at 90 Hz."""
    box = signal.butter(4, 32.0, "highpass", fs=rate_hz, output="sos")
    low = signal.butter(4, 90.0, "lowpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(low, signal.sosfilt(box, samples)))


def found(feed: Samples, microphones: list[Samples], rate_hz: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    stacked = np.stack(microphones).astype(np.float32)
    return coarse_delays_s(feed.astype(np.float32), stacked, rate_hz)


def seconds_of(kind: str, n: int, rate_hz: int) -> Samples:
    """A feed (frame,): noise, or a sweep that leaves the last second to what is late."""
    if kind == "noise":
        return noise(n, 11)
    feed = np.zeros(n)
    feed[: n - rate_hz] = sweep(n - rate_hz, rate_hz)
    return feed


@pytest.mark.parametrize("delay_s", DELAYS_S)
@pytest.mark.parametrize("kind", ["noise", "sweep"])
@pytest.mark.parametrize(("rate_hz", "odd"), [(RATE_HZ, 0), (RATE_HZ, 1), (ODD_RATE_HZ, 1)])
def test_any_delay_either_way_up(delay_s: float, kind: str, rate_hz: int, odd: int) -> None:
    n = 14 * rate_hz + odd
    feed = seconds_of(kind, n, rate_hz)
    hiss = 0.03 * feed.std() * noise(n, 12)
    other_s = delay_s - 0.0017 if delay_s > 0.0 else delay_s + 0.0017
    microphones = [0.3 * delayed(feed, delay_s, rate_hz) + hiss, -0.7 * delayed(feed, other_s, rate_hz)]
    delays_s, prominence = found(feed, microphones, rate_hz)
    # The peak of a pulse that is not filtered lies within half a sample.
    assert np.abs(delays_s - [delay_s, other_s]).max() <= 0.51 / rate_hz
    assert (prominence > 20.0).all()


def test_polarity_changes_nothing() -> None:
    feed = noise(6 * RATE_HZ, 13)
    heard = band_limited(delayed(feed, 0.0421, RATE_HZ), RATE_HZ) + 0.1 * delayed(feed, 0.05, RATE_HZ)
    delays_s, prominence = found(feed, [heard, -heard], RATE_HZ)
    assert delays_s[0] == delays_s[1]
    assert prominence[0] == prominence[1]


@pytest.mark.parametrize("delay_s", [0.0, 0.01234, 0.1, 0.5, 0.9])
@pytest.mark.parametrize("kind", ["noise", "sweep"])
def test_a_sub_is_found_a_box_late(delay_s: float, kind: str) -> None:
    """Its low-pass delays by 9 ms, less where its top counts, which a frame of 1.4 s does not mind."""
    feed = seconds_of(kind, 14 * RATE_HZ, RATE_HZ)
    clean = band_limited(delayed(feed, delay_s, RATE_HZ), RATE_HZ)
    hiss = 0.5 * clean.std() * noise(len(feed), 14)
    delays_s, _ = found(feed, [clean, -clean, clean + hiss], RATE_HZ)
    late_s = delays_s - delay_s
    assert late_s.min() > -0.0005
    assert late_s.max() < 0.0105


def test_the_strongest_sound_counts_not_a_weaker_reflection() -> None:
    feed = noise(8 * RATE_HZ + 1, 15)
    heard = delayed(feed, 0.02, RATE_HZ) - 0.8 * delayed(feed, 0.045, RATE_HZ) + 0.5 * delayed(feed, 0.2, RATE_HZ)
    delays_s, _ = found(feed, [heard, 2.0 * heard], RATE_HZ)
    assert np.abs(delays_s - 0.02).max() <= 0.51 / RATE_HZ


@pytest.mark.parametrize("scale", [1.0, 1e-3, 1e-6])
def test_level_changes_nothing(scale: float) -> None:
    feed = noise(5 * RATE_HZ, 16)
    delays_s, _ = found(scale * feed, [scale * delayed(feed, 0.03, RATE_HZ)], RATE_HZ)
    assert delays_s[0] == pytest.approx(0.03, abs=0.51 / RATE_HZ)


def test_silence_is_not_heard() -> None:
    feed = noise(5 * RATE_HZ, 17)
    heard = delayed(feed, 0.03, RATE_HZ)
    delays_s, prominence = found(feed, [np.zeros(len(feed)), heard], RATE_HZ)
    assert np.isnan(delays_s[0])
    assert prominence[0] == 0.0
    assert delays_s[1] == pytest.approx(0.03, abs=0.51 / RATE_HZ)
    assert np.isnan(found(np.zeros(len(feed)), [heard], RATE_HZ)[0]).all()


@pytest.mark.parametrize("n", [4 * RATE_HZ, 9 * RATE_HZ + 1])
@pytest.mark.parametrize("corner_hz", [math.inf, 200.0, 60.0, 20.0])
def test_unrelated_noise_is_not_heard(n: int, corner_hz: float) -> None:
    """Thirty takes with two microphones each, in white noise and in the rumble of a room."""
    rumble = None if math.isinf(corner_hz) else signal.butter(2, corner_hz, fs=RATE_HZ, output="sos")
    for seed in range(30):
        feed, *others = (noise(n, 1000 * seed + k) for k in range(3))
        if rumble is not None:
            others = [20.0 * np.asarray(signal.sosfilt(rumble, other)) for other in others]
        assert np.isnan(found(feed, others, RATE_HZ)[0]).all(), seed


@pytest.mark.parametrize("delay_s", [0.1, 0.3, 0.4, 0.6, 0.9])
@pytest.mark.parametrize("seconds", [3.0, 5.0, 8.0])
def test_a_short_take_has_the_same_range(delay_s: float, seconds: float) -> None:
    """One sweep, in a take hardly longer than itself."""
    n = round(seconds * RATE_HZ)
    feed = np.concatenate([sweep(n, RATE_HZ), np.zeros(round(1.2 * RATE_HZ))])
    heard = delayed(feed, delay_s, RATE_HZ)
    hiss = 0.03 * feed.std() * noise(len(feed), 18)
    delays_s, _ = found(feed, [0.3 * heard + 0.3 * hiss, -heard + hiss], RATE_HZ)
    assert np.abs(delays_s - delay_s).max() <= 0.51 / RATE_HZ, delays_s


@pytest.mark.parametrize("kind", ["noise", "sweep"])
def test_what_comes_straight_is_told_from_a_wall_that_returns_more(kind: str) -> None:
    """From behind a box: straight 8 dB under what a wall returns 40 ms later; the sweep is cut off at both ends."""
    n = 6 * RATE_HZ
    feed = noise(n, 21) if kind == "noise" else sweep(3 * n, RATE_HZ)[n : 2 * n]
    heard = 0.4 * delayed(feed, 0.0634, RATE_HZ) + delayed(feed, 0.1034, RATE_HZ) + 0.01 * feed.std() * noise(n, 22)
    loudest, _ = found(feed, [heard], RATE_HZ)
    assert loudest[0] == pytest.approx(0.1034, abs=0.001)
    first = first_arrivals_s(feed.astype(np.float32), heard[None].astype(np.float32), RATE_HZ)
    assert first[0] == pytest.approx(0.0634, abs=0.001)


def test_in_noise_nothing_is_first() -> None:
    feed, heard = noise(6 * RATE_HZ, 23), noise(6 * RATE_HZ, 24)
    first = first_arrivals_s(feed.astype(np.float32), heard[None].astype(np.float32), RATE_HZ)
    assert np.isnan(first).all()


def test_of_a_feed_alone_a_part_of_the_look_is_enough_unless_there_is_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """One microphone hears it well, one under the noise: of that one alone all of it is looked at."""
    n = 30 * RATE_HZ
    feed = noise(n, 31).astype(np.float32)
    clear, faint = (delayed(feed, at_s, RATE_HZ) for at_s in (0.0213, 0.0471))
    heard = np.stack([clear, 0.05 * faint + feed.std() * noise(n, 32)]).astype(np.float32)
    looked_at: list[tuple[int, int]] = []
    own = coarse_delay._delays

    def noted(feed: Samples, microphones: Samples, *of_look: object) -> Samples:
        looked_at.append((len(feed), len(microphones)))
        return own(feed, microphones, *of_look)  # type: ignore[arg-type]

    monkeypatch.setattr(coarse_delay, "_delays", noted)
    whole, _ = coarse_delays_s(feed, heard, RATE_HZ)
    parts, prominence = coarse_delays_s(feed, heard, RATE_HZ, is_alone=True)
    assert looked_at == [(n, 2), (8 * RATE_HZ, 2), (n, 1)]
    assert parts.tolist() == whole.tolist()
    assert np.abs(parts - [0.0213, 0.0471]).max() < 1.0 / RATE_HZ
    assert prominence[0] > prominence[1]
