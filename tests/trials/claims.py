"""Confidences claimed against how often they were right, in bins, with the Brier score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

#: Edges of the bins; the last holds what is claimed at the most that is ever claimed.
_EDGES = (0.0, 0.5, 0.8, 0.9, 0.95, 0.985, 1.01)
_NAMES = ("under 0.5", "0.5 to 0.8", "0.8 to 0.9", "0.9 to 0.95", "0.95 to 0.98", "0.99")


@dataclass(frozen=True)
class Claim:
    """One claim: what was said, the probability claimed, and whether it was right."""

    said: str
    confidence: float
    is_right: bool


def brier(claims: Sequence[Claim]) -> float:
    """Mean squared difference of claim and outcome (Brier 1950, Mon. Weather Rev. 78, 1-3): 0 is perfect.

    >>> round(brier([Claim("same", 0.9, True), Claim("moved", 0.6, False)]), 3)
    0.185
    """
    return float(np.mean([(one.confidence - one.is_right) ** 2 for one in claims]))


def table(claims: Sequence[Claim]) -> str:
    """A line per bin and per thing said: how many, mean claim, share right; then the Brier score."""
    known = [one for one in claims if np.isfinite(one.confidence)]
    if not known:
        return "no claims\n"
    bins = np.searchsorted(_EDGES, [one.confidence for one in known], side="right") - 1
    lines = [_line(name, [c for c, b in zip(known, bins, strict=True) if b == k]) for k, name in enumerate(_NAMES)]
    lines += [_line(said, [c for c in known if c.said == said]) for said in sorted({c.said for c in known})]
    base = np.mean([one.is_right for one in known])
    lines.append(
        f"Brier score {brier(known):.4f} of {len(known)} claims; "
        f"{base * (1.0 - base):.4f} if all claimed {base:.3f}, the share right\n"
    )
    return "".join(lines)


def _line(name: str, claims: Sequence[Claim]) -> str:
    if not claims:
        return f"  {name:22s} none\n"
    claimed, right = np.mean([c.confidence for c in claims]), np.mean([c.is_right for c in claims])
    n_right = sum(c.is_right for c in claims)
    return f"  {name:22s} claimed {claimed:.3f}   right {right:.3f} ({n_right} of {len(claims)})\n"
