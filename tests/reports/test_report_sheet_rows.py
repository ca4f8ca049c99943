"""The lines of the settings sheet: from and to, lengths, runners-up, proofs, what stays."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
from page_reading import read

from analyze.alignment.arrivals import RIGHT_MS
from analyze.alignment.confidence import RIGHT_DB
from analyze.alignment.decision import DECIDED, setting_words
from analyze.alignment.rows import Proof
from analyze.description import Setting
from analyze.reports import page_evidence, page_sheet
from analyze.reports.alternatives import alternatives
from analyze.reports.confidences import confidence_words
from analyze.reports.page import page_bytes
from analyze.reports.page_text import sheet_text
from analyze.reports.proof_words import BY_EAR_DB, HOW, proof_text, proof_words

NOT_YET = "Likeliest so far, not to be typed"

#: What is said of the runner-up of the made-up analysis, whatever setting it is called.
STEP = ", 6 ms ahead of the first main"


def test_the_sheet_says_what_to_type(analysis):
    row = page_sheet.sheet_rows(analysis)[1]
    assert (row.delay_from, row.delay_to, row.polarity_from, row.polarity_to) == ("2.00", "5.00", "normal", "inverted")
    # 5 ms at 21 degrees Celsius: 343.2 sqrt(294.15 / 293.15) m/s, 0.3048 m to the foot.
    assert row.delay_length == "1.7 m, 5.5 ft"
    assert (row.decision_words, row.confidence, row.gain) == ("Change", "93 %", "+1.2 dB")
    assert row.where == "device Processor A · channel 2"
    assert row.delay_change == "3.00 ms later = 1.0 m, 3.5 ft"
    assert row.alternatives == (("Runner-up, as good within 0.5 dB", f"inverted, 12.40 ms, 0.2 dB less{STEP}"),)
    assert row.worst == "worst at balcony: −0.3 dB"
    assert row.reason


def test_a_proof_to_try_by_ear_says_what_to_play_flip_and_hear(analysis, report):
    rows = page_sheet.sheet_rows(analysis)
    seat = analysis.proofs[0].position
    said = f"Heard at “{seat}”: flip {rows[1].output}, and 63 to 100 Hz together drop by 7 dB (5 for sure)."
    assert rows[1].proof == ("Check by ear", said)
    for how, text in ((". ", read(report).text), (": ", " ".join(sheet_text(analysis).split()))):
        assert f"Check by ear{how}{said}" in text
        assert HOW in text
    assert HOW not in sheet_text(dataclasses.replace(analysis, proofs=())).replace("\n", " ")
    subs = Proof(("sub left", "sub right"), "mix", "audience", ("wedge",), 80.0, 80.0, 9.6, 9.0)
    said = (
        "Heard at “mix”, without wedge: flip sub left and sub right together, and the third octave at 80 Hz drops by "
    )
    assert proof_text(subs) == f"{said}10 dB (9 for sure)."
    assert proof_text(dataclasses.replace(subs, drop_db=7.83, sure_drop_db=7.79)) == f"{said}8 dB."


def test_of_what_has_no_switch_the_others_are_flipped(analysis):
    """To flip all others does the same to the sum; where they have no switch either there is no check."""

    def said(*fixed: str) -> tuple[str, str]:
        outputs = {
            name: dataclasses.replace(one, can_invert=name not in fixed)
            for name, one in analysis.sound_check.outputs.items()
        }
        check = dataclasses.replace(analysis.sound_check, outputs=outputs)
        return proof_words(dataclasses.replace(analysis, sound_check=check), analysis.recommendations[1])

    named = analysis.recommendations[1].output
    others = [name for name in analysis.sound_check.outputs if name != named]
    assert f"flip {named}, and" in said()[1]
    how, words = said(named)
    assert how == "Check by ear"
    assert f"flip {', '.join(others[:-1])} and {others[-1]} together, and" in words
    assert f"({named} has no polarity switch, so it is the others that are flipped.)" in words
    assert said(named, others[0]) == (
        "No check",
        f"{named} has no polarity switch, and the others cannot all be flipped at once.",
    )


@pytest.mark.parametrize(
    ("bands_hz", "sure_db", "called"),
    [
        ((125.0, 125.0), BY_EAR_DB - 0.1, "Check on an analyser"),
        ((125.0, 125.0), BY_EAR_DB, "Check by ear"),
        ((125.0, 160.0), 3.2, "Check by ear"),
    ],
)
def test_little_of_one_third_octave_is_checked_on_an_analyser(analysis, bands_hz, sure_db, called):
    proof = dataclasses.replace(
        analysis.proofs[0], low_hz=bands_hz[0], high_hz=bands_hz[1], drop_db=6.0, sure_drop_db=sure_db
    )
    label, words = page_sheet.sheet_rows(dataclasses.replace(analysis, proofs=(proof,)))[1].proof
    assert label == called
    assert ("A microphone at “balcony”" in words) is (called == "Check on an analyser")
    assert ("Heard at “balcony”" in words) is (called == "Check by ear")


def test_why_there_is_no_check_is_said_of_what_is_decided(analysis):
    rows = page_sheet.sheet_rows(dataclasses.replace(analysis, proofs=()))
    why = "is sure to drop by 3 dB: too little to go by."
    found = {row.output: row.proof for row in rows}
    assert found == {
        "mains": ("", ""),  # the reference
        "sub left": ("No check", f"flipped, no band at any seat {why}"),
        "lawn tower": ("", ""),  # not decided
        "wedge": ("No check", f"flipped, no band on stage {why}"),
    }
    assert f"No check: flipped, no band at any seat {why}" in " ".join(
        sheet_text(dataclasses.replace(analysis, proofs=())).split()
    )


def test_a_check_elsewhere_than_where_a_tower_was_lined_up_says_so(analysis):
    """The made-up grounds line the tower up at the balcony."""
    proof = dataclasses.replace(analysis.proofs[0], outputs=("lawn tower",))
    tower = dataclasses.replace(analysis.recommendations[2], decision="keep")
    for seat, is_said in (("balcony", False), ("mix", True)):
        one = dataclasses.replace(analysis, proofs=(dataclasses.replace(proof, position=seat),))
        words = proof_words(one, tower)[1]
        assert words.endswith(" Its delay was chosen for balcony; the drop is clearest at mix.") is is_said


def polarity_of(analysis, polarity_confidence: float, cost_db: float):
    row = dataclasses.replace(
        analysis.recommendations[1],
        confidence=0.995,
        polarity_confidence=polarity_confidence,
        cost_if_wrong_db=cost_db,
    )
    rows = (analysis.recommendations[0], row, *analysis.recommendations[2:])
    return dataclasses.replace(analysis, recommendations=rows)


def test_a_polarity_less_sure_than_its_setting_is_said_beside_it(analysis):
    one = polarity_of(analysis, 0.9, 0.2)
    row = page_sheet.sheet_rows(one)[1]
    assert (row.confidence, row.polarity_confidence) == ("over 99 %", "polarity alone 90 %")
    said = (
        "Either polarity, each at its best delay, is as good within 0.5 dB: over 99 % sure is that this setting is "
        "right, 90 % that its polarity is the better one"
    )
    assert row.alternatives[-1] == ("", said)
    monitor = dataclasses.replace(one.recommendations[1], kind="monitor")
    assert alternatives(one, monitor)[-1] == ("", said.replace(", each at its best delay,", ""))
    assert f"{said}." in " ".join(sheet_text(one).split())
    assert "polarity alone 90 %" in page_bytes(one, ()).decode()
    assert "Either" not in str(page_sheet.sheet_rows(polarity_of(analysis, 0.9, 1.4))[1].alternatives)
    assert page_sheet.sheet_rows(polarity_of(analysis, 0.98, 0.2))[1].polarity_confidence == ""


def test_two_sound_checks_of_one_place_and_day_can_be_told_apart(analysis, report):
    one = page_sheet.identity(analysis)
    assert re.fullmatch(r"[0-9a-f]{8}", one)
    assert read(report).text.count(one) == 3  # under the title, in the sheet as text, at the end
    assert f"fingerprint {one}" in " ".join(sheet_text(analysis).split())
    described = dataclasses.replace(analysis.sound_check, source=b"format = 1\n# another\n")
    files = (dataclasses.replace(analysis.input_files[0], sha256="ef" * 32), *analysis.input_files[1:])
    others = (
        dataclasses.replace(analysis, sound_check=described),
        dataclasses.replace(analysis, input_files=files),
        analysis,
    )
    assert len({page_sheet.identity(other) for other in others}) == 3
    elsewhere = dataclasses.replace(analysis.sound_check, folder=Path("elsewhere"))
    assert page_sheet.identity(dataclasses.replace(analysis, sound_check=elsewhere)) == one
    assert page_sheet.identity(dataclasses.replace(analysis, input_files=analysis.input_files[::-1])) == one


def test_an_undecided_output_keeps_its_setting_on_the_sheet(analysis):
    row = page_sheet.sheet_rows(analysis)[2]
    assert row.delay_from == row.delay_to
    assert not row.is_polarity_changed
    assert (row.decision_words, row.decision_more) == ("Not decided", "keep for now")
    assert row.delay_change == ""
    assert row.confidence == ""  # it is of what is likeliest so far, not of what stays
    assert row.alternatives == ((f"{NOT_YET}, 62 % sure", "normal, 9.10 ms, +0.4 dB"),)


def test_what_stays_as_it_is_has_a_dash_for_its_gain(analysis, report):
    # All rows but the reference carry a gain of 1.25 dB in the made-up analysis; only changed ones may show it.
    changed = [page_sheet.is_changed(row) for row in analysis.recommendations]
    assert changed == [False, True, False, False]
    assert [bool(row.gain) for row in page_sheet.sheet_rows(analysis)] == changed
    assert [bool(row.worst) for row in page_sheet.sheet_rows(analysis)] == changed
    table = page_evidence.certainty_table(analysis)
    for heading in ("better by (dB)", "least at", "there by (dB)"):
        column = [one.text for one in table.headings].index(heading)
        assert [row[column] != "–" for row in table.rows] == changed
    assert read(report).text.count("worst at balcony") == 3  # the table, its line on paper, the sheet as text


def alternative_of(analysis, text: str) -> tuple[tuple[str, str], ...]:
    row = dataclasses.replace(analysis.recommendations[1], alternative=text)
    return page_sheet.sheet_rows(dataclasses.replace(analysis, recommendations=(row,)))[0].alternatives


def test_an_alternative_is_called_what_it_is(analysis):
    # The words of a setting come from where decisions are put into words.
    setting = setting_words([analysis.sound_check.outputs["sub left"]], (-1.0, 8.92))
    lower = "its delay cannot go lower: everything else 2.60 ms later would give 0.3 dB more"
    for cost in ("0.6", "2.4"):  # no longer within what counts as right
        assert alternative_of(analysis, f"{setting} costs {cost} dB") == (
            ("Runner-up", f"{setting} costs {cost} dB{STEP}"),
        )
    for cost in ("0.1", "0.5"):
        assert alternative_of(analysis, f"{setting} costs {cost} dB") == (
            (f"Runner-up, as good within {RIGHT_DB:g} dB", f"{setting}, {cost} dB less{STEP}"),
        )
    assert alternative_of(analysis, f"{setting} is as good") == (("Runner-up, as good", f"{setting}{STEP}"),)
    assert alternative_of(analysis, lower) == (("", f"I{lower[1:]}"),)
    assert alternative_of(analysis, f"candidate {setting}") == ((f"{NOT_YET}, 93 % sure", setting),)
    both = ((f"{NOT_YET}, 93 % sure", f"{setting}, +1.1 dB"), ("", f"I{lower[1:]}"))
    assert alternative_of(analysis, f"candidate {setting}, +1.1 dB; {lower}") == both
    fill = "delaying a; b and its group by 1.20 ms would line it up"
    assert alternative_of(analysis, fill) == (("", f"D{fill[1:]}"),)
    assert alternative_of(analysis, "") == ()


def test_lengths_follow_the_temperature(analysis):
    for celsius, said in ((21.0, "3.00 ms later = 1.0 m, 3.5 ft"), (-10.0, "3.00 ms later = 1.0 m, 3 ft")):
        # 343.2 sqrt(T / 293.15) m/s (ISO 9613-1): 343.8 and 325.2; 0.3048 m to the foot.
        check = dataclasses.replace(analysis.sound_check, temperature_c=celsius)
        rows = page_sheet.sheet_rows(dataclasses.replace(analysis, sound_check=check))
        assert [row.delay_change for row in rows] == ["", said, "", ""]


def test_every_changed_delay_has_its_lengths_on_the_page(report):
    text = read(report).text
    assert "2.00 → 5.00 ms 1.7 m, 5.5 ft 3.00 ms later = 1.0 m, 3.5 ft" in text
    assert "0.84 ms on kick in 0.3 m, 1 ft" in text


def test_differences_inside_a_group_are_said_to_stay(make):
    names = ("mains", "sub left", "sub right", "tower")
    analysis = make(names, ("mix", "lawn", "hill"))
    rows = list(analysis.recommendations)
    check = analysis.sound_check
    outputs = {
        name: dataclasses.replace(output, kind="sub" if "sub" in name else output.kind, group="subs" * ("sub" in name))
        for name, output in check.outputs.items()
    }

    def notes(**differing) -> list[str]:
        rows[2] = dataclasses.replace(rows[1], output="sub right", **differing)
        changed = dataclasses.replace(
            analysis, recommendations=tuple(rows), sound_check=dataclasses.replace(check, outputs=outputs)
        )
        return [page_sheet.group_note(changed, row) for row in changed.recommendations]

    stays = "than sub left, and stays so: differences inside a group are taken as design."
    assert notes() == ["", "", "", ""]
    assert notes(setting_delay_ms=4.5) == ["", "", f"It is 2.50 ms later {stays}", ""]
    mistake = "If it is none, set them alike and record again."
    assert notes(setting_polarity="inverted") == ["", "", f"It is of the other polarity {stays} {mistake}", ""]
    both = notes(setting_delay_ms=1.5, setting_polarity="inverted")[2]
    assert both == f"It is 0.50 ms earlier and of the other polarity {stays} {mistake}"


@pytest.mark.parametrize(("tap", "is_said"), [("before", False), ("after", True)])
def test_twins_that_sound_alike_are_not_called_opposite_by_design(analysis, tap, is_said):
    """Described as inverted, and wired so: which of the two is wrong is said elsewhere."""
    check, first = analysis.sound_check, analysis.recommendations[1]
    twin = dataclasses.replace(
        check.outputs["sub left"], name="sub right", group="subs", feed_tap=tap, setting=Setting(2.0, "inverted")
    )
    outputs = check.outputs | {
        "sub left": dataclasses.replace(check.outputs["sub left"], group="subs"),
        "sub right": twin,
    }
    row = dataclasses.replace(first, output="sub right", setting_polarity="inverted")
    wiring = dataclasses.replace(analysis.wiring[0], output="sub right", polarity="inverted")
    changed = dataclasses.replace(
        analysis,
        recommendations=(analysis.recommendations[0], first, row),
        sound_check=dataclasses.replace(check, outputs=outputs),
        wiring=(*analysis.wiring, wiring),
    )
    assert ("taken as design" in page_sheet.group_note(changed, row)) is is_said


@pytest.mark.parametrize(("delay_ms", "said"), [(0.84, "0.84 ms on kick in"), (-0.84, "0.84 ms on kick out")])
def test_the_earlier_input_is_the_one_to_delay(analysis, delay_ms, said):
    row = dataclasses.replace(analysis.inputs[0], relative_delay_ms=delay_ms)
    assert page_sheet.input_rows(dataclasses.replace(analysis, inputs=(row,)))[0].delay == said


def test_reason_and_runner_up_are_said_once_for_a_group(make):
    analysis = make(("mains", "sub left", "sub right"), ("mix", "lawn", "hill"))
    rows, check = list(analysis.recommendations), analysis.sound_check
    rows[2] = dataclasses.replace(rows[1], output="sub right")
    outputs = check.outputs | {
        name: dataclasses.replace(check.outputs[name], kind="sub", group="subs") for name in ("sub left", "sub right")
    }
    check = dataclasses.replace(check, outputs=outputs)
    found = page_sheet.sheet_rows(dataclasses.replace(analysis, recommendations=tuple(rows), sound_check=check))
    assert [bool(row.alternatives) for row in found] == [False, True, False]
    assert [row.reason for row in found] == [rows[0].reason, rows[1].reason, "As sub left, with which it moves as one."]


def test_subs_that_are_in_no_group_say_why_they_differ(analysis):
    sub = dataclasses.replace(analysis.recommendations[1], group="")
    check = analysis.sound_check
    outputs = check.outputs | {name: dataclasses.replace(check.outputs["mains"], group="") for name in ("L", "R")}
    outputs = {name: dataclasses.replace(one, name=name) for name, one in outputs.items()}
    check = dataclasses.replace(check, outputs=outputs)

    def notes(later_ms: float) -> list[str]:
        rows = tuple(
            dataclasses.replace(sub, output=name, recommended_delay_ms=5.0 + ms)
            for name, ms in (("L", 0.0), ("R", later_ms))
        )
        changed = dataclasses.replace(analysis, recommendations=rows, sound_check=check)
        return [page_sheet.group_note(changed, row) for row in rows]

    said = "L and R are in no group, so each is set for itself. To move them as one, give them a group."
    assert notes(1.7) == [said, ""]
    assert notes(0.0) == ["", ""]


def test_what_a_confidence_means_is_said_below_the_sheet(analysis, report):
    """Within which limits a setting counts as right: those that it is computed with."""
    said = confidence_words(analysis)
    limits = (
        f"over {RIGHT_DB:g} dB",
        f"within {RIGHT_MS:g} ms",
        f"Under {100 * DECIDED:.0f} %",
        "a sixth of a cycle",
    )
    for limit in limits:
        assert limit in said
    text = read(report).text
    assert text.index("93 %") < text.index(said) < text.index("What needs a hand", text.index(said))
    assert text.count("Confidence: ") == 2  # below the sheet, and in the sheet as text
    assert said in " ".join(sheet_text(analysis).split())


def test_it_says_of_which_outputs_half_a_setting_is_judged(analysis):
    names = [row.output for row in analysis.recommendations if row.decision != "reference"]
    limits = dict.fromkeys(names, "both") | {names[0]: "polarity"}
    outputs = {
        name: dataclasses.replace(one, adjust=limits.get(name, "polarity"))
        for name, one in analysis.sound_check.outputs.items()
    }
    check = dataclasses.replace(analysis.sound_check, outputs=outputs)
    said = page_sheet.half_judged_words(dataclasses.replace(analysis, sound_check=check))
    assert said == f"Only the polarity of {names[0]} is judged (adjust, of monitors by default); its delay stays."
