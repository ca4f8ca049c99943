"""What each plot shows, in words: for those who cannot see it, and for those in a hurry."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.reports.columns import DECIMALS
from analyze.reports.selections import (
    PhasePoint,
    levels_at,
    mean,
    own_clocks,
    predictions_at,
    recommendation_of,
    scenario_text,
    spreads,
)

if TYPE_CHECKING:
    from analyze.alignment.rows import DelayScan
    from analyze.pipeline import Analysis


def number(value: float, decimals: int = 1) -> str:
    """A number in text with a true minus sign; `not known` for NaN."""
    if not math.isfinite(value):
        return "not known"
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−")


def signed(value: float, decimals: int = 1) -> str:
    """A difference in text, with its sign."""
    text = number(value, decimals)
    return f"+{text}" if math.isfinite(value) and round(value, decimals) > 0 else text


def frequency(hz: float) -> str:
    """A frequency in text: `63 Hz`, `1.25 kHz`."""
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz:g} Hz"


def arrival(analysis: Analysis) -> str:
    """First and last arrival at every position."""
    parts = []
    for position in analysis.sound_check.positions:
        rows = [r for r in analysis.arrivals if r.position == position and math.isfinite(r.arrival_ms)]
        if len({row.output for row in rows}) < 2:
            continue
        first, last = min(rows, key=lambda r: r.arrival_ms), max(rows, key=lambda r: r.arrival_ms)
        gap = number(last.arrival_ms - first.arrival_ms)
        parts.append(f"{position}: {first.output} first, {last.output} {gap} ms later")
    text = "; ".join(parts) + "." if parts else "Every dot is one output in one capture."
    if own_clocks(analysis):
        text += " Hollow: recorder on its own clock; only differences between outputs of one capture mean anything."
    return text


def polarity(analysis: Analysis) -> str:
    """What the wiring of every output is."""
    words = {"normal": "normal", "inverted": "inverted", "undecided": "not decided"}
    parts = [f"{row.output} {words.get(row.polarity, row.polarity)}" for row in analysis.wiring]
    return "Without their settings: " + ", ".join(parts) + "." if parts else "No output could be judged."


def sums(analysis: Analysis, position: str) -> str:
    """Mean, best and worst change at a position."""
    rows = [row for row in predictions_at(analysis, position) if math.isfinite(row.change_db)]
    cells = [row for row in rows if row.cell == "yes"]
    used, where = (cells, "in the bands that count") if cells else (rows, "over all bands")
    if not used:
        return "No band could be predicted."
    best, worst = max(used, key=lambda row: row.change_db), min(used, key=lambda row: row.change_db)
    return (
        f"Mean {where}: {number(mean(r.present_db for r in used))} dB at present, "
        f"{number(mean(r.recommended_db for r in used))} dB as recommended. "
        f"Most gained at {frequency(best.band_hz)} ({signed(best.change_db)} dB), "
        f"least at {frequency(worst.band_hz)} ({signed(worst.change_db)} dB)."
    )


def phases(output: str, other: str, points: dict[str, list[PhasePoint]]) -> str:
    """Mean distance from in phase before and after, over the usable bands."""
    used = [point for rows in points.values() for point in rows if point.is_usable]
    present, turned = mean(abs(p.present_deg) for p in used), mean(abs(p.recommended_deg) for p in used)
    return (
        f"Phase of {output} minus {other} in the bands where both are heard; 0° adds best, 180° cancels. "
        f"On average {number(present, 0)}° away from in phase at present, {number(turned, 0)}° as recommended. "
        "The width of the band is the standard error."
    )


def level(analysis: Analysis, position: str) -> str:
    """Who is loudest at the low end and overall."""
    levels = levels_at(analysis, position)
    best = {output: max(points, key=lambda point: point[1]) for output, points in levels.items()}
    loudest = max(best, key=lambda output: best[output][1])
    return f"Loudest band: {loudest} at {frequency(best[loudest][0])}, {number(best[loudest][1])} dB."


def scan(analysis: Analysis, one: DelayScan) -> str:
    """Best setting of each polarity and what lies between them."""
    best = {}
    for sign, curve in (("normal", one.normal_db), ("inverted", one.inverted_db)):
        known = [(float(db), float(ms)) for db, ms in zip(curve, one.delay_ms, strict=True) if math.isfinite(db)]
        if known:
            best[sign] = max(known)
    row = recommendation_of(analysis, one.outputs[0])
    parts = [f"{sign} is best at {number(ms, 2)} ms ({number(db, 2)} dB)" for sign, (db, ms) in best.items()]
    text = "Polarity " + ", ".join(parts) + "." if parts else "No score could be computed."
    return text if row is None else f"{text} Set at present: {number(row.setting_delay_ms, 2)} ms."


def robustness(analysis: Analysis) -> str:
    """The scenario that leaves least."""
    every = spreads(analysis)
    worst = min(every, key=lambda one: one.mean_db)
    lost = sum(one.mean_db < 0 for one in every)
    said = f"In {lost} of {len(every)} scenarios" if lost else f"In none of {len(every)} scenarios"
    return (
        f"{said} the recommendation would be worse than the present settings on average. "
        f"Least is left with {scenario_text(worst.scenario)}: {signed(worst.mean_db, DECIMALS['db'] - 1)} dB."
    )
