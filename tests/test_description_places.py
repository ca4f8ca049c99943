"""Mistakes of a description where the place that is named, or what stands beside them, matters."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.description_example import EXAMPLE, MEND, edited, load, refusal, write_files


def test_reference_where_there_are_no_outputs(tmp_path: Path) -> None:
    text = 'format = 1\nreference = "x"\n[[captures]]\ninputs = { a = "kick_in.wav", b = "kick_out.wav" }\n'
    expected = "found 'x', expected a name that a table headed [outputs.NAME] describes"
    assert refusal(write_files(tmp_path), text) == [f"soundcheck.toml:2: reference: unknown output ({expected}).", MEND]


@pytest.mark.parametrize("bound", ["-30", "50"])
def test_temperatures_at_the_bounds(tmp_path: Path, bound: str) -> None:
    text, _ = edited("temperature_c = 21.0", f"temperature_c = {bound}")
    assert load(write_files(tmp_path), text).temperature_c == float(bound)


def test_bad_name_with_bad_value_hides_nothing_else(tmp_path: Path) -> None:
    settings = 'settings = { "" = { polarity = "up" }, mains = { delay_ms = 401 } }'
    text, _ = edited('settings = { "sub left" = { polarity = "inverted" } }', settings)
    *lines, _ = refusal(write_files(tmp_path), text)
    assert {line.split(" ")[1] for line in lines} == {
        'captures[2].settings."":',
        'captures[2].settings."".polarity:',
        "captures[2].settings.mains.delay_ms:",
    }


def test_first_of_several_captures_of_one_name_is_named(tmp_path: Path) -> None:
    more = '[[captures]]\nname = "drum kit"\ninputs = { a = "kick_in.wav", b = "kick_out.wav" }\n'
    *lines, _ = refusal(write_files(tmp_path), EXAMPLE + more * 2)
    assert [line.split(": ")[1:] for line in lines] == [
        [f"captures[{n}].name", "capture 3 has this name too (found 'drum kit', expected another name)."]
        for n in (4, 5)
    ]


def test_mics_missing_is_said_where_the_capture_begins(tmp_path: Path) -> None:
    text, line = edited("[[captures]]", "[[captures]]")
    text = text.replace('mics = { mix = "take1.wav:2", lawn = "take1.wav:3" }\n', "")
    message = "captures[1].mics: missing (expected at least one track, because there are feeds)."
    assert refusal(write_files(tmp_path), text) == [f"soundcheck.toml:{line}: {message}", MEND]
