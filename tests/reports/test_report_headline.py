"""What the page says first: what to change, and what it does to the audience as a whole."""

from __future__ import annotations

import dataclasses

import pytest

from analyze.alignment.grounds import SeatTiming, TimingGrounds
from analyze.reports import headline
from analyze.reports.page import page_bytes
from analyze.reports.page_sheet import sheet_rows


@pytest.mark.parametrize(
    ("decisions", "said"),
    [
        (("reference", "keep"), "Keep the present settings of 2 outputs."),
        (("reference",), "Nothing to line up: mains is the only output."),
        (("reference",) * 2, "Nothing to line up: both outputs are the reference's group, which never moves."),
        (("reference",) * 3, "Nothing to line up: all 3 outputs are the reference's group, which never moves."),
        (("reference", "change", "change"), "Change 2 of 3 outputs: output 1 and output 2."),
        (("change",), "Change 1 of 1 output: output 0."),
        (("reference", *("change",) * 5), "Change 5 of 6 outputs."),
        (
            ("keep", "undecided", "undecided"),
            "Keep the present settings of 3 outputs. 2 could not be decided and keep their setting for now.",
        ),
        ((), "Nothing could be recommended."),
    ],
)
def test_the_headline_says_what_to_do(analysis, decisions, said):
    row = analysis.recommendations[0]
    names = ["mains"] if decisions == ("reference",) else [f"output {k}" for k in range(len(decisions))]
    rows = tuple(dataclasses.replace(row, output=o, decision=d) for o, d in zip(names, decisions, strict=True))
    assert headline.headline(dataclasses.replace(analysis, recommendations=rows, inputs=())) == said


def test_stage_inputs_are_said_beside_a_lone_output(analysis):
    alone = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1])
    said = "Nothing to line up: mains is the only output. Change 1 of 1 stage input: kick out."
    assert headline.headline(alone) == said


def test_the_score_is_said_once_where_nothing_changes(analysis):
    assert "−3.4 dB at present and to −1.6 dB as recommended" in headline.score_sentence(analysis)
    stays = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1], score_recommended_db=-3.4)
    said = headline.score_sentence(stays)
    assert "the outputs add to −3.4 dB; at 0 dB nothing would be lost, and four" in said
    assert "recommended" not in said


@pytest.mark.parametrize(
    ("gains_db", "said"),
    [
        ((1.2, 0.1), "Change 1 of 3 outputs: output 1 (+1.2). 1 more change is optional: output 2 (+0.1)."),
        (
            (0.2, 0.1),
            "Keep the present settings of 3 outputs. 2 changes are optional: output 1 (+0.2); output 2 (+0.1).",
        ),
        ((1.2, 0.3), "Change 2 of 3 outputs: output 1 (+1.2); output 2 (+0.3)."),
    ],
)
def test_what_may_be_left_out_is_not_counted_with_what_is_needed(analysis, gains_db, said):
    row = analysis.recommendations[1]
    rows = [dataclasses.replace(analysis.recommendations[0])]
    for k, gain_db in enumerate(gains_db, 1):
        rows.append(dataclasses.replace(row, output=f"output {k}", decision="change", gain_db=gain_db))
    changed = dataclasses.replace(analysis, recommendations=tuple(rows), inputs=())
    whole = said.replace(" (", ", 2.00 → 5.00 ms, normal → inverted: ").replace(
        ")", " dB where it overlaps with others"
    )
    assert headline.headline(changed) == whole


def test_a_group_that_moves_as_one_is_said_at_once_with_its_channels(analysis):
    row, check = analysis.recommendations[1], analysis.sound_check
    pair = [dataclasses.replace(row, output=f"sub {side}", gain_db=1.14) for side in ("left", "right")]
    outputs = check.outputs | {
        one.output: dataclasses.replace(check.outputs["sub left"], name=one.output, notes={"channel": f"out {k}"})
        for k, one in enumerate(pair, 3)
    }
    changed = dataclasses.replace(
        analysis,
        recommendations=tuple(pair),
        inputs=(),
        sound_check=dataclasses.replace(check, outputs=outputs),
    )
    assert headline.headline(changed) == (
        "Change 2 of 2 outputs: sub left and sub right (out 3 and out 4), 2.00 → 5.00 ms, normal → inverted: "
        "+1.1 dB where it overlaps with others."
    )


