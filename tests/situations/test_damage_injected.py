"""Damage put into a good sound check: it is named with its place, left out, and the answer on the rest stays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt
from takes import Take, build_scene, write

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from analyze.simulate_feeds import make_feed

OUTPUTS = ("main left", "sub left", "sub right")
SECONDS = 16.0
Track = NDArray[np.float64]


def clip(track: Track, rate_hz: int) -> Track:
    """Two seconds with the preamplifier turned far too high."""
    out = track.copy()
    part = slice(5 * rate_hz, 7 * rate_hz)
    out[part] = np.clip(out[part] * 4.0 / np.abs(out[part]).max(), -1.0, 1.0)
    return out


def clip_ahead(track: Track, rate_hz: int) -> Track:
    """The same in a preamplifier that stops 3 dB under the converter's full scale."""
    return 0.7 * np.clip(clip(0.5 * track, rate_hz), -1.0, 1.0)


def drop(track: Track, rate_hz: int) -> Track:
    """Three gaps of 30 ms of exact silence."""
    out = track.copy()
    for at_s in (4.0, 8.5, 9.0):
        out[round(at_s * rate_hz) : round((at_s + 0.03) * rate_hz)] = 0.0
    return out


def talk(track: Track, rate_hz: int) -> Track:
    """Somebody speaks into the microphone for two seconds, 12 dB over what it hears."""
    out = track.copy()
    n = 2 * rate_hz
    voice = np.random.default_rng(3).standard_normal(n) * (
        0.5 + 0.5 * np.sin(2.0 * np.pi * 4.0 * np.arange(n) / rate_hz)
    )
    part = slice(6 * rate_hz, 6 * rate_hz + n)
    out[part] += 4.0 * np.sqrt(np.mean(track[part] ** 2)) * voice
    return np.clip(out, -0.95, 0.95)  # not at full scale: this is about talk


def wind(track: Track, rate_hz: int) -> Track:
    """A gust of two seconds, all below 150 Hz, 15 dB over what the microphone hears."""
    out, n = track.copy(), 2 * rate_hz
    gust = sosfilt(butter(2, 150.0, fs=rate_hz, output="sos"), np.random.default_rng(5).standard_normal(n))
    part = slice(6 * rate_hz, 6 * rate_hz + n)
    out[part] += 5.6 * np.sqrt(np.mean(track[part] ** 2) / np.mean(gust**2)) * gust * np.hanning(n)
    return np.clip(out, -0.95, 0.95)


def offset(track: Track, _rate_hz: int) -> Track:
    """A converter that is off by a twentieth of full scale, all the time."""
    return 0.9 * track + 0.05


#: What is done, to which take, and the finding with its time, NaN where it lasts.
DAMAGES: dict[str, tuple[Callable[[Track, int], Track], int, str, float]] = {
    "clipping": (clip, 2, "clipping", 5.0),
    "clipping ahead of the converter": (clip_ahead, 2, "clipping", 5.0),
    "drop-outs": (drop, 2, "drop-out", 4.0),
    "talk": (talk, 1, "noise over the take", 6.0),
    "wind": (wind, 2, "noise over the take", 6.0),
    "an offset": (offset, 2, "dc offset", np.nan),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three outputs alone, noise."""
    scene = build_scene(2)
    rng = np.random.default_rng(11)
    n = round(SECONDS * scene.sample_rate_hz)
    takes = [Take(name, {name: make_feed("noise", n, scene.sample_rate_hz, rng)}) for name in OUTPUTS]
    path = tmp_path_factory.mktemp("damage")
    write(scene, path, takes)
    return path


@pytest.fixture(scope="module")
def whole(folder: Path) -> Analysis:
    return analyse(load_sound_check(folder))


def damaged(folder: Path, into: Path, how: Callable[[Track, int], Track], number: int) -> Analysis:
    """The same sound check with the first microphone of one capture damaged."""
    for path in folder.iterdir():
        (into / path.name).write_bytes(path.read_bytes())
    tracks, rate_hz = soundfile.read(into / f"take_{number}.wav")
    tracks[:, 1] = how(tracks[:, 1], rate_hz)
    soundfile.write(into / f"take_{number}.wav", tracks, rate_hz, subtype="PCM_24")
    return analyse(load_sound_check(into))


def test_nothing_is_found_where_nothing_is_wrong(whole: Analysis) -> None:
    assert [f for f in whole.findings if f.capture] == []


@pytest.mark.parametrize("name", DAMAGES)
def test_damage_is_named_left_out_and_does_no_harm(folder: Path, whole: Analysis, tmp_path: Path, name: str) -> None:
    how, number, finding, at_s = DAMAGES[name]
    found = damaged(folder, tmp_path, how, number)
    output = OUTPUTS[number - 1]
    seen, *others = (f for f in found.findings if f.capture)
    assert others == []
    assert (seen.finding, seen.capture, seen.track) == (finding, output, "mix")
    assert seen.at_s == pytest.approx(at_s, abs=1.5, nan_ok=True)
    before, after = ({r.output: r for r in a.recommendations} for a in (whole, found))
    for sub in OUTPUTS[1:]:
        assert after[sub].decision == before[sub].decision == "change"
        assert after[sub].recommended_polarity == before[sub].recommended_polarity
        assert after[sub].recommended_delay_ms == pytest.approx(before[sub].recommended_delay_ms, abs=0.3)
    arrivals = [{(a.output, a.position): a for a in x.arrivals} for x in (whole, found)]
    moved = arrivals[1][output, "mix"].arrival_ms - arrivals[0][output, "mix"].arrival_ms
    assert abs(moved) < arrivals[0][output, "mix"].arrival_std_ms
    wiring = [{w.output: w.polarity for w in a.wiring} for a in (whole, found)]
    assert wiring[0] == wiring[1]
