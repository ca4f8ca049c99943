"""How sure, and why: the sentence names what takes most, the figures are those of the decision, nothing breaks them."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest

from analyze.alignment.confidence import MODEL, MODEL_DB, NOISE, SCATTER, SHORTFALL, Limit
from analyze.alignment.grounds import SPARES, SeatMargin, SumGrounds
from analyze.alignment.output_grounds import PositionGrounds
from analyze.alignment.timing_grounds import ARRIVAL, NOT_TURNED, OUT_OF_REACH, OWN_WIRING, REFERENCE_WIRING
from analyze.reports import page
from analyze.reports.certainty_words import reading, sure_sentence
from analyze.reports.naming import clean
from analyze.reports.page_grounds import both_ways_up, sureness, taken_for_granted
from analyze.reports.results import results_with
from analyze.responses.wiring import MICROPHONE_PRIOR, OUTPUT_PRIOR

MAINS, SUB, TOWER, WEDGE = range(4)


def sentence(analysis, index: int, row: dict | None = None, **setting) -> str:
    """The sentence of one output, its recommendation and the grounds of its setting changed as given."""
    grounds = analysis.grounds[index]
    if setting:
        grounds = dataclasses.replace(grounds, setting=dataclasses.replace(grounds.setting, **setting))
    recommendation = dataclasses.replace(analysis.recommendations[index], **(row or {}))
    return sure_sentence(analysis, recommendation, grounds)


def cells(analysis, index: int, table: int = 0) -> dict[str, tuple[str, ...]]:
    return {row[0]: row[1:] for row in sureness(analysis)[index].tables[table].rows}


def with_setting(analysis, index: int, **changed):
    """The analysis with the grounds of one output's setting changed."""
    one = analysis.grounds[index]
    new = dataclasses.replace(one, setting=dataclasses.replace(one.setting, **changed))
    return dataclasses.replace(analysis, grounds=tuple(new if g.output == one.output else g for g in analysis.grounds))


# The sentence


@pytest.mark.parametrize(
    ("cause", "said"),
    [
        (NOISE, "noise or outputs playing alike hide 40 % of the low bands where it may overlap with others"),
        (SCATTER, "what that is worth varies by 0.2 dB from one stretch of sound to the next"),
        (SHORTFALL, "another setting adds less than 0.1 dB more on average"),
        (MODEL, "no recording tells differences closer than 0.15 dB"),
    ],
)
def test_the_sentence_of_a_sum_names_first_what_takes_most(analysis, cause, said):
    other = SCATTER if cause != SCATTER else NOISE
    words = sentence(analysis, SUB, limits=(Limit(cause, 0.98), Limit(other, 0.95)))
    assert f"within 0.5 dB or 0.7 ms of the best: {said} (otherwise 98 %), and " in words
    assert words.count("(otherwise") == 2
    assert words.endswith("(otherwise 95 %).")


@pytest.mark.parametrize(
    ("cause", "said"),
    [
        (ARRIVAL, "how arrivals differ there is known within 0.21 ms only"),
        (OUT_OF_REACH, "it comes out 0.1 ms too late"),
        (NOT_TURNED, "its polarity is not that of mains, and it may not be turned"),
        (OWN_WIRING, "its own wiring is only 81 % sure"),
        (REFERENCE_WIRING, "the wiring of mains is only 99 % sure"),
    ],
)
def test_the_sentence_of_an_alignment_names_first_what_takes_most(analysis, cause, said):
    words = sentence(analysis, TOWER, limits=(Limit(cause, 0.9),))
    assert words.endswith(f"with the polarity of mains, and 80 % are needed: {said} (otherwise 90 %).")


def test_an_undecided_output_says_what_it_lacks(analysis):
    assert sentence(analysis, TOWER).startswith("Only 62 % sure that at balcony it arrives within 0.3 ms of what was")
    words = sentence(analysis, SUB, {"decision": "undecided", "confidence": 0.62})
    assert words.startswith(
        "Only 62 % sure that inverted, 5.00 ms is right, within 0.5 dB or 0.7 ms of the best, and 80 %"
    )


