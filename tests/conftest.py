"""Tests run side by side: one process more than there are cores, for many of them wait, and one thread in each.

Killed processes, browsers and children are waited for, which leaves a quarter of the processors' time unused else.
"""

from __future__ import annotations

import os

import pytest

#: Files that take a minute and more: begun first, so that no process works on one of them alone at the end.
_LONGEST = {
    "test_batch.py",
    "test_changes_named.py",
    "test_cli.py",
    "test_faults.py",
    "test_feeds_from_buses.py",
    "test_flipped.py",
    "test_killed.py",
    "test_own_clock.py",
    "test_plan_followed.py",
    "test_programme.py",
    "test_reference_stage_inputs.py",
    "test_report_large.py",
    "test_settings.py",
    "test_trials_small.py",
}

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the program itself takes no more


def pytest_xdist_auto_num_workers() -> int:
    """How many processes `-n auto` starts."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first."""
    items.sort(key=lambda item: item.path.name not in _LONGEST)
