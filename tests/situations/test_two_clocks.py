"""A player and a recorder started in step that drift apart: named as that, with the line to write, and it helps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from takes import RATE_HZ, Take, build_scene, on_own_clock, write

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from analyze.simulate_feeds import make_feed

_OUTPUTS = ("main left", "sub left", "sub right")
_PPM = 60.0


def played(folder: Path, more: str) -> Analysis:
    """Three outputs alone, noise; the feeds are the files that were played, the recorder runs 60 ppm off the player."""
    rng = np.random.default_rng(5)
    takes = [Take(o, {o: make_feed("noise", 18 * RATE_HZ, RATE_HZ, rng)}) for o in _OUTPUTS]
    write(build_scene(2), folder, takes)
    path = folder / "soundcheck.toml"
    text = path.read_text(encoding="utf-8")
    for number, output in enumerate(_OUTPUTS, 1):
        tracks, rate_hz = soundfile.read(folder / f"take_{number}.wav")
        soundfile.write(folder / f"played_{number}.wav", tracks[:, 0], rate_hz, subtype="PCM_24")
        heard = [
            on_own_clock(t, rate_hz, 0.05, _PPM, np.random.default_rng([number, k])) for k, t in enumerate(tracks.T)
        ]
        heard_at = np.stack(heard[1:], axis=1)
        soundfile.write(folder / f"recorded_{number}.wav", 0.5 * heard_at / np.abs(heard_at).max(), rate_hz, "PCM_24")
        text = text.replace(f'take_{number}.wav:1"', f'played_{number}.wav"')
        for channel in range(2, tracks.shape[1] + 1):
            text = text.replace(f'take_{number}.wav:{channel}"', f'recorded_{number}.wav:{channel - 1}"')
        lines = more.format(number)
        text = text.replace(f'name = "{output}"\nplaying', f'name = "{output}"\n{lines}\nplaying')
    path.write_text(text, encoding="utf-8")
    return analyse(load_sound_check(folder))


def test_it_is_named_and_the_line_helps(tmp_path: Path) -> None:
    (tmp_path / "in step").mkdir()
    (tmp_path / "unsynced").mkdir()
    drifting = played(tmp_path / "in step", "same_start = true")
    names = {f.finding for f in drifting.findings}
    assert "two clocks" in names
    assert "setting changed" not in names
    decision = {r.output: r for r in drifting.recommendations}["sub left"]
    assert decision.decision == "undecided"
    assert "under `unsynced`" in decision.reason

    mended = played(tmp_path / "unsynced", 'same_start = true\nunsynced = ["recorded_{}.wav"]')
    assert "two clocks" not in {f.finding for f in mended.findings}
    clocks = [f.value for f in mended.findings if f.finding == "recorder clock"]
    assert np.allclose(np.abs(clocks), _PPM, atol=0.5)
    assert {r.output: r for r in mended.recommendations}["sub left"].decision != "undecided"