def test_where_nothing_was_measured_the_reason_stands(analysis):
    bare = dataclasses.replace(analysis.grounds[TOWER], setting=None)
    row = dataclasses.replace(analysis.recommendations[TOWER], confidence=0.0, reason="Record it alone.")
    assert sure_sentence(analysis, row, bare) == "Nothing can be claimed. Record it alone."
    kept = dataclasses.replace(row, decision="keep", confidence=math.nan, reason="You asked to leave it.")
    assert sure_sentence(analysis, kept, bare) == "Not judged, so there is no figure. You asked to leave it."


def test_the_reference_says_its_wiring(analysis):
    said = "It never moves, so there is no setting to be sure of; its wiring: normal, 96 %."
    assert sentence(analysis, MAINS) == said


@pytest.mark.parametrize(
    ("margin_db", "said"),
    [
        (0.8, "0.7 ms of the best; the runner-up (normal, 1.90 ms) costs 0.8 dB, give or take 0.4 dB."),
        (0.3, "the runner-up (normal, 1.90 ms) costs 0.3 dB, and up to 0.5 counts as good: little hangs on it."),
        (0.02, "the runner-up (normal, 1.90 ms) is as good, so little hangs on it."),
    ],
)
def test_where_nothing_takes_from_it_the_next_best_is_said(analysis, margin_db, said):
    # give or take: 0.1 dB that the recordings show and 0.35 dB that they do not, root of the sum of squares 0.364
    runner_up = dataclasses.replace(analysis.grounds[SUB].setting.runner_up, margin_db=margin_db, change=(1.0, -0.1))
    assert sentence(analysis, SUB, limits=(), runner_up=runner_up).endswith(said)
    assert sentence(analysis, SUB, limits=(), runner_up=None, other_polarity=None).endswith("of the best.")


def test_a_polarity_less_sure_than_its_setting_is_said(analysis):
    assert sentence(analysis, SUB, {"polarity_confidence": 0.7}).endswith("; of the polarity alone 70 %.")
    assert "polarity alone" not in sentence(analysis, SUB, {"polarity_confidence": 0.925})
    either = {"polarity_confidence": 0.54, "cost_if_wrong_db": 0.03}
    assert sentence(analysis, SUB, either).endswith(
        "; of the polarity alone 54 %, as the other one, at a delay of its own, may do as well."
    )


def test_captures_that_disagree_are_named_for_the_scatter(analysis):
    words = sentence(analysis, SUB, limits=(Limit(SCATTER, 0.98),), contradicted=("sub left",))
    assert ": two captures of sub left disagree (otherwise 98 %)." in words


def test_a_change_that_the_audience_would_pay_for_is_called_so(analysis):
    words = sentence(analysis, WEDGE, {"confidence": 0.9}, limits=(), claim=SPARES)
    assert words.startswith("90 % sure that inverted, 13.20 ms would take from the sum in the audience.")


def test_an_alignment_without_limits_says_how_known_arrivals_and_wirings_are(analysis):
    # the lesser of the two, 0.81 and 0.99
    words = sentence(analysis, TOWER, {"confidence": 0.97}, limits=())
    assert words.endswith(
        "with the polarity of mains; arrivals there are known within 0.21 ms, both wirings are 81 % sure."
    )


# Figures


def test_the_figures_are_those_of_the_decision(analysis):
    for index, one in enumerate(sureness(analysis)):
        row, setting = analysis.recommendations[index], analysis.grounds[index].setting
        if isinstance(setting, SumGrounds):
            assert f"{setting.other_polarity.margin_db:.1f}" == f"{row.cost_if_wrong_db:.1f}"
            # 0.2 dB that the recordings show, 0.35 dB that they do not: 0.403
            assert cells(analysis, index)["against the other polarity"][1:3] == ("+2.4 dB", "0.4 dB")
        if math.isfinite(row.confidence):
            assert f"{row.confidence * 100:.0f} % sure" in one.sentence


