"""What the page says first: what to change, and what it does to the audience as a whole."""

from __future__ import annotations

import dataclasses

import pytest

from analyze.alignment.grounds import SeatTiming, TimingGrounds
from analyze.alignment.rows import ChangeEffect
from analyze.reports import headline
from analyze.reports import runner_up as runner_up_module
from analyze.reports.change_lines import change_lines
from analyze.reports.effects import losses_of
from analyze.reports.page import page_bytes
from analyze.reports.page_sheet import sheet_rows
from analyze.reports.runner_up import RunnerUp


@pytest.mark.parametrize(
    ("decisions", "said"),
    [
        (("reference", "keep"), "Keep the present settings of 2 outputs."),
        (("reference",), "Nothing to line up: mains is the only output."),
        (("reference",) * 2, "Nothing to line up: both outputs are the reference's group, which never moves."),
        (("reference",) * 3, "Nothing to line up: all 3 outputs are the reference's group, which never moves."),
        (("reference", "change", "change"), "Change 2 of 3 outputs."),
        (("change",), "Change 1 of 1 output."),
        (("reference", *("change",) * 5), "Change 5 of 6 outputs. Every change is 93 % sure or more."),
        (
            ("keep", "undecided", "undecided"),
            "Keep the present settings of 1 of 3 outputs. Not decided: output 1 and output 2, which keep their "
            "settings for now.",
        ),
        (
            ("undecided", "keep"),
            "Keep the present settings of 1 of 2 outputs. Not decided: output 0, which keeps its setting for now.",
        ),
        (
            ("keep", *("undecided",) * 5),
            "Keep the present settings of 1 of 6 outputs. Not decided: 5, which keep their settings for now.",
        ),
        (
            ("reference", "undecided"),
            "Nothing can be decided yet. Not decided: output 1, which keeps its setting for now.",
        ),
        ((), "Nothing could be recommended."),
    ],
)
def test_the_lead_says_how_much_is_to_do(analysis, decisions, said):
    row = dataclasses.replace(analysis.recommendations[0], confidence=0.93)
    names = ["mains"] if decisions == ("reference",) else [f"output {k}" for k in range(len(decisions))]
    rows = tuple(dataclasses.replace(row, output=o, decision=d) for o, d in zip(names, decisions, strict=True))
    assert headline.lead(dataclasses.replace(analysis, recommendations=rows, inputs=())) == said


def test_stage_inputs_are_said_beside_a_lone_output(analysis):
    alone = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1])
    assert headline.lead(alone) == "Nothing to line up: mains is the only output. Change 1 of 1 stage input."
    (line,) = change_lines(alone)
    assert line.words == "kick out: inverted, 0.84 ms on kick in, 99 % sure. +3.2 dB with kick in."


def test_the_score_is_said_once_where_nothing_changes(analysis):
    assert "−3.4 dB at present and to −1.6 dB as recommended" in headline.score_sentence(analysis)
    stays = dataclasses.replace(analysis, recommendations=analysis.recommendations[:1], score_recommended_db=-3.4)
    said = headline.score_sentence(stays)
    assert "the outputs add to −3.4 dB; at 0 dB nothing would be lost." in said
    assert "recommended" not in said
    known = headline.score_sentence(dataclasses.replace(stays, score_chance_db=-4.13))
    assert known.startswith(said.replace("lost.", "lost, and left to chance it would be −4.1 dB."))


