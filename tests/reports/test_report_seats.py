"""Seat by seat: polarity, bands and what is left of a gain, as tables whose colours never speak alone."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from analyze.reports import page
from analyze.reports.page_evidence import seat_table
from analyze.reports.page_lasting import CASES, lasting_rows
from analyze.reports.page_seats import band_table, late_tables, polarity_tables
from analyze.reports.plot_style import COLOURS
from analyze.reports.selections import seats

STYLE = Path(page.__file__).parent / "templates" / "seats.css"


def cell(tables, row, column):
    """One cell of a list of tables."""
    for table in tables:
        if column in table.columns:
            return next(r for r in table.rows if r.name == row).cells[table.columns.index(column)]
    raise KeyError(column)


def with_reading(analysis, output, position, **changes):
    """The analysis with another reading of one output at one position."""
    grounds = [
        dataclasses.replace(
            one,
            positions=tuple(
                dataclasses.replace(at, **changes) if (one.output, at.position) == (output, position) else at
                for at in one.positions
            ),
        )
        for one in analysis.grounds
    ]
    return dataclasses.replace(analysis, grounds=tuple(grounds))


def test_every_position_reads_a_polarity_and_all_of_them_together(analysis):
    tables = polarity_tables(analysis)
    assert tables[0].columns == ("mix", "lawn", "balcony", "stage centre", "all")
    assert [row.name for row in tables[0].rows] == list(analysis.sound_check.outputs)
    one = cell(tables, "sub left", "lawn")
    assert (one.text, one.tone, one.more, one.is_marked) == ("inverted", "flipped", "98 %", False)
    assert (cell(tables, "mains", "all").text, cell(tables, "mains", "all").more) == ("normal", "96 %")


def test_a_reading_that_leaves_no_doubt_has_no_figure(analysis):
    changed = with_reading(analysis, "sub left", "lawn", normal_probability=0.004)
    one = cell(polarity_tables(changed), "sub left", "lawn")
    assert (one.text, one.more) == ("inverted", "")


@pytest.mark.parametrize(
    ("probability", "text", "tone", "is_marked"),
    [
        (0.95, "normal", "upright", True),
        (0.79, "normal?", "unclear", False),
        (0.5, "not told", "unclear", False),
        (0.21, "inverted?", "unclear", False),
        (0.05, "inverted", "flipped", False),
    ],
)
def test_a_reading_against_the_rest_is_boxed(analysis, probability, text, tone, is_marked):
    changed = with_reading(analysis, "sub left", "lawn", normal_probability=probability)
    one = cell(polarity_tables(changed), "sub left", "lawn")
    assert (one.text, one.tone, one.is_marked) == (text, tone, is_marked)


def test_an_inverted_microphone_is_said_above_its_column(analysis):
    changed = with_reading(analysis, "sub left", "lawn", is_microphone_inverted=True)
    assert polarity_tables(changed)[0].columns[1] == "lawn, microphone inverted"


def test_bands_change_by_what_the_prediction_says(analysis):
    table = band_table(analysis)
    assert table.columns[0] == "mean"
    assert table.columns[1:] == ("25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200", "250", "315")
    by_key = {(row.position, f"{row.band_hz:g}"): row.change_db for row in analysis.prediction}
    for row in table.rows:
        for column, one in zip(table.columns[1:], row.cells[1:], strict=True):
            said = float(one.text.replace("−", "-"))
            assert said == pytest.approx(by_key[row.name, column], abs=0.051)
            steps = sum(abs(by_key[row.name, column]) > step for step in (0.5, 1.5, 3.0, 6.0))
            assert one.tone == (("up" if said > 0 else "down") + str(steps) if steps else "")
    means = {seat.position: seat.change_db for seat in seats(analysis)}
    for row in table.rows:
        assert float(row.cells[0].text.replace("−", "-")) == pytest.approx(means[row.name], abs=0.051)


@pytest.mark.parametrize(
    ("present_db", "recommended_db", "said"),
    [
        (-4.36, -4.34, ("−4.4", "−4.3", "+0.1")),
        (-5.66, -4.64, ("−5.7", "−4.6", "+1.1")),
        (-3.0, -3.04, ("−3.0",) * 2 + ("0.0",)),
    ],
)
def test_a_change_is_the_difference_of_what_is_printed(analysis, present_db, recommended_db, said):
    rows = tuple(
        dataclasses.replace(row, present_db=present_db, recommended_db=recommended_db) if row.position == "mix" else row
        for row in analysis.prediction
    )
    one = dataclasses.replace(analysis, prediction=rows)
    row = next(row for row in seat_table(one).rows if row[0] == "mix")
    assert row[3:6] == said
    assert next(row for row in band_table(one).rows if row.name == "mix").cells[0].text == said[2]
    assert next(row for row in lasting_rows(one) if row.position == "mix").gain == f"{said[2]} dB"


def test_bands_that_do_not_count_are_pale(analysis):
    rows = tuple(
        dataclasses.replace(row, cell="no") if (row.position, row.band_hz) == ("lawn", 63.0) else row
        for row in analysis.prediction
    )
    table = band_table(dataclasses.replace(analysis, prediction=rows))
    pale = {
        (r.name, c) for r in table.rows for c, one in zip(table.columns, r.cells, strict=True) if one.tone == "pale"
    }
    assert pale == {("lawn", "63")}


def test_finer_bands_are_shown_as_their_mean_in_a_third(analysis):
    """Four bands of a twelfth octave lie in a third: their mean is in the cell, those that do not count left out."""
    row = next(row for row in analysis.prediction if (row.position, row.band_hz) == ("lawn", 63.0))
    centres = [63.1 * 10.0 ** (0.3 * k / 12.0) for k in (-1.5, -0.5, 0.5, 1.5)]
    finer = tuple(
        dataclasses.replace(row, band_hz=hz, change_db=change_db, cell=counts)
        for hz, change_db, counts in zip(centres, (1.0, 2.0, 6.0, 40.0), ("yes", "yes", "yes", "no"), strict=True)
    )
    others = tuple(one for one in analysis.prediction if one is not row)
    table = band_table(dataclasses.replace(analysis, prediction=(*others, *finer)))
    assert table.columns.count("63") == 1
    assert cell([table], "lawn", "63").text == "+3.0"


def test_what_is_left_spans_the_cases_at_every_seat(analysis):
    rows = lasting_rows(analysis)
    assert [row.position for row in rows] == ["mix", "lawn", "balcony"]  # the stage is no seat
    for row in rows:
        for kind, bar in zip(CASES, row.bars, strict=True):
            values = [
                one.advantage_db
                for one in analysis.robustness
                if one.position == row.position and one.scenario.startswith(f"{kind}:")
            ]
            ends = [float(word) for word in bar.text.replace("−", "-").split() if word not in ("to", "dB")]
            assert [ends[0], ends[-1]] == pytest.approx([min(values), max(values)], abs=0.051)
        least = min(
            (
                one.advantage_db
                for one in analysis.robustness
                if one.position == row.position and not one.scenario.startswith("polarity:")
            ),
        )
        assert float(row.least.split(" dB")[0].replace("−", "-")) == pytest.approx(least, abs=0.051)


def test_all_bars_lie_on_one_scale(analysis):
    rows = lasting_rows(analysis)
    bars = [bar for row in rows for bar in row.bars]
    assert len({bar.zero for bar in bars}) == 1
    assert all(bar.left >= 0.0 and bar.left + bar.width <= 100.1 for bar in bars)
    used = [
        one.advantage_db
        for one in analysis.robustness
        if one.zone == "audience" and not one.scenario.startswith("polarity:")
    ]
    low, high = min(0.0, *used), max(0.0, *used)
    assert bars[0].zero == pytest.approx(-100.0 * low / (high - low), abs=0.06)
    first = [
        one.advantage_db for one in analysis.robustness if one.position == "mix" and one.scenario.startswith("level:")
    ]
    assert bars[0].width == pytest.approx(100.0 * np.ptp(first) / (high - low), abs=0.06)


def test_where_nothing_changes_there_is_nothing_to_be_left(analysis):
    rows = tuple(dataclasses.replace(row, advantage_db=0.0) for row in analysis.robustness)
    assert lasting_rows(dataclasses.replace(analysis, robustness=rows)) == []


def test_no_colour_speaks_alone(hostile):
    tables = [*late_tables(hostile), *polarity_tables(hostile), band_table(hostile)]
    cells = [one for table in tables for row in table.rows for one in row.cells]
    assert len(cells) > 150
    assert all(one.text for one in cells)
    assert all(
        re.fullmatch(r"[+−]?\d+\.\d+|–|first|normal\??|inverted\??|not told|not decided", one.text) for one in cells
    )


def test_wide_tables_are_parted(make):
    analysis = make(("mains", "sub"), tuple(f"seat {i}" for i in range(11)))
    assert [len(table.columns) for table in late_tables(analysis)] == [8, 2, 1]
    assert [len(table.columns) for table in polarity_tables(analysis)] == [9, 4]


def test_values_on_colours_have_contrast(contrast):
    """WCAG 2.1, 1.4.3: 4.5 to 1, light and dark."""
    light, dark = re.findall(r":root \{(.*?)\}", STYLE.read_text("utf-8"), re.DOTALL)
    for variant, block in enumerate((light, dark)):
        colours = dict(re.findall(r"--([a-z0-9]+): (#[0-9a-f]{6})", block))
        assert len(colours) == 8
        for colour in colours.values():
            assert contrast(COLOURS["ink"][variant], colour) >= 4.5


def test_colours_deepen_step_by_step(contrast):
    """Each step is further from the paper than the one before, so that the order shows without any hue."""
    blocks = re.findall(r":root \{(.*?)\}", STYLE.read_text("utf-8"), re.DOTALL)
    for variant, block in enumerate(blocks):
        colours = dict(re.findall(r"--([a-z0-9]+): (#[0-9a-f]{6})", block))
        for way in ("up", "down"):
            away = [contrast(COLOURS["paper"][variant], colours[f"{way}{step}"]) for step in (1, 2, 3, 4)]
            assert away == sorted(away)
            assert away[-1] > 1.7
