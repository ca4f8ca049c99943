"""Records of every format that was ever written go on opening: kept ones under `records/`, never made anew."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sofar
import soundfile
from archive_making import content, library_finds
from kept_record import KEPT, PATHS, RATE

from analyze.archive.about import RECORD_FORMAT
from analyze.archive.record import write_record
from analyze.archive.verification import verify_record

RECORDS = sorted(KEPT.iterdir())


def test_the_format_of_today_is_among_them():
    assert f"format_{RECORD_FORMAT}" in {record.name for record in RECORDS}


@pytest.fixture(params=RECORDS, ids=lambda record: record.name)
def record(request) -> Path:
    return request.param


def test_it_verifies(record):
    found = verify_record(record)
    assert found.problems == ()
    assert found.n_files > 20
    assert library_finds(record) == ""


def test_it_is_small(record):
    """444 kB measured of format 1."""
    assert sum(len(data) for data in content(record).values()) < 600_000


def test_what_was_measured_can_be_read(record):
    """The delays are those that went into the sound: 187 and 422 samples at 8 kHz; 0.0007 ms off at worst."""
    arrivals = pd.read_csv(record / "data/report/arrivals.csv").set_index("position")
    for position, (delay, _) in PATHS.items():
        assert arrivals.arrival_ms[position] == pytest.approx(1000 * delay / RATE, abs=0.002)
    wiring = pd.read_csv(record / "data/report/wiring.csv")
    assert wiring.polarity.tolist() == ["normal"]


def test_its_responses_are_the_same_as_wav_and_as_sofa(record):
    report = record / "data" / "report"
    files = json.loads((report / "results.json").read_text("utf-8"))["responses"]
    sofa = sofar.read_sofa(str(record / "data/responses.sofa"), verify=True, verbose=False)
    for o, output in enumerate(json.loads(sofa.GLOBAL_EmitterDescription)):
        for p, position in enumerate(json.loads(sofa.GLOBAL_ReceiverDescription)):
            samples, rate = soundfile.read(report / files[output][position])
            assert rate == sofa.Data_SamplingRate
            assert np.array_equal(sofa.Data_IR[0, p, :, o], samples)


def test_its_report_can_be_archived_by_the_program_of_today(record, tmp_path):
    again = write_record(record / "data" / "report", tmp_path)
    assert verify_record(again.folder).is_valid
    kept, made = content(record / "data/report"), content(again.folder / "data/report")
    assert made == kept
