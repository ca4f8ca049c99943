"""Findings as a person reads them: what says the same at several places is said once, the table keeps every row."""

from __future__ import annotations

import csv
import dataclasses
import io
import re

import numpy as np
import pytest
from rich.console import Console

from analyze.audio.waveform import Waveform
from analyze.description import Track
from analyze.findings import Finding
from analyze.reports import headline, print_summary
from analyze.reports.columns import RECOMMENDATIONS
from analyze.reports.confidences import confidence_words
from analyze.reports.page import page_bytes
from analyze.reports.page_findings import WIRED_INVERTED, findings, notice
from analyze.reports.page_sheet import sheet_rows
from analyze.reports.page_text import sheet_text
from analyze.reports.tables import csv_tables, records
from analyze.responses.high_section import opposite_high_sections
from analyze.spectra.capture import _coarse

SEATS = ("mix", "stage centre", "lawn")


def not_heard(position: str, value: float = 1.5, output: str = "sub", capture: str = "sub alone") -> Finding:
    detail = f"{output} is not heard at {position} over the noise. Look at the mixer, or record it louder."
    return Finding("output not heard", "warning", detail, capture, position, value=value, unit="dB")


def shown(analysis, *rows: Finding):
    return findings(dataclasses.replace(analysis, findings=rows))


def test_one_finding_at_several_places_is_one(analysis):
    (row,) = shown(analysis, *(not_heard(seat, value) for seat, value in zip(SEATS, (1.5, -2.0, 1.0), strict=True)))
    said = "sub is not heard at mix, stage centre and lawn over the noise. Look at the mixer, or record it louder."
    assert row.detail == said
    assert row.place == "sub alone: mix; stage centre; lawn"
    assert row.figure == "−2 to 1.5 dB"


def test_one_finding_alone_stays_as_it_is(analysis):
    (row,) = shown(analysis, not_heard("mix"))
    assert (row.detail, row.place, row.figure) == (not_heard("mix").detail, "sub alone: mix", "1.5 dB")


@pytest.mark.parametrize(
    "other",
    [
        not_heard("lawn", output="tower"),
        not_heard("lawn", capture="sub again"),
        dataclasses.replace(not_heard("lawn"), severity="error"),
        dataclasses.replace(not_heard("lawn"), finding="output silent"),
        dataclasses.replace(not_heard("lawn"), unit="s"),
    ],
)
def test_what_differs_in_more_than_the_place_stays_apart(analysis, other):
    assert len(shown(analysis, not_heard("mix"), other)) == 2


def test_the_name_of_a_box_is_not_taken_for_a_place(analysis):
    rows = [
        Finding("output wired inverted", "warning", f"{name} is wired inverted.", track=name) for name in ("a", "b")
    ]
    assert [row.detail for row in shown(analysis, *rows)] == ["a is wired inverted.", "b is wired inverted."]


def test_places_in_files_are_listed(analysis):
    rows = [
        Finding("clipping", "warning", "Turn it down.", "take", name, "take1.wav", channel, at_s=at_s)
        for name, channel, at_s in (("mix", 2, 3.25), ("lawn", 3, 8.0))
    ]
    (row,) = shown(analysis, *rows)
    assert row.place == "take: mix, take1.wav, channel 2, at 3.25 s; lawn, take1.wav, channel 3, at 8.00 s"


def test_the_finding_of_the_analysis_itself_is_joined(analysis):
    class Take:
        capture, sample_rate_hz = "sub alone", 48000

    look = np.zeros((4, 48000), dtype=np.float32)
    look[0] = np.random.default_rng(5).standard_normal(48000)  # the feed; three microphones hear nothing
    _, found = _coarse(Take(), look, ["sub"], list(SEATS))
    assert [row.track for row in found] == list(SEATS)
    (row,) = shown(analysis, *found)
    assert "at mix, stage centre and lawn" in row.detail


