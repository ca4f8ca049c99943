"""Rows of many cases as tables beside their targets, and the calibration curve."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from tests.trials.cases import FAMILIES

#: Targets per family, in the order of `FAMILIES`; at most, but for the shares named "at least".
TARGETS: dict[str, tuple[str, ...]] = {
    "regret median / 90 %, dB": ("0.00 / 0.05", "0.01 / 0.25", "0.01 / 0.12", "0.02 / 0.15", "0.00 / 0.05"),
    "made worse by over 0.05 dB": ("0", "0", "0", "0", "0"),
    "wrong though 0.95 claimed": ("0", "0", "0", "0", "0"),
    "settings claimed at 0.95, at least": ("70 %", "60 %", "50 %", "50 %", "70 %"),
    "wiring full-range right / undecided / wrong": ("96/4/0", "95/5/0", "92/8/0", "92/8/0", "96/4/0"),
    "wiring subs right / undecided / wrong": ("80/19/1", "70/28/2", "65/33/2", "65/33/2", "80/19/1"),
    "arrival full-range median, ms": ("0.005", "0.01", "0.02", "0.05", "0.005"),
    "arrival subs median, ms": ("1.0", "1.5", "2.0", "2.0", "1.0"),
    "predicted gain, median error, dB": ("0.05", "0.1", "0.1", "0.1", "0.05"),
    "fills and towers median / 90 %, ms": ("0.02 / 0.2", "0.03 / 0.3", "0.05 / 0.3", "0.05 / 0.3", "0.02 / 0.2"),
}
#: What carries a claim: every table of the report with a confidence in it.
CLAIMS = ("setting", "polarity", "fill", "wiring", "own polarity", "chain")
_WORSE_DB, _SURE = 0.05, 0.95
#: Fewest rows of a tenth of confidence for which calibration is judged, and resamples by case.
_FEWEST_ROWS, _N_RESAMPLES = 200, 1000


def table_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Measures x (family, its target), with the number of cases beside the family's name."""
    columns: dict[str, dict[str, str]] = {}
    for k, family in enumerate(FAMILIES):
        part = rows[rows.family == family]
        if part.empty:
            continue
        n = part.case.nunique()
        columns[f"{family} (N={n})"] = {name: measure(part) for name, measure in MEASURES.items()}
        columns[f"target {family}"] = {name: targets[k] for name, targets in TARGETS.items()}
    return pd.DataFrame(columns).fillna("")


def _two(values: pd.Series, form: str = "{:.2f}") -> str:
    values = values.dropna()
    if values.empty:
        return "-"
    return f"{form.format(values.median())} / {form.format(values.quantile(0.9))}"


def _median(what: str, kind: str, form: str) -> Callable[[pd.DataFrame], str]:
    def measure(part: pd.DataFrame) -> str:
        values = part[(part.what == what) & (part.kind == kind)].value.dropna()
        return form.format(values.median()) if len(values) else "-"

    return measure


def _worse(part: pd.DataFrame) -> str:
    settings = part[(part.what == "setting") & (part.decision == "change")]
    worse = settings[settings.value > settings.other + _WORSE_DB]
    return f"{len(worse)} of {len(settings)}{_cases(worse)}"


def _wrong_though_sure(part: pd.DataFrame) -> str:
    claims = part[part.what.isin(CLAIMS) & (part.claim >= _SURE)]
    wrong = claims[claims.is_right == 0.0]
    return f"{len(wrong)} of {len(claims)}{_cases(wrong)}"


def _cases(rows: pd.DataFrame) -> str:
    if rows.empty:
        return ""
    return " (" + ", ".join(f"{r.case}: {r.what} {r.where}" for r in rows.head(6).itertuples()) + ")"


def _claimed(part: pd.DataFrame) -> str:
    settings = part[part.what == "setting"]
    return f"{100.0 * (settings.claim >= _SURE).mean():.0f} %" if len(settings) else "-"


def _decided(part: pd.DataFrame) -> str:
    settings = part[part.what == "setting"]
    return f"{100.0 * settings.decision.isin(['keep', 'change']).mean():.0f} %" if len(settings) else "-"


def _wiring(kind: str) -> Callable[[pd.DataFrame], str]:
    def measure(part: pd.DataFrame) -> str:
        rows = part[(part.what == "wiring") & (part.kind == kind)]
        if rows.empty:
            return "-"
        undecided = rows.decision == "undecided"
        right = ~undecided & (rows.is_right == 1.0)
        shares = [100.0 * s.mean() for s in (right, undecided, ~undecided & ~right)]
        return "/".join(f"{s:.0f}" for s in shares)

    return measure


def _gain(part: pd.DataFrame) -> str:
    values = part[part.what == "gain"].value.dropna()
    return f"{values.median():.2f}" if len(values) else "-"


