"""Outputs that were sent one signal: `inspect` says so at once and asks for another take, not for a longer one."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from analyze.__main__ import _run
from analyze.description import load_sound_check
from analyze.spectra.inspection import inspect_captures

RATE_HZ = 8000
RIG = """format = 1
[outputs.left]
kind = "main"
group = "mains"
[outputs.right]
kind = "main"
group = "mains"
[outputs.sub]
kind = "sub"
[positions.mix]
zone = "audience"
"""
TAKE = """
[[captures]]
name = "{name}"
feeds = {{ {feeds} }}
mics = {{ mix = "{name}.wav:4" }}
"""
FLIPPED = 'settings = { sub = { polarity = "inverted" } }\n'
EVERY = ("left", "right", "sub")


def write(folder, *takes):
    """Takes (name, outputs that play, the same to all or not, more of the description) of twelve seconds each."""
    rng = np.random.default_rng(3)
    folder.mkdir()
    text = RIG
    for name, playing, is_same, more in takes:
        sent = 0.1 * rng.standard_normal((1 if is_same else 3, 12 * RATE_HZ)) * np.ones((3, 1))
        mic = sum(np.roll(track, 200 + 90 * k) for k, track in enumerate(sent) if EVERY[k] in playing)
        mic = 0.4 * mic + 1e-3 * rng.standard_normal(len(mic))
        soundfile.write(folder / f"{name}.wav", np.vstack([sent, mic]).T, RATE_HZ, subtype="PCM_24")
        feeds = ", ".join(f'{output} = "{name}.wav:{EVERY.index(output) + 1}"' for output in playing)
        text += TAKE.format(name=name, feeds=feeds) + more
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    return folder


def found(folder, name):
    return [one for one in inspect_captures(load_sound_check(folder)).findings if one.finding == name]


def test_what_no_take_tells_apart_is_a_warning_and_no_longer_take_is_asked_for(tmp_path, capsys):
    folder = write(tmp_path / "c", ("all", EVERY, True, ""))
    (one,) = found(folder, "feeds alike")
    assert (one.severity, one.capture, one.track) == ("warning", "all", "sub")
    assert "left and sub were sent the same" in one.detail
    assert "Record one of them alone" in one.detail
    assert _run(["inspect", str(folder)]) == 0
    shown = capsys.readouterr().err
    assert shown.startswith("Look at this before you run it: all (")
    assert "a minute or more" not in shown


def test_within_a_group_one_signal_is_as_it_should_be(tmp_path):
    folder = write(tmp_path / "c", ("mains", ("left", "right"), True, ""))
    assert found(folder, "feeds alike") == []
    assert [one.track for one in found(folder, "duplicated track")] == ["right"]


@pytest.mark.parametrize(
    "other",
    [("flipped", EVERY, True, FLIPPED), ("alone", ("sub",), False, ""), ("music", EVERY, False, "")],
    ids=lambda other: other[0],
)
def test_where_another_take_tells_them_nothing_is_asked_for(tmp_path, capsys, other):
    folder = write(tmp_path / "c", ("all", EVERY, True, ""), other)
    assert found(folder, "feeds alike") == []
    assert {one.track for one in found(folder, "duplicated track") if one.capture == "all"} == {"right", "sub"}
    assert _run(["inspect", str(folder)]) == 0
    asked = [line.rstrip() for line in capsys.readouterr().err.splitlines() if "all at once for under 30 s" in line]
    short = ["Short, all at once for under 30 s: music. Make it again while all stands: a"]
    assert asked == (short if other[0] == "music" else [])


def test_the_same_once_more_tells_no_more(tmp_path):
    folder = write(tmp_path / "c", ("all", EVERY, True, ""), ("again", EVERY, True, ""))
    assert [(one.capture, one.severity) for one in found(folder, "feeds alike")] == [
        ("all", "warning"),
        ("again", "warning"),
    ]
