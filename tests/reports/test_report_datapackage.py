"""The data package against the open standard and against the files it describes."""

from __future__ import annotations

import hashlib
import json

import frictionless
import pytest

from analyze.reports.columns import TABLES


@pytest.mark.parametrize("which", ["report", "hostile_report"])
def test_frictionless_finds_the_report_valid(which, request):
    folder = request.getfixturevalue(which)
    outcome = frictionless.validate(str(folder / "datapackage.json"))
    assert outcome.valid, outcome.flatten(["type", "rowNumber", "fieldName", "note"])[:5]
    assert {task.name for task in outcome.tasks} == {one.name for one in TABLES}


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("recommendations.csv", ",reference,", ",maybe,"),
        ("arrivals.csv", ",0.900,", ",1.900,"),
        ("prediction.csv", "band_hz", "band_khz"),
        ("wiring.csv", "normal", "inverted"),
    ],
)
def test_frictionless_finds_damage(report, tmp_path, name, old, new):
    for path in report.iterdir():
        if path.is_file():
            (tmp_path / path.name).write_bytes(path.read_bytes())
    content = (tmp_path / name).read_bytes()
    assert old.encode() in content
    (tmp_path / name).write_bytes(content.replace(old.encode(), new.encode(), 1))
    assert not frictionless.validate(str(tmp_path / "datapackage.json")).valid


def test_every_column_has_its_meaning_unit_and_decimals(report):
    package = json.loads((report / "datapackage.json").read_text("utf-8"))
    for one, resource in zip(TABLES, package["resources"], strict=True):
        content = (report / resource["path"]).read_bytes()
        assert resource["bytes"] == len(content)
        assert resource["hash"] == "sha256:" + hashlib.sha256(content).hexdigest()
        assert resource["schema"]["missingValues"] == [""]
        header = content.decode("utf-8").split("\r\n")[0].split(",")
        assert [field["name"] for field in resource["schema"]["fields"]] == header
        for column, field in zip(one.columns, resource["schema"]["fields"], strict=True):
            assert len(field["description"]) > 8
            assert field.get("unit", "") == column.unit
            assert (field["type"] == "number") == ("decimals" in field or "significant_digits" in field)


def test_the_manifest_lists_every_file(report):
    package = json.loads((report / "datapackage.json").read_text("utf-8"))
    found = sorted(path.relative_to(report).as_posix() for path in report.rglob("*") if path.is_file())
    assert package["files"] == found
    assert package["made_by"] == {"program": "analyze", "version": "0.1.0", "format": 1}