@pytest.mark.parametrize(
    ("gains_db", "said", "optional"),
    [
        ((0.1, 1.2), "Change 1 of 3 outputs. 1 more change is optional.", ["output 1"]),
        ((0.2, 0.1), "Keep the present settings of 3 outputs. 2 changes are optional.", ["output 1", "output 2"]),
        ((1.2, 0.5), "Change 2 of 3 outputs.", []),
    ],
)
def test_what_may_be_left_out_comes_last(analysis, gains_db, said, optional):
    row = dataclasses.replace(analysis.recommendations[1], group="")
    rows = [dataclasses.replace(analysis.recommendations[0])]
    for k, gain_db in enumerate(gains_db, 1):
        rows.append(dataclasses.replace(row, output=f"output {k}", decision="change", gain_db=gain_db))
    changed = dataclasses.replace(analysis, recommendations=tuple(rows), inputs=())
    lines = change_lines(changed)
    assert headline.lead(changed) == said
    assert [line.who for line in lines[len(lines) - len(optional) :]] == optional
    assert [line.is_optional for line in lines] == sorted(line.is_optional for line in lines)
    assert headline.headline(changed) == [said, *(f"- {line.words}" for line in lines)]
    assert all(line.words.startswith("Optional: ") is line.is_optional for line in lines)


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
        wiring=(),
        inputs=(),
        sound_check=dataclasses.replace(check, outputs=outputs),
    )
    (line,) = change_lines(changed)
    assert line.words == (
        "sub left and sub right (out 3 and out 4): 2.00 → 5.00 ms, normal → inverted, 93 % sure. "
        "+1.1 dB in the overlap with others."
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
    assert headline.lead(early) == "Change 1 of 1 output."
    (line,) = change_lines(early)
    assert line.what == "11.88 → 54.29 ms, polarity stays normal"
    assert line.sure.endswith(" % sure to arrive as asked")
    assert line.about.startswith("At lawn it arrives 42 ms too early (asked: 8.0 ms after mains).")
    assert "echo" in line.about
    assert headline.score_sentence(early).endswith(" What changes is set for its arrival, not for this figure.")
    late = tower_moved(analysis, -1.5, 1.5, 0.0)
    assert change_lines(late)[0].about.startswith("At lawn it arrives 1.5 ms too late (asked: with mains).")
    assert "not for this figure" not in headline.score_sentence(analysis)


def test_what_lining_up_by_arrival_takes_from_the_sum_is_said(analysis):
    late = tower_moved(analysis, -1.5, 1.5, 0.0)
    for gain_db, is_said in ((-1.6, True), (-0.9, False), (2.0, False)):
        (row,) = late.recommendations
        one = dataclasses.replace(late, recommendations=(dataclasses.replace(row, gain_db=gain_db),))
        assert ("meets others in the low bands the sum loses 1.6 dB." in change_lines(one)[0].about) is is_said


def test_a_delay_of_a_stage_input_is_optional(analysis):
    """Its polarity comes first; a change of the delay alone may be left out."""
    row = dataclasses.replace(analysis.inputs[0], recommended_polarity="normal")
    alone = dataclasses.replace(analysis, recommendations=(), inputs=(row,))
    assert headline.lead(alone) == "Keep the present settings of 1 stage input. 1 change is optional."
    assert change_lines(alone)[0].is_optional


def test_an_optional_change_is_called_so_on_the_sheet(analysis):
    rows = tuple(dataclasses.replace(row, gain_db=0.1) for row in analysis.recommendations)
    row = sheet_rows(dataclasses.replace(analysis, recommendations=rows))[1]
    assert (row.decision_words, row.decision_more, row.is_delay_changed) == ("Optional", "change", True)
    assert row.confidence == ""  # it would read as if the present setting were wrong
    needed = sheet_rows(analysis)[1]
    assert needed.decision_words == "Change"
    assert needed.confidence


def turned_over(analysis, kind: str, *, wired: str):
    """One output of a kind alone, to be turned over, wired so."""
    row = analysis.recommendations[1]
    one = dataclasses.replace(
        row,
        kind=kind,
        decision="change",
        polarity_change="yes",
        delay_change_ms=0.0,
        recommended_delay_ms=2.0,
        reason="Turned over it adds 2.6 dB to the low end on stage. Yet it is wired inverted.",
    )
    wiring = [dataclasses.replace(w, polarity=wired if w.output == one.output else "normal") for w in analysis.wiring]
    return dataclasses.replace(analysis, recommendations=(one,), wiring=tuple(wiring), inputs=())


@pytest.mark.parametrize(
    ("kind", "wired", "why"),
    [
        ("fill", "inverted", "It is wired inverted, so that it works against mains."),
        ("fill", "normal", "Where it takes over it works against mains."),
        ("sub", "inverted", "+1.2 dB in the overlap with others; it is wired inverted."),
        ("sub", "normal", "+1.2 dB in the overlap with others."),
        ("monitor", "normal", "Turned over it adds 2.6 dB to the low end on stage; +1.2 dB at the seats."),
    ],
)
def test_the_reason_of_a_polarity_stands_beside_it(analysis, kind, wired, why):
    (line,) = change_lines(turned_over(analysis, kind, wired=wired))
    assert line.what == "normal → inverted"
    assert line.about.startswith(why)


def test_how_sure_it_is_stands_beside_every_change(analysis, monkeypatch):
    row = dataclasses.replace(analysis.recommendations[1], decision="change", confidence=0.93, polarity_change="no")
    inverted = {"setting_polarity": "inverted", "recommended_polarity": "inverted"}
    stays = dataclasses.replace(row, **inverted, recommended_delay_ms=4.0)
    one = dataclasses.replace(analysis, recommendations=(stays,), inputs=())
    (line,) = change_lines(one)
    assert line.what == "2.00 → 4.00 ms, polarity stays inverted"
    assert line.sure == "93 % sure"
    less = dataclasses.replace(one, recommendations=(dataclasses.replace(stays, polarity_confidence=0.85),))
    assert change_lines(less)[0].sure == (
        "93 % sure that no other setting adds over 0.5 dB more, 85 % that this polarity is the better"
    )
    as_good = RunnerUp("inverted", 9.0, 0.3)
    others = dataclasses.replace(as_good, cost_db=0.6), dataclasses.replace(as_good, polarity="normal")
    for rival, words in ((as_good, "9.00 ms will do too."), *((other, "") for other in others)):
        monkeypatch.setattr(runner_up_module, "runner_up", lambda *_, rival=rival: rival)
        (line,) = change_lines(one)
        assert line.sure == f"93 % sure{' that no other setting adds over 0.5 dB more' if words else ''}"
        assert ("9.00 ms will do too." in line.about) is bool(words)
    listen = dataclasses.replace(as_good, costs_at_db={"mix": 2.04, "lawn": -1.5, "row 9": 1.2, "hill": -0.9})
    monkeypatch.setattr(runner_up_module, "runner_up", lambda *_: listen)
    assert "9.00 ms will do too: 1.5 dB better at lawn, 2.0 dB worse at mix." in change_lines(one)[0].about
    monkeypatch.undo()
    either = dataclasses.replace(one, recommendations=(dataclasses.replace(stays, polarity_confidence=0.45),))
    (line,) = change_lines(either)
    assert line.about.endswith("; that this one can add more, each at its best delay, is 45 % sure.")
    known = change_lines(analysis)[0]
    page = page_bytes(analysis, []).decode("utf-8")
    assert page.index(f'<span class="sure">{known.sure}</span>') < page.index("<table")
    five = tuple(dataclasses.replace(stays, output=str(k), group="", confidence=0.95 - 0.01 * k) for k in range(5))
    many = dataclasses.replace(one, recommendations=five)
    assert change_lines(many) == []
    assert headline.lead(many).endswith("Every change is 91 % sure or more.")


def test_what_gets_better_and_worse_stands_beside_the_change_that_does_it(analysis):
    """Of two changes the one that does most in a band at a seat; what a sum gains or loses is what is predicted."""
    first, second = analysis.recommendations[1], analysis.recommendations[2]
    rows = tuple(dataclasses.replace(row, group="", decision="change", gain_db=1.0) for row in (first, second))
    change = {("mix", 250.0): -2.5, ("lawn", 80.0): -1.6, ("mix", 80.0): 3.4, ("mix", 100.0): 2.2, ("mix", 63.0): 1.1}
    prediction = tuple(
        dataclasses.replace(
            row, change_db=change.get((row.position, row.band_hz), 0.0), present_std_db=0.1, recommended_std_db=0.1
        )
        for row in analysis.prediction
    )
    effects = (
        ChangeEffect((first.output,), {**dict.fromkeys(change, 1.0), ("mix", 250.0): -3.0}),
        ChangeEffect((second.output,), {("mix", 250.0): 0.6, ("lawn", 80.0): -1.9}),
    )
    one = dataclasses.replace(analysis, recommendations=rows, inputs=(), prediction=prediction, change_effects=effects)
    found = {line.who.split(" (")[0]: line.effects for line in change_lines(one)}
    assert found == {
        first.output: (
            "Better: 80 Hz at mix by 3.4 dB, 100 Hz at mix by 2.2 dB, and 1 more over 1 dB.",
            "Worse: 250 Hz at mix by 2.5 dB.",
        ),
        second.output: ("Worse: 80 Hz at lawn by 1.6 dB.",),
    }
    assert headline.effect_words(one) == ""
    assert losses_of(one, first.output) == [(-2.5, "mix", 250.0)]
    assert losses_of(dataclasses.replace(one, change_effects=()), first.output) == []
    unknown = headline.effect_words(dataclasses.replace(one, change_effects=()))
    assert "Worse: 250 Hz at mix by 2.5 dB, 80 Hz at lawn by 1.6 dB." in unknown


def test_a_pair_that_cancels_is_set_right_until_it_is_mended(analysis):
    """Undecided, for nothing can be said of sums with it; yet nobody should play like that tonight."""
    check = analysis.sound_check
    pair = [row.output for row in analysis.recommendations[1:3]]
    outputs = {n: dataclasses.replace(o, group="pair" if n in pair else "") for n, o in check.outputs.items()}
    rows = tuple(
        dataclasses.replace(row, decision="undecided", setting_polarity="normal") if row.output in pair else row
        for row in analysis.recommendations[:3]
    )
    wiring = tuple(
        dataclasses.replace(w, polarity="inverted" if w.output == pair[0] else "normal", confidence=0.97)
        for w in analysis.wiring
    )
    one = dataclasses.replace(
        analysis,
        recommendations=rows,
        wiring=wiring,
        inputs=(),
        sound_check=dataclasses.replace(check, outputs=outputs),
    )
    assert headline.lead(one) == (
        "Change 1 of 3 outputs only until its wiring is mended. "
        f"Not decided: {pair[1]}, which keeps its setting for now."
    )
    (line,) = change_lines(one)
    assert (line.who.split(" (")[0], line.what, line.sure) == (
        pair[0],
        "normal → inverted until its wiring is mended",
        "97 % sure of the wiring",
    )
    shown = {row.output: row for row in sheet_rows(one)}
    assert (shown[pair[0]].polarity_to, shown[pair[0]].decision_words) == ("inverted", "For now")
    assert (shown[pair[1]].polarity_to, shown[pair[1]].decision_words) == ("normal", "Not decided")


def test_outputs_whose_polarities_stay_share_a_line_though_they_differ(analysis):
    """Twins that are set against one another and move as one: the same change, said once."""
    row = dataclasses.replace(analysis.recommendations[1], group="subs", decision="change", polarity_change="no")
    rows = tuple(
        dataclasses.replace(row, output=name, setting_polarity=polarity, recommended_polarity=polarity)
        for name, polarity in (("sub left", "normal"), ("sub right", "inverted"))
    )
    (line,) = change_lines(dataclasses.replace(analysis, recommendations=rows, inputs=()))
    assert line.who.startswith("sub left and sub right")
    assert line.what.endswith("polarities stay as they are")
