"""A description with every key of the format, its recordings, and what loading and refusing it take."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import soundfile

from analyze.description import SoundCheck, load_sound_check
from analyze.errors import DescriptionError

#: Channels of the recordings that the example names.
FILES = {"take1.wav": 3, "take2.wav": 3, "handheld.wav": 1, "kick_in.wav": 1, "kick_out.wav": 1, "more/take3.wav": 2}

#: Every key of the format, as documented.
EXAMPLE = """\
format = 1
title = "Harbour hall, empty room"
date = 2026-05-14
temperature_c = 21.0
reference = "mains"
venue = "Harbour hall"
engineer = "R. Vale"
notes = "doors\\nclosed"
humidity_percent = 45

[outputs.mains]
kind = "main"
delay_ms = 1.5
polarity = "normal"
feed_tap = "after"
adjust = "delay"
min_delay_ms = 0.5
max_delay_ms = 400
delay_step_ms = 0.02
can_invert = false
latency_ms = 1.3
device = "processor A"
channel = 3
preset = "hall"

[outputs."sub left"]
kind = "sub"
group = "subs"

[outputs."sub right"]
kind = "sub"
group = "subs"

[outputs.tower]
kind = "tower"
align_at = ["lawn"]
later_ms = 12.0

[outputs.wedge]
kind = "monitor"

[positions.mix]
zone = "audience"
weight = 2
polarity = "inverted"
microphone = "omni"
serial = 1234
calibration = 2026-01-10
measured_by = "R. Vale"
distance_m = { mains = 24.5 }

[positions.lawn]
zone = "audience"

[positions.drums]
zone = "stage"

[[captures]]
name = "mains alone"
playing = ["mains"]
start_s = 0.5
end_s = 30
feeds = { mains = "take1.wav:1" }
mics = { mix = "take1.wav:2", lawn = "take1.wav:3" }

[[captures]]
feeds = { mains = "take2.wav:1", "sub left" = "./take2.wav:2" }
mics = { mix = "take2.wav:3", lawn = "handheld.wav", drums = "more/take3.wav:2" }
unsynced = [["handheld.wav"], "more//take3.wav"]
settings = { "sub left" = { polarity = "inverted" } }
temperature_c = 17.0
same_start = true

[[captures]]
name = "drum kit"
inputs = { "kick in" = "kick_in.wav", "kick out" = "kick_out.wav" }
against = { "kick out" = "kick in" }
"""

#: Last line of a message about one mistake, and about several.
MEND, MEND_ALL = "Correct this and run again.", "Correct these lines and run again."


def write_files(folder: Path) -> Path:
    """Short silent recordings for the example."""
    for name, n_channels in FILES.items():
        (folder / name).parent.mkdir(exist_ok=True)
        soundfile.write(folder / name, [[0.0] * n_channels] * 16, 48000)
    return folder


def load(folder: Path, text: str | bytes) -> SoundCheck:
    """The sound check that a text in a folder describes."""
    (folder / "soundcheck.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_sound_check(folder)


def refusal(folder: Path, text: str | bytes) -> list[str]:
    """The lines of the message with which a description is refused, the folder left out."""
    with pytest.raises(DescriptionError, match=r"soundcheck\.toml") as caught:
        load(folder, text)
    assert caught.value.exit_code == 2
    return str(caught.value).replace(f"{folder}{os.sep}", "").split("\n")


def edited(old: str, new: str) -> tuple[str, int]:
    """The example with its first `old` replaced, and the line at fault: that of <here>, else where `new` starts."""
    before, found, after = EXAMPLE.partition(old)
    assert found
    changed = before + new + after
    fault = changed.index("<here>") if "<here>" in new else len(before)
    return changed.replace("<here>", ""), changed.count("\n", 0, fault) + 1
