"""A few inputs that nobody thought of in every run, always the same; `fuzz.py` tries more, and others, by hand."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from tests.hostile.folders import recordings_of_example
from tests.hostile.strategies import audio_files, descriptions, results
from tests.hostile.trying import KEPT, try_audio, try_description, try_results

_QUICK = settings(
    derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck), print_blob=False
)


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The recordings of the example of every key."""
    return recordings_of_example(tmp_path_factory.mktemp("fuzz") / "check")


def test_descriptions(stranger: Path) -> None:
    kinds: Counter[str] = Counter()

    @settings(_QUICK, max_examples=50)
    @given(descriptions())
    def each(data: bytes) -> None:
        kinds[try_description(stranger, data)] += 1

    each()
    assert len(kinds) > 7, kinds  # they are not all refused for one reason


def test_audio_files(tmp_path: Path) -> None:
    kinds: Counter[str] = Counter()

    @settings(_QUICK, max_examples=35)
    @given(audio_files())
    def each(file: tuple[str, bytes]) -> None:
        kinds[try_audio(tmp_path / "check", *file)] += 1

    each()
    assert len(kinds) > 5, kinds
    assert kinds["read"] > 5, kinds


def test_results_of_a_report(tmp_path: Path) -> None:
    shutil.copytree(KEPT, tmp_path / "report")

    @settings(_QUICK, max_examples=3)
    @given(results(json.loads((KEPT / "results.json").read_text(encoding="utf-8"))))
    def each(data: bytes) -> None:
        try_results(tmp_path / "report", data)

    each()
