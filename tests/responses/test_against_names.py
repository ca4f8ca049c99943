"""Names of boxes and seats that say another side or another row than arrivals do, in a hall whose places are known."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analyze.acoustics import speed_of_sound_simple
from analyze.description import Output, Position, Setting, SoundCheck
from analyze.responses.against_names import against_names

#: Kind, delay in ms and place in m of every output, from the stage into the hall and to its right.
BOXES = {
    "main left": ("main", 0.0, (0.0, -6.0, 4.0)),
    "main right": ("main", 2.5, (0.0, 6.0, 4.0)),
    "Sub L": ("sub", 6.0, (0.5, -4.0, 0.4)),
    "Sub R": ("sub", 6.0, (0.5, 4.0, 0.4)),
    "wedge left": ("monitor", 0.0, (-1.0, 2.0, 0.3)),
    "wedge right": ("monitor", 0.0, (-1.0, -2.0, 0.3)),
}
SEATS = {
    "mix": (18.0, 0.5, 1.2),
    "row 4": (5.0, 0.5, 1.2),
    "row 15": (16.0, 1.0, 1.2),
    "aisle left": (8.0, -7.0, 1.2),
    "aisle right": (8.0, 7.0, 1.2),
    "balcony front": (24.0, -2.0, 6.0),
    "balcony back": (30.0, -2.0, 8.0),
    "Bühne links": (-2.0, 4.0, 1.6),
}
MAINS = ("main left", "main right")
STD_MS = 0.05
C_M_MS = speed_of_sound_simple(20.0) / 1000.0


def hall() -> SoundCheck:
    outputs = {name: Output(name, kind, setting=Setting(ms)) for name, (kind, ms, _) in BOXES.items()}
    positions = {name: Position(name, "stage" if name == "Bühne links" else "audience") for name in SEATS}
    return SoundCheck(Path("a"), Path(), "", "", 20.0, "main left", outputs, positions, ())


def arrivals(std_ms: float = STD_MS) -> dict[tuple[str, str], tuple[float, float]]:
    rng = np.random.default_rng(5)
    return {
        (name, seat): (ms + 3.0 + math.dist(box_m, seat_m) / C_M_MS + rng.normal(0.0, STD_MS), std_ms)
        for name, (_, ms, box_m) in BOXES.items()
        for seat, seat_m in SEATS.items()
    }


def renamed(heard, axis: int, names: dict[str, str]):
    """What is heard under other names of outputs (axis 0) or seats (1)."""
    return {tuple(names.get(n, n) if k == axis else n for k, n in enumerate(key)): one for key, one in heard.items()}


def swapped(heard, axis: int, p: str, q: str):
    return renamed(heard, axis, {p: q, q: p})


def test_a_hall_as_its_names_say_is_not_told_of() -> None:
    assert against_names(hall(), arrivals(), (), ()) == []


def test_microphones_of_both_sides_are_told_apart_by_one_that_is_right() -> None:
    """With a third seat on its own side the names of boxes hold, and the two seats are the ones in doubt."""
    heard = renamed(arrivals(), 1, {"balcony front": "balcony left"})
    check = hall()
    positions = {**check.positions, "balcony left": Position("balcony left", "audience")}
    check = replace(check, positions=positions)
    (found,) = against_names(check, swapped(heard, 1, "aisle left", "aisle right"), (), ())
    assert (found.finding, found.severity, found.track) == ("name contradicted", "warning", "aisle left")
    left_ms = abs(math.dist(SEATS["aisle right"], BOXES["main left"][2]) - 8.6) / C_M_MS
    assert f"Main right {left_ms:.0f} ms before main left at aisle left" in found.detail
    assert "at aisle right" in found.detail
    assert "balcony left" not in found.detail


def test_where_all_sides_contradict_it_may_be_the_point_of_view() -> None:
    (found,) = against_names(hall(), swapped(arrivals(), 1, "aisle left", "aisle right"), (), ())
    assert (found.finding, found.severity) == ("name contradicted", "note")
    assert "that of the hall for the ones and that of the stage for the others" in found.detail


def test_a_pair_of_boxes_on_the_other_side_than_the_mains_is_named() -> None:
    """The subs' feeds or amplifiers exchanged: both seats hear it, and the mains are where they should be."""
    (found,) = against_names(hall(), swapped(arrivals(), 0, "Sub L", "Sub R"), (), ())
    assert (found.finding, found.severity, found.track) == ("name contradicted", "warning", "Sub L")
    assert found.detail.startswith("Sub L and Sub R seem exchanged: Sub R ")


@pytest.mark.parametrize("pair", [("row 4", "row 15"), ("balcony front", "balcony back")])
def test_seats_that_stand_in_another_order_than_their_names_say(pair) -> None:
    (found,) = against_names(hall(), swapped(arrivals(), 1, *pair), (), ())
    assert (found.finding, found.severity, found.track) == ("name contradicted", "warning", pair[0])
    later_m = min(math.dist(SEATS[pair[1]], BOXES[m][2]) - math.dist(SEATS[pair[0]], BOXES[m][2]) for m in MAINS)
    assert found.value == pytest.approx(later_m / C_M_MS, abs=4.0 * STD_MS)
    assert f"reaches {pair[1]} first" in found.detail


def test_one_main_that_is_nearer_to_the_back_contradicts_no_row() -> None:
    heard = arrivals()
    ms, std_ms = heard["main left", "row 4"]
    heard = swapped(heard, 1, "row 4", "row 15") | {("main left", "row 4"): (ms, std_ms)}
    assert against_names(hall(), heard, (), ()) == []


def test_what_is_not_sure_enough_or_not_on_the_clock_tells_nothing() -> None:
    wrong = swapped(arrivals(), 1, "row 4", "row 15")
    unsure = {key: (ms, 10.0) for key, (ms, _) in wrong.items()}
    assert against_names(hall(), unsure, (), ()) == []
    assert against_names(hall(), wrong, [(name, "row 4") for name in BOXES], ()) == []
    assert against_names(hall(), wrong, (), MAINS) == []


def test_settings_are_taken_off_before_sides_are_compared() -> None:
    """A right main that is set 40 ms later is heard later on its own side, too."""
    check, later_ms = hall(), 40.0
    outputs = {**check.outputs, "main right": replace(check.outputs["main right"], setting=Setting(2.5 + later_ms))}
    late = {(o, p): (ms + later_ms * (o == "main right"), s) for (o, p), (ms, s) in arrivals().items() if o in MAINS}
    assert against_names(replace(check, outputs=outputs), late, (), ()) == []
    assert against_names(check, late, (), ()) != []
