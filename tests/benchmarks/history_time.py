"""How long `analyze history` takes over many visits: `python tests/benchmarks/history_time.py --visits 200`.

Reports of one box at two seats, copies of the small one that is kept under tests, a day each, ten venues in turn.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

from whole_run import used_by

sys.path.insert(0, str(Path(__file__).parent.parent / "archive"))
from histories_making import make_report

_VENUES = 10


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=200)
    a = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "visits"
        for k in range(a.visits):
            day = date(2020, 1, 1) + timedelta(days=k)
            make_report(folder / str(k), day.isoformat(), venue=f"hall {k % _VENUES}")
        history = ["history", str(folder), "--out", str(Path(name) / "history"), "--quiet"]
        used = used_by([sys.executable, "-m", "analyze", *history])
    print(f"{a.visits} visits: {used.wall_s:.0f} s, processor {used.processor_s:.0f} s, {used.memory_mb:.0f} MB")  # noqa: T201


if __name__ == "__main__":
    main()
