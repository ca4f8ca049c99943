"""Two simulated visits between which settings were typed, wires mended or microphones exchanged; and their order."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from histories_making import recorded_anew
from visits_making import (
    compared,
    dated_report,
    feed_after_setting,
    mirrored,
    only,
    output,
    verdicts,
    visit,
)

from analyze.archive.comparison import compare, found_between
from analyze.archive.comparison_exchanged import exchanged_positions, with_exchanged
from analyze.archive.comparison_pairs import matched_names
from analyze.archive.comparison_words import headline

# Settings


def test_settings_changed_as_described_are_no_change() -> None:
    comparison = compared("set")
    assert verdicts(comparison) == {"sub left": "gone"}
    fill, main = output(comparison, "front fill"), output(comparison, "main left")
    assert fill.setting_polarity_change == "yes"
    assert "changed in the description, and it turned over accordingly" in fill.reason
    assert main.setting_change_ms == pytest.approx(3.0 - visit("first").setting("main left")[0])


def test_a_setting_that_was_described_and_is_not_in_force_is_said(tmp_path) -> None:
    """One sub's change of a tenth of a millisecond is too small to be told, so that nothing is said to be in force."""
    told = only(visit("warmer"), tmp_path / "told")
    for name, later_ms, polarity in (("front fill", 2.0, "inverted"), ("sub left", 0.1, "normal")):
        setting = {"delay_ms": told.setting(name)[0] + later_ms, "polarity": polarity}
        told.results["sound_check"]["outputs"][name]["setting"] = setting
        for capture in told.results["sound_check"]["captures"]:
            if name in capture["settings"]:
                capture["settings"][name] = dict(setting)
    comparison = compare(visit("first"), told, {})
    assert verdicts(comparison) == {"front fill": "setting not in force"}
    row = output(comparison, "front fill")
    assert row.reason.count("not in force now, or was already then") == 2
    assert row.confidence > 0.95
    assert "whether that is in force cannot be heard: a change of up to 0." in output(comparison, "sub left").reason


def test_a_setting_that_cannot_be_heard_is_claimed_of_its_description_alone() -> None:
    """Described as 2 ms later and turned over at the newer visit, where its feed is recorded after that."""
    told = feed_after_setting(visit("warmer"), "front fill")
    delay_ms, _ = told.setting("front fill")
    said = {"delay_ms": delay_ms + 2.0, "polarity": "inverted"}
    told.results["sound_check"]["outputs"]["front fill"]["setting"] = said
    heard, unheard = (
        compare(visit("first"), one, {}) for one in (visit("warmer"), feed_after_setting(visit("warmer"), "front fill"))
    )
    fill = output(unheard, "front fill")
    assert (fill.verdict, fill.confidence) == ("same", output(heard, "front fill").confidence)
    assert (heard.unheard, unheard.unheard) == ((), ("front fill",))
    assert headline(unheard).endswith("What is set for front fill cannot be heard.")
    assert "rests on the description, not on sound" in fill.reason
    assert "as before. Look at the processor." in fill.reason
    row = output(compare(visit("first"), told, {}), "front fill")
    assert f"That says {delay_ms + 2.0:.2f} ms, inverted, where it said {delay_ms:.2f} ms, normal before" in row.reason
    assert not any(word in row.reason for word in ("accordingly", "not in force"))
    assert row.setting_change_ms == pytest.approx(2.0)


def test_a_box_behind_a_setting_that_cannot_be_heard_is_judged_by_sound() -> None:
    row = output(compare(visit("first"), feed_after_setting(visit("several"), "front fill"), {}), "front fill")
    assert (row.verdict, row.confidence > 0.95) == ("flipped", True)
    assert row.reason.startswith("Behind the processor it plays the other way up")
    assert "processor shows" not in row.reason


# Wires


