"""How long after the first main each output arrives: which main that is, what was asked, where a colour begins."""

from __future__ import annotations

import dataclasses
import math

import pytest
from analysis_making import Scene

from analyze.reports.lateness import UNHEEDED_DB, Late, air_shifts_ms, first_mains, late_after_first
from analyze.reports.page import page_bytes
from analyze.reports.page_lasting import air_words
from analyze.reports.page_seats import late_tables
from analyze.reports.sheet_notes import ANOTHER_FIRST_MS, aligned_note, other_main_settings
from analyze.responses.feed_relations import FeedRelation

MAINS = ("main left", "main right")

NOT_JUDGED = "What that does to the sums is not judged here: set it under Try other settings first"


@pytest.fixture
def scene(analysis):
    """The numbers that the ordinary analysis was made of."""
    return Scene(tuple(analysis.sound_check.outputs), tuple(analysis.sound_check.positions))


@pytest.fixture
def pair(make):
    """Two mains of a group, of which the left one is the reference, and a tower that is set for the balcony."""
    made = make((*MAINS, "tower"), ("mix", "stage centre", "lawn", "balcony"))
    check = made.sound_check
    outputs = check.outputs | {
        name: dataclasses.replace(check.outputs[name], kind="main", group="mains") for name in MAINS
    }
    rows = tuple(dataclasses.replace(r, kind="main") if r.output in MAINS else r for r in made.recommendations)
    return dataclasses.replace(
        made,
        sound_check=dataclasses.replace(check, outputs=outputs),
        recommendations=rows,
        recommended_change={"tower": (1.0, 4.0)},
    )


def arriving(analysis, seat, **arrivals_ms):
    """The analysis with other arrivals at one seat, underscores for blanks."""
    moved = {(name.replace("_", " "), seat): ms for name, ms in arrivals_ms.items()}
    return dataclasses.replace(analysis, arrival_present_ms=analysis.arrival_present_ms | moved)


def levelled(analysis, **levels_db):
    """The analysis with other levels, the same at every position."""
    given = {name.replace("_", " "): db for name, db in levels_db.items()}
    rows = (dataclasses.replace(r, level_db=given.get(r.output, r.level_db)) for r in analysis.arrivals)
    return dataclasses.replace(analysis, arrivals=tuple(rows))


def replaced(analysis, output, **changes):
    """The analysis with one output described otherwise."""
    check = analysis.sound_check
    outputs = {**check.outputs, output: dataclasses.replace(check.outputs[output], **changes)}
    return dataclasses.replace(analysis, sound_check=dataclasses.replace(check, outputs=outputs))


def cell(tables, row, column):
    """One cell of a list of tables."""
    for table in tables:
        if column in table.columns:
            return next(r for r in table.rows if r.name == row).cells[table.columns.index(column)]
    raise KeyError(column)


def test_lateness_is_arrival_and_change_less_the_only_main(analysis, scene):
    """Closed form: the arrivals the analysis was made of, plus what is recommended, minus those of the first output."""
    found = late_after_first(analysis)
    assert set(found) == {(o, p) for o in scene.outputs[1:] for p in scene.positions}
    for i, output in enumerate(scene.outputs[1:], 1):
        for j, position in enumerate(scene.positions):
            one, present_ms = found[output, position], scene.arrival_ms[i, j] - scene.arrival_ms[0, j]
            assert one.present_ms == pytest.approx(present_ms, abs=1e-9)
            assert one.recommended_ms == pytest.approx(present_ms + scene.change[output][1], abs=1e-9)
            assert one.std_ms == pytest.approx(math.sqrt(2.0) * 0.02)  # of both arrivals
    said = cell(late_tables(analysis), "sub left", "lawn").text
    assert float(said.replace("−", "-")) == pytest.approx(found["sub left", "lawn"].recommended_ms, abs=0.005)


def test_the_main_that_comes_first_counts_whichever_is_the_reference(pair):
    assert pair.sound_check.reference == "main left"
    one = arriving(pair, "mix", main_left=30.0, main_right=12.0, tower=50.0)
    one = levelled(
        arriving(one, "lawn", main_left=20.0, main_right=25.0, tower=50.0), main_left=-30.0, main_right=-30.0
    )
    assert {seat: first_mains(one)[seat] for seat in ("mix", "lawn")} == {"mix": "main right", "lawn": "main left"}
    late = late_after_first(one)
    assert (late["tower", "mix"].against, late["tower", "mix"].recommended_ms) == ("main right", pytest.approx(42.0))
    assert (late["tower", "lawn"].against, late["tower", "lawn"].recommended_ms) == ("main left", pytest.approx(34.0))
    assert late["main left", "mix"].recommended_ms == pytest.approx(18.0)
    assert ("main right", "mix") not in late
    table, _ = late_tables(one)
    assert dict(zip(table.columns, table.under, strict=True))["mix"] == "after main right"
    assert dict(zip(table.columns, table.under, strict=True))["lawn"] == "after main left"
    assert cell([table], "main right", "mix").text == "first"
    assert cell([table], "main left", "mix").text == "+18.00"


