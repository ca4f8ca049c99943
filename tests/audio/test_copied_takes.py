"""Takes that are one recording under two names: found by what microphones hold, and nothing decided on them."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.audio.copied_takes import HeardTrack, copied_takes
from analyze.description import Capture, Output, Position, Setting, SoundCheck, load_sound_check
from analyze.pipeline import analyse
from analyze.spectra.inspection import inspect_captures
from tests.field_making import write_check


def track(capture: str, position: str, fingerprint: object, peak: float = 0.1) -> HeardTrack:
    return HeardTrack(capture, position, f"{capture}.wav", fingerprint, peak)


def check(**outputs: str) -> SoundCheck:
    """Takes by name with the output that plays in each; the main is the reference."""
    takes = tuple(Capture(name, (output,), settings={output: Setting()}) for name, output in outputs.items())
    rig = {"main": Output("main", "main"), "sub": Output("sub", "sub")}
    positions = {name: Position(name, "audience") for name in ("mix", "back")}
    return SoundCheck(Path("a"), Path(), "", "", 20.0, "main", rig, positions, takes)


def test_one_microphone_alike_is_enough_and_a_pair_of_takes_is_told_once():
    found = copied_takes(
        [
            track("a", "mix", 1),
            track("a", "back", 2),
            track("b", "mix", 1),
            track("b", "back", 2),
            track("c", "mix", 3),
        ],
        check(a="main", b="sub", c="sub"),
    )
    assert [(one.first, one.second, one.position, one.file) for one in found] == [("a", "b", "mix", "b.wav")]


def test_of_a_take_of_the_reference_and_its_copy_the_other_one_is_to_be_mended():
    (found,) = copied_takes([track("a", "mix", 1), track("b", "mix", 1)], check(a="sub", b="main"))
    assert (found.finding.capture, found.finding.file) == ("a", "a.wav")


@pytest.mark.parametrize(
    "tracks",
    [
        [track("a", "mix", 1), track("b", "mix", 2)],
        [track("a", "mix", 1), track("a", "back", 1)],  # one take: a duplicated track
        [track("a", "mix", 1, 1e-4), track("b", "mix", 1, 1e-4)],  # two open inputs
    ],
)
def test_what_is_no_copy(tracks):
    assert copied_takes(tracks, check(a="main", b="sub")) == []


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A sound check of two outputs, in which the sub's file is a copy of the main's."""
    folder = write_check(tmp_path_factory.mktemp("copied") / "c")
    shutil.copy(folder / "main.wav", folder / "sub.wav")
    return folder


def test_it_is_told_before_the_rig_is_taken_down(folder):
    findings = inspect_captures(load_sound_check(folder)).findings
    (found,) = [one for one in findings if one.finding == "copied take"]
    assert (found.severity, found.file) == ("error", "sub.wav")


def test_microphones_of_another_take_beside_a_feed_of_their_own(folder, tmp_path):
    """No microphone hears the sub's feed: not to be mended by an exchange of tracks, nor by playing louder."""
    mixed = tmp_path / "c"
    shutil.copytree(folder, mixed)
    data, rate_hz = soundfile.read(folder / "main.wav", always_2d=True)
    data[:, 0] = 0.1 * np.random.default_rng(5).standard_normal(len(data))
    soundfile.write(mixed / "sub.wav", data, rate_hz, subtype="PCM_24")
    check = load_sound_check(mixed)
    inspected, analysis = inspect_captures(check).findings, analyse(check)
    for found in (inspected, analysis.findings):
        assert [one.severity for one in found if one.finding == "copied take"] == ["error"]
        assert "arrives before it was sent" not in [one.finding for one in found]
    (row,) = [one for one in analysis.recommendations if one.output == "sub"]
    assert "are one and the same recording" in row.reason


def test_one_file_of_a_recorder_of_its_own_serves_for_every_take(tmp_path):
    folder = write_check(tmp_path / "c")
    whole = []
    for name in ("main", "sub"):
        data, rate_hz = soundfile.read(folder / f"{name}.wav", always_2d=True)
        whole.append(data[:, 1:])
    soundfile.write(folder / "recorder.wav", np.concatenate(whole), rate_hz)
    text = (folder / "soundcheck.toml").read_text(encoding="utf-8")
    for name in ("main", "sub"):
        of_recorder = 'mics = { mix = "recorder.wav:1", back = "recorder.wav:2" }\nunsynced = ["recorder.wav"]'
        text = text.replace(f'mics = {{ mix = "{name}.wav:2", back = "{name}.wav:3" }}', of_recorder)
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    findings = inspect_captures(load_sound_check(folder)).findings
    assert "copied take" not in [one.finding for one in findings]


def test_nothing_is_decided_on_it_but_for_the_reference(folder):
    analysis = analyse(load_sound_check(folder))
    assert [one.severity for one in analysis.findings if one.finding == "copied take"] == ["error"]
    rows = {row.output: row for row in analysis.recommendations}
    assert rows["sub"].decision == "undecided"
    assert "one and the same recording" in rows["sub"].reason
    assert rows["main"].decision == "reference"


def test_a_feed_in_the_place_of_its_microphone_is_no_part_of_sums(tmp_path):
    """The sub would arrive before it was sent, whatever its delay: nothing of it counts."""
    folder = write_check(tmp_path / "c")
    data, rate_hz = soundfile.read(folder / "sub.wav", always_2d=True)
    soundfile.write(folder / "sub.wav", data[:, [1, 0, *range(2, data.shape[1])]], rate_hz)
    analysis = analyse(load_sound_check(folder))
    rows = {row.output: row for row in analysis.recommendations}
    assert rows["sub"].decision == "undecided"
    assert "sounds after microphones hear it" in rows["sub"].reason
    assert not any(analysis.responses.has("sub", position) for position in analysis.responses.positions)
    assert analysis.responses.has("main", analysis.responses.positions[0])
