"""Notes beside a setting: a wiring to mend, an echo elsewhere, a gain too small to be heard."""

from __future__ import annotations

import dataclasses

import pytest

from analyze.description import Setting
from analyze.pipeline import Analysis
from analyze.reports import effects, headline
from analyze.reports.page import page_bytes
from analyze.reports.page_sheet import sheet_rows
from analyze.reports.page_text import first_lines
from analyze.reports.sheet_notes import (
    ABOUT_AS_LOUD_DB,
    ECHO_MS,
    echo_note,
    is_optional,
    send_note,
    small_note,
)
from analyze.reports.wiring_notes import hand_sentence, repair_note, turned_words, until_mended
from analyze.responses.feed_relations import FeedRelation

LOOK = "Look at the processor first: if it was set inverted, correct the description instead."


def wired(analysis: Analysis, *inverted: str) -> Analysis:
    rows = (dataclasses.replace(r, polarity="inverted" if r.output in inverted else "normal") for r in analysis.wiring)
    return dataclasses.replace(analysis, wiring=tuple(rows))


def test_wirings_to_mend_are_said_first(analysis: Analysis) -> None:
    assert hand_sentence(wired(analysis)) == ""
    assert hand_sentence(wired(analysis, "wedge")) == f"Mend wedge: wired inverted. {LOOK}"
    assert hand_sentence(wired(analysis, "sub left", "wedge")) == f"Mend sub left and wedge: wired inverted. {LOOK}"


def test_a_polarity_that_may_not_have_been_in_force_is_looked_at_before_a_box_is_opened(analysis: Analysis) -> None:
    check = analysis.sound_check
    turned = dataclasses.replace(check.outputs["sub left"], setting=Setting(4.0, "inverted"))
    one = dataclasses.replace(
        wired(analysis, "sub left", "wedge"),
        sound_check=dataclasses.replace(check, outputs=check.outputs | {"sub left": turned}),
    )
    assert hand_sentence(one) == (
        f"Mend wedge: wired inverted. {LOOK} Look at sub left in the processor: it is described as inverted, and "
        "sounds normal. Either way the settings below hold: turn its switch over from how you find it. If that was not "
        "in force, correct the description; if it was, mend it: it is wired inverted."
    )
    left = dataclasses.replace(analysis.recommendations[1], polarity_change="no")
    assert ": leave its switch as you find it." in hand_sentence(dataclasses.replace(one, recommendations=(left,)))
    row = dataclasses.replace(analysis.recommendations[1], recommended_polarity="inverted")
    lines, lead = first_lines(one), headline.lead(one)
    assert lines[0].startswith("Mend wedge")
    assert not lead.startswith("If the description is right: ")  # which of the two it is changes nothing
    assert lead in lines[1:]
    page = page_bytes(one, ()).decode()
    assert page.index("Look at sub left in the processor") < page.index(lead)
    shown = {r.output: r.confidence for r in sheet_rows(one)}
    assert not any(confidence.startswith("(") for confidence in shown.values())
    assert repair_note(one, row).startswith(
        "If it was set inverted, it is wired inverted: once that is mended, set normal"
    )
    # a feed recorded behind the processor shows the setting
    behind = dataclasses.replace(turned, feed_tap="after")
    of_tap = dataclasses.replace(check, outputs=check.outputs | {"sub left": behind})
    assert hand_sentence(dataclasses.replace(one, sound_check=of_tap)).startswith("Mend sub left and wedge:")


@pytest.mark.parametrize(("recommended", "after"), [("normal", "inverted"), ("inverted", "normal")])
def test_after_a_repair_the_switch_goes_the_other_way(analysis: Analysis, recommended: str, after: str) -> None:
    row = dataclasses.replace(analysis.recommendations[1], recommended_polarity=recommended)
    assert repair_note(wired(analysis, "wedge"), row) == ""
    assert f"once that is mended, set {after}, same delay" in repair_note(wired(analysis, row.output), row)


