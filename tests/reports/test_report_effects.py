"""Where the recommended settings help and where they cost, in words on every form of the sheet."""

from __future__ import annotations

import dataclasses

import pytest

from analyze.reports.effects import WORTH_DB, better_words, third_changes, worse_words
from analyze.reports.page import page_bytes
from analyze.reports.page_text import sheet_text


def changed(analysis, **db_at):
    """The analysis with these changes alone, given as `seat_hz=dB`."""
    wanted = {(seat, float(hz)): db for key, db in db_at.items() for seat, _, hz in [key.rpartition("_")]}
    rows = tuple(
        dataclasses.replace(row, change_db=wanted.get((row.position, row.band_hz), 0.0)) for row in analysis.prediction
    )
    return dataclasses.replace(analysis, prediction=rows)


def test_the_worst_losses_are_named_and_the_rest_counted(analysis):
    lost = changed(analysis, mix_250=-1.14, lawn_160=-2.83, lawn_200=-1.6, balcony_80=-1.2, balcony_100=-1.0)
    assert worse_words(lost) == (
        "Worse: lawn at 160 Hz by 2.8 dB, lawn at 200 Hz by 1.6 dB, balcony at 80 Hz by 1.2 dB; "
        "1 more where a seat loses over 1 dB in a band."
    )
    assert worse_words(changed(analysis, mix_250=-1.14)) == "Worse: mix at 250 Hz by 1.1 dB."


@pytest.mark.parametrize("loss_db", [0.0, -0.9, -WORTH_DB])
def test_that_nobody_loses_much_is_said(analysis, loss_db):
    one = changed(analysis, mix_63=4.0, lawn_80=loss_db)
    assert worse_words(one) == "No seat loses more than 1 dB in any band that counts."


def test_only_bands_that_count_in_the_audience_are_told(analysis):
    """400 Hz lies above the score; on stage nothing counts."""
    one = changed(analysis, mix_400=-9.0, mix_63=2.0)
    stage = tuple(
        dataclasses.replace(row, change_db=-9.0) if row.position == "stage centre" else row for row in one.prediction
    )
    assert worse_words(dataclasses.replace(one, prediction=stage)).startswith("No seat loses")


def test_where_it_helps_most_is_a_run_of_bands(analysis):
    gained = changed(analysis, mix_80=4.0, mix_100=2.0, lawn_80=8.0, lawn_100=6.4, lawn_125=1.5, balcony_80=-1.4)
    assert better_words(gained) == "Better: 80 to 100 Hz, 3.0 to 7.2 dB more at mix and lawn."
    assert better_words(changed(analysis, mix_63=4.0)) == "Better: 63 Hz, 4.0 dB more at mix."
    assert better_words(changed(analysis, mix_63=0.7)).startswith("No seat gains more than 1 dB")


def test_where_nothing_changes_nothing_is_said(analysis):
    assert worse_words(changed(analysis)) == better_words(changed(analysis)) == ""


def test_finer_bands_are_their_mean(analysis):
    row = next(row for row in analysis.prediction if (row.position, row.band_hz) == ("lawn", 63.0))
    finer = tuple(
        dataclasses.replace(row, band_hz=63.1 * 10.0 ** (0.3 * k / 12.0), change_db=db)
        for k, db in ((-1.5, -1.0), (-0.5, -2.0), (0.5, -6.0))
    )
    others = tuple(one for one in analysis.prediction if one is not row)
    found = third_changes(dataclasses.replace(analysis, prediction=(*others, *finer)), "lawn")
    assert found[63.0] == (pytest.approx(-3.0), True)


def test_losses_and_gains_are_on_page_and_text(analysis):
    one = changed(analysis, mix_250=-1.14, lawn_80=3.0)
    page = page_bytes(one, ()).decode()
    lines = sheet_text(one)
    for said in ("Worse: mix at 250 Hz by 1.1 dB.", "Better: 80 Hz, 3.0 dB more at lawn."):
        assert page.index(said) < page.index("<table")
        assert said in " ".join(lines.split())
    assert "     Better by +1.2 dB, smallest at balcony: -0.3 dB.\n" in lines
    assert "     Runner-up, as good within 0.5 dB: inverted, 12.40 ms, 0.2 dB less.\n" in lines
