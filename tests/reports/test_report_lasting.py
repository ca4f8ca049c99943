"""What is left of a recommendation when something changes: in words, and as a plot."""

from __future__ import annotations

import dataclasses

import pytest
from plot_reading import drawn

from analyze.alignment.rows import Robustness
from analyze.reports import summaries
from analyze.reports.page_evidence import seat_table
from analyze.reports.plots import plots
from analyze.reports.selections import seats, spreads


def scenarios(analysis, **means):
    rows = tuple(Robustness(name, "mix", "audience", -3.0, -3.0 + db, db) for name, db in means.items())
    return dataclasses.replace(analysis, robustness=rows)


def test_a_forgotten_polarity_is_no_case_in_which_the_recommendation_fails(analysis):
    cases = {"level:sub left:+3": 0.5, "air:+10": 0.9, "seat:mix": 1.1}
    forgotten = {"polarity:sub left": -2.3, "polarity:wedge": 0.2}
    text = summaries.robustness(scenarios(analysis, **cases, **forgotten))
    assert "in none of these 3 cases" in text
    assert "Least is left with sub left fader +3 dB: +0.5 dB." in text
    assert "with sub left polarity kept at present and all else as recommended it is −2.3 dB against" in text
    assert "in 1 of these 3 cases" in summaries.robustness(
        scenarios(analysis, **cases | {"air:+10": -0.1}, **forgotten)
    )
    assert "Not among" not in summaries.robustness(scenarios(analysis, **cases))
    assert "nothing would be changed" not in text


@pytest.mark.parametrize(
    ("without", "said"),
    [
        ({"seat:mix": 0.0}, "Decided without mix nothing would be changed: the decision stands on it."),
        ({"seat:mix": 0.0, "seat:lawn": 0.0}, "Decided without mix or lawn nothing would be changed: the decision"),
    ],
)
def test_a_seat_without_which_nothing_would_be_changed_is_named(analysis, without, said):
    assert said in summaries.robustness(scenarios(analysis, **{"air:+10": 0.9, "level:sub:+3": 0.0} | without))


def test_a_forgotten_polarity_is_drawn_apart(analysis):
    some = scenarios(analysis, **{"air:+10": 0.9, "polarity:sub left": -2.3, "polarity:wedge": 0.2})
    axes = drawn(next(plot for plot in plots(some) if "robustness" in plot.stem)).axes[0]
    marks = {line.get_label(): list(line.get_xdata()) for line in axes.lines if line.get_marker() == "D"}
    assert marks == {"mean": [0.9], "mean, one polarity not set": [-2.3, 0.2]}


def test_nothing_is_tried_where_nothing_changes(analysis):
    still = scenarios(analysis, **{"air:+10": 0.0, "seat:mix": -1e-9})
    assert spreads(still) == []
    assert not any("robustness" in plot.stem for plot in plots(still))


def test_a_seat_is_the_mean_over_its_cells(analysis):
    seat = next(seat for seat in seats(analysis) if seat.position == "mix")
    cells = [row for row in analysis.prediction if row.position == "mix" and row.cell == "yes"]
    assert seat.n_bands == len(cells)
    assert seat.present_db == pytest.approx(sum(row.present_db for row in cells) / len(cells))
    assert seat.recommended_db == pytest.approx(sum(row.recommended_db for row in cells) / len(cells))
    assert seat.change_db == pytest.approx(round(seat.recommended_db, 1) - round(seat.present_db, 1))
    assert not next(seat for seat in seats(analysis) if seat.zone == "stage").is_scored


def test_the_spread_of_a_scenario_is_that_of_the_audience(analysis):
    one = next(one for one in spreads(analysis) if one.scenario == "air:+10")
    rows = [row for row in analysis.robustness if row.scenario == "air:+10" and row.zone == "audience"]
    assert (one.low_db, one.high_db) == (min(r.advantage_db for r in rows), max(r.advantage_db for r in rows))
    assert one.low_db < one.mean_db < one.high_db


def test_a_seat_counts_by_its_weight(analysis):
    """In the mean over the audience and in the table of seats."""
    check = analysis.sound_check
    heavy = {
        name: dataclasses.replace(one, weight=3.0 if name == "mix" else 1.0) for name, one in check.positions.items()
    }
    rows = tuple(
        dataclasses.replace(analysis.robustness[0], scenario="air:+10", position=name, zone="audience", advantage_db=db)
        for name, db in (("mix", 2.0), ("lawn", -2.0))
    )
    even = dataclasses.replace(analysis, robustness=rows)
    uneven = dataclasses.replace(even, sound_check=dataclasses.replace(check, positions=heavy))
    assert [one.mean_db for one in spreads(even)] == [pytest.approx(0.0)]
    assert [one.mean_db for one in spreads(uneven)] == [pytest.approx(1.0)]
    assert not any("weight" in row[-1] for row in seat_table(even).rows)
    assert {row[0]: row[-1] for row in seat_table(uneven).rows}["mix"] == "yes, weight 3"
