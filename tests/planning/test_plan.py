"""Lists of takes: what is on them, in what order, and what is refused."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.alignment.fills import _out_of_reach
from analyze.archive.opening import ReportRead
from analyze.description import Output, Position, load_outline, load_sound_check
from analyze.errors import DescriptionError
from analyze.planning import plan_for
from analyze.planning.asked import _to_be_recorded
from analyze.planning.checklist import checklist
from analyze.planning.describing import planned_text
from analyze.planning.takes import Earlier, plan_all, plan_rest

RIG = """\
# the old mill
format = 1
date = 2026-05-14
reference = "main right"
[outputs."main left"]  # above the stairs
kind = "main"
group = "mains"
[outputs."main right"]
kind = "main"
group = "mains"
[outputs.fill]
kind = "fill"
align_at = ["row one"]
feed_tap = "after"
[outputs."wedge \\u0000ö<b>"]
kind = "monitor"
[positions.mix]
zone = "audience"
[positions."row one"]
zone = "audience"
[positions.drums]
zone = "stage"
"""


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    (tmp_path / "soundcheck.toml").write_text(RIG.replace("\\u0000", ""), encoding="utf-8")
    return tmp_path


def test_every_output_once_at_every_position_the_reference_first(rig: Path) -> None:
    plan = plan_for(rig).plan
    assert [take.output for take in plan.takes] == ["main right", "main left", "fill", "wedge ö<b>"]
    assert {take.positions for take in plan.takes} == {("mix", "row one", "drums")}
    assert [take.file for take in plan.takes][2:] == ["003_fill.wav", "004_wedge-o-b.wav"]
    assert (plan.n_tracks, len(plan.rounds)) == (4, 1)
    assert plan.minutes == pytest.approx(4 * 30.0 / 60.0)


def test_distances_are_asked_for_from_the_reference(rig: Path) -> None:
    check = load_outline(rig)
    asked = (
        "By tape, from main right to mix ____ m, row one ____ m, drums ____ m; from main left to mix ____ m; "
        "from fill to row one ____ m; from wedge ö<b> to drums ____ m"
    )
    assert any(f"{asked}." in item for item in checklist(check, plan_for(rig).plan).setting_up)
    stage = replace(check, positions=check.positions | {"keys": Position("keys", "stage")})
    who = "from wedge ö<b> to whoever stands before it ____ m."
    assert any(who in item for item in checklist(stage, plan_for(rig).plan).setting_up)
    many = {name: Output(name, "sub", "subs") for name in map(str, range(20))}
    (item,) = (
        item
        for item in checklist(replace(check, outputs=check.outputs | many), plan_for(rig).plan).setting_up
        if asked in item
    )
    assert "; from 8 to mix ____ m; and so on, one of each output." in item


@pytest.mark.parametrize(("n", "places"), [(1, [1, 1, 1]), (2, [2, 1]), (3, [3]), (9, [3])])
def test_few_microphones_go_round(rig: Path, n: int, places: list[int]) -> None:
    plan = plan_for(rig, n).plan
    assert [len(round_[0].positions) for round_ in plan.rounds] == places
    heard = [(take.output, position) for take in plan.takes for position in take.positions]
    assert len(heard) == len(set(heard)) == 4 * 3
    assert len({take.file for take in plan.takes}) == len({take.name for take in plan.takes}) == len(plan.takes)


def test_the_description_is_valid_once_the_files_are_there(rig: Path, tmp_path: Path) -> None:
    asked = plan_for(rig, 2)
    text = planned_text(asked.check.source.decode(), asked.plan, asked.check)
    assert "# the old mill\n" in text
    assert "# above the stairs" in text
    day = tmp_path / "day"
    day.mkdir()
    (day / "soundcheck.toml").write_text(text, encoding="utf-8")
    with pytest.raises(DescriptionError, match="001_main-right"):
        load_sound_check(day)
    for take in asked.plan.takes:
        soundfile.write(day / take.file, np.zeros((9, 1 + len(take.positions))), 8000)
    check = load_sound_check(day)
    assert [capture.name for capture in check.captures] == [take.name for take in asked.plan.takes]
    assert [tuple(capture.mics) for capture in check.captures] == [take.positions for take in asked.plan.takes]
    assert check.outputs["fill"].feed_tap == "before"  # what is played is taken before any processor
    again = plan_for(day, 2)
    assert again.plan == asked.plan
    assert planned_text(text, again.plan, again.check) == text


def test_each_position_has_blanks_for_the_distances_to_be_taped(rig: Path) -> None:
    asked = plan_for(rig)
    text = planned_text(asked.check.source.decode(), asked.plan, asked.check)
    filled_in = re.sub(r"^# (distance_m.*?)  #.*$", r"\1", text, flags=re.MULTILINE).replace("____", "7.5")
    positions = tomllib.loads(filled_in)["positions"]
    assert positions["row one"]["distance_m"] == {"main right": 7.5, "fill": 7.5}
    assert positions["mix"]["distance_m"] == {"main right": 7.5, "main left": 7.5}
    assert positions["drums"]["distance_m"] == {"main right": 7.5, "wedge ö<b>": 7.5}
    (rig / "soundcheck.toml").write_text(RIG.replace("\\u0000", "") + '[positions.keys]\nzone = "stage"\n')
    asked = plan_for(rig)
    text = planned_text(asked.check.source.decode(), asked.plan, asked.check)
    assert text.count('"wedge ö<b>" = ____ }') == 2  # nobody says who stands before it


def test_settings_that_nobody_wrote_are_guesses(rig: Path) -> None:
    """A line for each that is missing, beneath the kind; what stands on one line has no room for a mark."""
    path = rig / "soundcheck.toml"
    rest = RIG.replace("\\u0000", "").replace('feed_tap = "after"', "delay_ms = 12.0")
    path.write_text(
        rest.replace("[positions.mix]", '[outputs]\nsub = { kind = "sub" }\n[positions.mix]'), encoding="utf-8"
    )
    asked = plan_for(rig)
    text = planned_text(asked.check.source.decode(), asked.plan, asked.check)
    assert 'kind = "main"\ndelay_ms = 0.0  # guess: nothing says it' in text
    outputs = tomllib.loads(text)["outputs"]
    assert outputs["fill"] == {"kind": "fill", "align_at": ["row one"], "delay_ms": 12.0, "polarity": "normal"}
    assert outputs["sub"] == {"kind": "sub"}
    assert text.count("# guess: ") == 3 + 4  # but for the fill's delay and the sub, of four outputs
    assert planned_text(text, asked.plan, asked.check) == text


def test_the_rest_comes_beside_what_there_is(rig: Path) -> None:
    check = load_outline(rig)
    plan = plan_rest(
        check,
        {"fill": "too quiet"},
        earlier=[Earlier("fill alone again", ("fill",), ())],
        files=["002_fill.WAV", "x.wav"],
    )
    assert [(take.output, take.positions, take.why) for take in plan.takes] == [
        ("main right", ("row one",), ""),
        ("fill", ("row one",), "too quiet"),
    ]
    assert [take.name for take in plan.takes] == ["main right alone again", "fill alone again 2"]
    assert [take.file for take in plan.takes] == ["003_main-right.wav", "004_fill.wav"]
    own = '[[captures]]\nname = "take"\nfeeds = {fill = "x.wav"}\nmics = {mix = "x.wav:2"}\n'
    captures = tomllib.loads(planned_text(check.source.decode() + own, plan, check))["captures"]
    assert [capture["name"] for capture in captures] == ["take", *(take.name for take in plan.takes)]
    inline = RIG.replace("\\u0000", "").replace("[outputs", 'captures = [{name = "take"}]\n[outputs', 1)
    assert len(tomllib.loads(planned_text(inline, plan, check))["captures"]) == 3
    assert any("behind the processor" in item for item in checklist(check, plan).setting_up)


def test_what_several_have_in_common_is_told_once(rig: Path) -> None:
    plan = plan_rest(load_outline(rig), {"main left": "too quiet", "fill": "too quiet", "wedge ö<b>": "not heard"})
    whys = {take.output: take.why for take in plan.takes}
    assert whys == {
        "main right": "",
        "main left": "too quiet",
        "fill": "For the same reason as main left.",
        "wedge ö<b>": "not heard",
    }


@pytest.mark.parametrize(
    ("files", "first"), [(["a.wav", "b/c.wav"], "001"), (["day/041_x.flac", "20260514_y.wav"], "042")]
)
def test_numbers_go_on_from_numbers_alone(rig: Path, files: list[str], first: str) -> None:
    assert plan_rest(load_outline(rig), {"fill": ""}, files=files).takes[0].file.startswith(f"{first}_")


def test_a_description_in_doubt_comes_before_any_take(rig: Path) -> None:
    check = load_outline(rig)
    assert checklist(check, plan_all(check)).first == ""
    first = checklist(check, plan_all(check), ["arrives before it was sent", "microphones exchanged"]).first
    assert first.startswith("First put the description right")
    assert "arrives before it was sent and microphones exchanged" in first


def test_monitors_are_settled_on_stage_and_the_reference_with_them(rig: Path) -> None:
    plan = plan_rest(load_outline(rig), {"wedge ö<b>": "too quiet"})
    assert [(take.output, take.positions) for take in plan.takes] == [
        ("main right", ("drums",)),
        ("wedge ö<b>", ("drums",)),
    ]


def test_what_the_description_lacks_is_said(tmp_path: Path) -> None:
    (tmp_path / "soundcheck.toml").write_text(
        'format = 1\n[outputs.fill]\nkind = "fill"\n[outputs.wedge]\nkind = "monitor"\n'
        '[positions.mix]\nzone = "audience"\n'
    )
    asked = plan_for(tmp_path)
    lacking = checklist(asked.check, asked.plan).lacking
    assert [text.split(":")[0] for text in lacking][:2] == ["One seat in the audience", "Monitors are judged on stage"]
    assert lacking[2].startswith("fill has no align_at")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = 1\n", "describes no outputs"),
        ('format = 1\n[outputs.a]\nkind = "main"\n', "describes no positions"),
        ('format = 1\n[outputs.a]\nkind = "mian"\n', "main"),
    ],
)
def test_what_cannot_be_planned_is_refused(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "soundcheck.toml").write_text(text)
    with pytest.raises(DescriptionError, match=says):
        plan_for(tmp_path)


def test_what_no_recording_would_settle_is_not_recorded(rig: Path) -> None:
    """As of a fill that would have to be earlier than without a delay; the words are those of its reason."""
    check = load_outline(rig)
    output = check.outputs["fill"]
    reach = f"Arrives 12 ms too late at mix, {_out_of_reach([output], 'main right', -50.0)}."

    def report(**reasons: str) -> ReportRead:
        rows = [{"output": name, "decision": "undecided", "reason": reason} for name, reason in reasons.items()]
        return ReportRead(rig, rig, False, {"recommendations": rows})

    assert list(_to_be_recorded(report(fill=reach, wedge="Record it alone."), check)) == ["wedge"]
    with pytest.raises(DescriptionError, match="fill: nothing has to be recorded again"):
        _to_be_recorded(report(fill=reach), check)


def test_nothing_is_planned_where_everything_is_decided(rig: Path) -> None:
    with pytest.raises(DescriptionError, match="every output is decided"):
        plan_rest(load_outline(rig), {})
    with pytest.raises(DescriptionError, match="does not name the output 'tower'"):
        plan_rest(load_outline(rig), {"tower": ""})


def test_captures_of_the_description_do_not_count(rig: Path) -> None:
    path = rig / "soundcheck.toml"
    path.write_text(path.read_text(encoding="utf-8") + '[[captures]]\nfeeds = {fill = "gone.wav"}\n', encoding="utf-8")
    assert len(plan_all(load_outline(rig)).takes) == 4


def test_a_main_that_was_not_recorded_on_stage_is_recorded_there_too_for_the_monitors(rig: Path) -> None:
    """No monitor is judged without it."""
    check = load_outline(rig)
    plan = plan_rest(check, {"main left": "not measured"})
    assert {take.positions for take in plan.takes} == {("mix", "row one", "drums")}
    known = Earlier("take", ("main left",), ("mix", "drums"))
    plan = plan_rest(check, {"main left": "too quiet"}, earlier=[known])
    assert {take.positions for take in plan.takes} == {("mix", "row one")}
