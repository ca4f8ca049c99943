"""Reading of `soundcheck.toml`: every key of the documented contract, and every mistake by line, key and remedy."""

from __future__ import annotations

import math
import os
import subprocess
import sys
import tomllib
import unicodedata
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from analyze import description_schema
from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track, load_sound_check
from analyze.description_text import MAX_FILE_BYTES, MAX_LINE_BYTES
from analyze.errors import DescriptionError

#: Channels of the recordings that the example names.
FILES = {"take1.wav": 3, "take2.wav": 3, "handheld.wav": 1, "kick_in.wav": 1, "kick_out.wav": 1, "more/take3.wav": 2}

#: Every key of the format, as documented.
EXAMPLE = """\
format = 1
title = "Harbour hall, empty room"
date = 2026-05-14
temperature_c = 21.0
reference = "mains"
venue = "Harbour hall"
engineer = "R. Vale"
notes = "doors\\nclosed"
humidity_percent = 45

[outputs.mains]
kind = "main"
delay_ms = 1.5
polarity = "normal"
feed_tap = "after"
adjust = "delay"
min_delay_ms = 0.5
max_delay_ms = 400
delay_step_ms = 0.02
can_invert = false
latency_ms = 1.3
device = "processor A"
channel = 3
preset = "hall"

[outputs."sub left"]
kind = "sub"
group = "subs"

[outputs."sub right"]
kind = "sub"
group = "subs"

[outputs.tower]
kind = "tower"
align_at = ["lawn"]
later_ms = 12.0

[outputs.wedge]
kind = "monitor"

[positions.mix]
zone = "audience"
weight = 2
polarity = "inverted"
microphone = "omni"
serial = 1234
calibration = 2026-01-10
measured_by = "R. Vale"
distance_m = { mains = 24.5 }

[positions.lawn]
zone = "audience"

[positions.drums]
zone = "stage"

[[captures]]
name = "mains alone"
playing = ["mains"]
start_s = 0.5
end_s = 30
feeds = { mains = "take1.wav:1" }
mics = { mix = "take1.wav:2", lawn = "take1.wav:3" }

[[captures]]
feeds = { mains = "take2.wav:1", "sub left" = "./take2.wav:2" }
mics = { mix = "take2.wav:3", lawn = "handheld.wav", drums = "more/take3.wav:2" }
unsynced = [["handheld.wav"], "more//take3.wav"]
settings = { "sub left" = { polarity = "inverted" } }
temperature_c = 17.0
same_start = true

[[captures]]
name = "drum kit"
inputs = { "kick in" = "kick_in.wav", "kick out" = "kick_out.wav" }
against = { "kick out" = "kick in" }
"""

MEND = "Correct this and run again."


def write_files(folder: Path) -> Path:
    """Short silent recordings for the example."""
    for name, n_channels in FILES.items():
        (folder / name).parent.mkdir(exist_ok=True)
        soundfile.write(folder / name, [[0.0] * n_channels] * 16, 48000)
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_files(tmp_path)


def load(folder: Path, text: str | bytes) -> SoundCheck:
    data = text if isinstance(text, bytes) else text.encode()
    (folder / "soundcheck.toml").write_bytes(data)
    return load_sound_check(folder)


def refusal(folder: Path, text: str | bytes) -> list[str]:
    """The lines of the message with which a description is refused, the folder left out."""
    with pytest.raises(DescriptionError, match=r"soundcheck\.toml") as caught:
        load(folder, text)
    assert caught.value.exit_code == 2
    return str(caught.value).replace(f"{folder}{os.sep}", "").split("\n")


def edited(old: str, new: str) -> tuple[str, int]:
    """The example with its first `old` replaced, and the line on which the replacement ends."""
    before, found, after = EXAMPLE.partition(old)
    assert found
    return before + new + after, (before + new).count("\n") + 1


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
    assert check.findings == ()


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
    capture = load(folder, text.replace('kind = "tower"', 'kind = "tower"\ndelay_ms = 7\npolarity = "inverted"')).captures[0]
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