def test_page_and_terminal_join_and_the_table_does_not(analysis):
    several = dataclasses.replace(analysis, findings=tuple(not_heard(seat) for seat in SEATS))
    assert page_bytes(several, []).decode("utf-8").count("is not heard at") == 1
    stream = io.StringIO()
    print_summary(several, console=Console(file=stream, width=200))
    assert stream.getvalue().count("is not heard at") == 1
    rows = list(csv.DictReader(io.StringIO(csv_tables(several)["quality.csv"].decode("utf-8"), newline="")))
    assert [row["track"] for row in rows] == list(SEATS)
    assert [row["detail"] for row in rows] == [not_heard(seat).detail for seat in SEATS]


@pytest.mark.parametrize(
    ("value", "unit", "figure"),
    [
        (-9.70199, "dB", "−9.7 dB"),
        (0.599979, "s", "0.60 s"),
        (8782.0, "samples", "8782 samples"),
        (34.4, "ppm", "34 ppm"),
        (0.995, "confidence", "over 99 %"),
        (0.871, "confidence", "87 %"),
        (7.0, "positions", "7 positions"),
    ],
)
def test_a_figure_has_no_more_digits_than_are_known(analysis, value, unit, figure):
    row = dataclasses.replace(not_heard("mix"), value=value, unit=unit)
    assert shown(analysis, row)[0].figure == figure


def test_a_pair_of_boxes_has_one_note(analysis):
    rows = opposite_high_sections({"mains": [3.0, -2.9], "sub left": [3.1, -3.0]}, {"mains": "main", "sub left": "sub"})
    (row,) = shown(analysis, *rows)
    assert row.place == "mains; sub left"
    assert row.lines == (1, 2)


def alone(analysis, reason: str, decision: str = "undecided"):
    """What is shown of a weak take of the tower alone, which has this decision and reason."""
    check = analysis.sound_check
    (capture,) = check.captures
    take = dataclasses.replace(capture, name="tower alone", feeds={"lawn tower": capture.feeds["lawn tower"]})
    rows = tuple(
        dataclasses.replace(row, decision=decision, reason=reason) if row.output == "lawn tower" else row
        for row in analysis.recommendations
    )
    detail = "Play it louder, wait for quiet, or record longer."
    found = Finding("little level over the noise", "warning", detail, "tower alone", "mix", value=-3.0, unit="dB")
    check = dataclasses.replace(check, captures=(capture, take))
    return dataclasses.replace(analysis, recommendations=rows, findings=(found,), sound_check=check)


@pytest.mark.parametrize("reason", ["Not sure: record it and mains alone again, louder.", "Record lawn tower alone."])
def test_what_to_record_is_said_once_and_linked(analysis, reason):
    made = alone(analysis, reason)
    (row,) = findings(made)
    assert row.detail == "What to record stands on the sheet, no. 3, lawn tower."
    assert row.lines == (3,)
    text = page_bytes(made, []).decode("utf-8")
    assert '<a class="line screen-only" href="#line-3">sheet, no. 3</a>' in text
    assert 'id="line-3"' in text
    assert text.count("Play it louder, wait for quiet") == 0


@pytest.mark.parametrize(
    ("reason", "decision"),
    [("Record mains alone again.", "undecided"), ("Record it alone.", "keep"), ("Record lawn towers.", "undecided")],
)
def test_what_the_sheet_does_not_say_stands_with_the_finding(analysis, reason, decision):
    (row,) = findings(alone(analysis, reason, decision))
    assert row.detail.startswith("Play it louder")


def test_of_a_group_the_line_is_named_where_the_reason_stands(analysis):
    """The wedge, put into the tower's group, says no more than that it moves with it."""
    made = alone(analysis, "Record wedge alone again, louder.")
    check = made.sound_check
    outputs = {
        n: dataclasses.replace(o, group="both" * (n in ("lawn tower", "wedge"))) for n, o in check.outputs.items()
    }
    feeds = {"wedge": check.captures[0].feeds["wedge"]}
    captures = (check.captures[0], dataclasses.replace(check.captures[1], feeds=feeds))
    check = dataclasses.replace(check, outputs=outputs, captures=captures)
    (row,) = findings(dataclasses.replace(made, sound_check=check))
    assert row.detail == "What to record stands on the sheet, no. 3, lawn tower."
    assert row.lines == (4,)


