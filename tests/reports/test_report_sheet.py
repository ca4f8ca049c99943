"""The settings sheet: the order of typing, and the sheet as plain text."""

from __future__ import annotations

import dataclasses
import unicodedata

import pytest

from analyze.reports.page_grounds import sureness
from analyze.reports.page_order import steps, typing_order
from analyze.reports.page_sheet import identity, sheet_rows, sheet_steps
from analyze.reports.page_text import sheet_text

#: Kinds go round in the order main, sub, tower, monitor, fill.
OUTPUTS = (
    *("main left", "sub left", "tower left", "wedge centre", "front fill left"),
    *("main right", "sub right", "tower right", "wedge drums", "front fill right"),
    *("out fill left", "sub centre", "tower lawn", "side fill", "balcony fill"),
    "out fill right",
)


@pytest.fixture(scope="module")
def large(make):
    return make(OUTPUTS, ("mix", "stage centre", "front row"))


def redescribed(analysis, reference=None, **kinds_and_groups):
    """The analysis with other kinds and groups, given as `name=(kind, group)`, blanks as underscores."""
    given = {name.replace("_", " "): pair for name, pair in kinds_and_groups.items()}
    check, rows = analysis.sound_check, analysis.recommendations
    outputs = {
        name: dataclasses.replace(one, kind=given[name][0], group=given[name][1]) if name in given else one
        for name, one in check.outputs.items()
    }
    rows = tuple(
        dataclasses.replace(row, kind=outputs[row.output].kind, group=outputs[row.output].group) for row in rows
    )
    check = dataclasses.replace(check, outputs=outputs, reference=reference or check.reference)
    return dataclasses.replace(analysis, sound_check=check, recommendations=rows)


def test_the_reference_comes_first_and_monitors_last(large):
    found = {step.title: step.outputs for step in steps(large)}
    # Mains that nobody put into a group are one: all of them stand with the reference.
    assert found == {
        "Reference": ("main left", "main right", "out fill left", "out fill right"),
        "Subs": ("sub left", "sub right", "sub centre"),
        "Fills and towers": (
            *("tower left", "front fill left", "tower right", "front fill right", "tower lawn", "balcony fill"),
        ),
        "Monitors": ("wedge centre", "wedge drums", "side fill"),
    }
    assert list(found) == ["Reference", "Subs", "Fills and towers", "Monitors"]


def test_a_group_stays_together_wherever_it_is_described(large):
    split = redescribed(
        large, reference="out fill left", sub_left=("sub", "left"), balcony_fill=("sub", "left"), tower_lawn=("sub", "")
    )
    found = {step.title: step.outputs for step in steps(split)}
    assert found["Reference"][0] == "out fill left"
    assert found["Subs"] == ("sub left", "balcony fill", "sub right", "sub centre", "tower lawn")


def test_every_output_is_typed_once(large, analysis, hostile):
    for one in (large, analysis, hostile):
        assert sorted(typing_order(one)) == sorted(row.output for row in one.recommendations)


def test_numbers_are_the_same_on_the_sheet_and_below(large):
    numbers = {row.output: row.number for row in sheet_rows(large)}
    assert list(numbers.values()) == list(range(1, 17))
    assert {one.output: one.number for one in sureness(large)} == numbers


def test_who_moves_as_one_is_said_where_the_first_is_typed(large):
    rows = {row.output: row for row in sheet_rows(large)}
    assert rows["sub left"].together == "Moves as one with sub right and sub centre."
    assert [rows[name].share for name in ("sub left", "sub right", "sub centre")] == ["1 of 3", "2 of 3", "3 of 3"]
    assert rows["sub right"].together == rows["sub centre"].together == ""
    assert rows["main left"].together == ""  # the reference does not move
    assert rows["main right"].share == "2 of 4"
    assert rows["wedge drums"].share == ""


def test_the_text_says_everything_that_is_typed(large):
    text = sheet_text(large)
    facts = f"Date: 2026-05-14, fingerprint {identity(large)}, air 21.0 °C, Harbour hall, A. Person"
    assert " ".join(text.split()).startswith(f"Harbour hall, empty room {facts} ")
    assert "  5  sub left           2.00 ->  5.00  normal -> inverted  Change             93 %\n" in text
    assert "  6  sub right                  12.00  normal              Not decided\n" in text
    assert "     sub, group subs, 1 of 3 · device Processor A · channel 2 · 1.7 m, 5.5 ft\n" in text
    assert "Moves as one with sub right and sub centre." in " ".join(text.split())
    places = [text.index(f" {name} ", text.index("no.  output")) for name in typing_order(large)]
    assert places == sorted(places)
    for step in sheet_steps(large):
        assert f"\n{step.title}: " in text
        for row in step.rows:
            assert row.reason in " ".join(text.split())
    assert text.index("Turn the level down") < text.index("main left")
    assert "kick out  0.84 ms on kick in  inverted  Change          99 %" in text


def test_the_text_is_for_a_mail(large, hostile):
    for one in (large, hostile):
        lines = sheet_text(one).splitlines()
        assert max(map(len, lines)) <= 92
        assert all(line == line.rstrip() for line in lines)
    assert not set(sheet_text(large)) & set("→−–<>\t") - {">"}


def test_lines_of_wide_letters_fit_too(analysis):
    """Places counted here on their own: two for wide letters (UAX 11)."""
    reasons = (
        "舞台左" * 60,
        "one 😀 among many words that go on and on until one line of them has become full and more is begun",
    )
    rows = list(analysis.recommendations)
    rows[1], rows[2] = (dataclasses.replace(row, reason=reason) for row, reason in zip(rows[1:], reasons, strict=False))
    text = sheet_text(dataclasses.replace(analysis, recommendations=tuple(rows)))
    lines = [line for line in text.splitlines() if line.startswith("     ")]
    places = [len(line) + sum(unicodedata.east_asian_width(c) in "WF" for c in line) for line in lines]
    assert max(places) <= 78
    assert any(line.count(" ") > 15 for line in lines if "😀" in line)  # one wide letter does not halve a line


def test_columns_stand_below_each_other_with_any_name(hostile):
    """Places of a terminal, counted here on its own: two for wide letters (UAX 11), none for marks and formats."""
    rows = sheet_rows(hostile)
    text = sheet_text(hostile)
    ends = set()
    for row in rows:
        line = next(line for line in text.splitlines() if line.startswith(f"{row.number:3d}  "))
        head = line[: line.index("  normal")]
        wide = sum(unicodedata.east_asian_width(c) in "WF" for c in head)
        ends.add(len(head) + wide - sum(unicodedata.category(c) == "Cf" for c in head))
    assert len(rows) == 12
    assert len(ends) == 1


def test_a_name_from_right_to_left_is_kept_to_itself(hostile):
    line = next(line for line in sheet_text(hostile).splitlines() if "שלום" in line and "normal" in line)
    assert line.count("\u2068") == line.count("\u2069") == 1
    assert line.index("\u2068") < line.index("שלום") < line.index("\u2069") < line.index("normal")
    assert "\u202e" not in sheet_text(hostile)


def test_inputs_alone_and_a_missing_date_make_a_text(make):
    alone = make((), ())
    check = dataclasses.replace(alone.sound_check, date="", is_temperature_assumed=True)
    undated = dataclasses.replace(alone, sound_check=check)
    text = sheet_text(undated)
    assert f"Date: not given, fingerprint {identity(undated)}, air 21.0 °C, assumed" in text
    assert "no." not in text
    assert "Stage inputs" in text
