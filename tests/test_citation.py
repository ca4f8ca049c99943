"""CITATION.cff says the version and licence of the project, and that it is cited by what the format asks for."""

from __future__ import annotations

import tomllib
from pathlib import Path

import yaml

from analyze.version import VERSION

ROOT = Path(__file__).parents[1]


def test_the_citation_is_of_this_version() -> None:
    # Citation File Format 1.2.0: cff-version, message, title and authors are required.
    citation = yaml.safe_load((ROOT / "CITATION.cff").read_text(encoding="utf-8"))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert citation.keys() >= {"cff-version", "message", "title", "authors"}
    assert (citation["cff-version"], citation["type"]) == ("1.2.0", "software")
    assert (citation["version"], citation["license"]) == (VERSION, project["license"])
    assert [author["name"] for author in citation["authors"]] == ["The analyze maintainers"]