def test_the_whole_table_of_a_sum(analysis):
    found = cells(analysis, SUB)
    assert found["against the other polarity"][0] == "normal, 9.20 ms"
    assert (
        found["against the other polarity"][3]
        == "21 bands counted seat by seat: 7 at each of 3 positions; ahead at 2 of them"
    )
    assert found["against the runner-up"][:2] == ("normal, 0.00 ms", "+0.8 dB")  # -1.1 ms is below the device's range
    assert found["against the present setting"][:2] == ("normal, 2.00 ms", "+1.2 dB")
    assert found["low bands hidden by noise or by outputs playing alike"][0] == "40 %"
    assert found["seats without a response of it beside another output's"][0] == "25 %"
    left_out = "yes, without any one of them: at most 0.1 dB behind another one then"
    assert found["still right with a position left out"][0] == left_out
    assert found["wiring"] == ("inverted, 96 %", "–", "–", "4 of 4 positions agree, 1 capture")
    assert found["arrival at present settings"][3] == "4 positions"


def test_the_runner_up_that_is_the_other_polarity_stands_once(analysis):
    other = analysis.grounds[SUB].setting.other_polarity
    changed = with_setting(analysis, SUB, runner_up=other)
    assert "against the other polarity, the runner-up" in cells(changed, SUB)
    assert "against the runner-up" not in cells(changed, SUB)
    headings = [one.text for one in sureness(changed)[SUB].tables[1].headings]
    assert "ahead of the runner-up (dB)" not in headings


def test_the_whole_table_of_an_alignment(analysis):
    found = cells(analysis, TOWER)
    assert found["arrival against what was asked"] == ("0.1 ms late", "–", "0.21 ms", "balcony")
    assert found["polarity as that of mains"][:2] == ("the same, 80 %", "–")


def test_a_seat_that_the_answer_hangs_on_is_named(analysis):
    seats = dict(analysis.grounds[SUB].setting.seats)
    seats["lawn"] = dataclasses.replace(seats["lawn"], holds_left_out=False, left_out_cost_db=0.9)
    changed = with_setting(analysis, SUB, seats=seats)
    assert cells(changed, SUB)["still right with a position left out"][0] == "no longer without lawn"
    assert "costs 0.9 dB" in cells(changed, SUB, 1)["lawn"]


def test_every_position_says_what_it_says(analysis):
    found = cells(analysis, SUB, 1)
    arrival = analysis.arrival_present_ms["sub left", "mix"]
    assert found["mix"] == ("audience", "7", "+2.0", "+0.8", "yes", "1", f"{arrival:.2f}", "0.02")
    assert found["balcony"][2] == "−0.2"
    assert found["stage centre"][1:5] == ("–",) * 4
    assert cells(analysis, TOWER, 1)["balcony"][1:3] == ("+0.1", "–")


def test_the_second_of_a_group_points_to_the_first(make):
    """Two subs that move as one: the setting's figures stand once, wiring and arrival are each one's own."""
    analysis = make(("mains", "sub left", "tower", "wedge", "fill", "other main", "sub right"), ("mix", "lawn"))
    outputs = dict(analysis.sound_check.outputs)
    for name in ("sub left", "sub right"):
        outputs[name] = dataclasses.replace(outputs[name], kind="sub", group="subs")
    setting = analysis.grounds[SUB].setting
    grounds = tuple(
        dataclasses.replace(one, setting=setting) if one.output == "sub right" else one for one in analysis.grounds
    )
    check = dataclasses.replace(analysis.sound_check, outputs=outputs)
    found = {one.output: one for one in sureness(dataclasses.replace(analysis, sound_check=check, grounds=grounds))}
    lines = {name: [row[:2] for row in found[name].tables[0].rows] for name in ("sub left", "sub right")}
    assert lines["sub right"][0] == ("setting", "as sub left: a group moves as one")
    assert [row[0] for row in lines["sub right"]] == ["setting", "wiring", "arrival at present settings"]
    assert "against the present setting" in dict(lines["sub left"])
    headings = [heading.text for heading in found["sub right"].tables[1].headings]
    assert headings == ["position", "zone", "captures", "arrival (ms)", "give or take (ms)"]


