"""A description without mistakes: every key of the format, its default, and what it becomes."""

from __future__ import annotations

import math
import tomllib
import unicodedata
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze import description_schema
from analyze.description import Capture, Output, Position, Setting, Track, load_sound_check
from tests.description_example import EXAMPLE, edited, load, write_files


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_files(tmp_path)


def test_example_has_every_key() -> None:
    document = tomllib.loads(EXAMPLE)
    for tables, model in (
        ([document], description_schema.DescriptionTable),
        (document["outputs"].values(), description_schema.OutputTable),
        (document["positions"].values(), description_schema.PositionTable),
        (document["captures"], description_schema.CaptureTable),
    ):
        assert {key for table in tables for key in table} == set(model.model_fields)


def test_whole_example(folder: Path) -> None:
    check = load(folder, EXAMPLE)
    assert (check.path, check.folder) == (folder / "soundcheck.toml", folder)
    assert (check.title, check.date, check.temperature_c) == ("Harbour hall, empty room", "2026-05-14", 21.0)
    assert check.reference == "mains"
    assert check.notes == {
        "venue": "Harbour hall",
        "engineer": "R. Vale",
        "notes": "doors\nclosed",
        "humidity_percent": "45",
    }
    assert list(check.outputs) == ["mains", "sub left", "sub right", "tower", "wedge"]
    assert check.outputs["mains"] == Output(
        "mains", "main", "", Setting(1.5), "after", "delay", 0.5, 400.0, 0.02, False, 1.3,
        notes={"device": "processor A", "channel": "3", "preset": "hall"},
    )  # fmt: skip
    assert check.outputs["tower"].align_at == ("lawn",)
    assert check.outputs["tower"].later_ms == 12.0
    notes = {"microphone": "omni", "serial": "1234", "calibration": "2026-01-10", "measured_by": "R. Vale"}
    assert list(check.positions) == ["mix", "lawn", "drums"]
    assert check.positions["mix"] == Position("mix", "audience", 2.0, "inverted", {"mains": 24.5}, notes)
    assert check.positions["drums"] == Position("drums", "stage")
    (finding,) = check.findings
    assert (finding.finding, finding.severity, finding.value) == ("delay not written", "note", 4)
    assert all(f"{name!r}" in finding.detail for name in ("sub left", "sub right", "tower", "wedge"))
    assert "mains" not in finding.detail  # whose delay is written


def test_a_delay_that_is_missing_where_most_are_written_is_a_warning(folder: Path) -> None:
    check = load(folder, EXAMPLE)
    written = {name: replace(output, unwritten=frozenset()) for name, output in check.outputs.items()}
    for name, severity in (("tower", "warning"), ("sub left", "warning"), ("mains", "note"), ("wedge", "warning")):
        outputs = written | {name: replace(written[name], unwritten=frozenset({"delay_ms"}))}
        found = [one for one in replace(check, outputs=outputs).findings if one.track == name]
        assert [(one.finding, one.severity) for one in found] == [("delay not written", severity)]


def test_captures_of_the_example(folder: Path) -> None:
    alone, together, kit = load(folder, EXAMPLE).captures
    assert alone == Capture(
        "mains alone",
        ("mains",),
        0.5,
        30.0,
        {"mains": Track("take1.wav", 1)},
        {"mix": Track("take1.wav", 2), "lawn": Track("take1.wav", 3)},
        settings={"mains": Setting(1.5)},
        temperature_c=21.0,
    )
    assert (together.name, together.playing) == ("capture 2", ("mains", "sub left"))
    assert together.feeds["sub left"] == Track("take2.wav", 2)
    assert together.mics["lawn"] == Track("handheld.wav", 1)
    assert together.unsynced == (("handheld.wav",), ("more/take3.wav",))
    assert together.settings == {"mains": Setting(1.5), "sub left": Setting(0.0, "inverted")}
    assert (together.temperature_c, together.same_start, together.start_s) == (17.0, True, 0.0)
    assert math.isnan(together.end_s)
    assert kit.inputs == {"kick in": Track("kick_in.wav", 1), "kick out": Track("kick_out.wav", 1)}
    assert kit.against == {"kick out": "kick in"}
    assert (kit.playing, kit.feeds, kit.settings) == ((), {}, {})


def test_a_temperature_that_nobody_wrote_down_is_assumed(folder: Path) -> None:
    text, _ = edited("temperature_c = 21.0\n", "")
    assert not load(folder, EXAMPLE).is_temperature_assumed
    assert (load(folder, text).temperature_c, load(folder, text).is_temperature_assumed) == (20.0, True)