def test_a_wiring_to_mend_is_linked_from_the_sheet(analysis):
    found = Finding(WIRED_INVERTED, "warning", "Check the cable.", track="sub left", value=0.99, unit="confidence")
    text = page_bytes(dataclasses.replace(analysis, findings=(not_heard("mix"), found)), []).decode("utf-8")
    assert text.index("Check the cable.") < text.index("is not heard at")  # what is to be mended comes first
    assert ' id="hand-1">' in text
    assert text.count('<a class="screen-only" href="#hand-1">How to mend it</a>') == 1
    assert text.index("How to mend it") > text.index("Wired inverted: once that is mended")


def said_of(analysis, *rows: Finding) -> str:
    return notice(dataclasses.replace(analysis, findings=rows))


def test_warnings_are_said_beside_the_headline_with_what_hangs_on_them(analysis):
    stand = "The settings were decided with this known, and stand."
    clipping = Finding("clipping", "warning", "Turn it down.", "all in turn", "mix")
    gap = Finding("drop-out", "warning", "Look for it.", "all in turn", "lawn")
    assert said_of(analysis, clipping) == f"1 warning: clipping (mix). {stand}"
    assert said_of(analysis, gap, clipping, clipping) == f"2 warnings: drop-out (lawn) and clipping (mix). {stand}"
    of_reference = dataclasses.replace(gap, track="mains")
    assert said_of(analysis, of_reference) == (
        f"1 warning: drop-out (mains), in what was recorded of the reference, mains. {stand}"
    )
    everywhere = [dataclasses.replace(clipping, track=seat) for seat in ("mix", "lawn", "balcony")]
    assert said_of(analysis, *everywhere[:2]) == f"1 warning: clipping (mix and lawn). {stand}"
    assert said_of(analysis, *everywhere) == f"1 warning: clipping. {stand}"
    assert said_of(analysis, Finding("noise", "note", "Hum."), Finding(WIRED_INVERTED, "warning", "Mend it.")) == ""


def test_takes_that_disagree_are_to_be_made_again_before_anything_is_typed(analysis):
    apart = Finding("captures disagree", "warning", "Look.", "again", "mains")
    assert "if a gain or a microphone was changed in between, record every output in one round" in said_of(
        analysis, apart
    )
    assert "and stand." not in said_of(analysis, apart)


def test_that_there_are_no_warnings_is_said(analysis):
    hum = Finding("noise", "note", "Hum.")
    assert said_of(analysis) == said_of(analysis, hum) == "No warnings."
    page = page_bytes(dataclasses.replace(analysis, findings=(hum,)), ()).decode()
    assert '<p class="any">No warnings.</p>' in page
    waves = tuple(
        Waveform(name, "feed", name, 2.0, 0.5, np.zeros(n), np.zeros(n)) for name, n in (("a", 19), ("b", 20))
    )
    assert said_of(dataclasses.replace(analysis, waveforms=waves)) == "Short takes, under 10 s: a."
    assert page.index("No warnings.") < page.index("<table")
    kept = tuple(dataclasses.replace(row, decision="keep") for row in analysis.recommendations)
    decided = dataclasses.replace(analysis, findings=(hum,), recommendations=kept, inputs=())
    assert "Nothing: no finding touches the result." in page_bytes(decided, []).decode("utf-8")
    open_ = dataclasses.replace(kept[1], decision="undecided")
    page = page_bytes(dataclasses.replace(decided, recommendations=(kept[0], open_, *kept[2:])), []).decode("utf-8")
    assert "No finding does. What is not decided says in the sheet what it takes." in page


def test_what_an_error_or_an_undecided_output_asks_for_is_said_first(analysis):
    error = Finding("silent track", "error", "Record it again.", track="mix")
    assert said_of(analysis, error).startswith("1 error: silent track (mix). See to what is an error before you type;")
    open_one = Finding("output not heard", "warning", "Record it.", track="lawn tower")  # undecided in this analysis
    assert said_of(analysis, error, open_one) == (
        "1 error and 1 warning: silent track (mix) and output not heard (lawn tower). "
        "lawn tower is not decided: the sheet says what to put right or record again."
    )


