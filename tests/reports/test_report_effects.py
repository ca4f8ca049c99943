"""Where the recommended settings help and where they cost, in words on every form of the sheet."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest

from analyze.reports.effects import WORTH_DB, ThirdChange, effect_words, third_changes
from analyze.reports.page import page_bytes
from analyze.reports.page_text import sheet_text


def changed(analysis, **db_at):
    """The analysis with these changes alone, given as `seat_hz=dB`, every sum known to a tenth of a decibel."""
    wanted = {(seat, float(hz)): db for key, db in db_at.items() for seat, _, hz in [key.rpartition("_")]}
    rows = tuple(
        dataclasses.replace(
            row, change_db=wanted.get((row.position, row.band_hz), 0.0), present_std_db=0.1, recommended_std_db=0.1
        )
        for row in analysis.prediction
    )
    return dataclasses.replace(analysis, prediction=rows)


def test_the_most_is_named_and_the_rest_counted(analysis):
    one = changed(
        analysis,
        mix_250=-1.14,
        lawn_160=-2.83,
        lawn_200=-1.6,
        balcony_80=-1.2,
        balcony_100=-1.0,
        mix_80=4.0,
        lawn_80=8.0,
    )
    assert effect_words(one) == [
        "Better: 80 Hz at lawn by 8.0 dB, 80 Hz at mix by 4.0 dB.",
        "Worse: 160 Hz at lawn by 2.8 dB, 200 Hz at lawn by 1.6 dB, 80 Hz at balcony by 1.2 dB, and 1 more over 1 dB.",
    ]


@pytest.mark.parametrize("change_db", [0.7, -0.9, WORTH_DB, -WORTH_DB])
def test_that_nobody_gains_or_loses_much_is_said(analysis, change_db):
    assert effect_words(changed(analysis, lawn_80=change_db)) == [
        "No seat clearly gains more than 1 dB in a band.",
        "No seat clearly loses more than 1 dB in a band.",
    ]


def test_only_what_is_scored_is_told_and_the_stage_apart(analysis):
    """400 Hz lies above the score; the stage has rows of its own."""
    one = changed(analysis, mix_400=-9.0, mix_63=2.0)
    stage = tuple(
        dataclasses.replace(row, change_db=-9.0) if row.position == "stage centre" else row for row in one.prediction
    )
    words = effect_words(dataclasses.replace(one, prediction=stage))
    lost = r"Softer on stage: [\d.]+ Hz at stage centre by 9\.0 dB, and \d+ more over 1 dB\."
    assert re.fullmatch(rf"No seat clearly loses more than 1 dB in a band\. {lost}", words[1])
    louder = tuple(dataclasses.replace(row, change_db=abs(row.change_db)) for row in stage)
    better, worse = effect_words(dataclasses.replace(one, prediction=louder))
    gained = r"Better: 63 Hz at mix by 2\.0 dB; louder on stage: [\d.]+ Hz at .* and \d+ more over 1 dB\."
    assert re.fullmatch(gained, better)
    assert worse == "No seat clearly loses more than 1 dB in a band."


def test_a_band_that_does_not_count_is_told_where_it_is_heard(analysis):
    """Two outputs are not equally loud there, yet many that are quieter can take a lot from one."""
    lost = changed(analysis, lawn_160=-4.3, mix_63=2.0)
    rows = tuple(dataclasses.replace(row, cell="no") if row.position == "lawn" else row for row in lost.prediction)
    one = dataclasses.replace(lost, prediction=rows)
    assert effect_words(one)[1] == "Worse: 160 Hz at lawn by 4.3 dB."
    h = analysis.responses.h.copy()
    hz = analysis.responses.frequency_hz
    h[..., (hz > 135.0) & (hz < 190.0)] *= 1e-2  # 40 dB under the rest
    faint = dataclasses.replace(one, responses=dataclasses.replace(analysis.responses, h=h))
    assert effect_words(faint)[1].startswith("No seat clearly loses")


def test_where_nothing_changes_nothing_is_said(analysis):
    assert effect_words(changed(analysis)) == []


def test_finer_bands_are_their_mean(analysis):
    row = next(row for row in analysis.prediction if (row.position, row.band_hz) == ("lawn", 63.0))
    finer = tuple(
        dataclasses.replace(row, band_hz=63.1 * 10.0 ** (0.3 * k / 12.0), change_db=db)
        for k, db in ((-1.5, -1.0), (-0.5, -2.0), (0.5, -6.0))
    )
    others = tuple(one for one in analysis.prediction if one is not row)
    found = third_changes(dataclasses.replace(analysis, prediction=(*others, *finer)), "lawn")
    std_db = math.hypot(row.present_std_db, row.recommended_std_db)
    assert found[63.0] == ThirdChange(pytest.approx(-3.0), pytest.approx(std_db), True)


@pytest.mark.parametrize(("std_db", "is_named"), [(0.6, True), (0.8, False), (math.nan, True)])
def test_what_measuring_could_make_is_not_named(analysis, std_db, is_named):
    """2 dB, where each sum errs by 0.6 dB (0.85 both) and where by 0.8 (1.13): two standard errors part them."""
    one = changed(analysis, lawn_80=-2.0)
    rows = tuple(
        dataclasses.replace(row, present_std_db=std_db, recommended_std_db=std_db)
        if (row.position, row.band_hz) == ("lawn", 80.0)
        else row
        for row in one.prediction
    )
    said = ["No seat clearly gains more than 1 dB in a band."]
    said.append("Worse: 80 Hz at lawn by 2.0 dB." if is_named else "No seat clearly loses more than 1 dB in a band.")
    assert effect_words(dataclasses.replace(one, prediction=rows)) == said


def test_losses_and_gains_are_on_page_and_text(analysis):
    one = changed(analysis, mix_250=-1.14, lawn_80=3.0)
    page = page_bytes(one, ()).decode()
    lines = sheet_text(one)
    for said in ("Worse: 250 Hz at mix by 1.1 dB.", "Better: 80 Hz at lawn by 3.0 dB."):
        assert page.index(said) < page.index("<table")
        assert said in " ".join(lines.split())
    assert "     Better by +1.2 dB, worst at balcony: -0.3 dB.\n" in lines
    rival = "Runner-up, as good within 0.5 dB: inverted, 12.40 ms, 0.2 dB less, 6 ms ahead of the first main. "
    assert rival in " ".join(lines.split())