def test_defaults_of_an_output(folder: Path) -> None:
    outputs = load(folder, EXAMPLE).outputs
    sub = outputs["sub left"]
    assert (sub.setting, sub.setting.sign, sub.feed_tap, sub.adjust) == (Setting(0.0, "normal"), 1, "before", "both")
    assert (sub.min_delay_ms, sub.max_delay_ms, sub.delay_step_ms, sub.can_invert) == (0.0, 500.0, 0.01, True)
    assert math.isnan(sub.latency_ms)
    assert (sub.align_at, sub.later_ms, sub.notes) == ((), 0.0, {})
    assert outputs["wedge"].adjust == "polarity"
    assert Setting(0.0, "inverted").sign == -1


def test_settings_follow_the_output_and_name_what_plays(folder: Path) -> None:
    text, _ = edited('playing = ["mains"]', 'playing = ["mains", "tower"]\nsettings = { mains = { delay_ms = 2 } }')
    capture = load(
        folder, text.replace('kind = "tower"', 'kind = "tower"\ndelay_ms = 7\npolarity = "inverted"')
    ).captures[0]
    assert capture.settings == {"mains": Setting(2.0), "tower": Setting(7.0, "inverted")}


@pytest.mark.parametrize(
    ("kinds", "reference"),
    [(("sub", "main", "main"), "o1"), (("sub", "fill"), "o0"), ((), "")],
)
def test_default_reference(folder: Path, kinds: tuple[str, ...], reference: str) -> None:
    outputs = "".join(f'[outputs.o{n}]\nkind = "{kind}"\n' for n, kind in enumerate(kinds))
    text = f'format = 1\n{outputs}[[captures]]\ninputs = {{ a = "kick_in.wav", b = "kick_out.wav" }}\n'
    assert load(folder, text).reference == reference


def test_groups(folder: Path) -> None:
    check = load(folder, EXAMPLE)
    assert check.groups == (("mains",), ("sub left", "sub right"), ("tower",), ("wedge",))
    assert check.group_of("sub right") == ("sub left", "sub right")
    with pytest.raises(KeyError, match="unknown"):
        check.group_of("unknown")


def test_left_and_right_subs_without_a_group_are_told(folder: Path) -> None:
    check = load(folder, EXAMPLE)

    def found(**groups: str) -> list[str]:
        outputs = {name: replace(o, group=groups.get(name[-5:].strip(), o.group)) for name, o in check.outputs.items()}
        rows = replace(check, outputs=outputs).findings
        return [row.track for row in rows if row.finding == "twins without a group"]

    assert found() == []
    assert found(left="", right="") == ["sub left"]
    assert found(left="subs of the left", right="subs of the right") == []
    assert found(left="") == []


def test_mains_without_a_group_are_one_and_a_finding_says_so(folder: Path) -> None:
    text, _ = edited('[outputs."sub left"]\nkind = "sub"\ngroup = "subs"', '[outputs."sub left"]\nkind = "main"')
    check = load(folder, text)
    assert check.groups[0] == ("mains", "sub left")
    assert [(row.finding, row.severity, row.track, row.value) for row in check.findings] == [
        ("mains without a group", "warning", "mains", 2),
        ("kind and name differ", "warning", "sub left", pytest.approx(math.nan, nan_ok=True)),
        ("delay not written", "warning", "sub left", pytest.approx(math.nan, nan_ok=True)),  # the other main has one
        ("delay not written", "note", "sub right", 3),
    ]
    grouped = {
        name: replace(output, group="a") if name == "mains" else output for name, output in check.outputs.items()
    }
    found = [row.finding for row in replace(check, outputs=grouped).findings]
    assert found == ["kind and name differ", "delay not written"]


@pytest.mark.parametrize(
    ("kind", "names", "setting", "found"),
    [
        ("sub", ("sub left", "sub right"), Setting(1.2, "normal"), ("warning", 1.2)),
        ("sub", ("sub left", "sub right"), Setting(0.0, "inverted"), ("warning", math.nan)),
        ("tower", ("Tower L", "Tower R"), Setting(1.2, "normal"), ("note", 1.2)),
        ("tower", ("Tower L", "Tower R"), Setting(0.0, "inverted"), ("warning", math.nan)),
        ("sub", ("sub left", "sub right"), Setting(0.02, "normal"), None),
        ("sub", ("sub left", "sub centre"), Setting(1.2, "normal"), None),
        ("sub", ("lefty sub", "righty sub"), Setting(1.2, "normal"), None),
    ],
)
def test_twins_that_are_set_differently_are_told(folder: Path, kind, names, setting, found) -> None:
    """Nothing else would tell: inside a group differences are design."""
    check = load(folder, EXAMPLE)
    outputs = {
        name: Output(name=name, kind=kind, group="pair", setting=one)
        for name, one in zip(names, (Setting(0.0, "normal"), setting), strict=True)
    }
    every = {check.reference: check.outputs[check.reference], **outputs}
    rows = [
        one for one in replace(check, outputs=every, captures=()).findings if one.finding == "twins set differently"
    ]
    assert [(one.severity, pytest.approx(one.value, nan_ok=True)) for one in rows] == ([found] if found else [])


