"""Tests run side by side: one process more than there are cores, for many of them wait, and one thread in each.

Killed processes, browsers and children are waited for, which leaves a quarter of the processors' time unused else.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the program itself takes no more


def pytest_xdist_auto_num_workers() -> int:
    """How many processes `-n auto` starts."""
    return (os.cpu_count() or 1) + 1
