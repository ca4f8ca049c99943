"""Two microphones exchanged at the cable for one take, which no description tells: named, on site and after."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import soundfile

from analyze.description import load_recorded, load_sound_check
from analyze.pipeline import analyse
from analyze.reports.confidences import confidence_text
from analyze.responses.out_of_place import out_of_place
from analyze.responses.taped_distances import arrivals_at_a_look
from analyze.spectra.inspection import inspect_captures

SAMPLE = Path(__file__).parents[2] / "sample_audio"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample, in which the tower's take has `mix` and `back` on each other's channels."""
    folder = tmp_path_factory.mktemp("exchanged") / "night"
    shutil.copytree(SAMPLE, folder)
    tracks, rate_hz = soundfile.read(folder / "delay_tower_mics.flac", dtype="int16")
    soundfile.write(folder / "delay_tower_mics.flac", tracks[:, [3, 1, 2, 0, 4, 5]], rate_hz, subtype="PCM_16")
    return folder


def test_a_look_names_them(folder: Path) -> None:
    check = load_recorded(folder)
    (found,) = out_of_place(check, arrivals_at_a_look(check, inspect_captures(check).heard), (), ())
    assert found.finding == "microphones exchanged"
    assert "The times at which delay tower (" in found.detail
    assert "microphones mix and back are exchanged" in found.detail


def test_the_analysis_names_them_and_puts_what_hangs_on_them_in_brackets(folder: Path) -> None:
    analysis = analyse(load_sound_check(folder))
    (found,) = (one for one in analysis.findings if one.finding == "microphones exchanged")
    assert "microphones mix and back are exchanged" in found.detail
    tower = next(row for row in analysis.recommendations if row.output == "delay tower")
    assert tower.decision == "change"
    assert confidence_text(analysis, tower).startswith("(")