@pytest.mark.parametrize(("quieter_db", "first"), [(UNHEEDED_DB - 0.5, "main right"), (UNHEEDED_DB + 0.5, "main left")])
def test_a_main_that_is_hardly_heard_there_is_not_heeded(pair, quieter_db, first):
    one = arriving(pair, "mix", main_left=30.0, main_right=12.0)
    assert first_mains(levelled(one, main_left=-30.0, main_right=-30.0 - quieter_db))["mix"] == first


def test_without_a_main_the_reference_is_the_first(pair):
    subs = replaced(replaced(pair, "main left", kind="sub"), "main right", kind="sub")
    assert set(first_mains(subs).values()) == {"main left"}


def test_a_sheet_line_says_where_another_main_comes_first(pair):
    row = next(r for r in pair.recommendations if r.output == "tower")
    tower = dataclasses.replace(row, decision="change")
    one = arriving(pair, "balcony", main_left=30.0, main_right=12.0, tower=26.0)
    one = levelled(one, main_left=-30.0, main_right=-30.0)
    assert aligned_note(one, tower) == (
        "At balcony main right comes 18.0 ms before main left: this output arrives 18.0 ms after main right. It is "
        "set by main left, not by main right."
    )
    early = arriving(one, "balcony", tower=6.0)
    assert "this output arrives 2.0 ms before main right" in aligned_note(early, tower)
    near = arriving(one, "balcony", main_right=30.0 - 0.9 * ANOTHER_FIRST_MS)
    assert aligned_note(near, tower) == aligned_note(arriving(one, "balcony", main_right=40.0), tower) == ""


def test_where_another_main_comes_first_the_sheet_says_what_one_may_set(pair):
    """Asked 8 ms behind the reference, which comes 2.9 ms behind the other main: 2.9 ms less puts it there."""
    row = dataclasses.replace(
        next(r for r in pair.recommendations if r.output == "tower"), decision="change", recommended_delay_ms=54.29
    )
    asked = replaced(levelled(pair, main_left=-30.0, main_right=-30.0), "tower", later_ms=8.0)
    one = arriving(asked, "balcony", main_left=30.0, main_right=27.1, tower=34.0)
    assert other_main_settings(one, row) == (
        ("If it is to arrive 8.0 ms after main right at balcony instead", f"51.39 ms, not 54.29. {NOT_JUDGED}"),
    )
    assert "51.39" not in aligned_note(one, row)  # a note is bold: no second value to type
    boxed = cell(late_tables(one), "tower", "balcony")
    assert (boxed.text, boxed.more) == ("+10.90", "which is +8.00 after main left, as asked")
    assert other_main_settings(one, dataclasses.replace(row, decision="undecided")) == ()
    assert other_main_settings(one, dataclasses.replace(row, recommended_delay_ms=2.8)) == ()


def test_a_seat_that_is_not_as_all_of_them_together_is_said(pair):
    """The tower is moved by 4 ms; against what was asked it comes out 7 ms late at this seat of several."""
    row = dataclasses.replace(next(r for r in pair.recommendations if r.output == "tower"), decision="change")
    one = arriving(pair, "balcony", main_left=30.0, main_right=40.0, tower=33.0)
    assert aligned_note(one, row) == (
        "At balcony it arrives 3.0 ms after main left at present and 7.0 ms after it as recommended."
    )
    assert aligned_note(arriving(one, "balcony", tower=26.0), row) == ""


@pytest.mark.parametrize(("later_ms", "asked"), [(0.0, "with it"), (12.0, "12.0 ms after it")])
def test_an_undecided_tower_says_how_it_stands_to_what_was_asked(pair, later_ms, asked):
    row = next(r for r in pair.recommendations if r.output == "tower")
    one = replaced(dataclasses.replace(pair, recommended_change={}), "tower", later_ms=later_ms)
    one = arriving(one, "balcony", main_left=30.0, main_right=40.0, tower=26.8)
    said = aligned_note(one, dataclasses.replace(row, decision="undecided"))
    assert said == f"At balcony it arrives 3.2 ms before main left at present; it is to arrive {asked}."


