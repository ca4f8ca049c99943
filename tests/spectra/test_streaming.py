"""The streaming pass: against another library in double precision, and independent of how it is fed."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from spectra_making import ODD_RATE_HZ, RATE_HZ, Samples, coherence, delayed, noise, source_of, summed

from analyze.spectra.cross_spectra import EFFECTIVE_SHARE, FRAME_S, LOW_HZ, OVERLAP_HOPS, CrossSpectra, line_hz
from analyze.spectra.frame_plan import FramePlan, furthest_read_s, plan_frames
from analyze.spectra.least_squares import solve
from analyze.spectra.streaming import accumulate

#: Two feeds and three microphones, each microphone with delays and signs of its own per feed.
DELAYS_S = np.array([[0.0105, 0.2371, 0.0], [0.0442, 0.13, 0.31]])
GAINS = np.array([[0.8, -0.3, 0.05], [-0.4, 0.6, 1.2]])


def scene(rate_hz: int, n: int, seed: int = 5) -> Samples:
    """Feeds and microphones, (frame, track), with a little noise of each microphone's own."""
    rng = np.random.default_rng(seed)
    feeds = rng.standard_normal((2, n)) * np.array([[0.2], [0.07]])
    tracks = [*feeds]
    for p in range(3):
        heard = sum(GAINS[i, p] * delayed(feeds[i], DELAYS_S[i, p], rate_hz) for i in range(2))
        tracks.append(heard + 0.01 * rng.standard_normal(n))
    return np.stack(tracks, axis=1)


def arrays(cross: CrossSpectra) -> dict[str, NDArray[np.generic]]:
    values = {f.name: getattr(cross, f.name) for f in dataclasses.fields(cross)}
    return {name: value for name, value in values.items() if isinstance(value, np.ndarray)}


def assert_identical(a: CrossSpectra, b: CrossSpectra) -> None:
    for name, value in arrays(a).items():
        assert np.array_equal(value, arrays(b)[name]), name


# Against another library


