"""Copies of a visit that were edited are told from visits."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from archive_making import make_report
from histories_making import rewritten
from visits_making import SECONDS, SEED, place, visit

from analyze.archive.alikeness import are_too_alike
from analyze.archive.comparison import compare
from analyze.archive.comparison_words import headline
from analyze.archive.history import history_of
from analyze.archive.opening import ReportRead, open_report
from analyze.archive.record import write_record
from analyze.archive.settings import verify_settings
from analyze.archive.settings_rows import DONE
from analyze.archive.settings_words import headline as verified_headline
from analyze.archive.telling import record_text
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
    found, done = compare(first(), edited), verify_settings(first(), edited)
    for said in (headline(found), verified_headline(done)):
        assert said.startswith("The two are more alike than two recordings can be, so that likely one is a copy")
    assert "Ask for the files as the recorder wrote them." in " ".join(found.remarks)
    unmoved = replace(found, outputs=tuple(replace(row, verdict="same") for row in found.outputs))
    assert unmoved.is_changed
    assert not replace(unmoved, is_too_alike=False).is_changed
    as_asked = tuple(replace(row, outcome=DONE[0]) for row in done.settings)
    assert replace(done, settings=as_asked).is_done  # the same sweeps, played again at once, may come near it


def test_a_history_passes_it_over(edited: ReportRead, tmp_path: Path) -> None:
    """The copy, dated later, with its fill put off, is no visit, and the next is held against the one before it."""
    days = {"a": "2026-03-10", "b": "2026-05-02", "c": "2026-10-02"}
    for (name, day), report in zip(days.items(), (first(), edited, visit("warmer")), strict=True):
        folder = shutil.copytree(report.folder, tmp_path / "reports" / name)
        results = json.loads((folder / "results.json").read_text("utf-8"))
        results["sound_check"] |= {"date": day, "notes": {"venue": "Harbour hall"}}
        rewritten(folder, results)
    found = history_of(tmp_path / "reports")
    assert [(row.path, row.state, row.previous) for row in found.visits] == [
        ("a", "read", ""), ("c", "read", "a"), ("b", "copy", "")
    ]  # fmt: skip
    assert found.visits[2].reason.startswith(
        "It is more alike a, dated 2026-03-10 there and 2026-05-02 here, than two recordings can be"
    )
    assert {row.path for row in found.history} == {"a", "c"}


def test_an_archive_names_records_beside_one_that_are_too_alike(tmp_path: Path) -> None:
    """Levels that are known to 1 degree, 0.15 dB: a copy with 0.001 dB between, and a visit with half a decibel."""
    rng, level_db = np.random.default_rng(5), np.random.default_rng(4).uniform(-40.0, -20.0, (2, 20))
    records = []
    for name, apart_db in (("march", 0.0), ("may", 0.001), ("august", 0.5)):
        report = make_report(tmp_path / "reports" / name)
        results = json.loads((report / "results.json").read_text("utf-8"))
        results["bands"] = [
            {"output": output, "position": "mix", "band_hz": 25.0 * (k + 1.0), "phase_std_deg": 1.0,
             "level_db": level_db[o, k] + apart_db * rng.standard_normal()}
            for o, output in enumerate(("main", "sub")) for k in range(20)
        ]  # fmt: skip
        rewritten(report, results)
        records.append(write_record(report, tmp_path / "records"))
    assert [one.alike for one in records] == [(), ("march",), ()]
    assert "It is more alike march, beside it, than two recordings can be" in record_text(records[1])


def test_of_one_output_or_few_bands_nothing_is_said(edited: ReportRead) -> None:
    def cut(report: ReportRead, keep: object) -> ReportRead:
        rows = [row for row in report.results["bands"] if keep(row)]  # type: ignore[operator]
        return replace(report, results={**report.results, "bands": rows})

    for keep in (lambda row: row["output"] == "main left", lambda row: 99.0 < row["band_hz"] < 126.0):
        assert not are_too_alike(cut(first(), keep), cut(edited, keep))
