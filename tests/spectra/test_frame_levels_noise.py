"""Mains hum and too little level, told from what the feeds leave unexplained."""

from __future__ import annotations

import numpy as np
import pytest
from frame_making import RATE_HZ, TOUCHED, Recorded, Samples, positions, recorded, take, together

from analyze.spectra.frame_noise import hum_findings, noise_findings

ALONE = [(o, k) for o in ("main left", "sub left", "wedge") for k in ("noise", "sweep", "groove", "music")]
#: Levels of the mains and its multiples, dB: a transformer and a rectifier, made up.
MULTIPLES_DB = (0.0, -6.0, -3.0, -12.0, -8.0, -15.0, -12.0)


def hum(n: int, mains_hz: float, levels_db: tuple[float, ...] = MULTIPLES_DB) -> Samples:
    """Tones of unit level together, (frame,)."""
    time_s = np.arange(n) / RATE_HZ
    tones = [10.0 ** (a / 20.0) * np.sin(2 * np.pi * mains_hz * k * time_s + k) for k, a in enumerate(levels_db, 1)]
    total = np.sum(tones, axis=0)
    return total / np.sqrt(np.mean(total**2))


def humming(clean: Recorded, level_db: float, mains_hz: float, touched: int = TOUCHED) -> Recorded:
    """Hum at one microphone, its level re what the microphone holds."""
    microphones = clean.microphones.copy()
    level = np.sqrt(np.mean(microphones[:, touched] ** 2)) * 10.0 ** (level_db / 20.0)
    microphones[:, touched] += level * hum(len(microphones), mains_hz)
    return clean.with_microphones(microphones)


@pytest.mark.parametrize(("output", "kind"), ALONE)
def test_an_undamaged_take_has_neither(output: str, kind: str) -> None:
    cross = take(output, kind).cross()
    assert hum_findings(cross) == []
    assert noise_findings(cross) == []


def test_several_outputs_at_once_have_neither() -> None:
    cross = together().cross()
    assert hum_findings(cross) == []
    assert noise_findings(cross) == []


# --- hum ---


@pytest.mark.parametrize(("output", "kind"), ALONE)
@pytest.mark.parametrize("mains_hz", [49.95, 50.0, 60.02])
def test_hum_at_one_microphone(output: str, kind: str, mains_hz: float) -> None:
    """Its level is told to 1.5 dB: what is played on the same lines takes some of it. Measured: 1.3 dB at most."""
    (found,) = hum_findings(humming(take(output, kind), -15.0, mains_hz).cross())
    assert (found.finding, found.track, found.capture, found.unit) == ("mains hum", "back", "take", "dB")
    assert found.value == pytest.approx(-15.0, abs=1.5)
    assert f"{round(mains_hz):d} Hz and its multiples" in found.detail


@pytest.mark.parametrize("kind", ["noise", "groove"])
def test_the_softest_hum_that_is_found(kind: str) -> None:
    """A sub leaves the multiples free: 10 dB less is found there."""
    (main,) = hum_findings(humming(take("main left", kind), -21.0, 50.0).cross())
    (sub,) = hum_findings(humming(take("sub left", kind), -31.0, 50.0).cross())
    assert (main.severity, sub.severity) == ("note", "note")


def test_loud_hum_is_a_warning() -> None:
    (found,) = hum_findings(humming(take("main left", "noise"), -10.0, 50.0).cross())
    assert found.severity == "warning"


def test_hum_among_several_outputs() -> None:
    assert [f.track for f in hum_findings(humming(together(), -20.0, 60.0).cross())] == ["back"]


def test_tones_that_were_played_are_no_hum() -> None:
    """A bass that stays on 50 Hz and its partials: the feed explains it."""
    clean = take("main left", "noise")
    signal = clean.feeds[:, 0] + 0.3 * hum(len(clean.feeds), 50.0) * (np.abs(clean.feeds[:, 0]) > 0.0)
    assert hum_findings(recorded({"main left": signal}).cross()) == []


@pytest.mark.parametrize("mains_hz", [45.0, 53.0, 57.0, 64.0])
def test_tones_beside_the_mains_are_no_hum(mains_hz: float) -> None:
    assert hum_findings(humming(take("main left", "noise"), -15.0, mains_hz).cross()) == []


def test_hum_at_a_low_sample_rate_is_no_matter() -> None:
    """A pass whose lines end below the third multiple says nothing."""
    from spectra_making import summed

    quiet = np.random.default_rng(1).standard_normal((8 * 250, 2))
    assert hum_findings(summed(quiet, 1, np.zeros((1, 1)), rate_hz=250)) == []


# --- level over the noise ---


@pytest.mark.parametrize(("output", "kind"), ALONE)
def test_more_noise_than_sound_at_one_microphone(output: str, kind: str) -> None:
    """3 dB more noise than sound in one, at -40 dB in the others."""
    loud, clean = recorded({output: take(output, kind).feeds[:, 0]}, noise_db=3.0), take(output, kind)
    microphones = clean.microphones.copy()
    microphones[:, TOUCHED] = loud.microphones[:, TOUCHED]
    (found,) = noise_findings(clean.with_microphones(microphones).cross())
    assert (found.finding, found.severity, found.track, found.unit) == (
        "little level over the noise",
        "note",
        "back",
        "dB",
    )
    assert -8.0 < found.value < 1.0


def test_more_noise_than_sound_everywhere_is_a_warning() -> None:
    findings = noise_findings(recorded({"main left": take("main left", "noise").feeds[:, 0]}, noise_db=3.0).cross())
    assert [f.track for f in findings] == list(positions())
    assert {f.severity for f in findings} == {"warning"}
    assert [f.value for f in findings] == pytest.approx([-2.0] * 6, abs=1.5)


def test_noise_10_db_under_the_sound_is_not_told() -> None:
    for kind in ("noise", "groove", "sweep"):
        made = recorded({"main left": take("main left", kind).feeds[:, 0]}, noise_db=-10.0)
        assert noise_findings(made.cross()) == []


def test_feeds_alike_are_not_noise() -> None:
    """What two outputs play in common is explained, whichever of them it came from."""
    signal = take("main left", "noise").feeds[:, 0]
    made = recorded({"main left": signal, "main right": 0.7 * signal})
    assert noise_findings(made.cross()) == []