def test_what_is_not_known_is_a_dash(analysis):
    one = analysis.grounds[SUB]
    unknown = PositionGrounds("mix", 1, 0.5, True, math.nan, math.nan)
    lonely = {"mix": SeatMargin(3, math.nan, math.nan, math.nan, None)}
    empty = dataclasses.replace(one, normal_probability=math.nan, positions=(unknown,))
    empty = dataclasses.replace(empty, setting=dataclasses.replace(one.setting, seats=lonely))
    changed = dataclasses.replace(analysis, grounds=(empty,), wiring=())
    (found,) = sureness(changed)
    assert found.tables[1].rows == (("mix", "audience", "3", "–", "–", "–", "1", "–", "–"),)
    assert "nan" not in str(found.tables).replace("name", "")
    assert ("wiring", "cannot be told", "–", "–", "not heard") in found.tables[0].rows
    assert ("arrival at present settings", "–", "–", "–", "0 positions") in found.tables[0].rows
    page.page_bytes(changed, [])


def test_a_reading_and_its_opposite_are_as_sure():
    assert reading(0.9) == "normal, 90 %"
    assert reading(0.1) == "inverted, 90 %"
    assert reading(0.9999) == "normal, over 99 %"


def test_what_is_presumed_is_said_as_it_is():
    assert taken_for_granted()["error_db"] == f"{MODEL_DB:.2f}"
    said = {"output": OUTPUT_PRIOR, "microphone": MICROPHONE_PRIOR}
    for thing, log_odds in said.items():
        percentage = 100.0 * math.exp(log_odds) / (1.0 + math.exp(log_odds))
        assert taken_for_granted()[thing] == f"{percentage:.0f} %"
    assert taken_for_granted()["most"] == "99.5 %"


def test_both_polarities_stand_side_by_side(analysis):
    """Of the made-up grounds: 2.4 dB behind, with 0.2 and 0.35 dB of error."""
    assert both_ways_up(analysis).rows == (
        ("sub left", "9.20 ms, −2.4 dB, give or take 0.4 dB", "5.00 ms, recommended"),
        ("wedge", "6.00 ms, recommended", "13.20 ms, −2.4 dB, give or take 0.4 dB"),
    )
    assert both_ways_up(dataclasses.replace(analysis, grounds=())) is None


# The page


def test_every_output_has_its_sentence_on_the_page(analysis, report):
    source = (report / "report.html").read_text("utf-8")
    for index, one in enumerate(sureness(analysis), 1):
        assert f'id="sure-{index}"' in source
        assert one.sentence in source
    assert [f'href="#sure-{i}"' in source for i in (1, 2, 3, 4)] == [False, True, True, True]


def test_long_and_hostile_names_do_not_break_it(hostile, hostile_report):
    source = (hostile_report / "report.html").read_text("utf-8")
    outputs = re.findall(r'<h4 id="sure-\d+"><bdi class="any">(.*?)</bdi></h4>', source, re.DOTALL)
    assert len(outputs) == len(hostile.recommendations)
    assert max(len(one) for one in outputs) >= 199  # 200 and a space at the end
    assert "<script>alert" not in source
    assert len(set(re.findall(r"<caption>(.*?: what every position says)</caption>", source, re.DOTALL))) == len(
        outputs
    )
    assert all(clean(one.output) for one in sureness(hostile))


def test_an_analysis_without_grounds_has_a_page_without_the_section(analysis):
    text = page.page_bytes(dataclasses.replace(analysis, grounds=()), []).decode("utf-8")
    assert "output by output" not in text
    assert "#sure-" not in text


def test_the_grounds_stand_in_the_results_too(analysis):
    found = results_with(analysis, [])["grounds"]
    assert [one["output"] for one in found] == list(analysis.sound_check.outputs)
    assert found[MAINS]["setting"] is None
    assert [found[i]["setting"]["judged_by"] for i in (SUB, TOWER)] == ["sum", "arrival"]
    assert found[SUB]["setting"]["other_polarity"] == {
        "change": {"sign": 1, "delay_ms": 7.2},
        "margin_db": 2.4,
        "std_db": 0.2,
    }
    assert found[SUB]["setting"]["limits"][0] == {"cause": NOISE, "without": 0.98}
    assert found[TOWER]["setting"]["seats"]["lawn tower"]["balcony"]["holds_left_out"] is None
    assert found[SUB]["positions"][0]["normal_probability"] == 0.024
