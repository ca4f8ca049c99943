"""Settings recommended before and measured after: done, not done, and every usual mistake named.

Recordings are simulated; what was really put in force is known. The description after says what was recommended,
unless a test says otherwise: it must not be believed.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import frictionless
import pytest
from calling import call, read_table
from settings_making import POSITIONS, PRESENT, SUBS, after, before, cases, outcomes, recommended, row_of, verified
from visits_making import dated_report, feed_after_setting, told_otherwise, turned_at

from analyze.archive.comparison import compare
from analyze.archive.comparison_exchanged import with_exchanged
from analyze.archive.settings import _with_left_out, verify_settings
from analyze.archive.settings_folder import SETTINGS_FOLDER
from analyze.archive.settings_tables import TABLES
from analyze.archive.settings_words import headline, reason
from analyze.reports.summaries import percent

DONE = {"sub left": "as recommended", "sub right": "as recommended", "front fill": "as recommended"}


@pytest.mark.parametrize("described", ["recommended", "before"])
def test_what_was_done_as_recommended_is_said_so_whatever_the_description_says(described: str) -> None:
    one = verified("done", described)
    assert outcomes(one) == DONE
    assert one.is_done
    assert headline(one).startswith("Done as recommended; low end at ")
    wrong = [row.output for row in one.settings if "still says" in row.reason]
    assert wrong == ([] if described == "recommended" else [row.output for row in one.settings if row.output in DONE])


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("not applied", dict.fromkeys(DONE, "not applied")),
        (
            "subs with the wrong sign, fill otherwise",
            dict.fromkeys(SUBS, "wrong sign of delay") | {"front fill": "otherwise"},
        ),
        (
            "subs not turned over, fill twice",
            dict.fromkeys(SUBS, "polarity not applied") | {"front fill": "applied twice"},
        ),
        ("fill's change on a sub", DONE | {"front fill": "not applied", "sub right": "another output's"}),
    ],
)
def test_what_was_not_done_as_recommended_is_named(name: str, expected: dict[str, str]) -> None:
    one = verified(name)
    assert outcomes(one) == expected
    assert not one.is_done
    for output, outcome in expected.items():
        assert (output in headline(one)) is (outcome != "as recommended")


def test_an_optional_change_that_was_not_made_is_no_mistake() -> None:
    rows = verified("not applied").settings
    found = _with_left_out(rows, SUBS)
    assert {row.output: row.outcome for row in found if row.output in DONE} == dict.fromkeys(SUBS, "left out") | {
        "front fill": "not applied"
    }
    assert all("was left out" in reason(row) for row in found if row.output in SUBS)
    half = tuple(replace(row, outcome="as recommended") if row.output == SUBS[0] else row for row in rows)
    assert "left out" not in [row.outcome for row in _with_left_out(half, SUBS)]  # a pair is set alike


def test_a_change_on_the_wrong_output_is_named_at_both() -> None:
    rows = {row.output: row for row in verified("fill's change on a sub").settings}
    assert (rows["sub right"].other, rows["front fill"].other) == ("front fill", "sub right")
    assert "front fill" in rows["sub right"].reason
    assert "sub right has it instead" in rows["front fill"].reason


@pytest.mark.parametrize(
    "name", ["done", "subs with the wrong sign, fill otherwise", "subs not turned over, fill twice"]
)
def test_the_setting_in_force_is_measured_within_its_error(name: str) -> None:
    true = {**PRESENT, **recommended(), **cases()[name]}
    for row in verified(name).settings:
        delay_ms, sign = true[row.output]
        # measured 0.02 ms at worst, a sub
        assert row.in_force_delay_ms == pytest.approx(delay_ms, abs=min(3.0 * row.in_force_delay_std_ms, 0.1))
        assert row.in_force_polarity == ("normal" if sign > 0 else "inverted")


def test_an_output_turned_over_at_some_positions_alone_cannot_be_told(tmp_path: Path) -> None:
    """As where `compare` says `unclear`, though it was to be changed."""
    name = "sub left"
    newer = turned_at(after("done"), tmp_path / "turned", name, ("mix",))
    rows = {row.output: row for row in verify_settings(before(), newer).settings}
    odd = rows.pop(name)
    assert (odd.outcome, odd.in_force_polarity) == ("cannot be told", "undecided")
    assert math.isnan(odd.confidence)
    assert "its polarity at mix is not what it is at the rest" in odd.reason
    assert [row.outcome for row in rows.values()] == [
        row.outcome for row in verified("done").settings if row.output != name
    ]


def test_exchanged_microphones_hide_no_setting_and_reports_named_the_wrong_way_round_are_noticed() -> None:
    now = dated_report(with_exchanged(after("done"), ("mix", "left")), "2026-10-01")
    one = verify_settings(dated_report(before(), "2026-10-02"), now)
    assert one.remarks[0].startswith("By their dates the visit named first, 2026-10-02, is newer")
    assert outcomes(one) == DONE
    assert any("look exchanged" in text and "type in nothing that either" in text for text in one.remarks)
    assert all(seat.as_predicted == "yes" for seat in one.seats)
    assert not one.is_done
    assert headline(one).endswith("look exchanged: one of the two reports is wrong about them.")


def test_what_was_not_asked_for_is_no_recommendation_that_was_not_done() -> None:
    rows = tuple(replace(r, decision="keep", outcome="left alone") for r in verified("done").settings)
    astray = replace(verified("done"), settings=(replace(rows[0], outcome="otherwise"), *rows[1:]))
    assert headline(astray).startswith("Nothing was to be changed, but not all else is as it was: ")
    asked = replace(astray, settings=(*astray.settings, replace(rows[0], decision="change", outcome="as recommended")))
    assert headline(asked).startswith("All that was recommended was done, but not all else is as it was: ")


def test_bands_that_a_mean_hides_are_counted() -> None:
    done = verified("done")
    counted = [row for row in done.verification if row.cell == "yes" and row.as_predicted == "yes"]
    far = replace(counted[0], as_predicted="no", difference_db=-4.1, band_hz=160.0)
    bands = (far, *(replace(row, as_predicted="no", difference_db=1.0) for row in counted[1:4]), *counted[4:12])
    seats = tuple(replace(row, as_predicted="yes") for row in done.seats)
    said = headline(replace(done, verification=bands, seats=seats))
    assert "Means hide that 4 of 12 bands did not come out as predicted; furthest off: " in said
    assert "at 160 Hz, −4.1 dB." in said
    assert "Means hide" not in headline(replace(done, verification=(far, *counted[1:12]), seats=seats))


def test_of_one_visit_nothing_is_said_to_be_done() -> None:
    one = verify_settings(before(), before())
    assert headline(one).startswith("Nothing was measured since")
    assert {row.outcome for row in one.settings} == {"not measured"}
    assert not one.is_done
    assert compare(before(), before()).is_changed


def test_a_mended_wire_is_no_wrong_setting(tmp_path: Path) -> None:
    """Wired inverted before, to be set inverted for that; then both was done. Or the setting stood so, and was left."""
    then = told_otherwise(before(), tmp_path / "a", "front fill", wiring="inverted", asked="inverted")
    now = told_otherwise(after("done"), tmp_path / "b", "front fill", setting="inverted")
    both = row_of(verify_settings(then, now), "front fill")
    assert (both.outcome, both.in_force_polarity) == ("wire mended", "inverted")
    assert 0.6 < both.confidence < 2.0 / 3.0
    asked = f"{both.recommended_delay_ms:.2f} ms"
    assert f"processor shows inverted, as described. If it does, type {asked}, normal." in both.reason
    assert "its wire was likely mended (66 %, for a setting that" in both.reason
    assert f"If it shows normal, no wire was touched: type {asked}, inverted." in both.reason
    assert "Type " not in both.reason
    then = told_otherwise(before(), tmp_path / "c", "main right", wiring="inverted", setting="inverted")
    turned = turned_at(after("done"), tmp_path / "d", "main right", POSITIONS)
    left = verify_settings(then, told_otherwise(turned, tmp_path / "e", "main right", setting="inverted"))
    assert row_of(left, "main right").outcome == "wire mended"
    assert "main right (its wire was likely mended, its polarity not turned back)" in headline(left)


def test_a_wire_that_was_mended_instead_is_as_recommended(tmp_path: Path) -> None:
    then = told_otherwise(before(), tmp_path / "a", "main right", wiring="inverted", asked="inverted")
    turned = turned_at(after("done"), tmp_path / "b", "main right", POSITIONS)
    row = row_of(verify_settings(then, turned), "main right")
    assert row.outcome == "as recommended"
    assert "Look first whether the processor shows normal, as described." in row.reason
    assert "If it does, it plays as recommended all the same: type nothing." in row.reason
    one = verify_settings(then, turned)
    assert "Look at the processor before you type a polarity for main right, which plays as with another" in headline(
        one
    )
    assert row.plays_unlike_described


def test_a_wire_that_went_bad_is_no_wrong_setting(tmp_path: Path) -> None:
    """It was to be left alone and is described as left; the fill, whose delay was to be changed, as changed."""
    then, now = before(), after("done")
    for name in ("main right", "front fill"):
        turned = turned_at(now, tmp_path / f"turned {name}", name, POSITIONS)
        now = told_otherwise(turned, tmp_path / name, name, wiring="inverted")
    one = verify_settings(then, now)
    for name in ("main right", "front fill"):
        row = row_of(one, name)
        assert (row.outcome, row.in_force_polarity) == ("wire inverted", "normal")
        assert 0.6 < row.confidence < 2.0 / 3.0
        assert "its wire likely turned over (66 %, for a setting that" in row.reason
        assert "check cable, connectors" in row.reason
        assert "Type " not in row.reason
    assert not one.is_done
    assert "main right and front fill (its wire likely turned over)" in headline(one)


def test_a_polarity_that_was_to_be_turned_and_was_not_is_no_wire(tmp_path: Path) -> None:
    """The description says it was, so that its wiring reads inverted: whoever typed it is likelier."""
    now = told_otherwise(after("subs not turned over, fill twice"), tmp_path / "a", "sub left", wiring="inverted")
    row = row_of(verify_settings(before(), now), "sub left")
    assert row.outcome == "polarity not applied"
    assert "wire" not in row.reason


def test_without_both_wirings_no_wire_is_blamed(tmp_path: Path) -> None:
    then = told_otherwise(before(), tmp_path / "a", "front fill", wiring="undecided", asked="inverted")
    now = told_otherwise(after("done"), tmp_path / "b", "front fill", setting="inverted")
    row = row_of(verify_settings(then, now), "front fill")
    assert row.outcome == "polarity not applied"
    assert "wire" not in row.reason


def test_a_setting_that_cannot_be_heard_is_claimed_of_its_description_alone() -> None:
    """Of the fill the description still says what was there before, and something else is heard."""
    one = verify_settings(before(), feed_after_setting(after("done", "before"), "main right", "front fill"))
    main, fill = row_of(one, "main right"), row_of(one, "front fill")
    assert (main.outcome, fill.outcome) == ("left alone", "not applied")
    for row in (main, fill):
        assert math.isnan(row.confidence)
        assert math.isnan(row.measured_delay_change_ms)
        assert math.isnan(row.in_force_delay_std_ms)
        assert row.measured_polarity_change == "undecided"
        assert (row.in_force_delay_ms, row.in_force_polarity) == (row.described_delay_ms, row.described_polarity)
        assert "what is said of it rests on the description, not on sound" in row.reason
    assert "That says 6.00 ms, normal, as before, and nothing was to be changed." in main.reason
    assert f"That says 3.00 ms, normal, where {fill.recommended_delay_ms:.2f} ms" in fill.reason
    assert ("changed besides" in main.reason, "changed besides" in fill.reason) == (False, True)
    assert any("main right and front fill cannot be heard" in text for text in one.remarks)
    assert one.other_sound == ("front fill",)
    assert "front fill (not applied, as its description says)" in headline(one)
    assert headline(one).endswith(" What is heard of front fill changed behind the processor: see analyze compare.")
    assert "6.00 ms, normal, as described" in dict(SETTINGS_FOLDER.files(one))["report.html"].decode()
    assert row_of(one, "main left").confidence > 0.9


# Sums


def test_the_low_end_does_what_was_predicted() -> None:
    one = verified("done")
    assert {seat.position for seat in one.seats} == {"mix", "front", "left", "back"}
    assert max(seat.predicted_change_db for seat in one.seats) > 0.5
    for seat in one.seats:
        # measured 0.03 dB at worst
        assert seat.measured_change_db == pytest.approx(seat.predicted_change_db, abs=0.15)
        assert seat.as_predicted == "yes"
    assert f"low end at {one.seat} +" in headline(one)
    assert " dB predicted, +" in headline(one)
    assert "as predicted" not in headline(one)


def test_the_low_end_without_the_settings_does_not() -> None:
    one = verified("not applied")
    best = max(one.seats, key=lambda seat: seat.predicted_change_db)
    assert best.measured_change_db == pytest.approx(0.0, abs=0.15)  # measured 0.02 dB
    assert best.as_predicted == "no"
    assert "as predicted" not in headline(one)  # what was not done is no test of what was predicted


def test_what_arrives_otherwise_by_too_little_for_a_setting_is_said() -> None:
    left = next(row for row in verified("done").settings if row.outcome == "left alone")
    assert "see analyze compare" not in reason(replace(left, measured_delay_change_ms=0.03, in_force_delay_std_ms=0.01))
    drifted = replace(left, measured_delay_change_ms=-0.08, in_force_delay_std_ms=0.01)
    assert reason(drifted).endswith(
        " It arrives 0.08 ms earlier, less than counts as a setting here: see analyze compare."
    )
    assert "see analyze compare" not in reason(replace(drifted, in_force_delay_std_ms=0.03))


def test_the_headline_names_the_seat_that_is_furthest_off() -> None:
    """Of two seats that fit and two that do not it is not the better of these, nor the first."""
    one = verified("done")
    off_db = {"front": -0.9, "back": -4.0}
    seats = tuple(
        replace(seat, measured_change_db=seat.predicted_change_db + off_db[seat.position],
                difference_db=off_db[seat.position], as_predicted="no")
        if seat.position in off_db else seat
        for seat in one.seats
    )  # fmt: skip
    said = headline(replace(one, seats=seats, seat="left"))
    assert "low end at left" in said
    assert "2 of 4 positions came out as predicted; furthest off: back, +" in said
    assert headline(replace(one, seats=seats, seat="back")).endswith("; that one is furthest off.")


def test_seats_are_the_means_of_their_cells() -> None:
    one = verified("done")
    for seat in one.seats:
        cells = [row for row in one.verification if row.position == seat.position and row.cell == "yes"]
        assert len(cells) == seat.cells
        mean_db = sum(row.measured_change_db for row in cells) / len(cells)
        assert mean_db == pytest.approx(seat.measured_change_db)
        assert all(25.0 <= row.band_hz <= 315.0 for row in cells)


# Files and the command


def test_the_data_package_describes_every_table(tmp_path: Path) -> None:
    SETTINGS_FOLDER.write(verified("not applied"), tmp_path / "verified")
    checked = frictionless.validate(str(tmp_path / "verified" / "datapackage.json"))
    assert checked.valid, checked.flatten(["rowNumber", "fieldName", "note"])
    results = json.loads((tmp_path / "verified" / "results.json").read_text(encoding="utf-8"))
    assert results == json.loads(json.dumps(SETTINGS_FOLDER.as_object(verified("not applied"))))
    for table in TABLES:
        assert len(read_table(tmp_path / "verified" / table.path)) == len(results[table.name]) > 0


def test_the_same_settings_give_the_same_bytes_and_a_page_that_loads_nothing() -> None:
    files = dict(SETTINGS_FOLDER.files(verified("done")))
    assert files == dict(SETTINGS_FOLDER.files(verified("done")))
    page = files["report.html"].decode()
    assert "<script" not in page
    assert " src=" not in page
    assert headline(verified("done")) in page
    names = {f"{row.band_hz:g}" for row in verified("done").verification if row.cell == "yes"}
    assert {"31.5", "125", "315"} & names
    assert all(f">{name}<" in page for name in names)


def test_the_command_says_what_was_not_done(tmp_path: Path) -> None:
    """That it says 0 for what was done is tested with the records that are kept (`test_formats.py`)."""
    name = "subs with the wrong sign, fill otherwise"
    done = call("verify-settings", before().place, after(name).place, "--out", tmp_path / "verified", "--json")
    assert done.returncode == 6, done.stderr
    assert json.loads(done.stdout)["is_done"] is False
    said = " ".join(done.stderr.split())
    assert said.startswith(headline(verified(name)))
    for row in verified(name).settings:
        assert f"{row.output}: {row.outcome}, {percent(row.confidence)}. " in said
