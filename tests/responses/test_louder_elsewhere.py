"""A fill that another seat hears better than its own: told whatever the microphones' gains, and nothing else is."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from analyze.description import Capture, Output, Position, Setting, SoundCheck
from analyze.responses.louder_elsewhere import louder_elsewhere
from analyze.responses.rows import Band

SEATS = ("mix", "front", "left")
#: Level of each output at the seats, dB: the fill's own is front.
LEVELS_DB = {"main": (0.0, -3.0, -1.0), "fill": (-22.0, -12.0, -19.0)}


def check(align_at: tuple[str, ...] = ("front",)) -> SoundCheck:
    outputs = {"main": Output("main", "main"), "fill": Output("fill", "fill", align_at=align_at)}
    take = Capture("one", ("main",), settings={"main": Setting()})
    positions = {name: Position(name, "audience") for name in SEATS} | {"drums": Position("drums", "stage")}
    return SoundCheck(Path("a"), Path(), "", "", 20.0, "main", outputs, positions, (take,))


def rows(levels_db: dict[str, tuple[float, ...]], gains_db: tuple[float, ...] = (0.0, 0.0, 0.0)) -> list[Band]:
    """Third octaves at two octaves; under 500 Hz all is the other way round."""
    nan = math.nan
    return [
        Band("one", output, seat, "audience", hz, nan, nan, sign * (level + gain), nan, nan, nan, nan, nan)
        for output, of_output in levels_db.items()
        for seat, level, gain in zip(SEATS, of_output, gains_db, strict=True)
        for hz, sign in ((100.0, -1.0), (1000.0, 1.0), (2000.0, 1.0))
    ]


def test_the_seat_it_is_meant_for_hears_it_best() -> None:
    assert louder_elsewhere(check(), rows(LEVELS_DB)) == []
    assert louder_elsewhere(check(), rows(LEVELS_DB, gains_db=(20.0, -10.0, 15.0))) == []


@pytest.mark.parametrize("gains_db", [(0.0, 0.0, 0.0), (12.0, -6.0, 9.0)])
def test_exchanged_microphones_show(gains_db: tuple[float, ...]) -> None:
    exchanged = LEVELS_DB | {"fill": (-22.0, -19.0, -12.0)}
    (found,) = louder_elsewhere(check(), rows(exchanged, gains_db))
    assert (found.finding, found.severity, found.track) == ("louder elsewhere", "warning", "fill")
    assert found.value == pytest.approx(-12.0 + 1.0 - (-19.0 + 3.0))
    assert "5 dB louder at left" in found.detail


def test_what_is_not_known_is_not_told() -> None:
    exchanged = rows(LEVELS_DB | {"fill": (-22.0, -19.0, -12.0)})
    assert louder_elsewhere(check(()), exchanged) == []  # asked for nowhere
    assert louder_elsewhere(check(("left",)), exchanged) == []
    unheard = [replace(row, level_db=math.nan) if row.position == "front" else row for row in exchanged]
    assert louder_elsewhere(check(), unheard) == []
    tower = replace(check(), outputs=check().outputs | {"fill": Output("fill", "tower", align_at=("front",))})
    assert louder_elsewhere(tower, exchanged) == []
    one_band = [row for row in exchanged if row.band_hz < 1500.0]
    assert louder_elsewhere(check(), one_band) == []
