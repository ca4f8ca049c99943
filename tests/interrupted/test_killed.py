"""Killed commands leave whole reports or none, and no process. A hundred by hand: `killing_commands.py`."""

from __future__ import annotations

import random
from pathlib import Path

from tests.interrupted.killing_commands import killed_batches, killed_runs


def test_killed_runs(tmp_path: Path) -> None:
    assert killed_runs(tmp_path, 2, random.Random(20260514)).total() == 2


def test_killed_batches(tmp_path: Path) -> None:
    assert killed_batches(tmp_path, 1, random.Random(20260514)).total() == 1
