"""The row of one sound check: what changes, in words that can be typed, and what is left open."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from analyze.batch.outcome import outcome_of


def output(name: str, decision: str, delays_ms: tuple[float, float], polarities: tuple[str, str]) -> dict[str, Any]:
    setting = {"setting_delay_ms": delays_ms[0], "setting_polarity": polarities[0]}
    recommended = {"recommended_delay_ms": delays_ms[1], "recommended_polarity": polarities[1]}
    return {"output": name, "decision": decision, **setting, **recommended}


def test_what_changes_and_what_is_open_stand_in_the_row() -> None:
    upright = ("normal", "normal")
    results = {
        "recommendations": [
            output("mains", "reference", (5.5, 5.5), upright),
            output("sub left", "change", (13.52, 6.32), upright),
            output("sub right", "change", (13.52, 6.32), upright),
            output("tower", "change", (40.0, 52.125), ("normal", "inverted")),
            output("fill", "undecided", (1.0, 1.0), upright),
        ],
        "inputs": [
            {"input": "kick out", "decision": "change", "recommended_delay_ms": 0.4, "recommended_polarity": "inverted"}
        ],
        "quality": [],
    }
    check = {"outputs": {row["output"]: {} for row in results["recommendations"]}}
    row = outcome_of("hall", "hall", SimpleNamespace(results=results, check=check, date=""), is_new=True)
    assert row.changes == (
        "sub left and sub right 13.52 → 6.32 ms; tower 40.000 → 52.125 ms, normal → inverted; "
        "kick out 0.00 → 0.40 ms, normal → inverted"
    )
    assert (row.to_change, row.left_open, row.status) == (4, "fill", "undecided")