@pytest.mark.parametrize(
    ("values", "is_said"),
    [
        ({"gain_db": 0.12}, True),
        ({"gain_db": 0.49}, True),
        ({"gain_db": 0.51}, False),
        ({"gain_db": 0.4, "worst_gain_db": -3.4}, True),
        ({"gain_db": 0.7, "worst_gain_db": -3.4}, False),
        ({"gain_db": 0.4, "worst_gain_db": float("nan")}, True),
        ({"gain_db": float("nan")}, False),
        ({"gain_db": 0.12, "decision": "undecided"}, False),
        ({"gain_db": 0.12, "kind": "tower"}, False),  # set by arrival, not for its gain
        ({"gain_db": 0.12, "kind": "monitor"}, False),  # set for the stage, and this gain is the seats'
    ],
)
def test_a_gain_that_is_not_heard_is_said(analysis: Analysis, values: dict[str, object], is_said: bool) -> None:
    first = {"decision": "change", "worst_position": "mix", "worst_gain_db": -0.2}
    row = dataclasses.replace(analysis.recommendations[1], **{**first, **values})  # type: ignore[arg-type]
    note = small_note(analysis, row)
    assert bool(note) is is_optional(row) is is_said
    assert ("costs 3.4 dB at mix" in note) is (is_said and row.worst_gain_db < -1.0)


@pytest.mark.parametrize(("weight", "is_unless"), [(2.0, False), (1.0, True)])
def test_a_seat_that_was_given_weight_is_not_asked_about(analysis: Analysis, weight: float, is_unless: bool) -> None:
    seats = {
        name: dataclasses.replace(position, weight=weight if name == "mix" else 1.0)
        for name, position in analysis.sound_check.positions.items()
    }
    one = dataclasses.replace(analysis, sound_check=dataclasses.replace(analysis.sound_check, positions=seats))
    costs = {"decision": "change", "gain_db": 0.4, "worst_position": "mix", "worst_gain_db": -1.8}
    note = small_note(one, dataclasses.replace(analysis.recommendations[1], **costs))  # type: ignore[arg-type]
    assert "costs 1.8 dB at mix: leave it out" in note
    assert ("unless that seat matters less" in note) is is_unless


def test_a_delay_that_adds_nothing_to_the_other_polarity_is_said(analysis: Analysis) -> None:
    """Nobody types a fifth of a millisecond for a hundredth of a decibel."""
    scan = analysis.delay_scans[0]
    (row,) = (one for one in analysis.recommendations if one.output == scan.outputs[0])
    scan = dataclasses.replace(scan, normal_db=0.0 * scan.delay_ms, inverted_db=-0.2 * abs(scan.delay_ms - 7.0))
    one = dataclasses.replace(analysis, delay_scans=(scan,))

    def note(at_ms: float, **values: object) -> str:
        changed = {"decision": "change", "polarity_change": "yes", "gain_db": 2.0, "kind": "sub"} | values
        changed |= {"recommended_polarity": "inverted", "setting_delay_ms": at_ms, "recommended_delay_ms": 7.0}
        return small_note(one, dataclasses.replace(row, **{"delay_change_ms": 7.0 - at_ms} | changed))  # type: ignore[arg-type]

    assert note(7.2).startswith("The polarity does it: with ")
    assert note(7.2).endswith("the sum is the same within 0.1 dB.")
    assert note(9.0) == ""
    worse = dataclasses.replace(scan, inverted_db=0.2 * abs(scan.delay_ms - 7.0))  # of all cells, not the group's own
    one = dataclasses.replace(analysis, delay_scans=(worse,))
    assert note(9.0) == ""
    one = dataclasses.replace(analysis, delay_scans=(scan,))
    assert note(7.2, polarity_change="no") == ""
    assert note(7.2, delay_change_ms=0.0) == ""


def tower_at(analysis: Analysis, late_ms: dict[str, float], quieter_db: float, change_ms: float = 0.0) -> Analysis:
    """The tower so late behind the only main at each seat as recommended, and so much quieter than it."""
    moved = {**analysis.recommended_change, "lawn tower": (1.0, change_ms)}
    present = dict(analysis.arrival_present_ms)
    for seat in analysis.sound_check.positions:
        present["lawn tower", seat] = present["mains", seat] + late_ms.get(seat, 0.0) - change_ms
    rows = (
        dataclasses.replace(row, level_db=-30.0 - quieter_db * (row.output == "lawn tower"))
        for row in analysis.arrivals
    )
    return dataclasses.replace(
        analysis, arrival_present_ms=present, recommended_change=moved, arrivals=tuple(rows), feed_relations=()
    )


