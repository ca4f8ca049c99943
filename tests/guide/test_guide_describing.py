"""The guide's page `describing`: its example loads, mistakes are told as it says, its keys are those of the format."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

import pytest
import soundfile

from analyze.audio.track_checks import check_tracks
from analyze.description import load_sound_check
from analyze.description_schema import CaptureTable, DescriptionTable, OutputTable, PositionTable, SettingTable
from analyze.errors import AnalyzeError
from analyze.guide import text_on, topics

TABLES = {
    "at the top": DescriptionTable,
    "outputs": OutputTable,
    "positions": PositionTable,
    "captures": CaptureTable,
    "settings of one capture": SettingTable,
}


def examples() -> list[str]:
    """Every whole description in the guide."""
    blocks = re.findall(r"(?:^(?: {4}.*)?\n)+", "\n".join(map(text_on, topics())), re.MULTILINE)
    return [re.sub("^ {4}", "", block, flags=re.MULTILINE) for block in blocks if "format = " in block]


def rows(heading: str) -> list[list[str]]:
    """Cells of the table below a heading, its head left out."""
    lines = [line for line in text_on(heading).splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines[2:]]


def write(folder: Path, text: str) -> Path:
    """A folder with a description and, silent, the four tracks of each of the example's files."""
    for name in re.findall(r'"(\d+_[a-z-]+\.wav):1"', examples()[0]):
        soundfile.write(folder / name, [[0.0] * 4] * 16, 48000)
    (folder / "soundcheck.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("text", examples())
def test_every_example_loads(tmp_path: Path, text: str) -> None:
    check = load_sound_check(write(tmp_path, text))
    check_tracks(check)
    assert len(check.captures) == len(check.outputs) == 4
    assert check.outputs["subs"].setting.sign == -1


def test_there_is_an_example() -> None:
    assert len(examples()) == 1


@pytest.mark.parametrize("heading", TABLES)
def test_every_key_once_with_its_default(heading: str) -> None:
    model = TABLES[heading]
    described = {key.strip("`"): default for key, default, *_ in rows(heading)}
    assert len(described) == len(rows(heading))
    assert set(described) == set(model.model_fields)
    defaults = {key: field.get_default(call_default_factory=True) for key, field in model.model_fields.items()}
    assert {key: read(text) for key, text in described.items()} == defaults


def read(default: str) -> object:
    return None if default == "-" else tomllib.loads(f"value = {default}")["value"]


MISTAKES = [tuple(cell.strip("`") for cell in row) for row in rows("typical mistakes")]


@pytest.mark.parametrize(("written", "right", "said"), MISTAKES)
def test_every_mistake_is_told_so(tmp_path: Path, written: str, right: str, said: str) -> None:
    (text,) = examples()
    assert right in text
    with pytest.raises(AnalyzeError) as caught:
        check_tracks(load_sound_check(write(tmp_path, text.replace(right, written, 1))))
    assert said in str(caught.value)
    assert re.search(r"soundcheck\.toml:\d+", str(caught.value)) or "001_main-left.wav" in str(caught.value)


def test_the_message_that_is_shown(tmp_path: Path) -> None:
    (text,) = examples()
    with pytest.raises(AnalyzeError) as caught:
        load_sound_check(write(tmp_path, text.replace('"inverted"', '"flipped"', 1)))
    lines = str(caught.value).replace(f"{tmp_path}{os.sep}", "").split("\n")
    assert "\n".join(f"    {line}" for line in lines) in text_on("errors")


def test_there_are_mistakes() -> None:
    assert len(MISTAKES) >= 10
