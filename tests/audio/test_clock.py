"""Clocks of recorders: found from any sound with the right offset, rate and jumps, or honestly not found.

All recordings are made with known truth (`clock_making.py`): the tolerances come from the residuals stated beside them.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from clock_making import RATE_HZ, SOUNDS, Clock, between, chords, drums, error_s, fitted, hall, heard, pink

from analyze.audio.clock import ClockFit

#: Length of most captures here.
DURATION_S = 24.0
N = round(DURATION_S * RATE_HZ)
FLIGHT_S = 0.06


def fit_of(
    folder: Path,
    clock: Clock,
    *,
    sound: str = "noise",
    duration_s: float = DURATION_S,
    foreign_s: float = 40.0,
    snr_db: float = 10.0,
    tail_db: float = 3.0,
    seed: int = 1,
) -> ClockFit:
    """The fit of one feed and one microphone of a recorder in a hall, the sound from 1 s to 1 s before the end."""
    rng = np.random.default_rng(seed)
    feed = between(SOUNDS[sound](round(duration_s * RATE_HZ), rng), 1.0, duration_s - 1.0)
    there = heard(feed, hall(rng, FLIGHT_S, tail_db), snr_db, rng)
    own = clock.recorded(there, foreign_s)
    own += 1e-5 * rng.standard_normal(len(own))
    return fitted(folder, [("feed", feed)], [("mic", own)], clock.rate_hz)


def finding(fit: ClockFit, name: str) -> str:
    """The detail of the only finding of that name."""
    (found,) = [found for found in fit.findings if found.finding == name]
    return found.detail


# --- what is found ---


@pytest.mark.parametrize("sound", list(SOUNDS))
@pytest.mark.parametrize("ppm", [200.0, -200.0, 3.0])
def test_rate_and_offset(tmp_path: Path, sound: str, ppm: float) -> None:
    """Residuals: rate 0.02 (noise), 0.07 (drums), 0.11 ppm (chords); offset 0.03 ms, the grid of arrivals is 0.125."""
    fit = fit_of(tmp_path, clock := Clock(8.7654, ppm), sound=sound)
    assert len(fit.pieces) == 1
    assert fit.ppm == pytest.approx(ppm, abs=0.3)
    assert fit.ppm != pytest.approx(-ppm, abs=5.0), "the other sign"
    errors = error_s(fit, clock, DURATION_S)
    np.testing.assert_allclose(errors, FLIGHT_S, atol=2e-4)
    assert np.ptp(errors) < 1e-5
    assert fit.residual_s < 2e-5


@pytest.mark.parametrize("offset_s", [-9.87, -0.003, 0.0, 61.234])
def test_offsets_of_either_sign(tmp_path: Path, offset_s: float) -> None:
    """A recorder started later than the base, with it, and long before."""
    fit = fit_of(tmp_path, clock := Clock(offset_s, -40.0), foreign_s=max(12.0, 20.0 + offset_s))
    np.testing.assert_allclose(error_s(fit, clock, DURATION_S), FLIGHT_S, atol=2e-4)
    assert fit.ppm == pytest.approx(-40.0, abs=0.3)


def test_capture_somewhere_in_a_recording_of_most_of_an_hour(tmp_path: Path) -> None:
    """The foreign recording holds other music before and after."""
    rng = np.random.default_rng(3)
    feed = between(pink(N, rng), 1.0, DURATION_S - 1.0)
    clock = Clock(1500.5, 120.0)
    own = clock.recorded(heard(feed, hall(rng, FLIGHT_S, 3.0), 10.0, rng), 2400.0)
    is_other = own == 0.0
    own[is_other] = 0.5 * np.resize(drums(120 * RATE_HZ, rng), len(own))[is_other]
    fit = fitted(tmp_path, [("feed", feed)], [("mic", own)])
    np.testing.assert_allclose(error_s(fit, clock, DURATION_S), FLIGHT_S, atol=2e-4)
    assert fit.ppm == pytest.approx(120.0, abs=0.3)


@pytest.mark.parametrize("lost_s", [0.01, 0.5, -0.02, 0.0013])
@pytest.mark.parametrize("sound", ["noise", "drums"])
def test_jump_makes_two_pieces(tmp_path: Path, sound: str, lost_s: float) -> None:
    """Residual: both pieces within 2 us of one another; what is left out holds the jump and is under 2.5 s."""
    clock = Clock(5.0, 150.0, ((11.3, lost_s),))
    fit = fit_of(tmp_path, clock, sound=sound)
    before, after = fit.pieces
    assert before.base_stop_s < 11.3
    assert after.base_start_s > 11.3 + max(lost_s, 0.0)
    assert after.base_start_s - before.base_stop_s < 2.5
    errors = error_s(fit, clock, DURATION_S)
    np.testing.assert_allclose(errors, FLIGHT_S, atol=2e-4)
    assert np.ptp(errors) < 2e-5
    assert fit.ppm == pytest.approx(150.0, abs=0.5)
    (jump,) = [found for found in fit.findings if found.finding == "recorder jump"]
    assert (jump.severity, jump.unit, jump.file) == ("warning", "ms", "own.wav")
    assert jump.value == pytest.approx(1e3 * lost_s, abs=0.05)
    assert jump.at_s == pytest.approx(11.3, abs=1.3)


def test_two_jumps(tmp_path: Path) -> None:
    clock = Clock(-2.0, -90.0, ((9.0, 0.1), (17.0, -0.05)))
    fit = fit_of(tmp_path, clock, duration_s=30.0)
    assert len(fit.pieces) == 3
    assert np.ptp(error_s(fit, clock, 30.0)) < 2e-5


def test_noisy_reverberant_far_seat(tmp_path: Path) -> None:
    """The hall 10 dB over the direct sound, its noise as loud as both. Residual 0.3 ppm."""
    fit = fit_of(tmp_path, Clock(4.0, 77.0), sound="drums", snr_db=0.0, tail_db=10.0)
    assert fit.ppm == pytest.approx(77.0, abs=1.0)
    assert abs(fit.ppm - 77.0) < 4.0 * fit.ppm_std


def test_other_sample_rate(tmp_path: Path) -> None:
    """A recorder at 44.1 kHz against a base at 48 kHz."""
    rng = np.random.default_rng(5)
    feed = between(pink(12 * 48_000, rng, 48_000), 0.5, 11.5, 48_000)
    clock = Clock(3.21, -150.0, rate_hz=44_100)
    own = clock.recorded(heard(feed, hall(rng, FLIGHT_S, 0.0, 48_000), 15.0, rng), 18.0, 48_000)
    fit = fitted(tmp_path, [("feed", feed)], [("mic", own)], 44_100, 48_000)
    assert fit.ppm == pytest.approx(-150.0, abs=0.5)
    np.testing.assert_allclose(error_s(fit, clock, 12.0), FLIGHT_S, atol=2e-4)


def test_outputs_that_sound_one_after_another(tmp_path: Path) -> None:
    """Each ties the clock by itself, for its own time of flight is unknown; the nearest sets the offset."""
    rng = np.random.default_rng(6)
    flights_s = (0.09, 0.03, 0.14)
    feeds = [between(drums(3 * N // 2, rng), 12.0 * i + 0.7, 12.0 * i + 11.0) for i in range(3)]
    there = sum(heard(feed, hall(rng, s, 3.0), 20.0, rng) for feed, s in zip(feeds, flights_s, strict=True))
    clock = Clock(6.5, 180.0, ((17.0, 0.04),))
    fit = fitted(tmp_path, [("feed", feed) for feed in feeds], [("mic", clock.recorded(there, 50.0))])
    assert fit.ppm == pytest.approx(180.0, abs=1.0)
    errors = error_s(fit, clock, 36.0)
    np.testing.assert_allclose(errors, 0.03, atol=2e-4)
    assert len(errors) == 2
    assert "lost in the silence between two outputs" in finding(fit, "recorder clock")


def test_programme_file_as_the_foreign_one(tmp_path: Path) -> None:
    """The microphones are the base, the file that was played is the feed. It must not come after its own sound."""
    rng = np.random.default_rng(7)
    played = chords(N, rng)
    mics = [("mic", heard(played, hall(rng, s, 0.0), 10.0, rng)) for s in (0.08, 0.02)]
    clock = Clock(-3.0, -60.0)
    fit = fitted(tmp_path, mics, [("feed", clock.recorded(played, 18.0))])
    assert fit.ppm == pytest.approx(-60.0, abs=0.5)
    np.testing.assert_allclose(error_s(fit, clock, DURATION_S), -0.02, atol=2e-4)


def test_microphones_alone(tmp_path: Path) -> None:
    """Without any feed; a jump could then be another source taking over, so it is not believed."""
    rng = np.random.default_rng(8)
    sound = pink(N, rng)
    near, far = (heard(sound, hall(rng, s, 0.0), 15.0, rng) for s in (0.02, 0.05))
    steady, jumping = Clock(2.0, 30.0), Clock(2.0, 30.0, ((12.0, 0.02),))
    fit = fitted(tmp_path, [("input", near)], [("input", steady.recorded(far, 30.0))])
    assert fit.ppm == pytest.approx(30.0, abs=0.3)
    fit = fitted(tmp_path, [("mic", near)], [("mic", jumping.recorded(far, 30.0))])
    assert not fit.is_found
    assert "another output takes over" in finding(fit, "recorder clock not found")


def test_polarity_and_level_do_not_matter(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    feed = pink(N, rng)
    there = heard(feed, hall(rng, FLIGHT_S, 0.0), 10.0, rng)
    own = Clock(1.0, 50.0).recorded(there, 30.0)
    one = fitted(tmp_path, [("feed", feed)], [("mic", own)])
    silence = np.zeros(len(own))
    other = fitted(tmp_path, [("feed", -0.3 * feed), ("feed", np.zeros(N))], [("mic", silence), ("mic", own)])
    assert one.ppm == pytest.approx(other.ppm, abs=1e-3)
    assert one.pieces[0].offset_s == pytest.approx(other.pieces[0].offset_s, abs=1e-6)


def test_figures_are_stated(tmp_path: Path) -> None:
    fit = fit_of(tmp_path, Clock(8.0, 25.0))
    (found,) = fit.findings
    assert (found.finding, found.severity, found.unit, found.capture) == ("recorder clock", "note", "ppm", "take")
    assert found.value == fit.ppm
    assert "started 8.060 s earlier" in found.detail
    # no finer than they are known: tenths of a ppm, hundredths of a millisecond
    assert f"runs {fit.ppm:+.1f} ppm, give or take 0.1; residual 0.01 ms." in found.detail
    assert fit.ppm_std < 0.15
    assert fit.residual_s < 1.5e-5
    assert found.detail.endswith("by themselves they mean nothing.")
    later = fit_of(tmp_path, Clock(-4.0, 25.0)).findings[0]
    assert "started 3.940 s later" in later.detail


# --- what is not found ---


def assert_refused(fit: ClockFit, why: str) -> None:
    """No piece, no figure, and a finding that says why."""
    assert not fit.is_found
    assert fit.pieces == ()
    assert math.isnan(fit.ppm)
    (found,) = fit.findings
    assert (found.finding, found.severity, found.file) == ("recorder clock not found", "warning", "own.wav")
    assert why in found.detail


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize(("sound", "why"), [("noise", "no sound"), ("chords", "no sound"), ("drums", "several places")])
def test_unrelated_recordings_are_refused(tmp_path: Path, sound: str, why: str, seed: int) -> None:
    """Other takes of the same kind of sound; drums of one tempo are alike wherever two beats meet."""
    rng = np.random.default_rng(100 + seed)
    own = heard(SOUNDS[sound](3 * N // 2, rng), hall(rng, FLIGHT_S, 0.0), 20.0, rng)
    assert_refused(fitted(tmp_path, [("feed", SOUNDS[sound](N, rng))], [("mic", own)]), why)


def test_hum_in_both_is_not_shared_sound(tmp_path: Path) -> None:
    """Mains hum ties the rate of two clocks, but not their offset."""
    rng = np.random.default_rng(11)
    hum = [sum(np.sin(2 * np.pi * 50 * k * np.arange(n) / RATE_HZ + k) / k for k in range(1, 15)) for n in (N, 2 * N)]
    fit = fitted(tmp_path, [("feed", pink(N, rng) + 0.05 * hum[0])], [("mic", pink(2 * N, rng) + 0.05 * hum[1])])
    assert_refused(fit, "no sound is found")


def test_silence_and_short_takes(tmp_path: Path) -> None:
    noise = pink(N, np.random.default_rng(12))
    for base, own in ((np.zeros(N), noise), (noise, np.zeros(N)), (noise[: 2 * RATE_HZ], noise), (noise, noise[:5000])):
        base[0] = own[0] = 1e-4
        assert_refused(fitted(tmp_path, [("feed", base)], [("mic", own)]), "no sound is found")


def looped(rng: np.random.Generator) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """A drum loop, each bar of 2 s like the last to the sample, from 3 s to 3 s before the end."""
    return between(np.tile(drums(2 * RATE_HZ, rng), N // (2 * RATE_HZ)), 3.0, DURATION_S - 3.0)


@pytest.mark.parametrize("seed", range(3))
def test_loop_is_resolved_where_its_ends_were_recorded(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(20 + seed)
    loop = looped(rng)
    clock = Clock(7.0, 60.0)
    own = clock.recorded(heard(loop, hall(rng, FLIGHT_S, 0.0), 20.0, rng), 45.0)
    own += 1e-4 * rng.standard_normal(len(own))
    fit = fitted(tmp_path, [("feed", loop)], [("mic", own)])
    np.testing.assert_allclose(error_s(fit, clock, DURATION_S), FLIGHT_S, atol=2e-4)


@pytest.mark.parametrize("seed", range(3))
def test_loop_without_its_ends_is_ambiguous(tmp_path: Path, seed: int) -> None:
    """The recorder runs from within the loop to within the loop: every bar fits."""
    rng = np.random.default_rng(20 + seed)
    loop = looped(rng)
    own = Clock(-6.3, 60.0).recorded(heard(loop, hall(rng, FLIGHT_S, 0.0), 20.0, rng), 12.0)
    assert_refused(fitted(tmp_path, [("feed", loop)], [("mic", own)]), "fits in several places")


def test_rate_beyond_all_recorders(tmp_path: Path) -> None:
    """600 ppm off: no line within 250 ppm is taken."""
    assert not fit_of(tmp_path, Clock(2.0, 600.0)).is_found


def test_samples_lost_in_the_silence_between_outputs(tmp_path: Path) -> None:
    """0.5 s lost where nothing sounds: the outputs then seem to lie further apart than any two do."""
    rng = np.random.default_rng(13)
    feeds = [between(pink(N, rng), 0.5, 10.0), between(pink(N, rng), 14.0, 23.0)]
    there = sum(heard(feed, hall(rng, FLIGHT_S, 0.0), 30.0, rng) for feed in feeds)
    own = Clock(2.0, 20.0, ((12.0, 0.5),)).recorded(there, 30.0)
    assert_refused(fitted(tmp_path, [("feed", feed) for feed in feeds], [("mic", own)]), "apart")


def test_wandering_clock_is_no_steady_clock(tmp_path: Path) -> None:
    """The rate swings by 60 ppm: 0.4 ms about any line."""
    rng = np.random.default_rng(14)
    feed = pink(N, rng)
    there = heard(feed, hall(rng, FLIGHT_S, 0.0), 20.0, rng)
    time_s = np.arange(N) / RATE_HZ
    moved_s = time_s + 4e-4 * np.sin(2 * np.pi * time_s / 14.0)
    own = np.interp(moved_s, time_s, there)
    assert not fitted(tmp_path, [("feed", feed)], [("mic", own)]).is_found