def test_mains_without_a_group_are_one_and_a_finding_says_so(folder: Path) -> None:
    text, _ = edited('[outputs."sub left"]\nkind = "sub"\ngroup = "subs"', '[outputs."sub left"]\nkind = "main"')
    check = load(folder, text)
    assert check.groups[0] == ("mains", "sub left")
    assert [(row.finding, row.severity, row.track, row.value) for row in check.findings] == [
        ("mains without a group", "warning", "mains", 2)
    ]
    grouped = {name: replace(output, group="a") if name == "mains" else output for name, output in check.outputs.items()}
    assert replace(check, outputs=grouped).findings == ()


def test_keys_and_inputs_without_effect_are_findings(folder: Path) -> None:
    text, _ = edited('kind = "monitor"', 'kind = "monitor"\nlater_ms = 3')
    text = text.replace('"kick out" = "kick_out.wav" }\nagainst = { "kick out" = "kick in" }', "}").replace(", }", " }")
    found = [(row.finding, row.severity, row.capture, row.track) for row in load(folder, text).findings]
    assert found == [
        ("alignment wish without effect", "note", "", "wedge"),
        ("single stage input", "note", "drum kit", "kick in"),
    ]


def test_names_are_normalised_and_files_found_however_accents_are_stored(folder: Path) -> None:
    composed, split = "\u00e9t\u00e9", "e\u0301te\u0301"
    soundfile.write(folder / f"{split}.wav", [0.0] * 16, 48000)
    text = EXAMPLE.replace("mains", composed, 1).replace("[outputs.mains]", f'[outputs."{split}"]')
    text = text.replace("mains =", f'"{split}" =').replace('"mains"', f'"{split}"')
    check = load(folder, text.replace("handheld", composed))
    assert list(check.outputs)[0] == check.reference == check.captures[0].playing[0] == composed
    assert check.captures[1].mics["lawn"].file == f"{split}.wav"
    assert check.captures[1].unsynced[0] == (f"{split}.wav",)
    assert unicodedata.normalize("NFC", split) == composed


def test_file_itself_byte_order_mark_and_line_ends(folder: Path) -> None:
    expected = load(folder, EXAMPLE)
    file = folder / "soundcheck.toml"
    file.write_bytes(b"\xef\xbb\xbf" + EXAMPLE.replace("\n", "\r\n").encode())
    assert load_sound_check(file).captures[2] == expected.captures[2]


