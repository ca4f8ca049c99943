"""Responses and their error: gain and delay, calibrated variances, changes, impulses."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import N_LOW, RATE_HZ, Samples, delay, delayed, responses, summed, sweep

from analyze.responses.transfer import (
    N_REPLICATES,
    changed,
    impulse_responses,
    responses_of,
    rotation,
)
from analyze.spectra.cross_spectra import CrossSpectra

DELAYS_S, GAINS = np.array([0.01234, 0.2105]), np.array([0.5, -0.3])
#: Lines 30 to 855 Hz: what every feed below carries.
CARRIED = slice(42, 1197)


def feed_of(kind: str, n: int, rng: np.random.Generator) -> Samples:
    """Feeds that fill the time differently: always, once over, four times over, in parts, in hits."""
    second = np.arange(n) / RATE_HZ
    if kind == "noise":
        return rng.standard_normal(n)
    if kind == "sweep":
        return np.concatenate([sweep(n - RATE_HZ // 2), np.zeros(RATE_HZ // 2)])
    if kind == "silent for 70 % of each 3 s":
        return rng.standard_normal(n) * (second % 3.0 < 0.9)
    if kind == "silent after 30 %":
        return rng.standard_normal(n) * (second < 0.3 * n / RATE_HZ)
    return rng.standard_normal(n) * np.exp(-(second % 0.51) / 0.04)


def take(kind: str, seed: int, n: int, noise: float = 0.5) -> tuple[CrossSpectra, NDArray[np.complex128]]:
    """One output at two positions in noise of this share of the sound, and the true responses (position, line)."""
    rng = np.random.default_rng(seed)
    feed = feed_of(kind, n, rng)
    heard = [
        g * delayed(feed, d) + noise * abs(g) * feed.std() * rng.standard_normal(n)
        for g, d in zip(GAINS, DELAYS_S, strict=True)
    ]
    cross = summed([feed], heard, DELAYS_S[None])
    frequency_hz = np.arange(cross.gxx.shape[-1]) / 1.4
    return cross, np.stack([g * delay(frequency_hz, d) for g, d in zip(GAINS, DELAYS_S, strict=True)])


# One feed


@pytest.mark.parametrize("n", [8 * RATE_HZ, 9 * RATE_HZ + 1])
@pytest.mark.parametrize("kind", ["noise", "sweep"])
def test_one_feed_gives_gain_and_delay(n: int, kind: str) -> None:
    """Without noise the response is the gain and the delay at every line that the feed carries."""
    cross, truth = take(kind, 1, n, noise=0.0)
    found = responses_of(cross, np.random.default_rng(2))
    assert (found.outputs, found.positions, found.capture) == (("out 0",), ("seat 0", "seat 1"), "take")
    # Measured residual 1.3e-3: shifts are whole samples, a frame's edges see the fraction that is left.
    assert np.abs(found.h[0] / truth - 1.0)[:, CARRIED].max() < 4e-3
    assert found.coherence[0][:, CARRIED].min() > 0.999
    assert found.averages[0] == pytest.approx(0.52 * cross.n_frames.sum(axis=0))


@pytest.mark.parametrize("n", [14 * RATE_HZ, 25 * RATE_HZ + 1])
@pytest.mark.parametrize(
    "kind", ["noise", "sweep", "silent for 70 % of each 3 s", "silent after 30 %", "hits half a second apart"]
)
def test_the_variance_is_calibrated(kind: str, n: int) -> None:
    """Mean |error|^2 over variance, 12 takes; 1 if calibrated, for a feed that is silent most of the time too.

    A variance estimated from n averages makes it up to (n - 1) / (n - 2): the mean of an F distribution with 2 and
    2 (n - 1) degrees of freedom.
    """
    ratios, averages = [], 0.0
    for seed in range(12):
        cross, truth = take(kind, seed, n)
        found = responses_of(cross, np.random.default_rng(seed))
        ratios.append((np.abs(found.h[0] - truth) ** 2 / found.variance[0])[:, CARRIED].mean())
        averages = found.averages.min()
    # Measured over 24 takes: 1.001 to 1.099, the latter with 6 averages. A count of frames in place of effective
    # averages would show 1.9.
    assert 0.96 < np.mean(ratios) < 1.02 * (averages - 1.0) / (averages - 2.0)


@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_silence_between_leaves_response_and_error_as_they_are(noise: float) -> None:
    """Reverberation longer than a frame goes with the sound; 80 % of silence must not make its error look smaller.

    Measured: 0.69 and 0.70 of the variance without silence, for a frame half full counts as one; if silent frames
    counted it would be 0.2 of it.
    """
    rng = np.random.default_rng(6)
    n, part = 12 * RATE_HZ, 3 * RATE_HZ
    feed = rng.standard_normal(n)
    decay = rng.standard_normal(2 * RATE_HZ) * np.exp(-np.arange(2 * RATE_HZ) / (0.2 * RATE_HZ))
    found = []
    for silent in (0, 4 * part):
        sent = np.concatenate([np.concatenate([feed[k : k + part], np.zeros(silent)]) for k in range(0, n, part)])
        heard = np.convolve(sent, decay)[: len(sent)] + noise * rng.standard_normal(len(sent))
        found.append(responses_of(summed([sent], [heard], np.zeros((1, 1))), rng))
    plain, silenced = (f.variance[0, 0, CARRIED].mean() for f in found)
    assert 0.6 * plain < silenced < 1.1 * plain
    assert found[1].averages[0, 0] < 1.6 * found[0].averages[0, 0]
    assert found[1].coherence[0, 0, CARRIED].mean() == pytest.approx(found[0].coherence[0, 0, CARRIED].mean(), abs=0.02)


def test_a_microphone_left_with_too_few_frames_of_sound_is_not_measured() -> None:
    """Three frames say nothing of the error: one response explains nearly all of them, whatever it is."""
    cross, _ = take("silent after 30 %", 3, 14 * RATE_HZ)
    few = cross.n_frames.copy()
    few[:, 1] = [3, *[0] * (len(few) - 1)]
    cross = dataclasses.replace(cross, n_frames=few)
    found = responses_of(cross, np.random.default_rng(7))
    assert found.has("out 0", "seat 0")
    assert not found.has("out 0", "seat 1")
    assert np.isnan(found.variance[0, 1]).all()
    assert np.isnan(found.replicates[:, 0, 1]).all()
    assert [i.position for i in impulse_responses(cross, {})] == ["seat 0"]


@pytest.mark.filterwarnings("error")
def test_an_output_that_never_sounds_for_a_microphone_is_not_known_there() -> None:
    """A feed of zeros beside one that sounds: nothing is known of it, and all else is as without it."""
    rng = np.random.default_rng(8)
    feed = rng.standard_normal(14 * RATE_HZ)
    heard = 0.5 * feed + 0.1 * rng.standard_normal(len(feed))
    found = responses_of(summed([feed, np.zeros(len(feed))], [heard], np.zeros((2, 1))), np.random.default_rng(9))
    assert found.has("out 0", "seat 0")
    assert not found.has("out 1", "seat 0")
    assert np.isnan(found.variance[1]).all()
    assert np.isnan(found.replicates[:, 1]).all()
    assert np.abs(found.h[0][:, CARRIED] - 0.5).max() < 0.2


def test_the_coherence_is_that_of_the_noise() -> None:
    """1 / (1 + noise) and its bias (1 - g2)^2 / n (Bendat & Piersol, Random Data, ch. 9, from memory)."""
    for noise in (0.5, 1.5):
        means, n = [], 0.0
        for seed in range(6):
            cross, _ = take("noise", seed, 14 * RATE_HZ, noise)
            means.append(responses_of(cross, np.random.default_rng(seed)).coherence[0][:, CARRIED].mean())
            n = cross.n_effective[0]
        true = 1.0 / (1.0 + noise**2)
        assert np.mean(means) == pytest.approx(true + (1.0 - true) ** 2 / n, abs=0.006)


def test_lines_that_the_feed_does_not_carry_are_not_known() -> None:
    """A feed without anything above 300 Hz: there the error is far larger than the response could be."""
    rng = np.random.default_rng(4)
    n = 10 * RATE_HZ
    spectrum = np.fft.rfft(rng.standard_normal(n))
    spectrum[3000:] = 0.0
    feed = np.fft.irfft(spectrum, n)
    heard = 0.5 * delayed(feed, 0.01) + 0.01 * rng.standard_normal(n)
    found = responses_of(summed([feed], [heard, -heard], np.full((1, 2), 0.01)), rng)
    assert found.variance[0, :, 600:1300].min() > 1.0
    assert found.variance[0, :, 42:400].max() < 1e-3
    assert found.coherence[0, :, 600:1300].mean() < 0.2


# Two feeds


def test_two_feeds_are_told_apart() -> None:
    """Feeds that share a quarter of their energy, each with its own delays; gains, signs and errors come out."""
    gains, delays_s = np.array([[0.5, -0.3], [-0.8, 0.4]]), np.array([[0.0123, 0.03], [0.0251, 0.02]])
    ratios = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        first, second = rng.standard_normal((2, 20 * RATE_HZ))
        feeds = [first, 0.5 * first + math.sqrt(0.75) * second]
        heard = [
            sum(gains[i, p] * delayed(feeds[i], delays_s[i, p]) for i in range(2))
            + 0.5 * rng.standard_normal(len(first))
            for p in range(2)
        ]
        found = responses_of(summed(feeds, heard, delays_s), rng)
        truth = gains[..., None] * np.stack([[delay(found.frequency_hz, d) for d in row] for row in delays_s])
        ratios.append((np.abs(found.h - truth) ** 2 / found.variance)[..., CARRIED].mean(axis=-1))
        mean_gain = (found.h / truth)[..., CARRIED].mean(axis=-1)
        assert np.abs(mean_gain - 1.0).max() < 0.08
    # Measured 1.01 to 1.04 per output; with the terms between the feeds left out it is 3 and more.
    assert (np.abs(np.mean(ratios, axis=0) - 1.02) < 0.08).all(), np.mean(ratios, axis=0)


# Replicates


@pytest.mark.parametrize("kind", ["noise", "sweep", "silent after 30 %"])
def test_replicates_scatter_at_least_as_much_as_the_error(kind: str) -> None:
    """Their spread over third octaves from 40 to 250 Hz against the true error of those means.

    Lines share noise: the mean over a band is off by 2.08 times the variance per line (the Hann window's
    autocorrelation squared, integrated, is 0.48 of a frame). Resampling groups repeats most of the noise that is added
    besides, so the spread may be up to twice the error; it must not be less.
    """
    bands = [slice(50, 63), slice(79, 100), slice(125, 158), slice(198, 250), slice(314, 395)]
    errors, spreads, variances = np.zeros((3, 40, len(bands)))
    for seed in range(40):
        cross, truth = take(kind, seed, 14 * RATE_HZ)
        found = responses_of(cross, np.random.default_rng(seed))
        for k, band in enumerate(bands):
            mean = (found.h[0, :, band] / truth[:, band]).mean(axis=-1)
            errors[seed, k] = np.mean(np.abs(mean - 1.0) ** 2)
            spreads[seed, k] = (found.replicates[:, 0, :, band] / truth[:, band]).mean(axis=-1).var(axis=0).mean()
            variance = found.variance[0, :, band] / np.abs(truth[:, band]) ** 2
            variances[seed, k] = variance.mean() / (band.stop - band.start)
    assert found.replicates.shape == (N_REPLICATES, 1, 2, N_LOW)
    shared = np.mean(errors.mean(axis=0) / variances.mean(axis=0))
    assert shared == pytest.approx(2.0, abs=0.25)
    spread = np.mean(spreads.mean(axis=0) / errors.mean(axis=0))
    assert 0.88 < spread < 2.0


def test_replicates_show_what_changes_during_a_take() -> None:
    """A level that rises by half during the take: far more spread than the noise leaves."""
    n = 20 * RATE_HZ
    rng = np.random.default_rng(7)
    feed = rng.standard_normal(n)
    rising = delayed(feed, 0.01) * np.linspace(0.8, 1.2, n) + 0.01 * rng.standard_normal(n)
    steady = delayed(feed, 0.01) + 0.01 * rng.standard_normal(n)
    found = responses_of(summed([feed], [rising, steady], np.full((1, 2), 0.01)), rng)
    spread = found.replicates[:, 0, :, 42:].std(axis=0).mean(axis=-1)
    assert spread[0] > 4.0 * spread[1]


def test_the_same_draws_give_the_same_replicates() -> None:
    cross, _ = take("noise", 3, 10 * RATE_HZ)
    one, same, other = (responses_of(cross, np.random.default_rng(seed)).replicates for seed in (5, 5, 6))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


# Changes


def test_a_change_turns_and_delays() -> None:
    """`sign * H * exp(-j 2 pi f delay)`, replicates too, the rest untouched."""
    rng = np.random.default_rng(8)
    before = responses(rng.standard_normal((2, 3, 900)) + 1j * rng.standard_normal((2, 3, 900)))
    after = changed(before, {"out 1": (-1.0, 3.37)})
    turn = -np.exp(-2j * np.pi * before.frequency_hz * 0.00337)
    assert np.array_equal(after.h[0], before.h[0])
    assert np.array_equal(after.replicates[:, 0], before.replicates[:, 0])
    assert np.abs(after.h[1] - before.h[1] * turn).max() < 1e-6
    assert np.abs(after.replicates[:, 1] - before.replicates[:, 1] * turn[:N_LOW]).max() < 1e-6
    assert np.array_equal(after.variance, before.variance)
    back = changed(after, {"out 1": (-1.0, -3.37), "out 9": (-1.0, 1.0)})
    assert np.abs(back.h - before.h).max() < 2e-6


def test_later_is_a_falling_phase() -> None:
    assert np.degrees(np.angle(rotation(np.array([0.0, 250.0]), 1.0, 0.5))) == pytest.approx([0.0, -45.0])
    assert rotation(np.array([0.0]), -1.0, 0.5)[0] == -1.0


def test_shapes_are_checked_and_arrays_closed() -> None:
    good = responses(np.ones((2, 3, 900)))
    with pytest.raises(ValueError, match=r"variance has shape \(2, 2, 900\), expected \(2, 3, 900\)"):
        dataclasses.replace(good, variance=good.variance[:, :2])
    with pytest.raises(ValueError, match="replicates has shape"):
        dataclasses.replace(good, replicates=good.replicates[:, :1])
    with pytest.raises(ValueError, match="read-only"):
        good.h[0, 0, 0] = 2.0
    assert good.has("out 1", "seat 2")
    assert not good.has("out 2", "seat 2")
    assert not good.has("out 1", "seat 3")


# Impulse responses


@pytest.mark.parametrize("rate_hz", [8000, 11_025])
def test_an_impulse_response_peaks_where_it_arrives(rate_hz: int) -> None:
    """Time zero is the feed; whole and fractional samples, both signs, odd and even frames, a change applied."""
    rng = np.random.default_rng(9)
    feed = rng.standard_normal(7 * rate_hz + 1)
    arrivals_s = np.array([123.0, 700.4]) / rate_hz
    heard = [0.8 * delayed(feed, arrivals_s[0], rate_hz), -0.5 * delayed(feed, arrivals_s[1], rate_hz)]
    cross = summed([feed], heard, arrivals_s[None], rate_hz)
    for change, sign, later in (({}, 1.0, 0.0), ({"out 0": (-1.0, 5e3 / rate_hz), "other": (1.0, 9.0)}, -1.0, 5.0)):
        first, second = impulse_responses(cross, change)
        assert (first.output, first.position, first.sample_rate_hz) == ("out 0", "seat 0", rate_hz)
        assert second.position == "seat 1"
        assert first.samples.dtype == np.float32
        assert len(first.samples) == round(1.4 * rate_hz)
        assert int(np.argmax(np.abs(first.samples))) == 123 + later
        assert first.samples[123 + int(later)] == pytest.approx(0.8 * sign, abs=2e-3)
        assert int(np.argmax(np.abs(second.samples))) == 700 + later
        # A pulse 0.4 samples off has sin(0.4 pi) / (0.4 pi) = 0.757 of its height at the nearest sample.
        assert second.samples[700 + int(later)] == pytest.approx(-0.5 * sign * 0.757, abs=3e-3)
        rest = np.delete(first.samples, 123 + int(later))
        assert np.abs(rest).max() < 2e-3
