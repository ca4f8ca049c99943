"""A reference library that is not there fails the checks where all must run, and skips them by name elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

Library = Callable[[str], ModuleType]


def test_a_missing_library_fails_where_every_check_must_run(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="reference library not_there is not installed"):
        library("not_there.part")


@pytest.mark.parametrize("ci", [None, "", "false"])
def test_a_missing_library_skips_by_name_elsewhere(
    library: Library, monkeypatch: pytest.MonkeyPatch, ci: str | None
) -> None:
    monkeypatch.delenv("CI", raising=False)
    if ci is not None:
        monkeypatch.setenv("CI", ci)
    with pytest.raises(pytest.skip.Exception, match="reference library not_there is not installed"):
        library("not_there")


def test_a_broken_library_is_no_missing_one(library: Library, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "broken_reference.py").write_text("import a_part_that_is_not_there\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(ModuleNotFoundError, match="a_part_that_is_not_there"):
        library("broken_reference")


def test_a_library_that_is_there_is_given(library: Library) -> None:
    assert library("scipy.signal").__name__ == "scipy.signal"
