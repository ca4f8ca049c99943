"""Outputs of one group that cancel where no setting helps are named; nothing else is."""

from __future__ import annotations

import dataclasses

import pytest

from analyze.findings import Finding
from analyze.reports import holes
from analyze.reports.holes import hole_words
from analyze.reports.page import page_bytes

MOVE = "What moves as one no setting here parts: where it stands decides that."


def with_pair(analysis, sums_db, hole_db=-11.0, group="subs", usable="yes"):
    """Two subs that add to so much re the louder at seats in 63 Hz, where all outputs together add to `hole_db`."""
    check, pair, cell = analysis.sound_check, analysis.pairs[0], analysis.prediction[0]
    sub = dataclasses.replace(check.outputs["sub left"], group=group)
    outputs = check.outputs | {"sub left": sub, "sub right": dataclasses.replace(sub, name="sub right")}
    pairs = tuple(
        dataclasses.replace(
            pair,
            output="sub left",
            other="sub right",
            position=seat,
            band_hz=63.0,
            recommended_sum_db=db,
            usable=usable,
        )
        for seat, db in sums_db.items()
    )
    cells = tuple(
        dataclasses.replace(cell, position=seat, zone="audience", band_hz=63.0, cell="yes", recommended_db=hole_db)
        for seat in sums_db
    )
    return dataclasses.replace(
        analysis, sound_check=dataclasses.replace(check, outputs=outputs), pairs=pairs, prediction=cells
    )


def test_a_pair_that_cancels_is_named_with_its_deepest_holes_first(analysis):
    one = with_pair(analysis, {"mix": -5.5, "lawn": -6.44, "balcony": 2.0})
    assert hole_words(one) == (
        "sub left and sub right work against each other at 63 Hz at lawn (−6.4 dB) and 63 Hz at mix (−5.5 dB), re the "
        f"louder of them. {MOVE}"
    )


@pytest.mark.parametrize("finding", ["output wired inverted", "twins wired opposite"])
@pytest.mark.parametrize(("track", "is_theirs"), [("sub right", True), ("wedge", False)])
def test_what_is_wired_wrongly_is_to_be_mended_and_not_moved(analysis, finding, track, is_theirs):
    wrong = Finding(finding, "warning", "", track=track)
    one = dataclasses.replace(with_pair(analysis, {"mix": -5.5}), findings=(wrong,))
    assert hole_words(one).endswith("Their wiring is to be mended first." if is_theirs else MOVE)


@pytest.mark.parametrize("changes", [{"hole_db": -4.0}, {"group": ""}, {"usable": "no"}])
def test_what_others_fill_or_may_be_moved_apart_or_is_not_known_is_no_hole(analysis, changes):
    """Another output fills the hole; the subs are in no group; their phase is not known."""
    assert hole_words(with_pair(analysis, {"mix": -6.0}, **changes)) == ""
    assert hole_words(with_pair(analysis, {"mix": -2.0})) == ""


def test_the_page_says_it(analysis, monkeypatch):
    monkeypatch.setattr(holes, "hole_words", lambda _: "a & b work against each other.")
    assert "a &amp; b work against each other." in page_bytes(analysis, ()).decode()