def test_an_echo_at_other_seats_is_said(analysis: Analysis) -> None:
    tower = next(row for row in analysis.recommendations if row.output == "lawn tower")
    assert tower.kind == "tower"
    late = {"mix": ECHO_MS + 10.0, "balcony": ECHO_MS + 4.0, "lawn": ECHO_MS - 1.0, "stage centre": 90.0}
    said = echo_note(tower_at(analysis, late, ABOUT_AS_LOUD_DB - 0.5), tower)
    assert said.startswith(
        "At mix and balcony it is less than 6 dB under the mains and comes 24 to 30 ms behind the first of"
    )
    moved = echo_note(tower_at(analysis, late, 0.0, 12.0), dataclasses.replace(tower, delay_change_ms=12.0))
    assert "24 to 30 ms behind the first of them, mains (at present 12 to 18 ms): listen" in moved
    assert echo_note(tower_at(analysis, late, ABOUT_AS_LOUD_DB + 0.5), tower) == ""
    assert echo_note(tower_at(analysis, {"mix": -40.0}, 0.0), tower) == ""
    assert echo_note(tower_at(analysis, late, 0.0), dataclasses.replace(tower, kind="sub")) == ""


def test_lateness_that_was_asked_for_counts_as_heard(analysis: Analysis) -> None:
    """A tower asked to come 20 ms behind is 20 ms behind: with 10 more it is an echo."""
    check = analysis.sound_check
    outputs = {**check.outputs, "lawn tower": dataclasses.replace(check.outputs["lawn tower"], later_ms=20.0)}
    asked = dataclasses.replace(analysis, sound_check=dataclasses.replace(check, outputs=outputs))
    tower = next(row for row in analysis.recommendations if row.output == "lawn tower")
    said = echo_note(tower_at(asked, {"mix": 30.0}, 0.0), tower)
    assert "comes 30 ms behind the first of them, mains: listen there" in said


def test_a_change_of_subs_holds_for_one_mix_through_all_and_says_so_once(analysis: Analysis) -> None:
    rows = {row.output: row for row in analysis.recommendations}
    assert send_note(analysis, rows["sub left"]).startswith("Holds if subs and mains are sent the same mix.")
    assert [name for name, row in rows.items() if send_note(analysis, row)] == ["sub left"]
    kept = [dataclasses.replace(row, decision="keep") for row in analysis.recommendations]
    assert not any(send_note(dataclasses.replace(analysis, recommendations=tuple(kept)), row) for row in kept)
    relation = FeedRelation("take", "sub left", "mains", 1.0, 0.0, 0.01, 0.0)
    assert send_note(dataclasses.replace(analysis, feed_relations=(relation,)), rows["sub left"]) == ""


def test_a_wrong_wiring_is_allowed_for_where_something_was_decided(analysis: Analysis) -> None:
    """An undecided output keeps a setting that allows for nothing, and is not told what to set once it is mended."""
    wrong = [row for row in analysis.recommendations if row.decision != "reference"][:2]
    one = wired(analysis, *(row.output for row in wrong))

    def with_decisions(*decisions: str) -> Analysis:
        rows = (dataclasses.replace(row, decision=word) for row, word in zip(wrong, decisions, strict=True))
        return dataclasses.replace(one, recommendations=tuple(rows))

    assert until_mended(with_decisions("keep", "change")) == (
        "The settings below make up for that until then; when one is mended, turn its polarity back."
    )
    half = with_decisions("undecided", "keep")
    assert until_mended(half).startswith(f"What is set below for {wrong[1].output} makes up for that until then; ")
    assert until_mended(with_decisions("undecided", "undecided")) == ""
    notes = [repair_note(half, row) for row in half.recommendations]
    assert notes[0] == ""
    assert notes[1].startswith("Wired inverted: once that is mended, set ")