#: What is replaced in the example, by what (the last line of it is at fault), and the whole message behind the place.
MISTAKES = [
    ('kind = "main"', 'kind = "sup"', "outputs.mains.kind: unknown kind (found 'sup', expected main | sub | fill | tower | monitor). Did you mean 'sub'?"),
    ('zone = "audience"', 'zone = "Audience"', "positions.mix.zone: unknown zone (found 'Audience', expected audience | stage). Did you mean 'audience'?"),
    ('feed_tap = "after"', 'feed_tap = "afte"', "outputs.mains.feed_tap: unknown feed_tap (found 'afte', expected before | after). Did you mean 'after'?"),
    ('adjust = "delay"', "adjust = 3", "outputs.mains.adjust: unknown adjust (found 3, expected both | polarity | delay | none)."),
    ('polarity = "inverted"', 'polarity = ""', "positions.mix.polarity: unknown polarity (found '', expected normal | inverted)."),
    ('kind = "main"', "", 'outputs.mains.kind: missing (expected main | sub | fill | tower | monitor).'),
    ('zone = "stage"', "", "positions.drums.zone: missing (expected audience | stage)."),
    ('feed_tap = "after"', 'feed_tab = "after"', "outputs.mains.feed_tab: unknown key (found 'feed_tab', expected kind | group | delay_ms | polarity | feed_tap | adjust | min_delay_ms | max_delay_ms | delay_step_ms | can_invert | latency_ms | align_at | later_ms | device | channel | preset). Did you mean 'feed_tap'?"),
    ('venue = "Harbour hall"', "Venue = 1", "Venue: unknown key (found 'Venue', expected format | title | date | temperature_c | reference | venue | engineer | notes | humidity_percent | outputs | positions | captures). Did you mean 'venue'?"),
    ("weight = 2", "wait = 2", "positions.mix.wait: unknown key (found 'wait', expected zone | weight | polarity | distance_m | microphone | serial | calibration | measured_by). Did you mean 'weight'?"),
    ("start_s = 0.5", "begin = 0.5", "captures[1].begin: unknown key (found 'begin', expected name | playing | start_s | end_s | feeds | mics | unsynced | settings | temperature_c | same_start | inputs | against)."),
    ('{ polarity = "inverted" }', "{ delay = 1 }", "captures[2].settings.\"sub left\".delay: unknown key (found 'delay', expected delay_ms | polarity). Did you mean 'delay_ms'?"),
    ("temperature_c = 21.0", "temperature_c = -30.1", "temperature_c: out of range (found -30.1, expected -30 to 50 degrees Celsius)."),
    ("temperature_c = 17.0", "temperature_c = 51", "captures[2].temperature_c: out of range (found 51, expected -30 to 50 degrees Celsius)."),
    ("temperature_c = 21.0", 'temperature_c = "21"', "temperature_c: wrong type (found '21', expected a number)."),
    ("delay_ms = 1.5", "delay_ms = true", "outputs.mains.delay_ms: wrong type (found true, expected a number)."),
    ("delay_ms = 1.5", "delay_ms = nan", "outputs.mains.delay_ms: not a finite number (found nan, expected a finite number)."),
    ("latency_ms = 1.3", "latency_ms = inf", "outputs.mains.latency_ms: not a finite number (found inf, expected a finite number)."),
    ("latency_ms = 1.3", "latency_ms = -0.1", "outputs.mains.latency_ms: out of range (found -0.1, expected a number of at least 0)."),
    ("delay_step_ms = 0.02", "delay_step_ms = 0", "outputs.mains.delay_step_ms: out of range (found 0, expected a number above 0)."),
    ("weight = 2", "weight = 0.0", "positions.mix.weight: out of range (found 0, expected a number above 0)."),
    ("mains = 24.5", "mains = -1", "positions.mix.distance_m.mains: out of range (found -1, expected a number above 0)."),
    ("can_invert = false", 'can_invert = "no"', "outputs.mains.can_invert: wrong type (found 'no', expected true or false)."),
    ("title = ", "title = true # ", "title: not text (found true, expected text in quotes)."),
    ("title = ", 'title = "\\u0007" # ', "title: control character in a text (found '\\x07', expected printable text)."),
    ("date = 2026-05-14", 'date = "14 May"', "date: not a day (found '14 May', expected a day such as 2026-05-14)."),
    ("date = 2026-05-14", "date = 2026-05-14T10:00:00", "date: not a day (found 2026-05-14T10:00:00, expected a day such as 2026-05-14)."),
    ("delay_ms = 1.5", "delay_ms = 0.4", "outputs.mains.delay_ms: out of range (found 0.4, expected 0.5 to 400, what the device offers)."),
    ('settings = { "sub left" = { polarity = "inverted" } }', "settings.mains.delay_ms = 400.5", "captures[2].settings.mains.delay_ms: out of range (found 400.5, expected 0.5 to 400, what the device offers)."),
    ("min_delay_ms = 0.5", "min_delay_ms = 401", "outputs.mains.min_delay_ms: range of delays is empty (found 401, expected at most max_delay_ms, 400)."),
    ('reference = "mains"', 'reference = "mians"', "reference: unknown output (found 'mians', expected mains | sub left | sub right | tower | wedge). Did you mean 'mains'?"),
    ('align_at = ["lawn"]', 'align_at = [\n"mix",\n"lwan"', "outputs.tower.align_at[2]: unknown position (found 'lwan', expected mix | lawn | drums). Did you mean 'lawn'?"),
    ('align_at = ["lawn"]', 'align_at = ["drums"]', "outputs.tower.align_at[1]: not an audience position (found 'drums', expected positions with zone = 'audience')."),
    ('align_at = ["lawn"]', 'align_at = ["lawn", "lawn"]', "outputs.tower.align_at[2]: stands twice in this list (found 'lawn')."),
    ("{ mains = 24.5 }", "{ wedgs = 24.5 }", "positions.mix.distance_m.wedgs: unknown output (found 'wedgs', expected mains | sub left | sub right | tower | wedge). Did you mean 'wedge'?"),
    ('{ mains = "take1.wav:1" }', '{ towr = "take1.wav:1" }', "captures[1].feeds.towr: unknown output (found 'towr', expected mains | sub left | sub right | tower | wedge). Did you mean 'tower'?"),
    ('{ mix = "take1.wav:2"', '{ mxi = "take1.wav:2"', "captures[1].mics.mxi: unknown position (found 'mxi', expected mix | lawn | drums). Did you mean 'mix'?"),
    ('playing = ["mains"]', 'playing = ["mains", "sub lefft"]', "captures[1].playing[2]: unknown output (found 'sub lefft', expected mains | sub left | sub right | tower | wedge). Did you mean 'sub left'?"),
    ('playing = ["mains"]', 'playing = ["mains", "mains"]', "captures[1].playing[2]: stands twice in this list (found 'mains')."),
    ('playing = ["mains"]', "playing = []", "captures[1].playing: empty list (expected the outputs that sounded, or no such key)."),
    ('{ "sub left" = {', '{ xxxxxxxx = {', "captures[2].settings.xxxxxxxx: unknown output (found 'xxxxxxxx', expected mains | sub left | sub right | tower | wedge)."),
    ('= "kick in" }', '= "kick inn" }', "captures[3].against.\"kick out\": unknown input (found 'kick inn', expected kick in | kick out). Did you mean 'kick in'?"),
    ('{ "kick out" = "kick in" }', '{ "snare" = "kick in" }', "captures[3].against.snare: unknown input (found 'snare', expected kick in | kick out)."),
    ('= "kick in" }', '= "kick out" }', "captures[3].against.\"kick out\": an input against itself (found 'kick out', expected another input of this capture)."),
    ("end_s = 30", "end_s = 0.5", "captures[1].end_s: out of range (found 0.5, expected more than start_s, 0.5)."),
    ("start_s = 0.5", "start_s = -1", "captures[1].start_s: out of range (found -1, expected a number of at least 0)."),
    ('name = "drum kit"', 'name = "capture 2"', "captures[3].name: capture 2 has this name too (found 'capture 2', expected another name)."),
    ('name = "drum kit"', 'name = " "', "captures[3].name: empty name (found ' ', expected at least one visible character)."),
    ('name = "drum kit"', 'name = "a\\nb"', "captures[3].name: control character in a name (found 'a\\nb', expected printable text on one line)."),
    ('"kick_in.wav", "kick out"', '"kick_in.wav", "kick\\tin" = "kick_in.wav:2", "kick out"', "captures[3].inputs.\"kick\\tin\": control character in a name (found 'kick\\tin', expected printable text on one line)."),
    ('"drum kit"', f'"{"n" * 201}"', f"captures[3].name: name of 201 characters (found '{'n' * 80}'..., expected at most 200)."),
    ('group = "subs"', 'group = ""', "outputs.\"sub left\".group: empty name (found '', expected at least one visible character)."),
    ("[outputs.wedge]", '[outputs."\u00e9"]\nkind = "sub"\n[outputs."e\u0301"]\nkind = "sub"\n[outputs.wedge]', "outputs.\"\u00e9\": two keys that read the same (found '\u00e9', expected only one of them)."),
    ('mics = { mix = "take1.wav:2", lawn = "take1.wav:3" }', "", "captures[1].mics: missing (expected at least one track, because there are feeds)."),
    ('feeds = { mains = "take1.wav:1" }', "feeds = {}", "captures[1].feeds: missing (expected at least one track, because there are mics)."),
    ('against = { "kick out" = "kick in" }', "[[captures]]", "captures[4]: capture without tracks (expected feeds and mics, or inputs)."),
    ('lawn = "take1.wav:3"', 'lawn = "take1.wav"', "captures[1].mics.lawn: same track as 'mains' (found 'take1.wav', expected another track)."),
    ('"kick_out.wav"', '"./kick_in.wav:1"', "captures[3].inputs.\"kick out\": same track as 'kick in' (found './kick_in.wav:1', expected another track)."),
    ('unsynced = [["handheld.wav"], ', 'unsynced = [["handheld.wav"], "handhold.wav", ', "captures[2].unsynced[2]: not a file of this capture (found 'handhold.wav', expected take2.wav | handheld.wav | more/take3.wav). Did you mean 'handheld.wav'?"),
    ('unsynced = [["handheld.wav"], ', 'unsynced = [["handheld.wav"], "./handheld.wav", ', "captures[2].unsynced[2]: stands twice in this list (found './handheld.wav')."),
    ('unsynced = [["handheld.wav"], ', "unsynced = [[], ", "captures[2].unsynced: wrong type (found a list, expected a list of files, those that share one clock in a list of their own)."),
    ("same_start = true", "same_start = 1", "captures[2].same_start: wrong type (found 1, expected true or false)."),
    ("[outputs.wedge]", "[[positions.wedge]]\n[outputs.wedge]", "positions.wedge: wrong type (found a list, expected a table)."),
    ('"kick_in.wav"', "3", "captures[3].inputs.\"kick in\": wrong type (found 3, expected text in quotes)."),
    ('playing = ["mains"]', 'playing = "mains"', "captures[1].playing: wrong type (found 'mains', expected a list)."),
]  # fmt: skip

