"""What every position says of one output's setting, wiring and arrival: a table of the page."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analyze.alignment.grounds import SPARES, SumGrounds, TimingGrounds
from analyze.reports.page_evidence import DASH, Heading, PageTable
from analyze.reports.summaries import as_known, number, signed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analyze.alignment.grounds import SeatTiming
    from analyze.alignment.output_grounds import OutputGrounds, PositionGrounds
    from analyze.pipeline import Analysis

#: A heading and what stands below it, position by position.
Column = tuple[Heading, list[str]]


def position_table(analysis: Analysis, grounds: OutputGrounds) -> PageTable:
    """A row for every position that says anything of the output; a dash where one says nothing of a question."""
    heard, setting = {one.position: one for one in grounds.positions}, grounds.setting
    judged = _judged_at(grounds)
    names = [name for name in analysis.sound_check.positions if name in heard or name in judged]
    columns: list[Column] = [
        (Heading("position", is_name=True), names),
        (Heading("zone"), [analysis.sound_check.positions[name].zone for name in names]),
    ]
    if isinstance(setting, SumGrounds):
        columns += _margin_columns(setting, names)
    elif isinstance(setting, TimingGrounds):
        columns += _timing_columns(setting, grounds.output, names)
    columns += _heard_columns([heard.get(name) for name in names])
    rows = tuple(zip(*(cells for _, cells in columns), strict=True))
    return PageTable(f"{grounds.output}: what every position says", tuple(heading for heading, _ in columns), rows)


def _judged_at(grounds: OutputGrounds) -> set[str]:
    """Positions at which the setting was judged."""
    setting = grounds.setting
    if isinstance(setting, TimingGrounds):
        return set(setting.seats.get(grounds.output, {}))
    return set(setting.seats) if setting else set()


def _margin_columns(setting: SumGrounds, names: Sequence[str]) -> list[Column]:
    """What a setting is ahead by where it meets others, and whether it stands without the position."""
    seats = [setting.seats.get(name) for name in names]
    ahead = "present setting ahead by (dB)" if setting.claim == SPARES else "ahead of the other polarity (dB)"
    columns: list[Column] = [(Heading("bands", is_number=True), [str(one.n_cells) if one else DASH for one in seats])]
    if setting.other_polarity is not None:
        cells = [_signed(one.polarity_margin_db) if one else DASH for one in seats]
        columns.append((Heading(ahead, is_number=True), cells))
    runner_up, other = setting.runner_up, setting.other_polarity
    if runner_up is not None and (other is None or runner_up.change != other.change):
        cells = [_signed(one.runner_up_margin_db) if one else DASH for one in seats]
        columns.append((Heading("ahead of the runner-up (dB)", is_number=True), cells))
    held = [_held(one.holds_left_out, f"costs {number(one.left_out_cost_db)} dB") if one else DASH for one in seats]
    return [*columns, (Heading("right without it"), held)]


def _timing_columns(setting: TimingGrounds, output: str, names: Sequence[str]) -> list[Column]:
    """How late an output comes out against what was asked."""
    at = setting.seats.get(output, {})
    seats = [at.get(name) for name in names]
    return [
        (Heading("late against what was asked (ms)", is_number=True), [_late(one) if one else DASH for one in seats]),
        (Heading("right without it"), [_held(one.holds_left_out, "no") if one else DASH for one in seats]),
    ]


def _heard_columns(heard: Sequence[PositionGrounds | None]) -> list[Column]:
    """Captures and arrival; how the wiring reads there stands in the map of positions."""
    return [
        (Heading("captures", is_number=True), [str(one.n_captures) if one else DASH for one in heard]),
        (
            Heading("arrival (ms)", is_number=True),
            [_known(one.arrival_ms, one.arrival_std_ms) if one else DASH for one in heard],
        ),
        (
            Heading("give or take (ms)", is_number=True),
            [_known(one.arrival_std_ms, one.arrival_std_ms) if one else DASH for one in heard],
        ),
    ]


def _held(holds: bool | None, lost: str) -> str:
    """Whether an answer stands without a position; a dash where there is no other."""
    return DASH if holds is None else "yes" if holds else lost


def _signed(value_db: float) -> str:
    """A difference, or a dash."""
    return signed(value_db) if math.isfinite(value_db) else DASH


def _late(one: SeatTiming) -> str:
    """How late something comes out, or a dash."""
    return as_known(one.late_ms, one.std_ms, signed) if math.isfinite(one.late_ms) else DASH


def _known(value_ms: float, std_ms: float) -> str:
    """A time in ms, or a dash."""
    return as_known(value_ms, std_ms) if math.isfinite(value_ms) else DASH
