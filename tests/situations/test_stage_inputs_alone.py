"""A description of stage inputs alone, through the command: no outputs, no positions, one table that counts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from scipy.signal import butter, sosfilt

from analyze.__main__ import _run

TEXT = """format = 1
title = "Drums"
[[captures]]
name = "kit"
inputs = { "kick in" = "kick_in.wav", "kick out" = "kick_out.wav" }
against = { "kick out" = "kick in" }
"""


def kick(rate_hz: int) -> np.ndarray:
    """A drum struck every 0.6 s for 9 s, each time a little otherwise; made up."""
    rng = np.random.default_rng(1)
    out = np.zeros(9 * rate_hz)
    time_s = np.arange(round(0.3 * rate_hz)) / rate_hz
    for start in np.arange(0.4, 8.4, 0.6):
        tone = np.sin(2.0 * np.pi * rng.uniform(52.0, 60.0) * time_s) * np.exp(-time_s / 0.09)
        beater = rng.standard_normal(len(time_s)) * np.exp(-time_s / 0.004)
        at = round((start + rng.uniform(0.0, 0.02)) * rate_hz)
        out[at : at + len(time_s)] += rng.uniform(0.6, 1.0) * (0.5 * tone + 0.15 * np.abs(beater[0]) * beater)
    return out


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_kick_in_and_out(tmp_path: Path, sign: float) -> None:
    """The outer microphone hears the drum 1.2 ms later, without the beater's click, and may be inverted."""
    rate_hz, rng = 48_000, np.random.default_rng(2)
    inner = kick(rate_hz)
    later = round(0.0012 * rate_hz)
    outer = sosfilt(butter(2, 2500.0, fs=rate_hz, output="sos"), np.concatenate([np.zeros(later), inner[:-later]]))
    for name, track in (("kick_in", inner), ("kick_out", 0.7 * sign * outer)):
        soundfile.write(tmp_path / f"{name}.wav", 0.5 * track + 1e-4 * rng.standard_normal(len(track)), rate_hz)
    (tmp_path / "soundcheck.toml").write_text(TEXT, encoding="utf-8")
    report = tmp_path / "report"
    assert _run(["run", str(tmp_path), "--out", str(report), "--quiet"]) in (0, 5)
    rows = pd.read_csv(report / "inputs.csv")
    assert len(rows) == 1
    row = rows.iloc[0]
    assert (row["input"], row["against"]) == ("kick out", "kick in")
    assert row["polarity"] == ("normal" if sign > 0 else "inverted")
    # 1.2 ms and the low-pass's own 0.09 ms
    assert row["relative_delay_ms"] == pytest.approx(1.2, abs=0.25)
    assert row["decision"] == ("change" if sign < 0 else "keep")
    assert len(pd.read_csv(report / "recommendations.csv")) == 0
    assert "kick out" in (report / "report.html").read_text(encoding="utf-8")