def test_what_was_asked_of_a_tower_is_said_and_judged(analysis):
    seat = "balcony"  # where the made-up grounds line it up
    moved_ms = analysis.recommended_change.get("lawn tower", (1.0, 0.0))[1]
    one = arriving(replaced(analysis, "lawn tower", later_ms=12.0), seat, mains=30.0, lawn_tower=42.0 - moved_ms)
    late = late_after_first(one)["lawn tower", seat]
    assert (late.recommended_ms, late.asked_ms, late.off_ms) == (
        pytest.approx(12.0),
        pytest.approx(12.0),
        pytest.approx(0.0),
    )
    table, _ = late_tables(one)
    said = cell([table], "lawn tower", seat)
    assert (said.text, said.tone, said.more, said.is_marked) == ("+12.00", "", "as asked", True)
    assert [row.under for row in table.rows] == ["", "asked: 12 ms after mains", ""]
    off = cell(late_tables(arriving(one, seat, lawn_tower=42.5 - moved_ms)), "lawn tower", seat)
    assert (off.text, off.tone, off.more) == ("+12.50", "up3", "+0.50 off")
    # Of a sub it has no effect on what is recommended, so none here.
    sub = replaced(analysis, "sub left", later_ms=12.0)
    assert {k: v.recommended_ms for k, v in late_after_first(sub).items()} == {
        k: v.recommended_ms for k, v in late_after_first(analysis).items()
    }


def test_a_feed_that_comes_later_makes_its_output_later(analysis):
    relation = FeedRelation("take", "sub left", "mains", 1.0, 2.5, 0.01, 0.0)
    late = dataclasses.replace(analysis, feed_relations=(relation,))
    before, after = late_after_first(analysis), late_after_first(late)
    for kind in ("present_ms", "recommended_ms"):
        assert getattr(after["sub left", "mix"], kind) == pytest.approx(getattr(before["sub left", "mix"], kind) + 2.5)
    assert after["wedge", "mix"] == before["wedge", "mix"]


def test_where_neither_a_main_nor_the_reference_is_heard_nothing_is_late(analysis):
    arrivals = {k: v for k, v in analysis.arrival_present_ms.items() if k not in {("mains", "lawn"), ("wedge", "mix")}}
    some = dataclasses.replace(analysis, arrival_present_ms=arrivals)
    tables = late_tables(some)
    assert [table.columns for table in tables] == [("mix", "balcony"), ("stage centre",)]
    assert cell(tables, "wedge", "mix").text == "–"
    assert "lawn" not in {position for _, position in late_after_first(some)}


def test_boxed_is_where_the_delay_was_chosen(analysis):
    table, stage = late_tables(analysis)
    assert ["in the audience" in table.caption, "on stage" in stage.caption] == [True, True]
    marked = {(r.name, c) for r in table.rows for c, one in zip(table.columns, r.cells, strict=True) if one.is_marked}
    assert marked == {("lawn tower", "balcony")}  # of the made-up grounds
    assert table.mark == "lined up here"


@pytest.mark.parametrize(
    ("late_ms", "std_ms", "text", "tone", "more"),
    [
        (0.29, 0.02, "+0.29", "", ""),
        (-0.31, 0.02, "−0.31", "down1", ""),
        (1.01, 0.02, "+1.01", "up2", ""),
        (-5.1, 0.02, "−5.10", "down3", ""),
        (20.1, 0.02, "+20.10", "up4", ""),
        (0.9, 0.46, "+0.9", "", "±\u00a00.5"),
        (0.93, 0.46, "+0.9", "up1", "±\u00a00.5"),
        (0.2, math.nan, "+0.20", "", ""),
    ],
)
def test_colour_begins_where_a_lateness_is_told(analysis, monkeypatch, late_ms, std_ms, text, tone, more):
    made = {("sub left", "mix"): Late("mains", 0.0, late_ms, std_ms)}
    monkeypatch.setattr("analyze.reports.page_seats.late_after_first", lambda _: made)
    one = cell(late_tables(analysis), "sub left", "mix")
    assert (one.text, one.tone, one.more) == (text, tone, more)


def test_what_other_air_does_to_a_tower_is_said(analysis):
    """A tower 62 ms nearer than the mains at 20 degrees; 343.2 m/s there, 349.00 and 337.30 ten away (ISO 9613-1)."""
    check = dataclasses.replace(analysis.sound_check, temperature_c=20.0)
    one = arriving(dataclasses.replace(analysis, sound_check=check), "balcony", mains=100.0, lawn_tower=42.0)
    assert [check.outputs[name].setting.delay_ms for name in ("mains", "lawn tower")] == [0.0, 4.0]
    warmer_ms, colder_ms = (-62.0 * (343.2 / speed_m_s - 1.0) for speed_m_s in (349.00, 337.30))
    assert air_shifts_ms(one) == {("lawn tower", "balcony"): pytest.approx((warmer_ms, colder_ms), abs=0.01)}
    assert air_words(one) == [
        "lawn tower at balcony: 1.0 ms later in air 10 °C warmer, 1.1 ms earlier in air 10 °C colder"
    ]
    assert f"{air_words(one)[0]}." in page_bytes(one, ()).decode()
    near = arriving(one, "balcony", lawn_tower=103.0)
    assert air_words(near) == ["lawn tower at balcony: within 0.1 ms in air 10 °C warmer or colder"]
    late = replaced(one, "lawn tower", latency_ms=20.0)
    assert air_shifts_ms(late)["lawn tower", "balcony"][0] == pytest.approx(warmer_ms * 82.0 / 62.0, abs=0.01)
