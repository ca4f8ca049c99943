"""Where subs hand over to mains is said where enough seats tell it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analyze.reports import crossover_words as module
from analyze.reports.crossover_words import crossover_words
from analyze.reports.page import page_bytes


def said(analysis, monkeypatch, **hz_at):
    """The words where these positions have a crossover and no other one has."""
    found = np.array([hz_at.get(name.replace(" ", "_"), math.nan) for name in analysis.responses.positions])
    monkeypatch.setattr(module, "crossover_hz", lambda *_: found)
    return crossover_words(analysis)


def test_the_middle_seat_and_the_spread_are_said(analysis, monkeypatch):
    told = said(analysis, monkeypatch, mix=95.4, lawn=88.0, balcony=120.0)
    assert told.startswith(
        "All subs together are as loud as all mains together at 95 Hz in the middle of 3 seats (88 to "
    )
    assert told in page_bytes(analysis, ()).decode()


@pytest.mark.parametrize("hz_at", [{}, {"mix": 90.0}, {"stage_centre": 90.0}])
def test_few_seats_or_the_stage_tell_nothing(analysis, monkeypatch, hz_at):
    assert said(analysis, monkeypatch, **hz_at) == ""


def test_seats_that_agree_have_no_spread(analysis, monkeypatch):
    assert " at 90 Hz at 2 seats, " in said(analysis, monkeypatch, mix=90.1, lawn=89.9)