def tower_moved(analysis, change_ms: float, late_ms: float, asked_ms: float):
    """The tower alone, moved for the lawn, where it comes so late behind the mains at present."""
    check, name = analysis.sound_check, "lawn tower"
    outputs = {
        **check.outputs,
        name: dataclasses.replace(check.outputs[name], later_ms=asked_ms, align_at=("lawn",), notes={}),
    }
    row = next(row for row in analysis.recommendations if row.output == name)
    row = dataclasses.replace(
        row,
        decision="change",
        setting_delay_ms=11.88,
        recommended_delay_ms=11.88 + change_ms,
        delay_change_ms=change_ms,
        polarity_change="no",
    )
    seats = {"lawn": SeatTiming(0.0, 0.01, None)}
    grounds = tuple(
        dataclasses.replace(
            one, setting=TimingGrounds((1.0, change_ms), (), 0.0, 0.01, 0.99, 0.99, 0.99, {name: seats})
        )
        if one.output == name
        else one
        for one in analysis.grounds
    )
    arrivals = analysis.arrival_present_ms
    return dataclasses.replace(
        analysis,
        recommendations=(row,),
        inputs=(),
        grounds=grounds,
        sound_check=dataclasses.replace(check, outputs=outputs),
        recommended_change={name: (1.0, change_ms)},
        arrival_present_ms={**arrivals, (name, "lawn"): arrivals["mains", "lawn"] + late_ms},
        feed_relations=(),
    )


def test_a_tower_is_changed_for_its_arrival_not_for_its_sum(analysis):
    early = tower_moved(analysis, 42.41, -34.41, 8.0)
    said = "Change 1 of 1 output: lawn tower, 11.88 → 54.29 ms: at lawn it arrives 42 ms too early."
    assert headline.headline(early) == said
    assert headline.score_sentence(early).endswith(" What changes is set for its arrival, not for this figure.")
    late = tower_moved(analysis, -1.5, 1.5, 0.0)
    assert headline.headline(late).endswith("11.88 → 10.38 ms: at lawn it arrives 1.5 ms too late.")
    assert "not for this figure" not in headline.score_sentence(analysis)


def test_a_delay_of_a_stage_input_is_optional(analysis):
    """Its polarity comes first; a change of the delay alone may be left out."""
    row = dataclasses.replace(analysis.inputs[0], recommended_polarity="normal")
    alone = dataclasses.replace(analysis, recommendations=(), inputs=(row,))
    assert headline.headline(alone) == "Keep the present settings of 1 stage input. 1 change is optional: kick out."


def test_an_optional_change_is_called_so_on_the_sheet(analysis):
    rows = tuple(dataclasses.replace(row, gain_db=0.1) for row in analysis.recommendations)
    row = sheet_rows(dataclasses.replace(analysis, recommendations=rows))[1]
    assert (row.decision_words, row.decision_more, row.is_delay_changed) == ("Optional", "change", True)
    assert sheet_rows(analysis)[1].decision_words == "Change"


def test_how_sure_the_changes_are_stands_under_the_headline(analysis):
    rows = tuple(
        dataclasses.replace(row, decision="keep") if row.decision == "change" else row
        for row in analysis.recommendations
    )
    assert headline.sure_sentence(dataclasses.replace(analysis, recommendations=rows)) == ""
    change = next(row for row in analysis.recommendations if row.decision != "reference")
    change = dataclasses.replace(change, decision="change", confidence=0.93, polarity_change="no")
    stays = dataclasses.replace(change, output="a", recommended_polarity="inverted")
    turned = dataclasses.replace(change, output="b", polarity_change="yes", confidence=0.9991)
    one = dataclasses.replace(analysis, recommendations=(stays, dataclasses.replace(stays, output="c"), turned))
    said = headline.sure_sentence(one)
    assert said == "How sure: a and c 93 %, polarity stays inverted; b over 99 %."
    either = dataclasses.replace(one, recommendations=(dataclasses.replace(stays, polarity_confidence=0.45),))
    assert headline.sure_sentence(either) == "How sure: a 93 %, polarity alone 45 %."
    known = headline.sure_sentence(analysis)
    assert known.startswith("How sure: ")
    assert known in page_bytes(analysis, []).decode("utf-8")
    five = tuple(dataclasses.replace(stays, output=str(k), confidence=0.95 - 0.01 * k) for k in range(5))
    many = dataclasses.replace(one, recommendations=five)
    assert headline.sure_sentence(many) == "How sure: every change 91 % or more."
