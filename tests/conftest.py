"""Tests run side by side: one process more than there are cores, for many of them wait, and one thread in each.

Killed processes, browsers and children are waited for, which leaves a quarter of the processors' time unused else.
"""

from __future__ import annotations

import os

import pytest
from xdist.scheduler import LoadFileScheduling

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
    "test_plan_own_recorders.py",
    "test_programme.py",
    "test_reference_stage_inputs.py",
    "test_report_large.py",
    "test_settings.py",
    "test_trials_small.py",
}

#: Files that tell of the same simulated visits, which each process makes for itself: they go to one.
_OF_VISITS = (
    "test_alikeness",
    "test_comparison",
    "test_formats",
    "test_history",
    "test_opening",
    "test_refusing",
    "test_renaming",
    "test_settings.py",
)

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the program itself takes no more


def pytest_xdist_auto_num_workers() -> int:
    """How many processes `-n auto` starts."""
    return (os.cpu_count() or 1) + 1


class _Together(LoadFileScheduling):  # type: ignore[misc]
    """File by file to the processes, those of visits as if they were one."""

    def _split_scope(self, nodeid: str) -> str:
        file: str = super()._split_scope(nodeid)
        is_of_visits = file.startswith(tuple(f"tests/archive/{name}" for name in _OF_VISITS))
        return "tests/archive" if is_of_visits else file


def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> LoadFileScheduling:
    """How tests are given to processes."""
    return _Together(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first."""
    items.sort(key=lambda item: item.path.name not in _LONGEST)
