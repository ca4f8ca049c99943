"""What the page says first: what to change, and what it does to the audience as a whole."""

from __future__ import annotations

import dataclasses

import pytest

from analyze.reports import page_sheet


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
    assert page_sheet.headline(dataclasses.replace(analysis, recommendations=rows, inputs=())) == said


def test_stage_inputs_are_said_beside_a_lone_output(analysis):
    alone = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1])
    said = "Nothing to line up: mains is the only output. Change 1 of 1 stage input: kick out."
    assert page_sheet.headline(alone) == said


def test_the_score_is_said_once_where_nothing_changes(analysis):
    assert "−3.4 dB at present and to −1.6 dB as recommended" in page_sheet.score_sentence(analysis)
    stays = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1], score_recommended_db=-3.4)
    said = page_sheet.score_sentence(stays)
    assert "the outputs add to −3.4 dB; at 0 dB nothing would be lost, and four" in said
    assert "recommended" not in said
