"""How far each output is from each position: what arrivals, latency and distances measured by hand tell, no more."""

from __future__ import annotations

import dataclasses

import pytest
from page_reading import read

from analyze.reports.page_distances import distance_tables

#: At 21 degrees Celsius: 343.2 sqrt(294.15 / 293.15) m/s (ISO 9613-1).
SPEED_M_S = 343.2 * (294.15 / 293.15) ** 0.5


def described(analysis, latencies_ms=None, by_hand_m=None):
    """The analysis with latencies per output, and distances measured by hand per (output, position)."""
    check = analysis.sound_check
    outputs = check.outputs | {
        name: dataclasses.replace(check.outputs[name], latency_ms=ms) for name, ms in (latencies_ms or {}).items()
    }
    positions = dict(check.positions)
    for (output, position), metres in (by_hand_m or {}).items():
        one = positions[position]
        positions[position] = dataclasses.replace(one, distance_m=one.distance_m | {output: metres})
    return dataclasses.replace(analysis, sound_check=dataclasses.replace(check, outputs=outputs, positions=positions))


def cells(table, row):
    found = next(cells for cells in table.rows if cells[0] == row)
    return dict(zip([one.text for one in table.headings], found, strict=True))


def unset_ms(analysis, output, position):
    return analysis.arrival_present_ms[output, position] - analysis.sound_check.outputs[output].setting.delay_ms


def test_with_a_latency_a_distance_is_the_flight_times_the_speed(analysis):
    known, rest = distance_tables(described(analysis, {"sub left": 1.5}))
    assert [row[0] for row in known.rows] == ["sub left"]
    assert [row[0] for row in rest.rows] == ["lawn tower", "wedge"]
    metres = (unset_ms(analysis, "sub left", "mix") - 1.5) / 1000.0 * SPEED_M_S
    assert float(cells(known, "sub left")["mix"]) == pytest.approx(metres, abs=0.051)


def test_one_distance_by_hand_gives_those_at_the_other_positions(analysis):
    known = distance_tables(described(analysis, by_hand_m={("sub left", "mix"): 9.0}))[0]
    found = cells(known, "sub left")
    assert found["mix"] == "9 by hand; the others are counted from it"  # nothing was found that would agree with it
    further_ms = unset_ms(analysis, "sub left", "balcony") - unset_ms(analysis, "sub left", "mix")
    assert float(found["balcony"]) == pytest.approx(9.0 + further_ms / 1000.0 * SPEED_M_S, abs=0.051)


def test_a_distance_by_hand_stands_beside_the_one_that_was_found(analysis):
    made = described(analysis, {"sub left": 1.5}, {("sub left", "mix"): 3.0})
    metres = (unset_ms(analysis, "sub left", "mix") - 1.5) / 1000.0 * SPEED_M_S
    assert cells(distance_tables(made)[0], "sub left")["mix"] == f"{metres:.1f} (by hand 3)"


def test_where_nothing_is_known_only_differences_are_said(analysis):
    (table,) = distance_tables(analysis)
    assert "farther away each output is than mains" in table.caption
    assert "mains" not in [row[0] for row in table.rows]
    late_ms = unset_ms(analysis, "wedge", "mix") - unset_ms(analysis, "mains", "mix")
    said = f"{late_ms:+.2f} ms, {late_ms / 1000.0 * SPEED_M_S:+.1f} m".replace("-", "−")
    assert cells(table, "wedge")["mix"] == said


def test_a_recorder_on_its_own_clock_tells_no_distance(analysis):
    """Of the made-up captures the lawn's recorder runs on its own."""
    (table,) = distance_tables(analysis)
    assert "lawn" not in [one.text for one in table.headings]
    assert [one.text for one in table.headings][1:] == ["mix", "balcony", "stage centre"]


def test_the_page_shows_them_beside_the_arrivals(report):
    text = read(report).text
    assert (
        text.index("When does it arrive? The pure")
        < text.index("How far away is it?")
        < text.index("Which way up is it? P")
    )


def test_one_output_alone_has_no_way_to_compare(make):
    assert distance_tables(make(("mains",), ("mix", "lawn"))) == []
