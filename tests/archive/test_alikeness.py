"""Copies of a visit that were edited are told from visits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile
from visits_making import SECONDS, SEED, place, visit

from analyze.archive.alikeness import are_too_alike
from analyze.archive.comparison import compare
from analyze.archive.comparison_words import headline
from analyze.archive.opening import ReportRead, open_report
from analyze.archive.settings import verify_settings
from analyze.archive.settings_words import headline as verified_headline
from tests.trials.second_visits import report_of, reported
from tests.trials.visits import first_scene


def first() -> ReportRead:
    """The first visit as it was analysed."""
    visit("first")
    return open_report(place() / f"{SEED}-first" / "report")


@pytest.fixture(scope="module")
def edited() -> ReportRead:
    """The first visit's recordings, quieter, trimmed at the front, the fill late and a little noise laid on."""
    first()
    recordings = place() / f"{SEED}-first" / "recordings"
    folder = place() / "edited"
    folder.mkdir()
    rng = np.random.default_rng(4)
    for path in recordings.iterdir():
        if path.suffix != ".wav":
            (folder / path.name).write_bytes(path.read_bytes())
            continue
        samples, rate_hz = soundfile.read(path, always_2d=True)
        feed, mics = 0.7 * samples[100:, :1], 0.7 * samples[100:, 1:]
        if path.name == "take_5.wav":
            mics = np.roll(mics, 40, axis=0)
        mics = mics + 1e-3 * np.sqrt(np.mean(mics**2, axis=0)) * rng.standard_normal(mics.shape)
        soundfile.write(folder / path.name, np.hstack([feed, mics]), rate_hz, subtype="PCM_24")
    return reported(folder, folder / "report")


def test_an_edited_copy_is_named_and_visits_are_not(edited: ReportRead) -> None:
    assert are_too_alike(first(), edited)
    assert are_too_alike(edited, first())
    # the same rig on the same day, recorded twice
    again = report_of(first_scene(SEED), place() / "again", 77, seconds=SECONDS)
    assert not are_too_alike(first(), again)
    for name in ("warmer", "several", "chain"):
        assert not are_too_alike(first(), visit(name))
    assert not are_too_alike(visit("warmer"), edited)


def test_it_is_said_beside_whatever_is_told_of_the_two(edited: ReportRead) -> None:
    found = compare(first(), edited)
    assert "more alike than two recordings can be" in headline(found)
    assert "Ask for the files as the recorder wrote them." in " ".join(found.remarks)
    assert "more alike than two recordings can be" in verified_headline(verify_settings(first(), edited))


def test_of_one_output_or_few_bands_nothing_is_said(edited: ReportRead) -> None:
    def cut(report: ReportRead, keep: object) -> ReportRead:
        rows = [row for row in report.results["bands"] if keep(row)]  # type: ignore[operator]
        return replace(report, results={**report.results, "bands": rows})

    for keep in (lambda row: row["output"] == "main left", lambda row: 99.0 < row["band_hz"] < 126.0):
        assert not are_too_alike(cut(first(), keep), cut(edited, keep))
