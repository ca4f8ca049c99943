"""Every figure of the guide's page `polarity` is what its command prints and draws, and the models are the books'."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from analyze.guide import text_on, textbook
from analyze.guide.figures import main, tables
from analyze.simulate_boxes import closed_box, vented_box

#: A figure with its unit, as prose has it.
FIGURE = r"(-?\d+(?:\.\d+)?) (dB per octave|dB|Hz|ms|m|degrees)\b"
#: Drawn by other versions a line may end a hundredth of a point elsewhere.
_POINTS = 0.02


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which the command has drawn."""
    made = tmp_path_factory.mktemp("plots") / "made" / "for it"
    main([str(made)])
    return made


def page_tables(page: str) -> list[str]:
    return re.findall(r"(?:^\|.*\n)+", page, re.MULTILINE)


def test_the_page_has_the_tables_that_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    main([])
    assert capsys.readouterr().out == "\n".join(page_tables(text_on("polarity")))


def test_every_figure_of_the_prose_is_in_a_table() -> None:
    page = text_on("polarity")
    prose = re.sub(r"^[|#!].*$", "", page, flags=re.MULTILINE).replace("\n", " ")
    in_tables = set(re.findall(r"-?\d+(?:\.\d+)?", "".join(tables())))
    # what the page says of itself, and drops of a sum that a table has with its sign
    in_tables |= {"-60", *(number.removeprefix("-") for number in in_tables)}
    named = re.findall(FIGURE, prose)
    assert len(named) > 10
    assert [number for number, _ in named if number not in in_tables] == []


@pytest.mark.parametrize("name", ["facing.svg", "boxes.svg", "crossover.svg", "sub_delay.svg", "fader.svg"])
def test_the_plots_are_those_that_are_drawn(folder: Path, name: str) -> None:
    drawn, kept = (path.read_text(encoding="utf-8") for path in (folder / name, files("analyze.guide") / name))
    assert f"]({name})" in text_on("polarity")
    assert len(kept) < 40_000
    number = r"-?\d+\.\d+"
    assert re.sub(number, "", drawn) == re.sub(number, "", kept)
    apart = np.subtract(*(np.array(re.findall(number, text), dtype=float) for text in (drawn, kept)))
    assert np.abs(apart).max() < _POINTS


def test_there_are_no_other_plots(folder: Path) -> None:
    kept = {path.name for path in files("analyze.guide").iterdir() if path.name.endswith(".svg")}
    assert {path.name for path in folder.iterdir()} == kept


# The models against published values


def test_a_piston_beside_its_axis() -> None:
    # 2 J1(x) / x: -1.11 dB at ka = 1, -4.78 at 2, -6.02 at 2.215 (Beranek, Acoustics, ch. 4, from memory; the values
    # by scipy 1.17.1). ka = 1 of 12, 15 and 18 inch: 432, 345, 288 Hz.
    one = textbook.ka_one_hz(15.0)
    assert textbook.beside_db([one, 2.0 * one, 2.215 * one], 15.0) == pytest.approx([-1.11, -4.78, -6.02], abs=0.006)
    assert [textbook.ka_one_hz(inches) for inches in (12, 15, 18)] == pytest.approx([432, 345, 288], abs=0.5)
    assert textbook.beside_db([1.05 * one], 15.0) != pytest.approx([-1.11], abs=0.006)


def test_two_sounds_by_phase_and_by_level() -> None:
    # 20 log10(2 cos(phi / 2)) and 20 log10(1 +- 10^(-d / 20)), closed form; the values as in tests/reference.
    assert textbook.turned_db([0, 60, 90, 120, 150]) == pytest.approx([6.02, 4.77, 3.01, 0.0, -5.72], abs=0.006)
    assert textbook.unequal_db([1, 3, 6], -1.0) == pytest.approx([-19.27, -10.69, -6.04], abs=0.006)
    assert textbook.unequal_db([1, 3, 6], 1.0) == pytest.approx([5.53, 4.65, 3.53], abs=0.006)


def test_boxes_move_first_the_way_they_are_wired() -> None:
    frequency_hz = textbook.click_lines_hz()
    for response in (vented_box(frequency_hz, 50.0), closed_box(frequency_hz, 50.0, 0.7)):
        for sign in (1.0, -1.0):
            heard = sign * textbook.click(sign * response)
            start = int(np.argmax(np.abs(heard) > 0.05))
            assert heard[start] > 0.0
            assert heard[: start + 1].min() > -0.01


def test_the_example_by_another_way_of_adding_up() -> None:
    """The mean over third octaves of the sum re all there is, without the program's search."""
    main_h, sub_h = textbook.main_and_sub()
    hz = textbook.lines_hz()
    exact = 1000.0 * 10.0 ** (np.arange(-16, -4) / 10.0)
    levels = []
    for centre in exact:
        inside = (hz >= centre * 10**-0.05) & (hz < centre * 10**0.05)
        main_e, sub_e = (np.mean(np.abs(h[inside]) ** 2) for h in (main_h, sub_h))
        if abs(10.0 * np.log10(main_e / sub_e)) > 10.0:
            continue
        possible = np.mean((np.abs(main_h) + np.abs(sub_h))[inside] ** 2)
        levels.append([10.0 * np.log10(np.mean(np.abs(main_h + s * sub_h)[inside] ** 2) / possible) for s in (1, -1)])
    assert textbook.scores_db(main_h, sub_h, np.array([0.0]))[:, 0] == pytest.approx(np.mean(levels, axis=0), abs=1e-9)
