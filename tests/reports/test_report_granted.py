"""What distances by hand say beside what is taken for granted."""

from __future__ import annotations

import dataclasses
import math

import pytest

from analyze.acoustics import speed_of_sound_simple
from analyze.findings import Finding
from analyze.pipeline import Analysis
from analyze.reports.granted import granted_words, tape_words

LATENCY_MS = 3.0
SPEAKS = "that speaks for the delays and microphones concerned, as described."


def taped(
    analysis: Analysis,
    tapes: dict[tuple[str, str], float],
    latency_ms: float = math.nan,
    unheard: tuple[tuple[str, str], ...] = (),
    found: tuple[Finding, ...] = (),
) -> Analysis:
    """With these distances by hand, so many metres more than what arrivals and 3 ms of latency leave."""
    check = analysis.sound_check
    speed = speed_of_sound_simple(check.temperature_c) / 1000.0
    present = {(row.output, row.position): row.arrival_ms for row in analysis.arrivals}
    arrivals = {key: ms for key, ms in present.items() if key not in unheard}
    positions = {
        name: dataclasses.replace(
            position,
            distance_m={
                output: (present[output, name] - check.outputs[output].setting.delay_ms - LATENCY_MS) * speed + more_m
                for (output, at), more_m in tapes.items()
                if at == name
            },
        )
        for name, position in check.positions.items()
    }
    outputs = {name: dataclasses.replace(one, latency_ms=latency_ms) for name, one in check.outputs.items()}
    return dataclasses.replace(
        analysis,
        sound_check=dataclasses.replace(check, positions=positions, outputs=outputs),
        arrival_present_ms=arrivals,
        findings=found,
    )


MAINS, FAR, SUB = ("mains", "mix"), ("mains", "balcony"), ("sub left", "balcony")
LEAVES = "which leaves 3.0 to 3.3 ms for the latency"


@pytest.mark.parametrize(
    ("tapes", "latency_ms", "said"),
    [
        ({}, math.nan, ""),
        ({MAINS: 0.0}, LATENCY_MS, f"1 distance by hand, from mains, agrees with arrivals: {SPEAKS}"),
        ({MAINS: 0.0}, math.nan, ""),  # any arrival would do
        (
            {MAINS: 0.0, SUB: -0.1},
            math.nan,
            f"2 distances by hand, from mains and sub left, agree with arrivals ({LEAVES}): {SPEAKS}",
        ),
        ({MAINS: 0.0, SUB: -3.0}, math.nan, ""),  # 9 ms apart: two latencies, or a slip
        (
            {MAINS: 0.0, FAR: 0.2, SUB: -3.0},
            math.nan,
            f"2 distances by hand, from mains, agree with arrivals: {SPEAKS}",
        ),
    ],
)
def test_distances_that_agree_are_told(analysis, tapes, latency_ms, said) -> None:
    assert tape_words(taped(analysis, tapes, latency_ms)) == said


def test_those_that_are_contradicted_or_not_heard_do_not_agree(analysis) -> None:
    off = Finding("distance contradicted", "warning", "sub left is 3 m from balcony.", track="balcony")
    both = taped(analysis, {MAINS: 0.0, SUB: 9.0}, LATENCY_MS, found=(off,))
    assert tape_words(both) == f"1 distance by hand, from mains, agrees with arrivals: {SPEAKS}"
    silent = taped(analysis, {MAINS: 0.0, SUB: 0.0}, LATENCY_MS, unheard=(SUB,))
    distance_m = silent.sound_check.positions["balcony"].distance_m["sub left"]
    assert tape_words(silent).endswith(
        f"Not held against an arrival, which is not known: {distance_m:g} m from sub left to balcony by hand."
    )
    on_its_own = taped(analysis, {("mains", "lawn"): 0.0}, LATENCY_MS)
    assert "Not held against an arrival, which is on a clock of its own: " in tape_words(on_its_own)
    assert granted_words(silent).endswith(tape_words(silent))


def test_recorders_of_their_own_are_said_to_be_trusted_where_outputs_take_turns(analysis) -> None:
    said = "Recorders on a clock of their own are taken to have lost no samples between two outputs."
    assert said in granted_words(analysis)  # four feeds, one microphone on a recorder of its own
    captures = tuple(dataclasses.replace(one, unsynced=()) for one in analysis.sound_check.captures)
    synced = dataclasses.replace(analysis.sound_check, captures=captures)
    assert said not in granted_words(dataclasses.replace(analysis, sound_check=synced))