def _fills(part: pd.DataFrame) -> str:
    fills = part[(part.what == "fill") & part.decision.isin(["keep", "change"])]
    undecided = (part[part.what == "fill"].decision == "undecided").sum()
    return f"{_two(fills.value, '{:.3f}')} ({undecided} of {(part.what == 'fill').sum()} undecided)"


def _false(part: pd.DataFrame) -> str:
    rows = part[part.what == "false finding"]
    counts = rows.decision.value_counts()
    return ", ".join(f"{name} {n}" for name, n in counts.items()) or "0"


def _yardstick(method: str) -> Callable[[pd.DataFrame], str]:
    def measure(part: pd.DataFrame) -> str:
        rows = part[(part.what == "yardstick") & (part["where"] == method)]
        worse = 100.0 * (rows.value > rows.other + _WORSE_DB).mean() if len(rows) else math.nan
        wired = part[(part.what == "yardstick wiring") & (part["where"] == method)]
        sums = wired.groupby("kind")[["value", "other"]].sum()
        if method == "leave as is":
            return _two(rows.value, "{:.1f}")
        shares = [f"{100.0 * s.value / s.other:.0f} %" for s in sums.itertuples()]
        return f"{_two(rows.value, '{:.1f}')}; worse {worse:.0f} %; wiring {' / '.join(shares)}"

    return measure


MEASURES: dict[str, Callable[[pd.DataFrame], str]] = {
    "regret median / 90 %, dB": lambda p: _two(p[p.what == "setting"].value),
    "made worse by over 0.05 dB": _worse,
    "wrong though 0.95 claimed": _wrong_though_sure,
    "settings claimed at 0.95, at least": _claimed,
    "settings decided": _decided,
    "wiring full-range right / undecided / wrong": _wiring("full-range"),
    "wiring subs right / undecided / wrong": _wiring("sub"),
    "arrival full-range median, ms": _median("arrival", "full-range", "{:.4f}"),
    "arrival subs median, ms": _median("arrival", "sub", "{:.2f}"),
    "predicted gain, median error, dB": _gain,
    "fills and towers median / 90 %, ms": _fills,
    "findings that are not so": _false,
    "failed": lambda p: str((p.what == "failed").sum()),
    "leave as is: regret": _yardstick("leave as is"),
    "plain correlation: regret, worse, wiring": _yardstick("plain correlation"),
    "impulse-response peak: regret, worse, wiring": _yardstick("impulse-response peak"),
}


def calibration(rows: pd.DataFrame, seed: int = 1) -> pd.DataFrame:
    """Per tenth of confidence: rows, mean claim, share right, its 95 % interval resampled by case."""
    claims = rows[rows.what.isin(CLAIMS) & rows.claim.notna() & rows.is_right.notna()].copy()
    claims["tenth"] = np.minimum((claims.claim * 10).astype(int), 9)
    rng = np.random.default_rng(seed)
    out = []
    for tenth, part in claims.groupby("tenth"):
        by_case = part.groupby(["family", "case"]).is_right.agg(["sum", "count"]).to_numpy()
        drawn = rng.integers(len(by_case), size=(_N_RESAMPLES, len(by_case)))
        shares = by_case[drawn, 0].sum(axis=1) / by_case[drawn, 1].sum(axis=1)
        low, high = np.quantile(shares, [0.025, 0.975])
        claim = part.claim.mean()
        inside = low - 0.05 <= claim <= high + 0.05
        verdict = ("yes" if inside else "no") if len(part) >= _FEWEST_ROWS else "few"
        out.append((f"{tenth / 10:.1f}", len(part), claim, part.is_right.mean(), low, high, verdict))
    return pd.DataFrame(out, columns=["from", "rows", "claim", "right", "low", "high", "within 5 points"])


def plot_calibration(curve: pd.DataFrame, path: Path) -> None:
    """Share right against the claim, with the interval, and the line on which both are equal."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.5, 5.0), layout="constrained")
    axes = figure.add_subplot()
    axes.plot([0.0, 1.0], [0.0, 1.0], color="0.6", linewidth=1.0)
    errors = np.array([np.maximum(curve.right - curve.low, 0.0), np.maximum(curve.high - curve.right, 0.0)])
    axes.errorbar(curve.claim, curve.right, yerr=errors, fmt="s", color="#3b5b7a", capsize=3)
    for row in curve.itertuples():
        axes.annotate(str(row.rows), (row.claim, row.right), textcoords="offset points", xytext=(6, -10), fontsize=8)
    axes.set(xlabel="probability claimed", ylabel="share right", xlim=(0.4, 1.02), ylim=(0.0, 1.05))
    axes.set_title("Claims and how often they were right; numbers are rows, bars 95 % by case", fontsize=9)
    figure.savefig(path)
