"""What a distance by hand says of a tower whose arrival nobody could tell."""

from __future__ import annotations

import dataclasses

import pytest

from analyze.acoustics import speed_of_sound_simple
from analyze.reports.page_sheet import beside
from analyze.reports.tape_note import tape_note


def rig(analysis, *, latency_ms=2.0, distance_m=8.5, decision="undecided", is_heard=False):
    """The mains at 60 ms at the mix, where the tower is for and was not told; set to 30 ms, asked 5 ms behind."""
    check = analysis.sound_check
    outputs = check.outputs | {
        "mains": dataclasses.replace(check.outputs["mains"], latency_ms=latency_ms),
        "lawn tower": dataclasses.replace(check.outputs["lawn tower"], align_at=("mix",), later_ms=5.0),
    }
    positions = check.positions | {
        "mix": dataclasses.replace(check.positions["mix"], distance_m={"lawn tower": distance_m} if distance_m else {})
    }
    arrivals = {("mains", "mix"): 60.0} | ({("lawn tower", "mix"): 58.0} if is_heard else {})
    row = next(row for row in analysis.recommendations if row.output == "lawn tower")
    row = dataclasses.replace(row, decision=decision, setting_delay_ms=30.0)
    check = dataclasses.replace(check, outputs=outputs, positions=positions)
    return dataclasses.replace(analysis, sound_check=check, arrival_present_ms=arrivals), row


def test_when_it_should_come_is_said(analysis):
    one, row = rig(analysis)
    flight_ms = 8500.0 / speed_of_sound_simple(one.sound_check.temperature_c)
    early_ms = 60.0 - (30.0 + 2.0 + flight_ms)
    said = tape_note(one, row)
    assert said == (
        f"By tape, 8.5 m, and with the latency of mains, 2.0 ms, it comes {early_ms:.1f} ms before mains at mix; asked "
        f"is 5.0 ms after mains, for which it would be set to {30.0 + early_ms + 5.0:.1f} ms counted from mains. That "
        "is reckoned and not measured: check it with clicks before you type it."
    )
    assert said in beside(one, row)


@pytest.mark.parametrize(
    "changes", [{"latency_ms": float("nan")}, {"distance_m": 0.0}, {"decision": "keep"}, {"is_heard": True}]
)
def test_nothing_is_said_where_an_arrival_tells_or_too_little_is_known(analysis, changes):
    assert tape_note(*rig(analysis, **changes)) == ""