#: The same for the file of `handheld.wav`, which stands on its own line here.
BAD_TRACKS = [
    ("handheld.wv", "no such file in the folder of the description", "", "Did you mean 'handheld.wav'?"),
    ("take3.wav:2", "no such file in the folder of the description", "", "Did you mean 'more/take3.wav'?"),
    ("handheld.wav/x", "no such file in the folder of the description", "", ""),
    ("handheld.wav:0", "bad channel", "FILE or FILE:CHANNEL, with a channel from 1 to 1024", ""),
    ("handheld.wav:1025", "bad channel", "FILE or FILE:CHANNEL, with a channel from 1 to 1024", ""),
    ("handheld.wav:-1", "bad channel", "FILE or FILE:CHANNEL, with a channel from 1 to 1024", ""),
    ("handheld.wav:left", "bad channel", "FILE or FILE:CHANNEL, with a channel from 1 to 1024", ""),
    ("handheld.wav:", "bad channel", "FILE or FILE:CHANNEL, with a channel from 1 to 1024", ""),
    ("", "no file name", "FILE or FILE:CHANNEL", ""),
    (":1", "no file name", "FILE or FILE:CHANNEL", ""),
    ("more", "not a file but a folder", "an audio file", ""),
    ("../x.wav", "path leaves the folder of the description", "", "Put the file into the folder"),
    ("more/../../x.wav", "path leaves the folder of the description", "", "Put the file into the folder"),
    ("/x/y.wav", "absolute path", "a path inside the folder of the description", "Put the file into the folder"),
    ("C:/x/y.wav", "absolute path", "a path inside the folder of the description", "Put the file into the folder"),
    (r"C:\x\y.wav", "absolute path", "a path inside the folder of the description", "Put the file into the folder"),
    (r"\\host\y.wav", "absolute path", "a path inside the folder of the description", "Put the file into the folder"),
    (r"more\take3.wav", "backslash in a path", "/ between folders, as in 'more/take3.wav'", ""),
    ("a" * 300, "file cannot be opened: File name too long", "", ""),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES)
def test_one_mistake(folder: Path, old: str, new: str, message: str) -> None:
    text, line = edited(old, new)
    if "lwan" in new:
        text = text.replace('"lwan"', '"lwan"]')
    if not new or "same" in message and "two keys" in message or "align_at = [\n" in new:
        line = line_of_mistake(text, message, line)
    assert refusal(folder, text) == [f"soundcheck.toml:{line}: {message}", MEND]
