"""Run trials and print a table per family: `python -m tests.trials --cases 20 --seed 1`."""

from __future__ import annotations

import argparse
import dataclasses
import sys
from pathlib import Path

import pandas as pd

from tests.trials.cases import FAMILIES
from tests.trials.run import run
from tests.trials.scoring import Row
from tests.trials.tables import calibration, plot_calibration, table_of


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.trials", description=__doc__)
    parser.add_argument("--cases", type=int, default=10, help="per family")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", nargs="+", choices=FAMILIES, default=list(FAMILIES))
    parser.add_argument("--only", type=int, help="one case of each family, by its number")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="write all rows to this CSV file")
    parser.add_argument("--read", type=Path, nargs="+", help="make the tables from kept rows instead of running")
    parser.add_argument("--plot", type=Path, help="draw the calibration curve into this file")
    arguments = parser.parse_args()
    if arguments.read:
        # a case is one of its seed; files of other seeds count on
        frames = [pd.read_csv(path, keep_default_na=True) for path in arguments.read]
        rows = pd.concat([f.assign(case=f.case + 100_000 * k) for k, f in enumerate(frames)])
    else:
        numbers = [arguments.only] if arguments.only is not None else range(arguments.cases)
        found: list[Row] = []
        total = len(numbers) * len(arguments.family)
        for done, case_rows in enumerate(run(arguments.family, arguments.seed, numbers, arguments.jobs), 1):
            found += case_rows
            sys.stderr.write(f"\r{done} of {total}")
        sys.stderr.write("\n")
        rows = pd.DataFrame([dataclasses.asdict(row) for row in found])
    if arguments.keep:
        rows.to_csv(arguments.keep, index=False)
    if arguments.only is not None:
        sys.stdout.write(rows.to_string() + "\n")
    table = table_of(rows)
    for family in [c for c in table.columns if not c.startswith("target")]:
        target = f"target {family.split(' (N=')[0]}"
        sys.stdout.write(f"\n{family}\n{table[[family, target]].to_string(header=False)}\n")
    curve = calibration(rows)
    sys.stdout.write(f"\nclaims of all families\n{curve.to_string(index=False, float_format='%.3f')}\n")
    if arguments.plot:
        plot_calibration(curve, arguments.plot)
    return 0


if __name__ == "__main__":
    sys.exit(main())
