"""Takes normalised on export: told as that, in place of gain that would have to be lowered."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from analyze.audio.copied_takes import HeardTrack
from analyze.audio.peaks_alike import peaks_explained
from analyze.description import load_sound_check
from analyze.findings import Finding
from analyze.pipeline import analyse
from analyze.spectra.inspection import inspect_captures
from tests.field_making import write_check

TOP = 10.0 ** (-0.9 / 20.0)


def tracks(*peaks_db):
    """One capture, a place and a file for every peak, in dB under `TOP`."""
    return [
        HeardTrack("take", f"place {k}", f"{k}.wav", k, TOP * 10.0 ** (-below / 20.0))
        for k, below in enumerate(peaks_db)
    ]


def little_headroom(n):
    return [Finding("little headroom", "note", "", "take", f"place {k}") for k in range(n)]


def test_whole_files_of_recorders_that_peak_alike_lack_no_headroom():
    (found,) = peaks_explained(little_headroom(4), tracks(0.0, 0.02, 0.03, 0.05))
    assert (found.finding, found.severity, found.value) == ("peaks alike", "note", -0.9)
    assert found.detail.startswith("4 microphone tracks peak at -0.9 dBFS")


@pytest.mark.parametrize("peaks_db", [(0.0, 0.02), (0.0, 0.15, 0.3), (0.0, 0.02, 0.03, 3.0, 4.0, 5.0, 6.0), ()])
def test_two_or_a_minority_or_peaks_a_little_apart_are_chance(peaks_db):
    headroom = little_headroom(len(peaks_db))
    assert peaks_explained(headroom, tracks(*peaks_db)) == headroom


def test_what_clipped_or_is_one_file_does_not_count():
    clipping = [Finding("clipping", "warning", "", "take", "place 0")]
    assert peaks_explained(clipping, tracks(0.0, 0.0, 0.0)) == clipping
    one_file = [HeardTrack(f"take {k}", place, "desk.wav", place, TOP) for k in range(3) for place in ("mix", "back")]
    assert peaks_explained([], one_file) == []


def test_files_turned_up_as_a_whole_keep_what_was_sent_and_heard():
    """The loudest of two microphones in each of three takes peaks alike, and its feed was turned up with it."""
    loudest = [HeardTrack(f"take {k}", "singer", f"{k}.wav", k, TOP) for k in range(3)]
    others = [HeardTrack(f"take {k}", "mix", f"{k}.wav", k, 0.3 + 0.1 * k) for k in range(3)]
    assert peaks_explained([], [*loudest, *others]) == []


def normalised(folder):
    """The takes of a field, every microphone track of each turned up to one peak."""
    write_check(folder)
    for name in ("main", "sub"):
        data, rate_hz = soundfile.read(folder / f"{name}.wav", always_2d=True)
        data[:, 1:] *= TOP / np.abs(data[:, 1:]).max(axis=0)
        soundfile.write(folder / f"{name}.wav", data, rate_hz, subtype="PCM_24")
    return load_sound_check(folder)


def test_takes_normalised_one_by_one_are_told_by_inspect_and_run(tmp_path):
    check = normalised(tmp_path / "c")
    for findings in (inspect_captures(check).findings, analyse(check).findings):
        (found,) = [one for one in findings if one.finding in ("peaks alike", "little headroom")]
        assert (found.finding, found.severity, found.value) == ("peaks alike", "warning", -0.9)
        assert "Export again without normalising" in found.detail


def test_takes_as_they_were_recorded_are_not(tmp_path):
    write_check(tmp_path / "c")
    check = load_sound_check(tmp_path / "c")
    for findings in (inspect_captures(check).findings, analyse(check).findings):
        assert "peaks alike" not in [one.finding for one in findings]
