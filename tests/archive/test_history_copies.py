"""Folders that were copied are no visits of a history, whatever their dates say and however they are stored."""

from __future__ import annotations

import hashlib
import json
import shutil

from histories_making import make_report

from analyze.archive.comparison import compare
from analyze.archive.comparison_words import headline
from analyze.archive.history import history_of
from analyze.archive.opening import open_report
from analyze.archive.settings import verify_settings
from analyze.archive.settings_words import headline as said_of_settings


def test_the_same_recordings_under_another_date_are_no_visit(tmp_path):
    """A folder that was copied by mistake, and its date changed, would vouch for a rig that nobody heard."""
    whole = make_report(tmp_path / "may", "2026-05-14")
    copied = shutil.copytree(whole, tmp_path / "copy")
    undated = shutil.copytree(whole, tmp_path / "before")
    for report, day in ((copied, "2028-01-15"), (undated, "")):
        results = json.loads((report / "results.json").read_text("utf-8"))
        results["sound_check"]["date"] = day
        (report / "results.json").write_text(json.dumps(results), encoding="utf-8")
    found = {row.path: (row.state, row.reason) for row in history_of(tmp_path).visits}
    assert {path: state for path, (state, _) in found.items()} == {"may": "read", "copy": "copy", "before": "copy"}
    assert found["copy"][1] == (
        "It was made from the same recordings as may, dated 2026-05-14 there and 2028-01-15 here: one visit, and may "
        "stands for it."
    )
    comparison = compare(open_report(whole), open_report(copied))
    assert headline(comparison) == "No second visit: both reports were made from the very same recordings."
    assert comparison.remarks[0].startswith("Both were made from the very same recordings")
    assert said_of_settings(verify_settings(open_report(whole), open_report(copied))).startswith("Nothing was measured")


def test_a_copy_that_was_stored_otherwise_is_a_copy_and_the_description_that_was_mended_counts(tmp_path):
    """As FLAC in place of WAV: no file is the same, and all that is heard in them."""
    for name, day, doubts in (("first", "2026-05-14", ["channels exchanged"]), ("mended", "2026-05-14", [])):
        report = make_report(tmp_path / name, day)
        results = json.loads((report / "results.json").read_text("utf-8"))
        for one in results["input_files"]:
            one["sha256"] = hashlib.sha256(f"{name} {one['path']}".encode()).hexdigest()
        results["bands"] = json.loads((tmp_path / "first" / "results.json").read_text("utf-8"))["bands"]
        results["quality"] = [{"finding": doubt, "severity": "warning"} for doubt in doubts]
        (report / "results.json").write_text(json.dumps(results), encoding="utf-8")
    assert open_report(tmp_path / "first").doubts == ("channels exchanged",)
    assert {row.path: row.state for row in history_of(tmp_path).visits} == {"mended": "read", "first": "copy"}


def test_a_copy_of_which_one_recording_was_damaged_is_told_of(tmp_path):
    """Every other microphone's file is the same to the bit: no second visit has that."""
    files = ["a.wav", "b.wav", "c.wav"]
    for name, day, first in (("may", "2026-05-14", "as it was"), ("june", "2026-06-20", "cut short")):
        report = make_report(tmp_path / name, day)
        results = json.loads((report / "results.json").read_text("utf-8"))
        for take in results["sound_check"]["captures"]:
            take["mics"] = {f"mic {file}": {"file": file, "channel": 1} for file in files}
        results["input_files"] = [
            {"path": file, "sha256": "of both" if k else first} for k, file in enumerate([*files, "feed.wav"])
        ]
        for k, file in enumerate(results["input_files"]):
            file["sha256"] += file["path"] if k else ""
        (report / "results.json").write_text(json.dumps(results), encoding="utf-8")
    whole, other = tmp_path / "may", tmp_path / "june"
    comparison = compare(open_report(whole), open_report(other))
    said = "2 of 3 recordings with microphones are the very same files in both."
    assert comparison.remarks[0].startswith(said)
    assert any(said in row.remarks for row in history_of(tmp_path).visits)
    again = compare(open_report(whole), open_report(make_report(tmp_path / "july", "2026-07-20")))
    assert not any("very same files" in one for one in again.remarks)
