"""Rows of many cases as a table per family beside its targets."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from tests.trials.cases import FAMILIES
from tests.trials.stage_cases import STAGE
from tests.trials.stage_kit import NOT_NAMED
from tests.trials.yardsticks import CORRELATION, LEAVE, PEAK, PHASE

#: Targets in the order of `FAMILIES`: at most, but for shares claimed and right.
TARGETS: dict[str, tuple[str, ...]] = {
    "regret median / 90 %, dB": ("0.00 / 0.05", "0.01 / 0.25", "0.01 / 0.12", "0.02 / 0.15", "0.00 / 0.05"),
    "made worse than leaving it": ("0", "0", "0", "0", "0"),
    "wrong though 0.95 claimed": ("0", "0", "0", "0", "0"),
    "settings claimed at 0.95": ("70 %", "60 %", "50 %", "50 %", "70 %"),
    "wiring full-range, right / undecided / wrong": ("96/4/0", "95/5/0", "92/8/0", "92/8/0", "96/4/0"),
    "wiring sub, right / undecided / wrong": ("80/19/1", "70/28/2", "65/33/2", "65/33/2", "80/19/1"),
    "arrival full-range, median, ms": ("0.005", "0.01", "0.02", "relative 0.05", "0.005"),
    "arrival sub, median, ms": ("1.0", "1.5", "2", "2", "1"),
    "predicted gain, median error, dB": ("0.05", "0.1", "0.1", "0.1", "0.05"),
    "fills and towers, median / 90 %, ms": ("0.02 / 0.2", "0.03 / 0.3", "0.05 / 0.3", "0.05 / 0.3", "0.02 / 0.2"),
}
#: What carries a claim. Polarities of arrivals repeat those of the wiring and count only where they are wrong.
CLAIMS = ("setting", "polarity", "fill", "fill polarity", "monitor", "monitor polarity", "wiring", "own polarity")
CLAIMS = (*CLAIMS, "chain", "stage polarity")
DECIDED = ("keep", "change")
_WORSE_DB, SURE = 0.05, 0.95
_MOST_NAMED = 8


def table_of(rows: pd.DataFrame, family: str) -> pd.DataFrame:
    """Measures x (what was reached, target) of one family."""
    part = rows[rows.family == family]
    if family == STAGE:
        reached = {name: measure(part) for name, measure in STAGE_MEASURES.items()}
        return pd.DataFrame({"reached": reached}).assign(target="")
    targets = {name: values[FAMILIES.index(family)] for name, values in TARGETS.items()}
    reached = {name: measure(part) for name, measure in MEASURES.items()}
    return pd.DataFrame({"reached": reached, "target": pd.Series(targets)}).reindex(list(MEASURES)).fillna("")


def of(rows: pd.DataFrame, what: str, kind: str = "") -> pd.DataFrame:
    """Rows of one `what`, of one kind if given."""
    found = rows[rows.what == what]
    return found[found.kind == kind] if kind else found


def _two(values: pd.Series, form: str = "{:.2f}") -> str:
    """Median / 90th percentile (N = how many)."""
    values = values.dropna()
    if values.empty:
        return "- (N=0)"
    return f"{form.format(values.median())} / {form.format(values.quantile(0.9))} (N={len(values)})"


def _middle(values: pd.Series, form: str) -> str:
    values = values.dropna()
    return f"{form.format(values.median())} (N={len(values)})" if len(values) else "- (N=0)"


def _share(flags: pd.Series) -> str:
    return f"{100.0 * flags.mean():.0f} % (N={len(flags)})" if len(flags) else "- (N=0)"


def _names(rows: pd.DataFrame) -> str:
    """Which cases: seed.number: what and where."""
    named = [f"{r.seed}.{r.case}: {r.what} {r.where}" for r in rows.head(_MOST_NAMED).itertuples()]
    more = f" and {len(rows) - _MOST_NAMED} more" if len(rows) > _MOST_NAMED else ""
    return f" ({'; '.join(named)}{more})" if named else ""


def _worse(part: pd.DataFrame) -> str:
    rows = of(part, "regret")
    worse = rows[rows.value > rows.other + _WORSE_DB]
    return f"{len(worse)} of {len(rows)}{_names(worse)}"


def wrong_though_sure(part: pd.DataFrame) -> pd.DataFrame:
    """Rows of any table that claim 0.95 or more and are wrong."""
    claims = part[part.what.isin([*CLAIMS, "arrival polarity"]) & (part.claim >= SURE)]
    return claims[claims.is_right == 0.0]


def _wrong(part: pd.DataFrame) -> str:
    wrong = wrong_though_sure(part)
    n = (part.what.isin(CLAIMS) & (part.claim >= SURE) & part.is_right.notna()).sum()
    return f"{len(wrong)} of {n} claims, {wrong.groupby(['seed', 'case']).ngroups} cases{_names(wrong)}"


def _claimed(part: pd.DataFrame) -> str:
    settings = of(part, "setting")
    return _share((settings.claim >= SURE) & settings.decision.isin(DECIDED))


def _signs(what: str, kind: str) -> Callable[[pd.DataFrame], str]:
    def measure(part: pd.DataFrame) -> str:
        rows = of(part, what, kind)
        is_open = rows.decision == "undecided"
        right = ~is_open & (rows.is_right == 1.0)
        shares = [f"{100.0 * s.mean():.0f}" for s in (right, is_open, ~is_open & ~right)]
        return f"{'/'.join(shares)} (N={len(rows)})" if len(rows) else "- (N=0)"

    return measure


def _over_stated(part: pd.DataFrame) -> str:
    return " / ".join(_quotient(found) for _, found in of(part, "arrival").groupby("kind"))


def _quotient(rows: pd.DataFrame) -> str:
    return f"{(rows.value / rows.other).quantile(0.9):.1f}"


def _fills(part: pd.DataFrame) -> str:
    fills = of(part, "fill")
    is_open = ~fills.decision.isin(DECIDED)
    return f"{_two(fills.value[~is_open], '{:.3f}')}, {is_open.sum()} more undecided"


def _yardstick(method: str) -> Callable[[pd.DataFrame], str]:
    """Regret; share made worse; wiring right of full-range and subs; alignment of fills; sub arrival."""

    def measure(part: pd.DataFrame) -> str:
        rows = part[part.decision == method]
        regret, fills = of(rows, "yardstick regret"), of(rows, "yardstick fill").value
        words = [f"regret {_two(regret.value, '{:.1f}')}"]
        if method != LEAVE:
            wired = [100.0 * of(rows, "yardstick wiring", kind).is_right.mean() for kind in ("full-range", "sub")]
            words.append(f"worse {_share(regret.value > regret.other + _WORSE_DB)}")
            words.append(f"wiring {wired[0]:.0f} / {wired[1]:.0f} %")
            words.append(f"sub arrival {_middle(of(rows, 'yardstick arrival', 'sub').value, '{:.1f}')}")
        return "; ".join([*words, f"fills {_two(fills, '{:.2f}')}"])

    return measure


def _stage_yardstick(method: str) -> Callable[[pd.DataFrame], str]:
    """Share of polarities right; error of the delay."""

    def measure(part: pd.DataFrame) -> str:
        rows = of(part[part.decision == method], "yardstick stage")
        return f"right {_share(rows.is_right)}; delay {_two(rows.value, '{:.3f}')}"

    return measure


def _counts(what: str) -> Callable[[pd.DataFrame], str]:
    def measure(part: pd.DataFrame) -> str:
        counts = of(part, what).decision.value_counts()
        return ", ".join(f"{name} {n}" for name, n in counts.items()) or "0"

    return measure


def _chain(part: pd.DataFrame) -> str:
    rows = of(part, "chain")
    named = rows[rows.decision == "inverted"]
    is_so = (rows.decision == "not named") | (rows.is_right == 1.0)
    return f"{int(named.is_right.sum())} of {int(is_so.sum())} found, {int((named.is_right == 0).sum())} falsely named"


def _seconds(part: pd.DataFrame) -> str:
    rows = of(part, "seconds")
    return f"{rows.value.mean():.1f}, of it analysis {rows.other.mean():.1f}, at most {rows.value.max():.0f}"


MEASURES: dict[str, Callable[[pd.DataFrame], str]] = {
    "regret median / 90 %, dB": lambda p: _two(of(p, "regret").value),
    "made worse than leaving it": _worse,
    "wrong though 0.95 claimed": _wrong,
    "settings claimed at 0.95": _claimed,
    "settings decided": lambda p: _share(of(p, "setting").decision.isin(DECIDED)),
    "wiring full-range, right / undecided / wrong": _signs("wiring", "full-range"),
    "wiring sub, right / undecided / wrong": _signs("wiring", "sub"),
    "arrival full-range, median, ms": lambda p: _middle(of(p, "arrival", "full-range").value, "{:.4f}"),
    "arrival sub, median, ms": lambda p: _middle(of(p, "arrival", "sub").value, "{:.2f}"),
    "arrival error over stated std, 90 %": _over_stated,
    "predicted gain, median error, dB": lambda p: _middle(of(p, "gain").value, "{:.2f}"),
    "fills and towers, median / 90 %, ms": _fills,
    "groups wired against themselves": _counts("opposed"),
    "fills that would need less than no delay": _counts("fill out of reach"),
    "inverted microphone chains": _chain,
    "findings that are not so": _counts("false finding"),
    "failed": lambda p: f"{len(of(p, 'failed'))}{_names(of(p, 'failed'))}",
    LEAVE: _yardstick(LEAVE),
    CORRELATION: _yardstick(CORRELATION),
    PHASE: _yardstick(PHASE),
    PEAK: _yardstick(PEAK),
    "CPU seconds a case": _seconds,
}

STAGE_KINDS = ("kick", "snare", "overhead", "bass")
STAGE_MEASURES: dict[str, Callable[[pd.DataFrame], str]] = {
    "polarity, right / undecided / wrong": lambda p: _signs("stage polarity", "")(p[p.kind != NOT_NAMED]),
    **{f"polarity {kind}": _signs("stage polarity", kind) for kind in (*STAGE_KINDS, NOT_NAMED)},
    "wrong though 0.95 claimed": _wrong,
    "polarity claimed at 0.95": lambda p: _share(of(p[p.kind != NOT_NAMED], "stage polarity").claim >= SURE),
    "delay median / 90 %, ms": lambda p: _two(of(p, "stage delay").value, "{:.3f}"),
    **{f"delay {k}, ms": lambda p, k=k: _two(of(p, "stage delay", k).value, "{:.3f}") for k in STAGE_KINDS},
    "delay error over stated std, 90 %": lambda p: _quotient(of(p, "stage delay")),
    "findings that are not so": _counts("false finding"),
    "failed": MEASURES["failed"],
    **{method: _stage_yardstick(method) for method in (CORRELATION, PHASE, PEAK)},
    "CPU seconds a case": _seconds,
}
