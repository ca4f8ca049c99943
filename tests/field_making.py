"""A small sound check in the free field, written to a folder."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE = 48000

DESCRIPTION = """
format = 1
title = "Two boxes in a field"
[outputs.main]
kind = "main"
[outputs.sub]
kind = "sub"
{sub}
[positions.mix]
zone = "audience"
[positions.back]
zone = "audience"
{more}
[[captures]]
name = "main alone"
feeds = {{ main = "main.wav:1" }}
mics = {{ mix = "main.wav:2", back = "main.wav:3" }}
[[captures]]
name = "sub alone"
feeds = {{ sub = "sub.wav:1" }}
mics = {{ mix = "sub.wav:2", back = "sub.wav:3" }}
"""


def high_passed(signal_in, corner_hz, low_hz=None):
    """Second-order high-pass, and a fourth-order low-pass if asked for: a box in a field."""
    from scipy.signal import butter, sosfilt

    out = sosfilt(butter(2, corner_hz, "high", fs=RATE, output="sos"), signal_in)
    return out if low_hz is None else sosfilt(butter(4, low_hz, "low", fs=RATE, output="sos"), out)


def write_check(folder: Path, *, seconds=8.0, noise=1e-3, sub="", more="", sub_sign=1.0) -> Path:
    """A small sound check in the free field: main and sub, two seats, one file a capture."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(7)
    n = int(seconds * RATE)
    for name, box in (("main", (60.0, None)), ("sub", (35.0, 100.0))):
        feed = 0.1 * rng.standard_normal(n)
        dry = high_passed(feed, *box) * (sub_sign if name == "sub" else 1.0)
        tracks = [feed]
        for delay, gain in ((1203, 0.5), (2371, 0.3)):
            tracks.append(gain * np.concatenate([np.zeros(delay), dry[:-delay]]) + noise * rng.standard_normal(n))
        soundfile.write(folder / f"{name}.wav", np.stack(tracks, axis=1), RATE, subtype="PCM_24")
    (folder / "soundcheck.toml").write_text(DESCRIPTION.format(sub=sub, more=more), encoding="utf-8")
    return folder
