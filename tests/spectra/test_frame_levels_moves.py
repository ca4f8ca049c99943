"""Levels that move during a take, limiters and automatic gain, in takes whose gains are known."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from frame_making import (
    TOUCHED,
    Recorded,
    feed,
    levelled,
    limited,
    positions,
    recorded,
    take,
    together,
    with_gain,
)

from analyze.findings import Finding
from analyze.spectra.frame_fit import fit_levels
from analyze.spectra.frame_gain import move, slope, wander_db
from analyze.spectra.frame_levels import FrameLevels, level_findings, spoilt

EVERY = slice(None)
TAKES = [
    ("main left", "noise"),
    ("main left", "sweep"),
    ("main left", "groove"),
    ("sub left", "noise"),
    ("wedge", "music"),
]


def found_in(made: Recorded, chosen: tuple[int, ...] = ()) -> list[Finding]:
    """Findings of a take, of some of its microphones only if any are named."""
    levels, places = made.levels(), made.places
    if chosen:
        tracks = [*range(len(made.outputs)), *(len(made.outputs) + p for p in chosen)]
        names = tuple(positions()[p] for p in chosen)
        levels = FrameLevels(levels.energy[:, tracks], levels.hop_s, levels.feeds, names)
        places = [places[t] for t in tracks]
    return level_findings(levels, places, spoilt(levels))


def stepped(
    made: Recorded, size_db: float, at: float = 0.55, touched: tuple[int, ...] | slice = (TOUCHED,)
) -> Recorded:
    """A gain that jumps at this share of the take."""
    n = len(made.feeds)
    return with_gain(made, np.where(np.arange(n) < at * n, 0.0, size_db), touched)


# --- a level that moves ---


@pytest.mark.parametrize(("output", "kind"), TAKES)
@pytest.mark.parametrize("size_db", [-20.0, -6.0, -3.0, 3.0, 6.0, 12.0])
def test_a_microphone_that_moved(output: str, kind: str, size_db: float) -> None:
    """Measured: 0.7 dB and 1 s off at the most, in sweeps, where 3 dB may be missed."""
    if kind == "sweep" and abs(size_db) < 6.0:
        return
    (found,) = found_in(stepped(take(output, kind), size_db))
    assert (found.finding, found.severity, found.track, found.unit) == ("level moved", "warning", "back", "dB")
    assert found.value == pytest.approx(size_db, abs=1.0)
    assert found.at_s == pytest.approx(7.7, abs=1.2)
    assert f"{abs(found.value):.1f} dB {'up' if size_db > 0 else 'down'} against the others" in found.detail


@pytest.mark.parametrize(("output", "kind"), TAKES)
def test_one_decibel_is_not_told(output: str, kind: str) -> None:
    assert found_in(stepped(take(output, kind), 1.0)) == []


@pytest.mark.parametrize(("output", "kind"), TAKES)
@pytest.mark.parametrize("size_db", [-3.0, 6.0])
def test_an_output_that_moved(output: str, kind: str, size_db: float) -> None:
    """All microphones alike: the output, once."""
    (found,) = found_in(stepped(take(output, kind), size_db, touched=EVERY))
    assert (found.finding, found.track, found.channel) == ("level moved", output, 1)
    assert found.value == pytest.approx(size_db, abs=1.0)
    assert found.at_s == pytest.approx(7.7, abs=1.2)


def test_a_drift_is_told_as_one() -> None:
    made = take("main left", "noise")
    (found,) = found_in(with_gain(made, np.linspace(0.0, 6.0, len(made.feeds)), (TOUCHED,)))
    assert (found.finding, found.track) == ("level moved", "back")
    # from the middle of the first frame with sound to that of the last
    assert found.value == pytest.approx(6.0 * 11.9 / 14.0, abs=0.5)
    assert "drifting" in found.detail


def test_a_step_upwards_is_no_burst() -> None:
    made = stepped(take("main left", "noise"), 15.0, at=0.7)
    assert not spoilt(made.levels()).any()


def test_a_microphone_among_several_outputs() -> None:
    """Measured: -4.7 dB, for what one feed plays more of after the step than before takes some of it."""
    (found,) = found_in(stepped(together(), -6.0))
    assert (found.finding, found.track) == ("level moved", "back")
    assert -6.5 < found.value < -4.0


def test_of_several_outputs_the_one_that_moved_is_not_blamed_on_a_microphone() -> None:
    """The sub comes up by 6 dB: low bands rise where it is heard, and not alike. The coherent test tells which."""
    clean = together()
    n = len(clean.feeds)
    gain = np.where(np.arange(n) < 0.5 * n, 1.0, 2.0)
    raised = dict(zip(clean.outputs, clean.feeds.T, strict=True))
    without = recorded({k: v for k, v in raised.items() if k != "sub left"}, noise_db=-200.0).microphones
    sub = recorded({"sub left": raised["sub left"] * gain}, noise_db=-200.0).microphones
    assert "level moved" not in [f.finding for f in found_in(clean.with_microphones(without + sub))]


# --- with one or two microphones ---


def test_one_microphone_that_moved() -> None:
    (found,) = found_in(stepped(take("main left", "groove"), 6.0), (TOUCHED,))
    assert (found.finding, found.track) == ("level moved", "back")
    assert "against what was sent" in found.detail


def test_two_microphones_tell_the_output_from_one_of_them() -> None:
    made = take("main left", "groove")
    (one,) = found_in(stepped(made, 6.0), (0, TOUCHED))
    (both,) = found_in(stepped(made, 6.0, touched=EVERY), (0, TOUCHED))
    assert (one.track, both.track) == ("back", "main left")
    assert found_in(made, (0, TOUCHED)) == found_in(made, (0,)) == []


# --- limiters and automatic gain ---


@cache
def played_through_a_limiter(output: str, reduction_db: float) -> Recorded:
    """24 s of music; the feed is recorded ahead of the limiter."""
    signal = feed("music", np.random.default_rng(11), 24.0)
    return recorded({output: signal}, through=lambda sent: limited(sent, reduction_db))


@pytest.mark.parametrize("output", ["main left", "sub left", "wedge"])
@pytest.mark.parametrize("reduction_db", [10.0, 15.0])
def test_a_limiter(output: str, reduction_db: float) -> None:
    """Soft frames may hold so much more than loud ones let expect that one of them is taken for spoilt."""
    findings = found_in(played_through_a_limiter(output, reduction_db))
    (found,) = (f for f in findings if f.finding != "noise over the take")
    assert all(f.severity == "note" for f in findings if f is not found)
    assert (found.finding, found.severity, found.track, found.unit) == (
        "limiter working",
        "warning",
        output,
        "dB per dB",
    )
    assert -1.0 < found.value < -0.12
    assert "Play softer" in found.detail


def test_without_a_limiter_the_same_music_has_no_finding() -> None:
    for output in ("main left", "sub left", "wedge"):
        assert found_in(played_through_a_limiter(output, 0.0)) == []


def test_with_one_microphone_a_limiter_may_be_automatic_gain() -> None:
    (found,) = found_in(played_through_a_limiter("sub left", 15.0), (TOUCHED,))
    assert found.finding == "limiter or automatic gain"


@pytest.mark.parametrize("release_s", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("output", ["main left", "wedge"])
def test_automatic_gain_of_one_recorder(output: str, release_s: float) -> None:
    clean = take(output, "music")
    microphones = clean.microphones.copy()
    microphones[:, TOUCHED] = levelled(microphones[:, TOUCHED], release_s)
    findings = found_in(clean.with_microphones(microphones))
    assert [(f.finding, f.track) for f in findings if f.finding != "noise over the take"] == [
        ("automatic gain", "back")
    ]


# --- the figures behind them ---


def test_move_of_known_values() -> None:
    """A step of 2 dB at value 20, seen among noise of 0.3 dB and two values that are far off; nothing in a cycle."""
    rng = np.random.default_rng(1)
    values = np.where(np.arange(50) < 20, 0.0, 2.0) + 0.3 * rng.standard_normal(50)
    values[[7, 33]] = 15.0, -15.0
    values[[3, 30]] = np.nan
    found = move(values)
    assert found is not None
    assert (found.frame, found.is_gradual) == (20, False)
    assert found.size_db == pytest.approx(2.0, abs=0.2)
    assert move(np.tile([0.0, 1.0, 3.0, -2.0, 0.5], 10)) is None
    assert move(0.3 * rng.standard_normal(50)) is None
    assert move(np.full(50, np.nan)) is None


def test_move_of_many_values_is_thinned() -> None:
    """3600 values, an hour: the step is found to within the 15 values that are put together."""
    values = np.where(np.arange(3600) < 1000, 0.0, -3.0) + np.random.default_rng(2).standard_normal(3600)
    found = move(values)
    assert found is not None
    assert found.frame == pytest.approx(1000, abs=15)
    assert found.size_db == pytest.approx(-3.0, abs=0.1)


def test_slope_of_a_known_line() -> None:
    level = np.linspace(-8.0, 0.0, 60)
    noise = 0.05 * np.random.default_rng(3).standard_normal(60)
    found = slope(-0.4 * level + noise, level)
    assert found.per_db == pytest.approx(-0.4, abs=0.02)
    assert found.sigmas < -20.0
    assert slope(-0.4 * level, np.full(60, -3.0)).per_db == 0.0


def test_wander_of_known_parts() -> None:
    """What two halves share has 0.5 dB; each adds 1 dB of its own, which drops out to 1 / sqrt(n)."""
    rng = np.random.default_rng(4)
    common, one, other = rng.standard_normal((3, 20_000)) * np.array([[0.5], [1.0], [1.0]])
    assert wander_db(common + one, common + other) == pytest.approx(0.5, abs=0.03)
    assert wander_db(common + one, other - common) == pytest.approx(-0.5, abs=0.03)


def test_gains_of_two_feeds_come_out_and_bursts_do_not_weigh() -> None:
    """Energies 0.3 and 5 of two unrelated feeds and a noise of 2; a tenth of the frames hold 1000 times as much."""
    rng = np.random.default_rng(5)
    feeds = rng.gamma(2.0, 50.0, (200, 2, 1))
    clean = feeds[:, 0] * 0.3 + feeds[:, 1] * 5.0 + 2.0
    found = clean.copy()
    found[::10] *= 1000.0
    fit = fit_levels(feeds, found[:, None], np.ones((200, 1), dtype=bool), 0.35)
    np.testing.assert_allclose(fit.expected[:, 0], clean, rtol=1e-6)
