"""What was in force on the day of the new takes stands with them, and leaves what is true of the earlier ones alone."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.description import load_outline, load_sound_check
from analyze.planning.checklist import checklist
from analyze.planning.describing import planned_text
from analyze.planning.takes import plan_all, plan_rest

RIG = """\
format = 1
date = 2026-05-14
temperature_c = 11.5  # at the mix
[outputs.main]
kind = "main"
delay_ms = 3.5
polarity = "inverted"
[outputs.sub]
kind = "sub"
delay_ms = 0.0
polarity = "normal"
[positions.mix]
zone = "audience"
"""
EARLIER = '[[captures]]\nname = "first"\nfeeds = { main = "first.wav:1" }\nmics = { mix = "first.wav:2" }\n'


def rest(folder: Path, text: str = RIG + EARLIER) -> str:
    """The description with takes on top."""
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    check = load_outline(folder)
    return planned_text(text, plan_rest(check, {"sub": "too quiet"}), check)


def record(folder: Path, text: str) -> None:
    """Write a description and every file that its captures name."""
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    for capture in tomllib.loads(text)["captures"]:
        soundfile.write(folder / capture["mics"]["mix"].rpartition(":")[0], np.zeros((9, 2)), 8000)


def test_the_head_says_where_the_values_of_the_day_go(tmp_path: Path) -> None:
    text = rest(tmp_path)
    head = text[: text.index("format = 1")]
    assert "What stands under\n# [outputs], and temperature_c, is of the new day" in head
    assert "set\n# date and temperature" not in head
    again = rest(tmp_path, text)
    assert again.count("# Planned with") == 1
    assert again.count("take this mark away") == 3
    everything = planned_text(text, plan_all(load_outline(tmp_path)), load_outline(tmp_path))
    assert everything.count("# Planned with") == 1
    assert "is of the new day" not in everything


def test_the_temperature_is_a_guess_and_that_of_the_earlier_takes_stands_with_them(tmp_path: Path) -> None:
    text = rest(tmp_path)
    record(tmp_path, text)
    (guess,) = (one for one in load_sound_check(tmp_path).findings if one.finding == "guesses in the description")
    assert guess.value == 3  # and a delay of each output
    record(
        tmp_path, text.replace("temperature_c = 11.5  # at the mix  # guess", "temperature_c = 24.0  # no more a gu")
    )
    assert [capture.temperature_c for capture in load_sound_check(tmp_path).captures] == [11.5, 24.0, 24.0]


EARLIER_TABLE = """\
[[captures]]
name = "first"
[captures.feeds]
main = "first.wav:1"
sub = "first.wav:3"
[captures.mics]
mix = "first.wav:2"
[captures.settings]
sub = { polarity = "inverted" }
"""
INLINE = 'captures = [{name = "first", feeds = {main = "first.wav:1"}, mics = {mix = "first.wav:2"}}]\n'


@pytest.mark.parametrize(
    ("text", "sub"), [(RIG + EARLIER, None), (RIG + EARLIER_TABLE, (0.0, "inverted")), (INLINE + RIG, None)]
)
def test_settings_of_the_day_leave_those_of_the_earlier_takes_alone(tmp_path: Path, text: str, sub: object) -> None:
    """Whatever is written under [outputs] afterwards: of tables, of one line, and in a list."""
    planned = rest(tmp_path, text)
    of_the_day = re.sub('delay_ms = 3.5 .*\npolarity = "inverted"', 'delay_ms = 7.25\npolarity = "normal"', planned)
    of_the_day = of_the_day.replace("temperature_c = 11.5  # at", "temperature_c = 24.0  # at")
    assert of_the_day != planned
    for name in ("first.wav", *(f"{one}.wav" for one in ("001_main", "002_sub"))):
        soundfile.write(tmp_path / name, np.zeros((9, 3)), 8000)
    record(tmp_path, of_the_day) if sub is None else (tmp_path / "soundcheck.toml").write_text(of_the_day, "utf-8")
    first, main, *_ = load_sound_check(tmp_path).captures
    assert (first.settings["main"].delay_ms, first.settings["main"].polarity) == (3.5, "inverted")
    assert first.temperature_c == 11.5
    if sub is not None:
        assert (first.settings["sub"].delay_ms, first.settings["sub"].polarity) == sub
    assert (main.settings["main"].delay_ms, main.settings["main"].polarity) == (7.25, "normal")
    assert main.temperature_c == 24.0


def test_a_temperature_of_another_day_is_a_guess_in_a_plan_of_everything(tmp_path: Path) -> None:
    (tmp_path / "soundcheck.toml").write_text(RIG, encoding="utf-8")
    check = load_outline(tmp_path)
    text = planned_text(RIG, plan_all(check), check)
    assert "temperature_c = 11.5  # at the mix  # guess: write that of the day" in text
    assert planned_text(text, plan_all(check), check) == text
    without = RIG.replace("temperature_c = 11.5  # at the mix\n", "")
    assert "# guess" not in planned_text(without, plan_all(check), check)


def test_the_list_says_where_the_values_of_the_day_go(tmp_path: Path) -> None:
    rest(tmp_path)
    check = load_outline(tmp_path)
    said = checklist(check, plan_rest(check, {"sub": "x"}))
    assert any("write what differs under [outputs]" in item for item in said.setting_up)
    assert any("the earlier takes have their own beside them" in item for item in said.afterwards)
    assert any("an output was mended" in item for item in said.afterwards)
    everything = checklist(check, plan_all(check))
    assert not any("earlier takes" in item for item in (*everything.setting_up, *everything.afterwards))


@pytest.mark.parametrize("why", ["In doubt: record sub alone again, louder or longer.", "Record it alone and louder."])
def test_a_take_that_is_to_be_louder_is_not_told_to_be_no_louder(tmp_path: Path, why: str) -> None:
    rest(tmp_path)
    check = load_outline(tmp_path)
    (level,) = (x for x in checklist(check, plan_rest(check, {"sub": why})).setting_up if x.startswith("Level"))
    assert "no louder" not in level
    assert "Where a take is to be louder, turn up what is played for it" in level
    assert "longer already, 40 s" in level
    (level,) = (x for x in checklist(check, plan_rest(check, {"sub": "short"})).setting_up if x.startswith("Level"))
    assert "and no louder" in level
