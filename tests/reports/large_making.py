"""A large sound check: 16 outputs at 8 positions, with reasons as long as they get."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from analysis_making import make_analysis

if TYPE_CHECKING:
    from analyze.pipeline import Analysis

#: Kinds go round in the order main, sub, tower, monitor, fill.
OUTPUTS = (
    *("main left", "sub left", "tower left", "wedge centre", "front fill left"),
    *("main right", "sub right", "tower right", "wedge drums", "front fill right"),
    *("out fill left", "sub centre", "tower lawn", "side fill", "balcony fill"),
    "out fill right",
)
POSITIONS = ("mix", "stage centre", "front row", "lawn left", "lawn right", "balcony", "back wall", "bar")

REASONS = (
    "Set it 7.20 ms earlier and turn it over: 3.1 dB more where it meets the others, at six of seven seats.",
    "At lawn right it arrives 3.52 ms too early to be 12 ms after main left, as asked, and has the other polarity.",
    "Its arrival there is not sure enough: record it and main left alone again, louder, with a microphone in row one.",
    "Keep it: the other polarity would cost 1.0 dB of low end on stage.",
)


def make_large() -> Analysis:
    """The analysis; every output has a device, a channel and a reason of up to two lines on paper."""
    analysis = make_analysis(OUTPUTS, POSITIONS)
    check = analysis.sound_check
    outputs = {
        name: dataclasses.replace(output, notes={"device": "rack processor", "channel": f"out {i}"})
        for i, (name, output) in enumerate(check.outputs.items(), 1)
    }
    rows = [
        row if row.decision == "reference" else dataclasses.replace(row, reason=REASONS[i % len(REASONS)])
        for i, row in enumerate(analysis.recommendations)
    ]
    return dataclasses.replace(
        analysis,
        sound_check=dataclasses.replace(check, outputs=outputs),
        recommendations=tuple(rows),
    )
