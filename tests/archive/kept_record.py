"""Makes the small record that is kept under `records/`, one per record format, and must go on opening.

    python tests/archive/kept_record.py

writes `records/format_1`. A record that is kept is never made anew: where `RECORD_FORMAT` is raised, run this once, and
the new one is kept beside the old.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

from analyze.archive.about import RECORD_FORMAT
from analyze.archive.record import write_record
from analyze.description import load_sound_check
from analyze.pipeline import analyse
from analyze.reports import write_report

KEPT = Path(__file__).parent / "records"

#: The lowest rate that is analysed keeps it small. Delays in samples and gains of the two seats, invented.
RATE, SECONDS = 8000, 6.0
PATHS = {"bank": (187, 0.5), "jetty": (422, -0.3)}

DESCRIPTION = """\
format = 1
title = "Reed Island boathouse, one box"
date = 2026-05-14
temperature_c = 18.5
venue = "Reed Island boathouse (invented)"
engineer = "the tests"
notes = "One box in the open, heard at two seats; the microphone at the jetty is wired the wrong way round."

[outputs.horn]
kind = "main"
delay_ms = 2.0

[positions.bank]
zone = "audience"

[positions.jetty]
zone = "audience"
polarity = "inverted"

[[captures]]
name = "horn alone, noise"
feeds = { horn = "horn.wav:1" }
mics = { bank = "horn.wav:2", jetty = "horn.wav:3" }
"""


def write_sound_check(folder: Path) -> Path:
    """One box through two paths, with a little noise of its own at each."""
    rng = np.random.default_rng(20260514)
    feed = 0.1 * rng.standard_normal(int(SECONDS * RATE))
    sounding = sosfilt(butter(2, 60.0, "high", fs=RATE, output="sos"), feed)
    tracks = [feed]
    for delay, gain in PATHS.values():
        late = np.concatenate([np.zeros(delay), sounding[:-delay]])
        tracks.append(gain * late + 1e-3 * rng.standard_normal(len(feed)))
    folder.mkdir(parents=True)
    soundfile.write(folder / "horn.wav", np.stack(tracks, axis=1), RATE, subtype="PCM_16")
    (folder / "soundcheck.toml").write_text(DESCRIPTION, encoding="utf-8")
    return folder


def write_kept_record(place: Path) -> Path:
    """The record of that sound check, in a folder named after its format."""
    name = f"format_{RECORD_FORMAT}"
    with tempfile.TemporaryDirectory() as below:
        check = write_sound_check(Path(below) / name)
        report = Path(below) / "reports" / name
        write_report(analyse(load_sound_check(check), bands_per_octave=1), report)
        return write_record(report, place).folder


if __name__ == "__main__":
    print(write_kept_record(KEPT))  # noqa: T201  # run by hand
