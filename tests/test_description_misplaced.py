"""Keys of a capture at the end of a take, where TOML counts them to the tracks: what is said, what stays a track."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyze.description import Track
from analyze.description_schema import CaptureTable
from tests.description_example import MEND, MEND_ALL, load, refusal, write_files

HEAD = """\
format = 1
[outputs.mains]
kind = "main"
[outputs.sub]
kind = "sub"
[positions.mix]
zone = "audience"
"""
TAKE = """\
[[captures]]
[captures.feeds]
mains = "take2.wav:1"
sub = "take2.wav:2"
[captures.mics]
mix = "handheld.wav"
"""
#: A value as each key of a capture may be written at the end of a take.
VALUES = {
    "name": '"take 2"',
    "playing": '["mains", "sub"]',
    "start_s": "0.0",
    "end_s": "20",
    "feeds": "{}",
    "mics": "{}",
    "unsynced": '["handheld.wav"]',
    "settings": '{ sub = { polarity = "inverted" } }',
    "temperature_c": "17.0",
    "same_start": "true",
    "inputs": "{}",
    "against": "{}",
}


def said(table: str, key: str, number: int = 1) -> str:
    """The message about a key below a table of tracks."""
    return (
        f"captures[{number}].{table}.{key}: {key} stands below [captures.{table}] and has to stand right below "
        "[[captures]], above [captures.feeds], [captures.mics] and [captures.inputs]."
    )


def test_every_key_of_a_capture_has_a_value_here() -> None:
    assert list(CaptureTable.model_fields) == list(VALUES)


@pytest.mark.parametrize("key", VALUES)
def test_a_key_at_the_end_of_a_take_has_to_stand_above_its_tracks(tmp_path: Path, key: str) -> None:
    text = f"{HEAD}{TAKE}{key} = {VALUES[key]}\n"
    assert refusal(write_files(tmp_path), text) == [f"soundcheck.toml:14: {said('mics', key)}", MEND]


@pytest.mark.parametrize("name", ["take 2: subs flipped", "", "/"])
def test_a_name_of_a_take_is_no_track_whatever_it_holds(tmp_path: Path, name: str) -> None:
    messages = refusal(write_files(tmp_path), f'{HEAD}{TAKE}name = "{name}"\n')
    assert f"soundcheck.toml:14: {said('mics', 'name')}" in messages


def test_moved_as_the_message_says_it_loads(tmp_path: Path) -> None:
    lines = "".join(f"{key} = {VALUES[key]}\n" for key in ("name", "unsynced", "settings", "temperature_c"))
    (capture,) = load(write_files(tmp_path), HEAD + TAKE.replace("[[captures]]\n", f"[[captures]]\n{lines}")).captures
    assert (capture.name, capture.temperature_c) == ("take 2", 17.0)
    assert capture.settings["sub"].polarity == "inverted"


@pytest.mark.parametrize("table", ["feeds", "inputs", "against", "settings"])
def test_below_any_table_of_a_capture(tmp_path: Path, table: str) -> None:
    rows = {
        "feeds": "",
        "inputs": '"kick in" = "kick_in.wav"\n"kick out" = "kick_out.wav"\n',
        "against": '"kick out" = "kick in"\n',
        "settings": "sub = { delay_ms = 2.0 }\n",
    }
    inputs = f"[captures.inputs]\n{rows['inputs']}"
    own = {"feeds": "", "inputs": inputs, "against": f"{inputs}[captures.against]\n{rows['against']}"}
    text = f"{HEAD}{TAKE}{own.get(table, f'[captures.settings]{chr(10)}{rows[table]}')}"
    if table == "feeds":
        text = text.replace("[captures.mics]", "temperature_c = 17.0\n[captures.mics]")
    else:
        text += "temperature_c = 17.0\n"
    line = text.splitlines().index("temperature_c = 17.0") + 1
    assert refusal(write_files(tmp_path), text) == [f"soundcheck.toml:{line}: {said(table, 'temperature_c')}", MEND]


def test_all_of_them_are_named_with_what_else_is_wrong(tmp_path: Path) -> None:
    """What they say is checked as if they stood where they belong: nothing is said to be missing for them."""
    take = '[[captures]]\n[captures.mics]\nmix = "handheld.wav"\nplaying = ["mains"]\nsettings = { top = {} }\n'
    assert refusal(write_files(tmp_path), HEAD + take) == [
        "soundcheck.toml:8: captures[1].settings.top: unknown output (found 'top', expected mains | sub).",
        f"soundcheck.toml:11: {said('mics', 'playing')}",
        f"soundcheck.toml:12: {said('mics', 'settings')}",
        MEND_ALL,
    ]


def test_a_key_that_stands_above_as_well_counts_there(tmp_path: Path) -> None:
    text = HEAD + TAKE.replace("[[captures]]\n", '[[captures]]\nname = "first"\n') + 'name = "second"\n' + TAKE
    assert refusal(write_files(tmp_path), text + 'name = "first"\n') == [
        f"soundcheck.toml:15: {said('mics', 'name')}",
        "soundcheck.toml:16: captures[2].name: capture 1 has this name too (found 'first', expected another name).",
        f"soundcheck.toml:22: {said('mics', 'name', 2)}",
        MEND_ALL,
    ]


def test_positions_outputs_and_inputs_may_be_called_so(tmp_path: Path) -> None:
    """Described ones, and inputs with a track; their mistakes are those of a track."""
    head = HEAD.replace("sub]", "playing]").replace("mix]", "name]")
    take = TAKE.replace("sub =", "playing =").replace("mix =", "name =")
    inputs = '[captures.inputs]\nsettings = "kick_in.wav"\nunsynced = "kick_out.wav"\n[captures.against]\n'
    (capture,) = load(write_files(tmp_path), f'{head}{take}{inputs}unsynced = "settings"\n').captures
    assert capture.mics == {"name": Track("handheld.wav", 1)}
    assert list(capture.feeds) == ["mains", "playing"]
    assert capture.against == {"unsynced": "settings"}
    assert refusal(tmp_path, head + take.replace('"handheld.wav"', "3"))[0] == (
        "soundcheck.toml:13: captures[1].mics.name: wrong type (found 3, expected text in quotes)."
    )


def test_a_track_of_a_position_that_nobody_described_is_that(tmp_path: Path) -> None:
    (message, _) = refusal(write_files(tmp_path), f'{HEAD}{TAKE}name = "more/take3.wav:2"\n')
    assert "captures[1].mics.name: unknown position (found 'name', expected mix)." in message


def test_a_track_that_is_not_there_is_that(tmp_path: Path) -> None:
    take = '[[captures]]\n[captures.inputs]\nname = "kick_on.wav"\nother = "kick_out.wav"\n'
    (message, _) = refusal(write_files(tmp_path), f"format = 1\n{take}")
    assert "captures[1].inputs.name: no such file in the folder of the description: 'kick_on.wav'." in message


def test_an_input_called_so_may_be_a_file_of_any_name(tmp_path: Path) -> None:
    (write_files(tmp_path) / "kick_in.wav").rename(tmp_path / "kick")
    take = '[[captures]]\n[captures.inputs]\nname = "kick:1"\nother = "kick_out.wav"\n'
    (capture,) = load(tmp_path, f"format = 1\n{take}").captures
    assert capture.inputs["name"] == Track("kick", 1)


@pytest.mark.parametrize("captures", ["captures = 3", "captures = [3]", "[[captures]]\nmics = 3\nfeeds = [1]"])
def test_what_is_no_table_is_refused_as_before(tmp_path: Path, captures: str) -> None:
    assert "wrong type" in refusal(write_files(tmp_path), f"format = 1\n{captures}\n")[0]
