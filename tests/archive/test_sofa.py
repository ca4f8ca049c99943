"""Responses as SOFA: samples and names come back equal through `sofar` and through `netCDF4` alone."""

from __future__ import annotations

import json
import time
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import sofar
from archive_making import RATE, SHAPES, content, make_record, make_report, response

from analyze.archive import record as record_module
from analyze.archive.record import write_record
from analyze.errors import OutputError


@pytest.fixture(scope="module")
def file(tmp_path_factory) -> Path:
    notes = {"engineer": "Å. Person", "venue": "Höhle"}
    return make_record(tmp_path_factory.mktemp("sofa"), notes=notes).folder / "data" / "responses.sofa"


def read(path: Path) -> sofar.Sofa:
    """A SOFA file, verified by the library against AES69."""
    return sofar.read_sofa(str(path), verify=True, verbose=False)


def test_the_library_verifies_it_and_gives_back_every_sample(file):
    sofa = read(file)
    assert (sofa.GLOBAL_SOFAConventions, sofa.GLOBAL_DataType) == ("GeneralFIR-E", "FIR-E")
    outputs, positions = json.loads(sofa.GLOBAL_EmitterDescription), json.loads(sofa.GLOBAL_ReceiverDescription)
    assert (outputs, positions) == (["main", "süß 低音"], ["mix", "lawn"])
    assert sofa.Data_IR.shape == (1, 2, 201, 2)
    for o, output in enumerate(outputs):
        for p, position in enumerate(positions):
            measured = sofa.Data_IR[0, p, :, o]
            if (output, position) in SHAPES:
                assert np.array_equal(measured, response(output, position).astype(float))
            else:
                assert np.isnan(measured).all()
    assert sofa.Data_SamplingRate == RATE
    assert not sofa.Data_Delay.any()


def test_what_no_report_knows_is_not_invented(file):
    sofa = read(file)
    assert np.isnan(sofa.EmitterPosition).all()
    assert np.isnan(sofa.ReceiverPosition).all()
    assert "NaN" in sofa.GLOBAL_Comment
    assert (sofa.GLOBAL_DateCreated, sofa.GLOBAL_DateModified) == ("2026-05-14 00:00:00", "2026-05-14 00:00:00")
    assert (sofa.GLOBAL_AuthorContact, sofa.GLOBAL_RoomDescription) == ("Å. Person", "Höhle")


def test_any_reader_of_hdf5_finds_the_samples(file):
    with netCDF4.Dataset(file) as data:
        assert data.Conventions == "SOFA"
        assert data["Data.IR"].dimensions == ("M", "R", "N", "E")
        assert np.array_equal(data["Data.IR"][0, 1, :, 0], response("main", "lawn").astype(float))


def test_a_second_later_the_same_bytes_are_written(tmp_path):
    report = make_report(tmp_path / "reports" / "harbour")
    first = content(write_record(report, tmp_path / "one").folder)
    time.sleep(1.1)  # dates in such files have whole seconds
    assert content(write_record(report, tmp_path / "two").folder) == first


def test_every_sample_rate_has_a_file_of_its_own(tmp_path):
    folder = make_record(tmp_path, rates={("main", "lawn"): 44100}, date="", title="").folder / "data"
    assert sorted(path.name for path in folder.glob("*.sofa")) == ["responses_44100_hz.sofa", "responses_8000_hz.sofa"]
    sofa = read(folder / "responses_44100_hz.sofa")
    assert sofa.Data_SamplingRate == 44100
    assert json.loads(sofa.GLOBAL_ReceiverDescription) == ["lawn"]
    assert np.array_equal(sofa.Data_IR[0, 0, :, 0], response("main", "lawn").astype(float))


def test_without_the_extra_the_record_is_made_all_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr(record_module, "can_write_sofa", lambda: False)
    record = make_record(tmp_path)
    assert not record.has_sofa
    assert not list(record.folder.rglob("*.sofa"))


def test_a_failure_of_the_library_is_an_output_error(tmp_path, monkeypatch):
    def fail(*_, **__):
        raise RuntimeError("NetCDF: HDF error")

    monkeypatch.setattr(sofar, "write_sofa", fail)
    with pytest.raises(OutputError, match=r"responses\.sofa failed \(netcdf: hdf error\)\."):
        make_record(tmp_path)
    assert not (tmp_path / "records").exists()