@pytest.mark.parametrize(("rate_hz", "n"), [(RATE_HZ, 75_001), (ODD_RATE_HZ, 90_000)])
def test_the_sums_are_those_of_scipy_in_double_precision(rate_hz: int, n: int) -> None:
    """`scipy.signal.csd` (live), periodic Hann, no detrending; whole-sample shifts are applied by hand."""
    samples = scene(rate_hz, n).astype(np.float32).astype(np.float64)
    shift_s = np.round(DELAYS_S * rate_hz) / rate_hz
    cross = summed(samples, 2, shift_s, rate_hz=rate_hz)
    length = round(FRAME_S * rate_hz)
    plan = plan_frames(n, rate_hz, round(furthest_read_s(shift_s) * rate_hz))
    used = (plan.n_frames - 1) * plan.hop + length
    window = signal.windows.hann(length, sym=False)
    sided = np.full(length // 2 + 1, 2.0)
    sided[0] = 1.0
    if length % 2 == 0:
        sided[-1] = 1.0

    def sums(a: Samples, b: Samples) -> NDArray[np.complex128]:
        """Sum over frames of conj(A) B: the mean spectrum of the library without its scaling."""
        mean = signal.csd(
            a, b, rate_hz, window, length, length - plan.hop, detrend=False, scaling="spectrum", average="mean"
        )[1]
        return np.asarray(mean * plan.n_frames * window.sum() ** 2 / sided)

    assert cross.gxx.shape[-1] == length // 2 + 1
    worst = {"gxx": 0.0, "gxy": 0.0, "gyy": 0.0}
    late = np.round(shift_s * rate_hz).astype(int)
    for p in range(3):
        latest = late[:, p].max()
        x = [samples[latest - late[i, p] :][:used, i] for i in range(2)]
        y = samples[latest : latest + used, 2 + p]
        worst["gyy"] = max(worst["gyy"], float((np.abs(cross.gyy[p] / sums(y, y).real - 1.0)).max()))
        for i in range(2):
            scale = np.abs(sums(x[i], x[i]) * sums(y, y)) ** 0.5
            worst["gxy"] = max(worst["gxy"], float((np.abs(cross.gxy[i, p] - sums(x[i], y)) / scale).max()))
            for j in range(2):
                scale = np.abs(sums(x[i], x[i]) * sums(x[j], x[j])) ** 0.5
                error = np.abs(cross.gxx[p, i, j] - sums(x[i], x[j])) / scale
                worst["gxx"] = max(worst["gxx"], float(error.max()))
    # Single-precision transforms leave 4e-7; a symmetric window in place of the periodic one leaves 1e-4.
    assert max(worst.values()) < 1e-6, worst


@pytest.mark.parametrize(("hops", "share"), EFFECTIVE_SHARE.items())
def test_the_share_of_effective_averages_is_that_of_the_window(hops: int, share: float) -> None:
    """Welch 1967 (from memory): 1 / (1 + 2 sum of the window's autocorrelation squared at multiples of the hop)."""
    n = 4000
    window = signal.windows.hann(n, sym=False)
    lags = [window[k * n // hops :] @ window[: n - k * n // hops] for k in range(hops)]
    assert share == pytest.approx(1.0 / (1.0 + 2.0 * sum((lag / lags[0]) ** 2 for lag in lags[1:])), rel=0.002)


# However it is fed


@pytest.mark.parametrize("sizes", [(1 << 17,), (997,), (11_200, 1, 4801), (75_001,)])
@pytest.mark.parametrize("shift_s", [DELAYS_S, np.array([[-0.02, 0.0, 0.3], [0.1, -0.011, 0.2]])])
def test_block_sizes_change_no_bit(sizes: tuple[int, ...], shift_s: NDArray[np.float64]) -> None:
    samples = scene(RATE_HZ, 75_001)
    assert_identical(summed(samples, 2, shift_s), summed(samples, 2, shift_s, sizes=sizes))


def test_the_order_of_tracks_changes_no_more_than_double_precision_rounds() -> None:
    """Microphones no bit; of two feeds the product is formed one way round or the other."""
    samples = scene(RATE_HZ, 60_000)
    straight = summed(samples, 2, DELAYS_S)
    turned = summed(samples[:, [1, 0, 4, 2, 3]], 2, DELAYS_S[::-1][:, [2, 0, 1]])
    back = [1, 2, 0]
    scale = np.abs(straight.gxx).max()
    assert np.abs(straight.gxx - turned.gxx[back][:, ::-1, ::-1]).max() < 1e-15 * scale
    assert np.abs(straight.low_gxx - turned.low_gxx[:, back][:, :, ::-1, ::-1]).max() < 1e-15 * scale
    assert np.array_equal(straight.gyy, turned.gyy[back])
    for name in ("gxy", "shift_s"):
        assert np.array_equal(getattr(straight, name), getattr(turned, name)[::-1][:, back]), name
    assert np.array_equal(straight.low_gxy, turned.low_gxy[:, ::-1][:, :, back])


def test_feeds_that_are_alike_leave_a_matrix_that_feeds_can_have() -> None:
    """A feed and its double, turned over: no eigenvalue is negative by more than double precision rounds."""
    samples = scene(RATE_HZ, 60_000)
    samples[:, 1] = -2.0 * samples[:, 0]
    gxx = np.moveaxis(summed(samples, 2, np.zeros((2, 3))).gxx, -1, 1)
    lowest = np.linalg.eigvalsh(gxx)[..., 0]
    assert (lowest > -1e-14 * np.einsum("plii->pl", gxx).real).all()


def test_a_microphone_counts_for_itself_alone() -> None:
    samples = scene(RATE_HZ, 60_000)
    together = summed(samples, 2, DELAYS_S)
    alone = summed(samples[:, [0, 1, 3]], 2, DELAYS_S[:, [1]])
    assert np.array_equal(together.gxy[:, [1]], alone.gxy)
    assert np.array_equal(together.gyy[[1]], alone.gyy)
    assert np.array_equal(together.gxx[[1]], alone.gxx)


def test_every_sample_is_read_once_and_told_of() -> None:
    samples = scene(RATE_HZ, 75_001).astype(np.float32)
    told: list[int] = []
    accumulate(
        source_of(samples, (7001,)),
        len(samples),
        RATE_HZ,
        capture="take",
        feeds=["a", "b"],
        positions=["x", "y", "z"],
        shift_s=DELAYS_S,
        progress=told.append,
    )
    assert told == [7001] * 10 + [4991]


def test_a_recording_shorter_than_a_frame_is_refused() -> None:
    with pytest.raises(ValueError, match="shorter than one frame"):
        summed(scene(RATE_HZ, 11_199), 2, np.zeros((2, 3)))
    assert summed(scene(RATE_HZ, 11_200), 2, np.zeros((2, 3))).n_frames.tolist() == [[1, 1, 1]]


# Delays


@pytest.mark.parametrize("delay_s", [0.0, 0.0301, 0.15004, 0.3, -0.02, -0.0483])
def test_a_delay_that_is_known_costs_no_coherence(delay_s: float) -> None:
    """Seybert & Hamilton 1978: |H| loses the window's autocorrelation, coherence its square; read in step, nothing."""
    n = 8 * RATE_HZ + 1
    feed = noise(n, 1)
    samples = np.stack([feed, -0.4 * delayed(feed, delay_s, RATE_HZ), 0.9 * delayed(feed, 0.01, RATE_HZ)], axis=1)
    read = summed(samples, 1, np.array([[delay_s, 0.01]]))
    # Measured: 1.3e-7, and 2e-4 of the response, at -48 ms, where the first frame lacks what was before the recording.
    assert 1.0 - coherence(read, 50.0, 3500.0).min() < 5e-7
    gain = read.gxy[0, 0] / read.gxx[0, 0, 0].real
    lines = slice(70, 500)
    remaining_s = delay_s - read.shift_s[0, 0]
    expected = -0.4 * np.exp(-2j * np.pi * line_hz(500)[lines] * remaining_s)
    assert np.abs(gain[lines] / expected - 1.0).max() < 5e-4


def test_a_delay_that_is_not_known_costs_what_the_window_says() -> None:
    """Autocorrelation of the Hann window at a quarter of its length: 0.659, its square 0.434 (recomputed here)."""
    n = 40 * RATE_HZ
    feed, delay_s = noise(n, 2), FRAME_S / 4.0
    samples = np.stack([feed, 0.5 * delayed(feed, delay_s, RATE_HZ)], axis=1)
    unread = summed(samples, 1, np.zeros((1, 1)))
    window = signal.windows.hann(4000, sym=False)
    kept = (window[1000:] @ window[:-1000]) / (window @ window)
    lines = slice(70, 4000)
    in_step = unread.gxy[0, 0, lines] * np.exp(2j * np.pi * line_hz(4000)[lines] * delay_s)
    measured = in_step.sum() / unread.gxx[0, 0, 0, lines].real.sum() / 0.5
    assert abs(measured - kept) < 0.002
    assert kept == pytest.approx(0.659, abs=0.001)


def test_shifts_are_whole_samples_and_phases_refer_to_them() -> None:
    feed = noise(6 * RATE_HZ, 3)
    delay_s = 0.1 + 0.4 / RATE_HZ
    cross = summed(np.stack([feed, delayed(feed, delay_s, RATE_HZ)], axis=1), 1, np.array([[delay_s]]))
    assert cross.shift_s[0, 0] == 800 / RATE_HZ
    phase = np.angle(cross.gxy[0, 0, 1400])
    assert phase == pytest.approx(-2.0 * math.pi * 1000.0 * 0.4 / RATE_HZ, abs=2e-3)


# Frames and groups


@pytest.mark.parametrize("rate_hz", [RATE_HZ, ODD_RATE_HZ, 44_100, 96_000])
@pytest.mark.parametrize("shift", [0, 1, 2400, -500])
def test_as_many_frames_as_fit(rate_hz: int, shift: int) -> None:
    length = round(FRAME_S * rate_hz)
    late = max(0, shift)
    assert plan_frames(length + late - 1, rate_hz, shift).n_frames == 0
    one = plan_frames(length + late, rate_hz, shift)
    assert (one.n_frames, one.length, one.hop) == (1, length, length // OVERLAP_HOPS)
    assert plan_frames(length + late + one.hop - 1, rate_hz, shift).n_frames == 1
    assert plan_frames(length + late + one.hop, rate_hz, shift).n_frames == 2
    assert plan_frames(length + late + 9 * one.hop, rate_hz, shift).n_frames == 10


def test_nothing_fits_into_nothing() -> None:
    assert plan_frames(0, RATE_HZ, 0).n_frames == 0
    assert plan_frames(20_000, RATE_HZ, 30_000).n_frames == 0


@pytest.mark.parametrize(
    ("n_frames", "n_groups"), [(1, 1), (7, 1), (8, 2), (11, 2), (12, 3), (31, 7), (32, 8), (33, 8), (1000, 8)]
)
def test_groups_are_runs_of_like_length(n_frames: int, n_groups: int) -> None:
    plan = FramePlan(11_200, 2800, n_frames)
    assert plan.n_groups == n_groups
    groups = [plan.group_of(frame) for frame in range(n_frames)]
    assert groups == sorted(groups)
    counts = np.bincount(groups, minlength=n_groups)
    assert len(counts) == n_groups
    assert counts.max() - counts.min() <= 1
    assert counts.min() >= min(n_frames, OVERLAP_HOPS)


@pytest.mark.parametrize("n", [60_001, 108_000, 200_000])
def test_groups_add_up_to_the_whole(n: int) -> None:
    cross = summed(scene(RATE_HZ, n), 2, DELAYS_S)
    plan = plan_frames(n, RATE_HZ, round(furthest_read_s(DELAYS_S) * RATE_HZ))
    assert len(cross.n_frames) == plan.n_groups
    counts = np.bincount([plan.group_of(k) for k in range(plan.n_frames)])
    assert cross.n_frames.tolist() == np.repeat(counts[:, None], 3, axis=1).tolist()
    assert cross.n_effective == pytest.approx(0.52 * plan.n_frames)
    n_low = cross.low_gxx.shape[-1]
    assert line_hz(n_low)[-1] == LOW_HZ
    assert np.abs(cross.low_gxx.sum(axis=0) - cross.gxx[..., :n_low]).max() < 1e-12 * np.abs(cross.gxx).max()
    assert np.abs(cross.low_gxy.sum(axis=0) - cross.gxy[..., :n_low]).max() < 1e-12 * np.abs(cross.gxy).max()


def test_a_group_holds_its_own_stretch() -> None:
    """Sound in the second half only: the first groups hold nothing but the frames that reach over the border."""
    n = 16 * RATE_HZ
    samples = scene(RATE_HZ, n)
    samples[: n // 2] = 0.0
    cross = summed(samples, 2, DELAYS_S)
    energy = np.einsum("gpiil->g", cross.low_gxx).real
    assert len(energy) == 8
    assert energy[:3].max() < 1e-3 * energy[4:].min()


def test_shapes_are_checked_and_arrays_closed() -> None:
    cross = summed(scene(RATE_HZ, 30_000), 2, DELAYS_S)
    with pytest.raises(ValueError, match=r"gyy has shape \(2, 5601\), expected \(3, 5601\)"):
        dataclasses.replace(cross, gyy=cross.gyy[:2])
    with pytest.raises(ValueError, match="low_gxy"):
        dataclasses.replace(
            cross,
            n_frames=np.ones((3, 3), dtype=int),
            hops=np.full(3, 4),
            low_gxx=np.zeros((3, *cross.low_gxx.shape[1:])),
        )
    with pytest.raises(ValueError, match="read-only"):
        cross.gxx[0, 0, 0, 0] = 1.0


# Several feeds, and samples that must not count


def test_several_feeds_sound_in_step_in_every_frame() -> None:
    """Two feeds at delays 300 ms apart: once in step their sum explains the microphone down to its noise.

    Read at one shift, the window's autocorrelation at 300 ms would leave 44 % of one of them unexplained.
    """
    samples = scene(RATE_HZ, 20 * RATE_HZ)
    cross = summed(samples, 2, DELAYS_S)
    solved = solve(cross.gxx, cross.gxy, cross.n_effective)
    explained = np.einsum("ipl,ipl->pl", np.conj(solved.h), cross.gxy).real
    lines = slice(70, 5000)
    unexplained = 1.0 - explained[:, lines].sum(axis=-1) / cross.gyy[:, lines].sum(axis=-1)
    heard = (GAINS**2 * np.array([[0.2], [0.07]]) ** 2).sum(axis=0)
    noise_share = 0.01**2 / (heard + 0.01**2)
    # two feeds fitted to 25.5 averages take 8 % of the noise with them
    assert unexplained == pytest.approx(noise_share * (1.0 - 2.0 / cross.n_effective[0]), rel=0.05)
    remaining_s = DELAYS_S - cross.shift_s
    expected = GAINS[..., None] * np.exp(-2j * np.pi * line_hz(5000)[None, None, lines] * remaining_s[..., None])
    off = np.abs(solved.h[..., lines] - expected).mean(axis=-1)
    # noise over feed over the root of the averages, and the mean of a Rayleigh distribution
    allowed = 0.01 / np.array([[0.2], [0.07]]) / np.sqrt(cross.n_effective) * math.sqrt(math.pi) / 2.0
    assert off == pytest.approx(np.broadcast_to(allowed, off.shape), rel=0.12)


@pytest.mark.parametrize(
    ("span", "n_gone"), [((0, 10), 1), ((11_199, 11_200), 4), ((11_200, 14_000), 4), ((11_200, 14_001), 5)]
)
def test_frames_that_touch_damage_are_left_out(span: tuple[int, int], n_gone: int) -> None:
    """Frames of 11,200 samples every 2,800, one microphone damaged; the others keep every frame."""
    samples = scene(RATE_HZ, 60_000).astype(np.float32)
    cross = accumulate(
        source_of(samples),
        len(samples),
        RATE_HZ,
        capture="take",
        feeds=["a", "b"],
        positions=["x", "y", "z"],
        shift_s=np.zeros((2, 3)),
        left_out=[[], [], [span], [], []],
    )
    whole = summed(scene(RATE_HZ, 60_000), 2, np.zeros((2, 3)))
    assert (whole.n_frames.sum(axis=0) - cross.n_frames.sum(axis=0)).tolist() == [n_gone, 0, 0]
    assert np.array_equal(whole.gxy[:, 1:], cross.gxy[:, 1:])


def test_damage_changes_nothing_outside_its_frames() -> None:
    """Whatever stands in the samples left out, no bit of the sums depends on it; in a feed it concerns everyone."""
    samples = scene(RATE_HZ, 60_000)
    spoilt = samples.copy()
    spoilt[20_000:21_000, 0] = 9.0
    spoilt[40_000:40_010, 3] = -9.0

    def sums(values: Samples) -> CrossSpectra:
        return accumulate(
            source_of(values.astype(np.float32)),
            len(values),
            RATE_HZ,
            capture="take",
            feeds=["a", "b"],
            positions=["x", "y", "z"],
            shift_s=DELAYS_S,
            left_out=[[(20_000, 21_000)], [], [], [(40_000, 40_010)], []],
        )

    assert_identical(sums(samples), sums(spoilt))
    assert not np.array_equal(summed(samples, 2, DELAYS_S).gxy, summed(spoilt, 2, DELAYS_S).gxy)


# Silence


@pytest.mark.parametrize("hiss", [0.0, 1e-4])
def test_frames_in_which_no_feed_sounds_are_left_out(hiss: float) -> None:
    """Sound for 4 s of 20: the frames that it reaches into count, and noise in the others costs no coherence."""
    n, start, stop = 20 * RATE_HZ, 8 * RATE_HZ, 12 * RATE_HZ
    feed = noise(n, 1)
    feed[:start], feed[stop:] = hiss * feed[:start], hiss * feed[stop:]
    heard = 0.5 * feed + 0.1 * noise(n, 2)
    cross = summed(np.stack([feed, heard], axis=1), 1, np.zeros((1, 1)))
    hop_s = FRAME_S / OVERLAP_HOPS
    n_reached = math.floor((4.0 + FRAME_S) / hop_s)
    # hiss ahead of the sound is not known to be hiss, but for the batch in which the sound begins
    n_ahead = 0 if hiss == 0.0 else math.floor((8.0 - FRAME_S) / hop_s) + 1
    assert n_reached - 2 <= int(cross.n_frames.sum()) <= n_reached + n_ahead
    if hiss == 0.0:
        # 0.25 / (0.25 + 0.01) where the frames are full; measured 0.95, with all frames 0.82
        assert coherence(cross, 30.0, 3000.0).item() > 0.93


def test_a_frame_counts_while_any_feed_sounds_in_any_octave() -> None:
    """A second feed, and a faint high tone of the first, keep frames that are silent otherwise."""
    n, half = 12 * RATE_HZ, 6 * RATE_HZ
    first, second = noise(n, 1), noise(n, 2)
    first[half:], second[:half] = 0.0, 0.0
    faint = first + 0.01 * (np.arange(n) > half) * np.sin(2.0 * np.pi * 3000.0 * np.arange(n) / RATE_HZ)
    counted = [
        int(summed(np.stack([*feeds, first], axis=1), len(feeds), np.zeros((len(feeds), 1))).n_frames.sum())
        for feeds in ([first], [first, second], [faint], [noise(n, 3)])
    ]
    assert counted[0] < 0.7 * counted[3]
    assert counted[1:3] == [counted[3]] * 2