def test_what_is_set_against_a_reference_that_is_wired_inverted_says_what_to_set_once_that_is_mended(
    analysis: Analysis,
) -> None:
    """Fills and towers, too, for they follow its sign; a monitor is judged again."""
    group = analysis.sound_check.group_of(analysis.sound_check.reference)
    one = wired(analysis, *group)
    rows = [dataclasses.replace(row, decision="change") for row in analysis.recommendations if row.output not in group]
    assert {row.kind for row in rows} == {"sub", "tower", "monitor"}
    for row in rows:
        other = {"normal": "inverted", "inverted": "normal"}[row.recommended_polarity]
        said = f"Once {group[0]} is mended: set {other}, same delay"
        assert repair_note(one, row).startswith(said) is (row.kind != "monitor")
        assert repair_note(wired(analysis), row) == ""
        assert "Once" not in repair_note(wired(analysis, *group, row.output), row)
    assert until_mended(one).startswith("The settings below fit the wiring as it is")


def test_a_monitor_that_is_left_upside_down_is_not_said_to_make_up_for_its_wiring(analysis: Analysis) -> None:
    """It is kept, for nothing is turned over for what that gains; once it is mended it is measured again."""
    row = dataclasses.replace(
        analysis.recommendations[1], kind="monitor", decision="keep", recommended_polarity="normal"
    )
    one = dataclasses.replace(wired(analysis, row.output), recommendations=(row,))
    assert hand_sentence(one) == f"Mend {row.output}: wired inverted. {LOOK}"
    assert until_mended(one) == repair_note(one, row) == ""
    upright = dataclasses.replace(row, recommended_polarity="inverted")
    assert repair_note(one, upright).startswith("Wired inverted: once that is mended, set normal")


@pytest.mark.parametrize(
    ("wiring", "values", "is_said"),
    [
        ("normal", {}, True),
        ("inverted", {}, False),  # that is said as a wiring to mend
        ("undecided", {}, False),
        ("normal", {"decision": "undecided"}, False),
        ("normal", {"polarity_change": "no"}, False),
        ("normal", {"recommended_polarity": "normal"}, False),
        ("normal", {"kind": "main"}, False),
    ],
)
def test_a_sub_that_is_wired_well_and_set_inverted_is_told_to_be_well(
    analysis: Analysis, wiring: str, values: dict[str, str], is_said: bool
) -> None:
    turned = {"kind": "sub", "decision": "change", "polarity_change": "yes", "recommended_polarity": "inverted"}
    row = dataclasses.replace(analysis.recommendations[1], **(turned | values))  # type: ignore[arg-type]
    others = tuple(one for one in analysis.recommendations if one.output != row.output)
    rows = tuple(
        dataclasses.replace(w, polarity=wiring if w.output == row.output else "normal") for w in analysis.wiring
    )
    one = dataclasses.replace(analysis, wiring=rows, recommendations=(*others, row))
    words = turned_words(one)
    assert (f"{row.output} is wired normal and set inverted. That is no fault" in words) is is_said
    assert bool(words) is is_said
    assert ("That is no fault" in page_bytes(one, ()).decode()) is is_said


@pytest.mark.parametrize(
    ("lost_db", "note"), [(-15.04, "it costs 15.0 dB in 31.5 Hz at mix: leave it out."), (-5.0, "")]
)
def test_what_is_little_and_costs_a_band_a_lot_is_to_be_left_out(
    analysis: Analysis, monkeypatch: pytest.MonkeyPatch, lost_db: float, note: str
) -> None:
    monkeypatch.setattr(effects, "losses_of", lambda *_: [(-1.2, "lawn", 80.0), (lost_db, "mix", 31.5)])
    row = dataclasses.replace(analysis.recommendations[1], decision="change", gain_db=0.1, worst_gain_db=-0.2)
    said = small_note(analysis, row)
    assert said.endswith(note or "leave it out if time is short.")
    assert said.startswith("On average over the seats that is little")
    assert "costs" not in small_note(analysis, dataclasses.replace(row, gain_db=1.1))
