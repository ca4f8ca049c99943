"""What a report wants recorded again: undecided, asked for, too short, wired inverted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analyze.archive.opening import ReportRead
from analyze.description import SoundCheck, load_outline
from analyze.errors import DescriptionError
from analyze.planning.asked import _before, _to_be_recorded
from analyze.planning.checklist import checklist
from analyze.planning.takes import Earlier, plan_all, plan_rest
from analyze.reports.page_findings import WIRED_INVERTED

RIG = """\
format = 1
[outputs."main left"]
kind = "main"
group = "mains"
[outputs."main right"]
kind = "main"
group = "mains"
[outputs.sub]
kind = "sub"
[outputs.tower]
kind = "tower"
[outputs.wedge]
kind = "monitor"
[positions.mix]
zone = "audience"
[positions.drums]
zone = "stage"
"""


@pytest.fixture
def check(tmp_path: Path) -> SoundCheck:
    (tmp_path / "soundcheck.toml").write_text(RIG, encoding="utf-8")
    return load_outline(tmp_path)


def report(check: SoundCheck, reasons: dict[str, str] | None = None, **tables: Any) -> ReportRead:
    """A report in which these outputs are undecided and all others are kept."""
    reasons = reasons or {}
    rows = [
        {"output": name, "decision": "undecided" if name in reasons else "keep", "reason": reasons.get(name, "")}
        for name in check.outputs
    ]
    return ReportRead(check.folder, check.folder, False, {"recommendations": rows} | tables)


def finding(name: str, detail: str, *, severity: str = "warning", track: str = "", capture: str = "") -> dict[str, str]:
    return {"finding": name, "severity": severity, "detail": detail, "track": track, "capture": capture}


def test_who_is_named_in_the_reason_of_another_is_recorded_too(check: SoundCheck) -> None:
    """Of the group of the reference too, which is never undecided itself."""
    why = "In doubt: record main left, main right, sub and tower each alone again, louder or longer."
    reasons = _to_be_recorded(report(check, {"sub": why}), check)
    assert reasons == {
        "sub": why,
        "main left": "Needed to settle sub.",
        "main right": "Needed to settle sub.",
        "tower": "Needed to settle sub.",
    }
    assert [take.output for take in plan_rest(check, reasons).takes] == ["main left", "main right", "sub", "tower"]


def test_what_is_decided_is_recorded_where_a_reason_or_finding_asks_for_it(check: SoundCheck) -> None:
    untold = "main right cannot be told from main left. Record main right alone."
    sign = "Its sign cannot be told at any position: record it alone, louder."
    found = report(
        check,
        quality=[
            finding("feeds alike", untold, track="main right"),
            finding("output not heard", "tower is not heard at mix: record it louder.", severity="note", track="mix"),
            finding("noise over the take", "Talk is left out; record it again in quiet.", track="mix", capture="3"),
        ],
        wiring=[{"output": "wedge", "polarity": "undecided", "reason": sign}],
        sound_check={"captures": [{"name": "3", "feeds": {"sub": {"file": "a.wav"}}}]},
    )
    assert _to_be_recorded(found, check) == {
        "wedge": sign,
        "main right": untold,
        "sub": "Talk is left out; record it again in quiet.",
    }


def takes(*is_short: bool, is_at_once: bool = False) -> dict[str, Any]:
    """Takes of the wedge, short or not, in the form of a report."""
    captures = [{"name": f"take {k}", "feeds": {"wedge": {"file": f"{k}.wav"}}} for k in range(len(is_short))]
    short = [
        {"capture": f"take {k}", "outputs": ["wedge"], "is_at_once": is_at_once}
        for k, is_so in enumerate(is_short)
        if is_so
    ]
    return {"sound_check": {"captures": captures}, "short_takes": short}


def test_short_takes_are_made_again(check: SoundCheck) -> None:
    assert _to_be_recorded(report(check, **takes(True)), check) == {
        "wedge": "Its take 'take 0' is short, under 10 s: make it again."
    }
    assert _to_be_recorded(report(check, **takes(True, True, is_at_once=True)), check) == {
        "wedge": "'take 1' and 'take 0' hold all at once for under 30 s: make it alone."
    }
    assert _to_be_recorded(report(check, **takes(True, True, True)), check) == {
        "wedge": "Its takes 'take 2', 'take 1' and 1 more are short, under 10 s: make it again."
    }
    for enough in (takes(False), takes(True, False), takes(False, True)):
        with pytest.raises(DescriptionError, match="every output is decided"):
            _to_be_recorded(report(check, **enough), check)


def test_what_is_wired_inverted_is_recorded_once_it_is_mended(check: SoundCheck) -> None:
    found = report(check, quality=[finding(WIRED_INVERTED, "Check the cable.", track="tower")])
    (why,) = _to_be_recorded(found, check).values()
    assert why.startswith("Found wired inverted: look at the processor first, as the report says.")
    assert "Once it is mended, record it, and write its polarity of that day" in why
    assert [take.output for take in plan_rest(check, {"tower": why}).takes] == ["main left", "tower"]


def test_a_description_in_doubt_does_not_hide_what_is_to_be_recorded(check: SoundCheck) -> None:
    doubt = finding("microphones exchanged", "Look.", severity="error")
    with pytest.raises(DescriptionError, match="nothing else has to be recorded again"):
        _to_be_recorded(report(check, quality=[doubt]), check)
    assert list(_to_be_recorded(report(check, quality=[doubt], **takes(True)), check)) == ["wedge"]


def test_undecided_stage_inputs_are_not_called_decided(check: SoundCheck) -> None:
    with pytest.raises(DescriptionError, match="undecided among the stage inputs: kick out"):
        _to_be_recorded(report(check, inputs=[{"input": "kick out", "decision": "undecided"}]), check)


def test_a_monitor_that_the_audience_would_pay_for_is_recorded_at_the_seats(check: SoundCheck) -> None:
    why = "It would take 1.0 dB from the sum. Record wedge at the seats again, alone and louder, to settle it."
    assert {take.positions for take in plan_rest(check, {"wedge": why}).takes} == {("mix", "drums")}
    assert {take.positions for take in plan_rest(check, {"wedge": "too quiet"}).takes} == {("drums",)}


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (["mix"], "Too hot last time: mix. Play 10 dB softer and leave its gain; or turn it down"),
        (["drums", "mix"], "Too hot last time: mix, drums. Play 10 dB softer and leave their gains; or turn them down"),
    ],
)
def test_microphones_that_clipped_or_nearly_did_are_named_with_their_gain(
    check: SoundCheck, found: list[str], said: str
) -> None:
    names = dict(zip(found, ("clipping", "little headroom"), strict=False))
    quality = [finding(name, "x", track=track) for track, name in names.items()]
    before = _before(report(check, quality=[*quality, finding("clipping", "x", track="sub")]), check)
    plan = plan_rest(check, {"sub": "x"})
    items = checklist(check, plan, before=before).setting_up
    assert [item.startswith(said) for item in items].count(True) == 1
    assert not any("Too hot" in item for item in checklist(check, plan).setting_up)


def test_what_has_to_be_as_it_was_is_said(check: SoundCheck) -> None:
    """New takes are compared with the earlier ones; a list of everything has none."""
    found = report(check, quality=[finding("microphone chain inverted", "x", track="drums")])
    rest = checklist(check, plan_rest(check, {"sub": "x"}), before=_before(found, check)).setting_up
    everything = checklist(check, plan_all(check)).setting_up
    for words in ("every microphone stands where it stood then", "Inverted microphone chain: drums. It is allowed for"):
        assert [words in item for item in rest].count(True) == 1
        assert not any(words in item for item in everything)


def test_what_the_report_asks_for_stands_beside_what_was_described(check: SoundCheck) -> None:
    """Nobody is to put the processor back by the list."""
    asked = {"decision": "change", "recommended_delay_ms": 2.97, "recommended_polarity": "inverted"}
    gains_db = {"tower": ("tower", 0.2), "sub": ("sub", 0.4), "main right": ("main", 0.6)}
    found = report(check)
    rows = found.results["recommendations"]
    rows = [
        row | asked | dict(zip(("kind", "gain_db"), gains_db[row["output"]], strict=True))
        if row["output"] in gains_db
        else row
        for row in rows
    ]
    found = report(check, recommendations=rows)
    settings = dict(checklist(check, plan_rest(check, {"sub": "x"}), before=_before(found, check)).settings)
    assert settings["tower"].endswith("; the report asks for 2.97 ms, inverted")
    assert settings["sub"].endswith("; the report asks for 2.97 ms, inverted (optional)")
    assert settings["main right"].endswith("; the report asks for 2.97 ms, inverted")
    assert not any("asks" in text for name, text in settings.items() if name not in gains_db)


@pytest.mark.parametrize(("again", "is_shared"), [("sub", True), ("tower", False)])
def test_a_take_of_several_goes_with_the_output_that_was_mended(check: SoundCheck, again: str, is_shared: bool) -> None:
    """What sounded beside it was told apart from it as it was; the reference is only compared."""
    takes = Earlier("all", ("main left", "sub"), ("mix",)), Earlier("tower alone", ("tower",), ("mix",))
    plan = plan_rest(check, {again: "x"}, earlier=takes)
    said = next(item for item in checklist(check, plan).afterwards if "mended" in item)
    assert ("'all' holds it beside others" in said) is is_shared
    assert ("make a round of every output instead" in said) is is_shared


EVERY = dict.fromkeys(("main left", "main right", "sub", "tower", "wedge"), "x")


def test_takes_that_are_a_round_of_every_output_ask_for_no_other(check: SoundCheck) -> None:
    """At every position: where one is left out the earlier takes are all that tells of it."""
    hot = report(check, quality=[finding("clipping", "x", track="mix")])
    takes = (Earlier("all", ("main left", "sub"), ("mix",)),)
    said = checklist(check, plan_rest(check, EVERY, earlier=takes), before=_before(hot, check))
    items = " ".join((*said.setting_up, *said.afterwards))
    assert items.count("take the earlier takes out of the description: these takes are a round of every output") == 2
    assert "'all' holds it beside others, of which nothing is left then: that is no loss" in items
    assert "round of every output instead" not in items
    assert "make that round" not in items
    one_less = {name: why for name, why in EVERY.items() if name != "tower"}
    items = " ".join(checklist(check, plan_rest(check, one_less, earlier=takes), before=_before(hot, check)).setting_up)
    assert "make a round of every output instead" in items
    assert "these takes are a round" not in items
    rounds = plan_all(check, 1)
    assert rounds.is_every(check)
    assert not replace(rounds, takes=rounds.takes[:-1]).is_every(check)
    assert not plan_rest(check, EVERY, 1).is_every(check)  # the tower is not recorded on stage


def test_the_way_out_comes_before_what_nobody_can_do_on_a_field(check: SoundCheck) -> None:
    items = checklist(check, plan_rest(check, {"sub": "x"})).setting_up
    (out,) = (k for k, item in enumerate(items) if item.startswith("Where you cannot put every microphone back"))
    assert "10 cm (0.3 ms)" in items[out]
    assert "or on another day: make a round of every output instead" in items[out]
    assert items[out].endswith("and take the earlier takes out of the description.")
    assert items[out + 1].startswith("Else these takes are compared with the earlier ones")


@pytest.mark.parametrize(
    ("files", "words"),
    [
        (["a.wav", "b.wav"], "the one in which its soundcheck.toml lies. Then"),
        (["rec/a.wav", "rec/b.wav"], "lies, and not into rec, where the old recordings lie and stay. Then"),
        (["a.wav", "day/b.wav", "c/d/e.wav"], "lies, and not into day and c/d, where the old recordings lie and stay."),
    ],
)
def test_new_files_go_where_the_description_looks_for_them(check: SoundCheck, files: list[str], words: str) -> None:
    before = _before(report(check, input_files=[{"path": file} for file in files]), check)
    (said,) = (x for x in checklist(check, plan_rest(check, {"sub": "x"}), before=before).afterwards if "Put the" in x)
    assert words in said
    assert all("/" not in take.file for take in plan_rest(check, {"sub": "x"}, files=files).takes)


def test_a_list_ends_with_how_the_new_settings_are_proved(check: SoundCheck) -> None:
    for plan in (plan_all(check), plan_rest(check, {"sub": "x"})):
        (said,) = (item for item in checklist(check, plan).afterwards if "verify-settings" in item)
        assert "into a folder of its own" in said
