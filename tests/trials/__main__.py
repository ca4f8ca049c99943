"""Run trials and print a table per family: `python -m tests.trials --cases 20 --seed 1`."""

from __future__ import annotations

import argparse
import dataclasses
import sys
from pathlib import Path

import pandas as pd

from tests.trials.calibration import by_table, calibration, plot_calibration, verdict_words
from tests.trials.run import ALL_FAMILIES, run
from tests.trials.tables import table_of

#: Columns left out when the rows of a single case are printed.
_NOT_PRINTED = ["family", "seed", "std", "coherence", "averages"]


def main() -> int:
    """Run or read rows, keep them, print the tables."""
    arguments = _parser().parse_args()
    rows = _read(arguments.kept) if arguments.kept else _run(arguments)
    if arguments.only is not None:
        shown = rows[~rows.what.str.startswith("yardstick")].drop(columns=_NOT_PRINTED)
        sys.stdout.write(shown.to_string(index=False, float_format="%.3f", na_rep="") + "\n")
    for family in [f for f in arguments.family if (rows.family == f).any()]:
        n = rows[rows.family == family].groupby("seed").case.nunique().sum()
        sys.stdout.write(f"\n{family} (N={n} cases)\n")
        for name, reached, target in table_of(rows, family).itertuples():
            sys.stdout.write(f"  {name:45s} {target:14s} {reached}\n")
        words = verdict_words(rows[rows.family == family])
        sys.stdout.write(f"  {'calibration per tenth of confidence':45s} {'yes':14s} {words}\n")
    curve = calibration(rows)
    sys.stdout.write(f"\nclaims of all families\n{curve.to_string(index=False, float_format='%.3f')}\n")
    sys.stdout.write(f"\n{by_table(rows).to_string(index=False, float_format='%.3f')}\n")
    if arguments.plot:
        plot_calibration(curve, arguments.plot)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.trials", description=__doc__)
    parser.add_argument("--cases", type=int, default=10, help="per family")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", nargs="+", choices=ALL_FAMILIES, default=list(ALL_FAMILIES))
    parser.add_argument("--only", type=int, metavar="CASE", help="one case of each family, by its number; all its rows")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, metavar="FILE.csv", help="write all rows to this file")
    parser.add_argument("--from", type=Path, nargs="+", dest="kept", metavar="FILE.csv", help="remake tables from rows")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw the calibration curve into this file")
    return parser


def _read(paths: list[Path]) -> pd.DataFrame:
    return pd.concat([pd.read_csv(path, keep_default_na=False, na_values=[""], dtype=_WORDS) for path in paths])


#: Columns that hold words; empty ones stay words.
_WORDS = dict.fromkeys(("family", "what", "where", "kind", "decision"), str)


def _run(arguments: argparse.Namespace) -> pd.DataFrame:
    """Rows of all cases; kept case by case, so that a run that is stopped is not lost."""
    numbers = [arguments.only] if arguments.only is not None else range(arguments.cases)
    found: list[pd.DataFrame] = []
    total = len(numbers) * len(arguments.family)
    for done, rows in enumerate(run(arguments.family, arguments.seed, numbers, arguments.jobs), 1):
        found.append(pd.DataFrame([dataclasses.asdict(row) for row in rows]))
        if arguments.keep:
            found[-1].to_csv(arguments.keep, index=False, mode="w" if done == 1 else "a", header=done == 1)
        sys.stderr.write(f"\r{done} of {total}")
    sys.stderr.write("\n")
    return pd.concat(found)


if __name__ == "__main__":
    sys.exit(main())