TAKES = "".join(f'[[captures]]\nfeeds = {{ {name} = "a.wav:1" }}\nmics = {{ %s }}\n' for name in ("left", "right"))


@pytest.mark.parametrize(
    ("kinds", "first", "second", "found"),
    [
        (("main", "main"), "mix back", "mix back", {}),
        (("main", "main"), "mix back", "mix", {}),
        (("main", "sub"), "m1 back", "mix back", {"mix": "one position under two names"}),
        (("main", "sub"), "m1", "mix", {"mix": "one position under two names", "right": "no position in common"}),
        (("main", "main"), "mix m1", "mixpos back", {"right": "no position in common"}),
        (("main", "main"), "mix m1", "pos_mix m1", {"pos_mix": "one position under two names"}),
        (("main", "tower"), "mix m1", "back", {"right": "no position in common"}),
        (("main", "monitor"), "mix", "stage", {}),
    ],
)
def test_names_under_which_takes_have_nothing_in_common(tmp_path: Path, kinds, first, second, found) -> None:
    """Two takes, each of one output; the first position of the second take may be one of the first take's."""
    soundfile.write(tmp_path / "a.wav", np.zeros((9, 3)), 8000)
    outputs = "".join(
        f'[outputs.{n}]\nkind = "{k}"\ngroup = "{n}"\ndelay_ms = 0\n'
        for n, k in zip(("left", "right"), kinds, strict=True)
    )
    names = dict.fromkeys(f"{first} {second}".split())
    zones = "".join(f'[positions.{n}]\nzone = "{"stage" if n == "stage" else "audience"}"\n' for n in names)
    mics = [", ".join(f'{n} = "a.wav:{k}"' for k, n in enumerate(take.split(), 2)) for take in (first, second)]
    check = load(tmp_path, f"format = 1\n{outputs}{zones}" + TAKES % tuple(mics))
    assert {one.track: one.finding for one in check.findings} == found
    for one in check.findings:
        assert "'capture 1'" in one.detail
        assert "'capture 2'" in one.detail


def test_a_microphone_that_one_take_alone_lacks_is_told(folder: Path) -> None:
    check = load(folder, EXAMPLE)
    whole = replace(check.captures[0], unsynced=())
    takes = [replace(whole, name=name) for name in ("one", "two", "three", "four")]
    assert len(whole.mics) > 1
    position, *_ = whole.mics

    def told(*lacking: str) -> list[tuple[str, str]]:
        mics = {name: track for name, track in whole.mics.items() if name != position}
        captures = tuple(replace(take, mics=mics) if take.name in lacking else take for take in takes)
        findings = replace(check, captures=captures).findings
        return [(one.capture, one.track) for one in findings if one.finding == "microphone missing"]

    assert told() == told("one", "two") == []
    assert told("three") == [("three", position)]


def test_keys_and_inputs_without_effect_are_findings(folder: Path) -> None:
    text, _ = edited('kind = "monitor"', 'kind = "monitor"\nlater_ms = 3')
    text = text.replace('"kick out" = "kick_out.wav" }\nagainst = { "kick out" = "kick in" }', "}").replace(", }", " }")
    found = [(row.finding, row.severity, row.capture, row.track) for row in load(folder, text).findings]
    assert found == [
        ("delay not written", "note", "", "sub left"),
        ("alignment wish without effect", "note", "", "wedge"),
        ("single stage input", "note", "drum kit", "kick in"),
        ("recording not used", "note", "", ""),  # of the other microphone
    ]


def test_names_are_normalised_and_files_found_however_accents_are_stored(folder: Path) -> None:
    composed, split = "\u00e9t\u00e9", "e\u0301te\u0301"
    soundfile.write(folder / f"{split}.wav", [0.0] * 16, 48000)
    text = EXAMPLE.replace("mains", composed, 1).replace("[outputs.mains]", f'[outputs."{split}"]')
    text = text.replace("mains =", f'"{split}" =').replace('"mains"', f'"{split}"')
    check = load(folder, text.replace("handheld", composed))
    assert next(iter(check.outputs)) == check.reference == check.captures[0].playing[0] == composed
    assert check.captures[1].mics["lawn"].file == f"{split}.wav"
    assert check.captures[1].unsynced[0] == (f"{split}.wav",)
    assert unicodedata.normalize("NFC", split) == composed


def test_file_itself_byte_order_mark_and_line_ends(folder: Path) -> None:
    expected = load(folder, EXAMPLE)
    file = folder / "soundcheck.toml"
    file.write_bytes(b"\xef\xbb\xbf" + EXAMPLE.replace("\n", "\r\n").encode())
    check = load_sound_check(file)
    assert check.captures[2] == expected.captures[2]
    assert check.source == file.read_bytes()