def test_a_wire_that_was_mended_is_said_with_how_to_tell_it_from_a_setting() -> None:
    """The other way round the fill was wired inverted first: both reports read it, at over 99 %."""
    row = output(compare(visit("several"), visit("first"), {}), "front fill")
    assert row.verdict == "flipped"
    assert "It was wired inverted before and reads normal now" in row.reason
    assert "its wire was likely mended (66 %, for a setting that" in row.reason
    assert "Look first whether the processor shows normal, as described. If it does, go by the report in " in row.reason
    # set to make up for the wire since: to set it back would turn over what plays as it should
    assert row.reason.endswith("no wire was touched and its setting makes up for it: correct the description.")


def test_a_wire_that_went_bad_is_said_with_what_to_check() -> None:
    """Flipped between the two, its setting as it was: both reports read the wiring, at over 99 %."""
    row = output(compared("several"), "front fill")
    assert row.verdict == "flipped"
    assert "It was wired normal before and reads inverted now" in row.reason
    assert "its wire likely turned over (66 %, for a setting that" in row.reason
    assert "check cable, connectors and whatever was swapped or repaired since" in row.reason
    assert "If it shows inverted, no wire was touched: set normal." in row.reason


# Exchanged microphones


def test_exchanged_microphones_are_named_and_all_else_is_told_as_without() -> None:
    """One of the two was moved by 0.6 m besides."""
    found = compare(visit("first"), with_exchanged(visit("several"), ("left", "back")))
    assert [set(pair) for pair in found.exchanged] == [{"left", "back"}]
    assert {row.position: row.verdict for row in found.positions if row.verdict != "same"} == {
        "left": "moved",
        "back": "exchanged",
    }
    without = {row.output: (row.verdict, row.reason) for row in compared("several").outputs}
    assert {row.output: (row.verdict, row.reason) for row in found.outputs} == without
    said = headline(found).replace("back and left", "left and back")
    assert "Positions left and back look exchanged: one of the two reports is wrong about them." in said
    assert any("type in nothing that either report recommends." in text for text in found.remarks)
    untouched = replace(found, outputs=tuple(replace(row, verdict="same") for row in found.outputs))
    assert (untouched.is_changed, replace(untouched, exchanged=()).is_changed) == (True, False)


def test_where_outputs_exchanged_left_for_right_explain_it_as_well_nothing_is_said(tmp_path: Path) -> None:
    then, now = mirrored(visit("first"), tmp_path / "a"), mirrored(visit("warmer"), tmp_path / "b")
    names = matched_names(then, now)
    for after, is_moved in ((now, False), (with_exchanged(now, ("left", "back")), True)):
        found = found_between(then, after, names)
        assert any(found.furthest_ms(p) > 1.0 for p in range(3)) is is_moved
        assert exchanged_positions(then, after, found) == ()
    found = found_between(then, with_exchanged(now, ("left", "mix")), names)
    assert exchanged_positions(then, with_exchanged(now, ("left", "mix")), found) == (("mix", "left"),)


# Which of the two is older


def test_the_newer_visit_named_first_is_not_called_older() -> None:
    newer, older = dated_report(visit("several"), "2026-10-01"), dated_report(visit("first"), "2026-05-14")
    found = compare(newer, older)
    assert found.remarks[0].startswith(
        "By their dates the visit named first, 2026-10-01, is newer than the one named second, 2026-05-14: "
    )
    said = {row.output: row.reason for row in found.outputs}
    assert " ms earlier than at the visit named first, at " in said["sub right"]
    assert not [text for text in (*said.values(), *found.remarks) if "older" in text or "the newer" in text]
    in_order = compare(older, newer)
    assert not [text for text in in_order.remarks if "By their dates" in text]
    assert any("than at the older visit" in row.reason for row in in_order.outputs)


def test_a_visit_against_itself_is_said_to_be_one() -> None:
    one = replace(visit("first"), results={**visit("first").results, "fingerprint": "0123456789ab"})
    assert compare(one, one).remarks[0].startswith("Both are one visit, fingerprint 0123456789ab: ")
    told = {**one.results, "fingerprint": "ba9876543210"}
    described_anew = replace(one, results=told)
    assert compare(one, described_anew).remarks[0].startswith("Both were made from the very same recordings: it is one")
    other = replace(one, results=recorded_anew(json.loads(json.dumps(told))))
    assert not [text for text in compare(one, other).remarks if "one visit" in text]
