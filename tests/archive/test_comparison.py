"""Two simulated visits: what changed is named and nothing else.

Truth is the simulator's, which shares no code with the comparison. Errors stated are those measured here.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from visits_making import (
    CHANGES,
    compared,
    described_as,
    only,
    output,
    put_off,
    turned_at,
    verdicts,
    visit,
)

from analyze.acoustics import speed_of_sound_simple
from analyze.archive.comparison import compare
from analyze.archive.comparison_words import headline, remarks
from analyze.errors import DescriptionError

# Air


def test_warmer_air_alone_is_no_change() -> None:
    comparison = compared("warmer")
    assert verdicts(comparison) == {}
    assert not comparison.is_changed
    assert comparison.remarks[0] == "Air of 17.2 °C is described then and of 26.2 °C now."
    assert comparison.remarks[1].startswith("That alone, 9.0 °C warmer, makes sound earlier by up to ")


def test_what_the_air_does_is_the_change_of_the_speed_of_sound() -> None:
    # ISO 9613-1: c = 343.2 sqrt(T / 293.15); 9 K make flight times 1.5 % shorter.
    comparison, older, newer = compared("warmer"), visit("first"), visit("warmer")
    stretch = speed_of_sound_simple(older.temperature_c) / speed_of_sound_simple(newer.temperature_c) - 1.0
    assert comparison.air_stretch == pytest.approx(stretch)
    assert -0.016 < stretch < -0.014
    far = [row for row in comparison.changes if row.position == "back"]
    assert all(row.air_ms < -0.5 for row in far)
    # measured 0.02 ms at worst (a sub), where the air does 0.3 to 0.9
    assert max(abs(row.own_ms) for row in comparison.changes) < 0.05


def test_without_the_air_taken_out_every_output_would_have_moved() -> None:
    tolerance_ms = compared("warmer").tolerances.arrival_ms
    assert all(abs(row.arrival_change_ms) > tolerance_ms for row in compared("warmer").changes)


@pytest.mark.parametrize("assumed", [False, True])
def test_air_that_nobody_wrote_down_shows_in_the_arrivals(tmp_path, assumed) -> None:
    told = described_as(visit("warmer"), tmp_path / "told", visit("first").temperature_c, assumed=assumed)
    comparison = compare(visit("first"), told, {})
    # measured 8.9 of 9 K
    assert comparison.air_error_c == pytest.approx(9.0, abs=1.0)
    described, heard = comparison.remarks[:2]
    assert ("of the newer visit none is, and 17.2 °C is assumed" in described) is assumed
    assert ("Air of 17.2 °C is described at both visits." in described) is not assumed
    assert "The arrivals contradict that: by them the air is 8." in heard
    assert "°C warmer than then, not as warm as then." in heard
    assert ("what was assumed now is wrong" if assumed else "one of the two temperatures is wrong") in heard
    assert verdicts(comparison) == {}


def test_air_that_is_described_and_not_heard_is_no_change_of_the_air(tmp_path) -> None:
    first = visit("first")
    comparison = compare(first, described_as(first, tmp_path / "told", first.temperature_c + 9.0), {})
    assert comparison.remarks[0].startswith("Both were made from the very same recordings")
    assert comparison.remarks[1] == "Air of 17.2 °C is described then and of 26.2 °C now."
    # measured 0.06 K off with an error of 0.14 K
    assert "by them the air is as warm as then, to ± 0.3 °C, not 9.0 °C warmer." in comparison.remarks[2]
    assert verdicts(comparison) == {}


def test_air_that_was_assumed_at_both_visits_is_not_stated(tmp_path) -> None:
    one = described_as(visit("first"), tmp_path / "told", 20.0, assumed=True)
    assert remarks(compare(one, one, {}))[1:3] == (
        "No temperature was described at either visit: air of 20.0 °C is assumed at both.",
        "Nothing is taken out for it.",
    )


# Outputs and microphones


def test_delay_flip_and_microphone_are_each_named_and_nothing_else() -> None:
    comparison = compared("several")
    assert verdicts(comparison) == {"sub right": "moved", "front fill": "flipped", "left": "moved"}
    assert comparison.is_changed
    for name in ("sub right", "front fill", "left"):
        assert name in headline(comparison)


def test_the_delay_is_measured_and_its_error_holds() -> None:
    row = output(compared("several"), "sub right")
    # measured 0.008 ms off with a standard error of 0.03
    assert row.arrival_change_ms == pytest.approx(0.4, abs=0.05)
    assert abs(row.arrival_change_ms - 0.4) < 3.0 * row.arrival_change_std_ms
    assert row.arrival_change_std_ms < 0.05
    assert row.confidence > 0.95


def test_every_output_at_every_position_has_its_errors() -> None:
    """0.4 ms into one sub, one fill turned over; measured 0.014 ms off at worst with errors of 0.05 ms and more."""
    for row in compared("several").changes:
        true_ms = 0.4 * (row.output == "sub right")
        assert row.own_std_ms >= 0.03
        assert abs(row.own_ms - true_ms) < row.own_std_ms
        assert (row.beyond_noise == "yes") is (abs(row.own_ms) > 3.0 * row.own_std_ms)
        assert row.polarity == ("flipped" if row.output == "front fill" else "same")
        assert 0.9 < row.polarity_confidence <= 0.99


def test_a_moved_microphone_says_how_far_at_least() -> None:
    row = next(row for row in compared("several").positions if row.position == "left")
    moved_m = float(np.linalg.norm(CHANGES["several"].moved_m["left"]))
    assert 0.2 * moved_m < row.distance_m <= 1.1 * moved_m


def test_a_chain_turned_over_and_a_gain_are_the_microphones_doing() -> None:
    comparison = compared("chain")
    assert verdicts(comparison) == {"back": "chain flipped", "mix": "other gain"}
    gain = next(row for row in comparison.positions if row.position == "mix")
    assert gain.level_change_db == pytest.approx(4.0, abs=0.3)  # measured 0.02 dB off


def test_another_latency_of_everything_is_the_rigs() -> None:
    comparison = compared("chain")
    assert comparison.rig_later_ms == pytest.approx(1.3, abs=0.05)  # measured 0.01 ms off
    assert any("latency" in text for text in comparison.remarks)


def test_a_filter_and_a_level_are_named() -> None:
    comparison = compared("peak")
    assert verdicts(comparison) == {"main right": "changed in response", "sub left": "changed in level"}
    row = output(comparison, "main right")
    assert row.response_change_hz == 1000.0
    # a third octave of a peak of 4 dB and quality 1.4, re the middle of all bands: 3.4 dB measured
    assert row.response_change_db == pytest.approx(3.4, abs=0.5)
    assert output(comparison, "sub left").level_change_db == pytest.approx(-2.0, abs=0.2)


def test_a_box_that_stands_elsewhere_is_told_from_a_delay() -> None:
    row = output(compared("box"), "front fill")
    assert verdicts(compared("box")) == {"front fill": "moved"}
    assert "the box stands elsewhere" in row.reason
    # 0.58 m at four seats in all directions: shifts of up to 1.7 ms
    assert 0.2 < row.arrival_spread_ms < 1.7
    assert "stands elsewhere" not in output(compared("several"), "sub right").reason


def test_an_output_that_plays_no_more_is_gone(tmp_path) -> None:
    newer = only(visit("warmer"), tmp_path / "newer")
    for row in newer.results["arrivals"]:
        if row["output"] == "sub left":
            row.update(arrival_ms=None, arrival_std_ms=None, band_low_hz=None, band_high_hz=None)
    comparison = compare(visit("first"), newer, {})
    assert verdicts(comparison) == {"sub left": "gone"}
    assert "nothing of it was heard" in output(comparison, "sub left").reason


def test_a_recorder_on_its_own_clock_blames_no_one_for_its_offset(tmp_path) -> None:
    newer = only(visit("several"), tmp_path / "newer")
    for capture in newer.results["sound_check"]["captures"]:
        capture["unsynced"] = [[capture["mics"]["back"]["file"]]]
        for position in ("mix", "front", "left"):  # a recorder there of its own: another file
            capture["mics"][position] = {"file": "another.wav", "channel": 1}
    for row in newer.results["arrivals"]:
        row["arrival_ms"] += 17.0 * (row["position"] == "back")
    for name in newer.results["responses"]:
        put_off(newer, name, "back", 17.0)
    comparison = compare(visit("first"), newer, {})
    assert verdicts(comparison) == {"sub right": "moved", "front fill": "flipped", "left": "moved"}


# What cannot be told


def test_two_outputs_at_one_position_cannot_tell_box_from_microphone(tmp_path) -> None:
    names, place = ("main left", "sub right"), ("mix",)
    older = only(visit("first"), tmp_path / "older", names, place)
    newer = only(visit("several"), tmp_path / "newer", names, place)
    comparison = compare(older, newer, {})
    assert output(comparison, "sub right").verdict == "unclear"
    assert any("One position only" in text for text in comparison.remarks)


@pytest.mark.parametrize(("name", "words"), [("sub right", "0.4"), ("front fill", "turned over")])
def test_one_output_at_one_position_may_be_the_box_the_microphone_or_the_air(tmp_path, name, words) -> None:
    older = only(visit("first"), tmp_path / "older", (name,), ("mix",))
    newer = only(visit("several"), tmp_path / "newer", (name,), ("mix",))
    row = output(compare(older, newer, {}), name)
    assert row.verdict == "unclear"
    assert words in row.reason
    assert "cannot tell the box from the microphone" in row.reason


def test_with_two_outputs_the_other_explanation_is_told(tmp_path) -> None:
    names = ("main left", "sub right")
    older = only(visit("first"), tmp_path / "older", names)
    newer = only(visit("several"), tmp_path / "newer", names)
    comparison = compare(older, newer, {})
    row = output(comparison, "sub right")
    assert row.verdict == "moved"
    assert "main left 0.4" in row.reason
    assert row.confidence < 0.95


# The same the other way round


def test_the_other_way_round_every_change_has_the_other_sign() -> None:
    there, back = compared("several"), compare(visit("several"), visit("first"), {})
    assert verdicts(back) == verdicts(there)
    for name in ("sub right", "main left"):
        change = output(there, name).arrival_change_ms + output(back, name).arrival_change_ms
        assert change == pytest.approx(0.0, abs=0.03)  # measured 0.006 ms


def test_a_visit_against_itself_has_not_changed() -> None:
    comparison = compare(visit("first"), visit("first"), {})
    assert verdicts(comparison) == {}
    assert all(row.arrival_change_ms == pytest.approx(0.0, abs=1e-9) for row in comparison.changes)
    assert all(row.likeness == pytest.approx(1.0, abs=1e-6) for row in comparison.changes)
    assert all(row.own_ms == pytest.approx(0.0, abs=1e-6) for row in comparison.changes)


@pytest.mark.parametrize("name", ["warmer", "several", "chain", "set", "peak"])
def test_changes_of_arrival_add_up(name: str) -> None:
    for row in compared(name).changes:
        parts = row.setting_change_ms + row.air_ms + row.common_ms + row.own_ms
        assert math.isclose(parts, row.arrival_change_ms, abs_tol=1e-9)


# Names


def test_what_was_renamed_is_matched_when_it_is_said(tmp_path) -> None:
    newer = only(visit("warmer"), tmp_path / "newer")
    results = newer.results
    for table in (results["sound_check"]["outputs"], results["responses"]):
        table["fill at the lip"] = table.pop("front fill")
    for row in results["arrivals"]:
        row["output"] = row["output"].replace("front fill", "fill at the lip")
    for capture in results["sound_check"]["captures"]:
        if "front fill" in capture["settings"]:
            capture["settings"]["fill at the lip"] = capture["settings"].pop("front fill")
    assert verdicts(compare(visit("first"), newer, {})) == {"fill at the lip": "new", "front fill": "gone"}
    assert verdicts(compare(visit("first"), newer, {"front fill": "fill at the lip"})) == {}


def test_a_rename_of_nothing_is_refused_with_what_looks_like_it() -> None:
    with pytest.raises(DescriptionError, match=r"(?s)found 'frontfill'.*'front fill'"):
        compare(visit("first"), visit("warmer"), {"frontfill": "front fill"})
    with pytest.raises(DescriptionError, match="one name"):
        compare(visit("first"), visit("warmer"), {"front fill": "main left"})


def test_nothing_in_common_is_an_error_that_lists_the_names(tmp_path) -> None:
    newer = only(visit("warmer"), tmp_path / "newer", ("front fill",))
    older = only(visit("first"), tmp_path / "older", ("main left",))
    with pytest.raises(DescriptionError, match=r"(?s)no output of the same name.*'main left'.*'front fill'"):
        compare(older, newer, {})


@pytest.mark.parametrize("turned", [("mix",), ("mix", "left")])
def test_an_output_that_turned_over_at_some_positions_alone_is_unclear(tmp_path, turned) -> None:
    """As when two tracks were exchanged: nothing that happens to an output or a microphone does that."""
    newer = turned_at(visit("warmer"), tmp_path / "turned", "main right", turned)
    found = {row.output: row for row in compare(visit("first"), newer, {}).outputs}
    odd = found.pop("main right")
    assert (odd.verdict, odd.polarity) == ("unclear", "undecided")
    assert math.isnan(odd.polarity_confidence)
    assert odd.confidence == 0.5
    assert "tracks or takes were exchanged" in odd.reason
    assert all(position in odd.reason for position in turned)
    assert {row.verdict for row in found.values()} == {"same"}


def test_a_visit_is_changed_where_an_output_surely_is() -> None:
    found = compare(visit("warmer"), visit("several"), {})
    same = replace(found, outputs=tuple(row for row in found.outputs if row.verdict == "same"))
    unclear = replace(same, outputs=(replace(same.outputs[0], verdict="unclear"), *same.outputs[1:]))
    exchanged = replace(same, exchanged=(("mix", "front"),))
    assert [one.verdict for one in (found, same, unclear, exchanged)] == ["changed", "same", "unclear", "exchanged"]
    assert [one.is_changed for one in (found, same, unclear, exchanged)] == [True, False, True, True]