@pytest.mark.parametrize("name", ["guesses in the description", "twins set differently"])
def test_nothing_is_typed_from_a_description_that_may_be_wrong(analysis, name):
    said = said_of(analysis, Finding(name, "warning", "Look."), Finding("silent track", "error", "Record it again."))
    assert said.endswith("before you type anything: the settings hang on it.")


def test_doubts_about_the_description_come_before_any_setting(analysis):
    doubted = dataclasses.replace(analysis, findings=(Finding("guesses in the description", "warning", "Look."),))
    said, lead = notice(doubted), headline.lead(doubted)
    text, stream = " ".join(sheet_text(doubted).split()), io.StringIO()
    print_summary(doubted, console=Console(file=stream, width=80))
    for where in (page_bytes(doubted, ()).decode(), text, " ".join(stream.getvalue().split())):
        assert where.index(said) < where.index(lead)
        assert where.count(said) == 1
    assert lead.startswith("If the description is right: ")
    # nothing is shown as sure then
    shown = [row.confidence for row in sheet_rows(doubted)]
    assert shown == [f"({row.confidence})" if row.confidence else "" for row in sheet_rows(analysis)]
    assert (
        confidence_words(doubted)
        == f"{confidence_words(analysis)} A figure in brackets holds only if the description is right."
    )
    classes = [re.search(r'<body(?: class="(.*?)")?>', page_bytes(one, ()).decode())[1] for one in (analysis, doubted)]
    assert [one is not None and "doubtful" in one.split() for one in classes] == [False, True]


def test_the_line_of_an_output_says_what_is_in_doubt_for_it(analysis):
    take = dataclasses.replace(analysis.sound_check.captures[0], name="alone", feeds={"sub left": Track("a.wav", 1)})
    check = dataclasses.replace(analysis.sound_check, captures=(*analysis.sound_check.captures, take))
    rows = (
        Finding("channels exchanged", "warning", "Look.", "alone", "mix"),
        Finding("clipping", "warning", "Loud.", "alone"),
    )
    one = dataclasses.replace(analysis, sound_check=check, findings=rows)
    said = {row.output: row.reason for row in sheet_rows(one)}
    assert said["sub left"].startswith("See to this first: channels exchanged. ")
    assert not any("See to this first" in reason for output, reason in said.items() if output != "sub left")


def test_many_kinds_are_counted_beside_the_headline(analysis):
    rows = [Finding(f"kind {k}", "warning", "Look.", track="mix") for k in range(5)]
    assert said_of(analysis, *rows).startswith("5 warnings: kind 0 (mix), kind 1 (mix), kind 2 (mix) and 2 more. ")


def test_the_notice_is_on_page_text_and_terminal(analysis):
    said = notice(analysis)
    assert said.startswith("1 error and 1 warning: own clock lost (lawn) and clipping (mix). ")
    page = page_bytes(analysis, ()).decode()
    assert page.index(said) < page.index("<table")
    assert f'{said}</strong> <a class="screen-only" href="#hand">' in page
    assert said in " ".join(sheet_text(analysis).split())
    stream = io.StringIO()
    print_summary(analysis, console=Console(file=stream, width=80))
    assert said in " ".join(stream.getvalue().split())


def test_the_table_of_settings_says_what_is_in_doubt(analysis):
    """Whoever opens it alone would type from it."""
    found = (Finding("microphones exchanged", "error", "Look.", "alone", "mix"), *analysis.findings)
    doubted = dataclasses.replace(analysis, findings=found)
    rows, sure = (records(one, RECOMMENDATIONS) for one in (doubted, analysis))
    decided = [k for k, row in enumerate(sure) if row["decision"] != "undecided"]
    assert decided
    for k, (row, before) in enumerate(zip(rows, sure, strict=True)):
        first = "In doubt (microphones exchanged): " if k in decided else ""
        assert row == {**before, "reason": first + before["reason"]}
