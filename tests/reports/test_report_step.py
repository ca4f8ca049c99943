"""A setting that takes a sub further from the first main than it is at present says so."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from analyze.alignment.rows import DelayScan
from analyze.reports.alternatives import alternatives
from analyze.reports.change_lines import change_lines
from analyze.reports.runner_up import runner_up
from analyze.reports.step_words import out_of_step_then, out_of_step_words

SUB = "sub left"


def at(analysis, present_ms: float, change_ms: float):
    """The sub so much later than the mains at every seat at present, and moved so far."""
    arrivals = dict(analysis.arrival_present_ms)
    for seat in analysis.sound_check.positions:
        arrivals[SUB, seat] = arrivals["mains", seat] + present_ms
    change = {**analysis.recommended_change, SUB: (1.0, change_ms)}
    return dataclasses.replace(analysis, arrival_present_ms=arrivals, recommended_change=change, feed_relations=())


@pytest.mark.parametrize(
    ("present_ms", "change_ms", "said"),
    [
        (0.6, -13.34, "it comes 13 ms ahead of the first main then, within 1 ms of it at present"),
        (-2.0, 10.0, "it comes 8 ms behind the first main then, 2 ms ahead of it at present"),
        (12.0, -12.0, ""),  # into step
        (8.0, -13.0, ""),  # as far to the other side, less
        (2.0, -6.9, ""),  # less than half a cycle of 100 Hz further
    ],
)
def test_what_goes_out_of_step_is_said(analysis, present_ms, change_ms, said):
    row = next(one for one in analysis.recommendations if one.output == SUB)
    one, moved = at(analysis, present_ms, change_ms), dataclasses.replace(row, decision="change")
    words = out_of_step_words(one, moved)
    assert (said in words) if said else words == ""
    assert out_of_step_words(one, dataclasses.replace(moved, decision="keep")) == ""
    assert out_of_step_words(one, dataclasses.replace(moved, kind="tower")) == ""
    line = next(line for line in change_lines(one) if SUB in line.who)
    assert words in line.about


def test_of_a_runner_up_it_is_said_too(analysis):
    row = next(one for one in analysis.recommendations if one.output == SUB)
    row = dataclasses.replace(row, recommended_delay_ms=24.0)
    one = at(analysis, 0.0, 0.4)
    assert out_of_step_then(one, row, 10.0) == ", 14 ms ahead of the first main"
    assert out_of_step_then(one, row, 28.0) == ""
    assert out_of_step_then(one, dataclasses.replace(row, kind="tower"), 10.0) == ""
    rival = runner_up(one, SUB)
    far = dataclasses.replace(row, recommended_delay_ms=rival.delay_ms + 20.0, alternative="normal, 4.00 ms is as good")
    assert alternatives(one, far)[0] == (
        "Runner-up, as good",
        "normal, 4.00 ms, 20 ms ahead of the first main",
    )


def scanned(tops):
    """A scan from 0 to 30 ms with humps at these delays, of so many dB, the same for both polarities."""
    delay_ms = np.arange(0.0, 30.01, 0.1)
    db = np.max([height - 0.5 * np.abs(delay_ms - at_ms) for at_ms, height in tops.items()], axis=0)
    none = np.zeros_like(db)
    return DelayScan((SUB,), (0.0, 30.0), delay_ms, db, db, none, none)


@pytest.mark.parametrize(
    ("tops", "said"),
    [
        ({10.0: -4.0, 24.0: -4.5}, " Set to 24.0 ms it comes within 1 ms of it and adds 0.5 dB less over all seats."),
        ({10.0: -4.0, 21.5: -4.02, 26.0: -6.0}, " Set to 21.5 ms it comes 2 ms ahead of it and adds as much."),
        ({10.0: -4.0, 13.0: -4.1}, ""),  # as far out of step, nearly
        ({10.0: -4.0}, ""),
    ],
)
def test_what_would_stay_in_step_is_said_beside(analysis, tops, said):
    """At 10 ms the sub is 14 ms ahead of the first main, in step at 24 ms."""
    row = next(one for one in analysis.recommendations if one.output == SUB)
    row = dataclasses.replace(row, decision="change", recommended_delay_ms=10.0, delay_change_ms=-14.0)
    one = dataclasses.replace(at(analysis, 0.0, -14.0), delay_scans=(scanned(tops),))
    words = out_of_step_words(one, row)
    assert words.partition("stay tight.")[2] == said
