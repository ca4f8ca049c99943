"""Long recordings, threads and rates: precision after three hours, where frames overlap less, which lines are kept."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft
from spectra_making import RATE_HZ, noise, source_of, summed

from analyze.spectra.cross_spectra import FRAME_S, CrossSpectra, line_hz, n_lines
from analyze.spectra.frame_plan import FramePlan, plan_frames
from analyze.spectra.streaming import accumulate

#: Slow enough for three hours in a few seconds: what sums lose depends on how many frames they hold.
SLOW_HZ = 1000
THREE_HOURS = 3 * 3600 * SLOW_HZ
#: The first recording whose frames start half a frame apart: 256 hops of a quarter, and the last frame.
FIRST_LONG = 256 * 350 + 1400


def hours(rng: np.random.Generator, n: int) -> NDArray[np.float32]:
    """A feed that gets louder and softer by 28 dB, and a microphone that hears it 20 ms later; (frame, track)."""
    feed = rng.standard_normal(n) * 10.0 ** (-1.0 - 0.7 * np.sin(2.0 * np.pi * np.arange(n) / (1200.0 * SLOW_HZ)))
    late = np.concatenate([np.zeros(20), feed[:-20]])
    return np.stack([feed, 0.3 * late + 0.01 * rng.standard_normal(n)], axis=1).astype(np.float32)


def in_double(samples: NDArray[np.float32], late: int, plan: FramePlan) -> dict[str, NDArray[np.generic]]:
    """The same sums by numpy in double precision."""
    window = np.hanning(plan.length + 1)[:-1]
    x, y = (
        np.lib.stride_tricks.sliding_window_view(track, plan.length)[:: plan.hop][: plan.n_frames]
        for track in (samples[:, 0], samples[late:, 1])
    )
    sums: dict[str, NDArray[np.generic]] = {"gxx": 0.0, "gxy": 0.0, "gyy": 0.0}  # type: ignore[dict-item]
    for first in range(0, plan.n_frames, 500):
        of_x, of_y = (np.fft.rfft(t[first : first + 500].astype(np.float64) * window) for t in (x, y))
        sums["gxx"] += (np.abs(of_x) ** 2).sum(axis=0)
        sums["gyy"] += (np.abs(of_y) ** 2).sum(axis=0)
        sums["gxy"] += (of_x.conj() * of_y).sum(axis=0)
    return sums


def test_three_hours_lose_no_precision() -> None:
    """Measured: 1e-7 of the root of both energies, at the worst line."""
    samples = hours(np.random.default_rng(1), THREE_HOURS)
    cross = summed(samples, 1, np.array([[0.02]]), rate_hz=SLOW_HZ)
    plan = plan_frames(THREE_HOURS, SLOW_HZ, 20)
    assert cross.n_frames.sum() == plan.n_frames > 15_000
    exact = in_double(samples, 20, plan)
    scale = np.sqrt(exact["gxx"] * exact["gyy"])
    worst = max(
        float(np.abs(cross.gxx[0, 0, 0] / exact["gxx"] - 1.0).max()),
        float(np.abs(cross.gyy[0] / exact["gyy"] - 1.0).max()),
        float((np.abs(cross.gxy[0, 0] - exact["gxy"]) / scale).max()),
    )
    assert worst < 1e-6, worst


def with_threads(samples: NDArray[np.float32], n: int) -> CrossSpectra:
    shift_s = np.array([[0.0105, 0.2371, 0.01], [0.0442, 0.13, 0.31]])
    log: list[NDArray[np.float32]] = []
    with fft.set_workers(n):
        cross = accumulate(
            source_of(samples),
            len(samples),
            RATE_HZ,
            capture="take",
            feeds=["a", "b"],
            positions=["x", "y", "z"],
            shift_s=shift_s,
            log=log,
            left_out=[[], [(9000, 9100)], [], [(30_000, 30_001)], []],
        )
    assert np.isfinite(np.concatenate(log)).all()
    return cross


@pytest.mark.parametrize("n_threads", [2, 3, 8])
def test_threads_change_no_bit(n_threads: int) -> None:
    samples = np.stack([noise(90_000, k) for k in range(5)], axis=1).astype(np.float32)
    one, several = with_threads(samples, 1), with_threads(samples, n_threads)
    for name in ("gxx", "gyy", "gxy", "low_gxx", "low_gxy", "n_frames"):
        assert np.array_equal(getattr(one, name), getattr(several, name)), name


def test_an_error_in_a_thread_reaches_the_caller() -> None:
    samples = np.stack([noise(90_000, k) for k in range(2)], axis=1).astype(np.float32)

    def blocks(_: int) -> Iterator[NDArray[np.float32]]:
        yield samples[:50_000]
        raise OSError("the disk is gone")

    with fft.set_workers(2), pytest.raises(OSError, match="the disk is gone"):
        accumulate(blocks, 90_000, RATE_HZ, capture="take", feeds=["a"], positions=["x"], shift_s=np.zeros((1, 1)))


def test_long_recordings_overlap_by_half() -> None:
    assert plan_frames(FIRST_LONG - 1, SLOW_HZ, 0) == FramePlan(1400, 350, 256)
    assert plan_frames(FIRST_LONG, SLOW_HZ, 0) == FramePlan(1400, 700, 129)


def test_that_leaves_nine_tenths_of_the_averages_and_the_same_answer() -> None:
    """Welch 1967 (from memory): 0.52 of frames at 75 % overlap, 18/19 of those at 50 %, count as independent."""
    samples = hours(np.random.default_rng(2), FIRST_LONG)
    shift_s = np.array([[0.02]])
    close = summed(samples[:-1], 1, shift_s, rate_hz=SLOW_HZ)
    apart = summed(np.concatenate([samples, samples[:20]]), 1, shift_s, rate_hz=SLOW_HZ)
    assert (set(close.hops), set(apart.hops)) == ({4}, {2})
    assert apart.n_effective[0] / close.n_effective[0] == pytest.approx(0.91, abs=0.02)
    lines = line_hz(close.gxy.shape[-1]) > 5.0
    h = [(c.gxy[0, 0] / c.gxx[0, 0, 0].real)[lines] for c in (close, apart)]
    assert np.abs(h[0] - h[1]).mean() < 0.02 * np.abs(h[0]).mean()


@pytest.mark.parametrize(("rate_hz", "highest_hz"), [(96_000, 20_000.0), (48_000, 20_000.0), (24_000, 12_000.0)])
def test_lines_are_kept_up_to_what_is_used(rate_hz: int, highest_hz: float) -> None:
    """Nothing is decided by what lies beyond 20 kHz; a lower sample rate ends at half of it."""
    n = n_lines(round(FRAME_S * rate_hz))
    assert line_hz(n)[-1] == pytest.approx(highest_hz, abs=0.5 / FRAME_S)
    samples = np.random.default_rng(3).standard_normal((3 * rate_hz, 2)).astype(np.float32)
    found = accumulate(
        lambda length: iter([samples[k : k + length] for k in range(0, len(samples), length)]),
        len(samples),
        rate_hz,
        capture="c",
        feeds=["a"],
        positions=["p"],
        shift_s=np.zeros((1, 1)),
    )
    assert {found.gxx.shape[-1], found.gyy.shape[-1], found.gxy.shape[-1]} == {n}
