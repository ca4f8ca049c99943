"""Claims and how often they are right: per tenth of confidence, with an interval resampled by case, and as a plot."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from tests.trials.tables import CLAIMS

#: Fewest rows of a tenth for which calibration is judged; resamples; how far beyond the interval a claim may lie.
FEWEST_ROWS, _N_RESAMPLES, _WITHIN = 200, 1000, 0.05


def calibration(rows: pd.DataFrame, seed: int = 1) -> pd.DataFrame:
    """Per tenth of confidence: rows, mean claim, share right, its 95 % interval, and whether the claim holds."""
    claims = rows[rows.what.isin(CLAIMS) & rows.claim.notna() & rows.is_right.notna()]
    tenths = np.minimum((claims.claim * 10.0 + 1e-9).astype(int), 9)
    rng = np.random.default_rng(seed)
    out = []
    for tenth, part in claims.groupby(tenths):
        low, high = interval(part, rng)
        claim, right = part.claim.mean(), part.is_right.mean()
        is_inside = low - _WITHIN <= claim <= high + _WITHIN
        verdict = ("yes" if is_inside else "no") if len(part) >= FEWEST_ROWS else "few"
        out.append((tenth / 10.0, len(part), claim, right, low, high, verdict))
    return pd.DataFrame(out, columns=["from", "rows", "claim", "right", "low", "high", "within 5 points"])


def verdict_words(rows: pd.DataFrame) -> str:
    """Whether every tenth with enough rows holds, which those are, and what a tenth that does not hold claims."""
    curve = calibration(rows)
    judged = curve[curve["within 5 points"] != "few"]
    if judged.empty:
        return f"no tenth has {FEWEST_ROWS} rows"
    words = [f"{r['from']:.1f} {r['within 5 points']} ({r.claim:.3f} claimed, {r.right:.3f} right, N={r.rows})"
             for _, r in judged.iterrows()]  # fmt: skip
    return "; ".join(words)


def interval(part: pd.DataFrame, rng: np.random.Generator) -> tuple[float, float]:
    """95 % interval of the share right, whole cases drawn with replacement: rows of a case share its room."""
    by_case = part.groupby(["family", "seed", "case"]).is_right.agg(["sum", "count"]).to_numpy()
    drawn = rng.integers(len(by_case), size=(_N_RESAMPLES, len(by_case)))
    shares = by_case[drawn, 0].sum(axis=1) / by_case[drawn, 1].sum(axis=1)
    low, high = np.quantile(shares, [0.025, 0.975])
    return float(low), float(high)


def by_table(rows: pd.DataFrame) -> pd.DataFrame:
    """The same per kind of claim, all tenths together: where a calibration goes wrong."""
    claims = rows[rows.what.isin(CLAIMS) & rows.claim.notna() & rows.is_right.notna()]
    found = claims.groupby(["what", "kind"]).agg(
        rows=("claim", "size"), claim=("claim", "mean"), right=("is_right", "mean")
    )
    return found.reset_index()


def plot_calibration(curve: pd.DataFrame, path: Path) -> None:
    """Share right against the claim, with the interval, and the line on which both are equal."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.5, 5.0), layout="constrained")
    axes = figure.add_subplot()
    axes.plot([0.0, 1.0], [0.0, 1.0], color="0.6", linewidth=1.0)
    errors = np.maximum([curve.right - curve.low, curve.high - curve.right], 0.0)
    axes.errorbar(curve.claim, curve.right, yerr=errors, fmt="s", color="#3b5b7a", capsize=3)
    for n, claim, right in zip(curve.rows, curve.claim, curve.right, strict=True):
        axes.annotate(str(n), (claim, right), textcoords="offset points", xytext=(6, -10), fontsize=8)
    axes.set(xlabel="probability claimed", ylabel="share right", xlim=(0.0, 1.05), ylim=(0.0, 1.05))
    axes.set_title("Claims and how often they were right; numbers are rows, bars 95 % by case", fontsize=9)
    figure.savefig(path)
