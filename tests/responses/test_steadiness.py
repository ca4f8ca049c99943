"""Settings changed during a take: known changes in a hall of decaying noise are found, and none where none is."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import RATE_HZ, Samples, closed, delayed, summed, sweep, vented
from scipy.signal import oaconvolve

from analyze.findings import Finding
from analyze.responses.steadiness import steadiness_findings
from analyze.spectra.cross_spectra import CrossSpectra

SECONDS, N_SEATS = 16.0, 4
N = round(SECONDS * RATE_HZ)
KINDS = ("noise", "sweeps", "beats")
#: Coarse delays of the seats, s.
SEAT_S = np.array([0.02, 0.03, 0.045, 0.06])


@cache
def played(kind: str, seed: int = 0) -> Samples:
    """A feed: noise, sweeps of 3 s, or beats of a few notes with pauses between them."""
    rng = np.random.default_rng([seed, len(kind)])
    if kind == "noise":
        return rng.standard_normal(N)
    if kind == "sweeps":
        sound = np.zeros(N)
        for start in range(RATE_HZ // 2, N - 3 * RATE_HZ, round(3.2 * RATE_HZ)):
            sound[start : start + 3 * RATE_HZ] = sweep(3 * RATE_HZ)
        return sound
    time_s, sound = np.arange(RATE_HZ // 3) / RATE_HZ, 0.03 * rng.standard_normal(N)
    for start in range(0, N - len(time_s), RATE_HZ // 2):
        note_hz = rng.choice([41.2, 55.0, 61.7, 73.4, 98.0, 146.8])
        partials = sum(np.sin(2 * np.pi * k * note_hz * time_s) / k for k in range(1, 5))
        sound[start : start + len(time_s)] += partials * np.exp(-time_s / 0.12)
        sound[start : start + 300] += rng.standard_normal(300) * np.exp(-np.arange(300) / 60.0)
    return sound


def box(name: str, signal: Samples) -> Samples:
    """What leaves a closed box of 80 Hz, or a vented one of 32 Hz under a crossover of 100 Hz."""
    f = np.fft.rfftfreq(2 * N, 1.0 / RATE_HZ)
    f[0] = f[1]
    response = closed(f, 80.0, 0.7) if name == "main" else vented(f, 32.0) / (1.0 + 1j * f / 100.0) ** 4
    return np.fft.irfft(np.fft.rfft(signal, 2 * N) * response)[:N]


@cache
def room(seat: int, reverberation_s: float) -> Samples:
    """Direct sound and a tail of the same energy."""
    rng = np.random.default_rng([seat, 5])
    time_s = np.arange(round(1.5 * reverberation_s * RATE_HZ)) / RATE_HZ
    tail = rng.standard_normal(len(time_s)) * 10.0 ** (-3.0 * time_s / reverberation_s)
    tail /= np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    return tail


def heard(signal: Samples, reverberation_s: float = 1.2) -> list[Samples]:
    """A signal at every seat."""
    rooms = [room(seat, reverberation_s) for seat in range(N_SEATS)]
    return [delayed(oaconvolve(signal, r)[:N], t) for r, t in zip(rooms, SEAT_S, strict=True)]


def noisy(seats: Sequence[Samples], noise_db: float = -30.0) -> list[Samples]:
    rng = np.random.default_rng(77)
    return [s + 10.0 ** (noise_db / 20.0) * np.std(s) * rng.standard_normal(N) for s in seats]


def split(signal: Samples, from_s: float, to_s: float = SECONDS) -> tuple[Samples, Samples]:
    """The signal without a stretch, and the stretch, with fades of 5 ms."""
    time_s = np.arange(N) / RATE_HZ
    inside = np.clip((time_s - from_s) / 0.005, 0.0, 1.0) * np.clip((to_s - time_s) / 0.005, 0.0, 1.0)
    inside = inside if to_s < SECONDS else np.clip((time_s - from_s) / 0.005, 0.0, 1.0)
    return signal * (1.0 - inside), signal * inside


def changed(
    name: str, kind: str, *, delay_ms: float = 0.0, sign: float = 1.0, gain_db: float = 0.0, span: tuple[float, float]
) -> CrossSpectra:
    """One output whose setting is another within a span of seconds."""
    feed = played(kind)
    before, within = split(feed, *span)
    within = delayed(sign * 10.0 ** (gain_db / 20.0) * within, delay_ms / 1000.0)
    return take(feed, noisy(heard(box(name, before + within))))


def take(feed: Samples, seats: Sequence[Samples]) -> CrossSpectra:
    return summed([feed], seats, SEAT_S[None, : len(seats)])


HALF = (8.0, SECONDS)


def only(findings: list[Finding]) -> Finding:
    assert len(findings) == 1, findings
    return findings[0]


# --- nothing where nothing was changed ---


@pytest.mark.parametrize("reverberation_s", [0.3, 1.2, 4.0])
@pytest.mark.parametrize("noise_db", [-40.0, -10.0, 5.0])
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["main", "sub"])
def test_a_steady_take_has_no_finding(name: str, kind: str, noise_db: float, reverberation_s: float) -> None:
    feed = played(kind)
    cross = take(feed, noisy(heard(box(name, feed), reverberation_s), noise_db))
    assert len(cross.n_frames) == 8
    assert steadiness_findings(cross) == []


def test_one_long_sweep_has_no_finding() -> None:
    """Every group of frames holds other frequencies."""
    feed = np.concatenate([np.zeros(RATE_HZ), sweep(N - 2 * RATE_HZ), np.zeros(RATE_HZ)])
    assert steadiness_findings(take(feed, noisy(heard(box("main", feed))))) == []


def test_a_silent_feed_and_a_short_take_say_nothing() -> None:
    assert steadiness_findings(take(np.zeros(N), noisy(heard(played("noise"))))) == []
    short = [s[: 3 * RATE_HZ] for s in heard(played("noise"))]
    assert steadiness_findings(take(played("noise")[: 3 * RATE_HZ], short)) == []


# --- what was changed ---


@pytest.mark.parametrize("delay_ms", [-5.0, 0.4, 1.0, 8.0])
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["main", "sub"])
def test_a_delay_that_was_changed(name: str, kind: str, delay_ms: float) -> None:
    """Measured: 0.02 ms off at the most; the time good to a group, an eighth of the take."""
    found = only(steadiness_findings(changed(name, kind, delay_ms=delay_ms, span=HALF)))
    assert (found.finding, found.severity, found.capture, found.track) == (
        "setting changed",
        "warning",
        "take",
        "out 0",
    )
    assert (found.value, found.unit) == (pytest.approx(delay_ms, abs=0.05), "ms")
    assert found.at_s == pytest.approx(8.0, abs=2.1)
    assert f"its delay went {'up' if delay_ms > 0 else 'down'} by {abs(delay_ms):.1f} ms" in found.detail
    assert "polarity" not in found.detail


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", ["main", "sub"])
@pytest.mark.parametrize("span", [HALF, (4.5, SECONDS), (0.0, 4.5), (5.0, 10.0)])
def test_a_polarity_that_was_turned(name: str, kind: str, span: tuple[float, float]) -> None:
    """From the middle on, nearly from the start, back after a while, or there and back."""
    found = only(steadiness_findings(changed(name, kind, sign=-1.0, span=span)))
    assert (found.finding, found.track, found.value, found.unit) == ("setting changed", "out 0", 180.0, "deg")
    assert "its polarity turned over" in found.detail
    assert ("and back at about" in found.detail) == (span == (5.0, 10.0))
    assert found.at_s == pytest.approx(span[0] or span[1], abs=2.1)


def test_both_at_once() -> None:
    found = only(steadiness_findings(changed("sub", "noise", delay_ms=3.0, sign=-1.0, span=HALF)))
    assert "its polarity turned over and its delay went up by 3.0 ms" in found.detail


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_too_small_is_not_told(kind: str) -> None:
    """A tenth of a millisecond is what air does."""
    assert steadiness_findings(changed("main", kind, delay_ms=0.1, span=HALF)) == []


def test_a_level_of_one_output_alone_is_left_to_the_frames() -> None:
    assert steadiness_findings(changed("main", "noise", gain_db=6.0, span=HALF)) == []


# --- one microphone ---


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("delay_ms", "sign"), [(2.0, 1.0), (0.0, -1.0)])
def test_a_microphone_that_was_moved_or_turned(kind: str, delay_ms: float, sign: float) -> None:
    feed = played(kind)
    seats = heard(box("main", feed))
    before, within = split(seats[2], 8.0)
    seats[2] = before + sign * delayed(within, delay_ms / 1000.0)
    found = only(steadiness_findings(take(feed, noisy(seats))))
    assert (found.finding, found.track) == ("microphone changed", "seat 2")
    assert found.value == pytest.approx(delay_ms if sign > 0 else 180.0, abs=0.05)


def test_with_one_microphone_the_output_is_named() -> None:
    feed = played("noise")
    before, within = split(heard(box("main", feed))[0], 8.0)
    assert only(steadiness_findings(take(feed, noisy([before - within])))).track == "out 0"


# --- several outputs at once ---


def together(change: dict[int, tuple[float, float, float]]) -> CrossSpectra:
    """Three outputs with noise of their own; per output delay_ms, sign and gain from the middle on."""
    feeds = [played("noise", seed) for seed in range(3)]
    seats = [np.zeros(N)] * N_SEATS
    for k, feed in enumerate(feeds):
        delay_ms, sign, gain_db = change.get(k, (0.0, 1.0, 0.0))
        before, within = split(feed, 8.0)
        sound = box("main", before + delayed(sign * 10.0 ** (gain_db / 20.0) * within, delay_ms / 1000.0))
        seats = [a + b for a, b in zip(seats, heard(sound), strict=True)]
    return summed(feeds, noisy(seats), np.repeat(SEAT_S[None], 3, axis=0))


@pytest.mark.parametrize(
    ("change", "value", "unit"),
    [((2.0, 1.0, 0.0), 2.0, "ms"), ((0.0, -1.0, 0.0), 180.0, "deg"), ((0.0, 1.0, -6.0), -6.0, "dB")],
)
def test_of_several_outputs_the_one_that_was_changed(
    change: tuple[float, float, float], value: float, unit: str
) -> None:
    found = only(steadiness_findings(together({1: change})))
    assert (found.finding, found.track, found.unit) == ("setting changed", "out 1", unit)
    assert found.value == pytest.approx(value, abs=0.7)


def test_several_steady_outputs_have_no_finding() -> None:
    assert steadiness_findings(together({})) == []


def test_two_that_were_changed_are_both_named() -> None:
    findings = steadiness_findings(together({0: (1.0, 1.0, 0.0), 2: (0.0, -1.0, 0.0)}))
    assert [(f.track, f.unit) for f in findings] == [("out 0", "ms"), ("out 2", "deg")]


def test_the_order_of_outputs_does_not_matter() -> None:
    cross = together({1: (2.0, 1.0, 0.0)})
    order = [2, 0, 1]
    turned: dict[str, NDArray[np.generic]] = {
        "shift_s": cross.shift_s[order],
        "gxx": cross.gxx[:, order][:, :, order],
        "gxy": cross.gxy[order],
        "low_gxx": cross.low_gxx[:, :, order][:, :, :, order],
        "low_gxy": cross.low_gxy[:, order],
    }
    kept = {
        "n_frames": cross.n_frames.copy(),
        "hops": cross.hops.copy(),
        "gyy": cross.gyy.copy(),
        "n_planned": cross.n_planned,
    }
    moved = CrossSpectra(
        cross.capture, tuple(cross.feeds[k] for k in order), cross.positions, cross.sample_rate_hz, **turned, **kept
    )
    one, other = only(steadiness_findings(cross)), only(steadiness_findings(moved))
    assert one.track == other.track
    assert one.value == pytest.approx(other.value, abs=1e-6)
