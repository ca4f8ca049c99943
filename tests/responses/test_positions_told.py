"""Microphones under each other's names: told by distances measured by hand, and by takes of one output."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from analyze.acoustics import speed_of_sound_simple
from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track
from analyze.responses.exchanged_positions import exchanged_positions
from analyze.responses.taped_distances import arrivals_at_a_look, taped_distances
from analyze.spectra.inspection import HeardAfter

#: Distances of the output, in m, as made.
PLACES = {"mix": 20.0, "front": 6.0, "back": 31.0, "left": 12.0}
DELAY_MS = 3.0
C_M_MS = speed_of_sound_simple(20.0) / 1000.0


def check(tapes: dict[str, float], latency_ms: float = math.nan, kind: str = "main") -> SoundCheck:
    main = Output("main", kind, setting=Setting(DELAY_MS), latency_ms=latency_ms)
    positions = {
        name: Position(name, "audience", distance_m={"main": tapes[name]} if name in tapes else {}) for name in PLACES
    }
    tracks = {name: Track("a.wav", k) for k, name in enumerate(PLACES, 2)}
    take = Capture("one", ("main",), feeds={"main": Track("a.wav", 1)}, mics=tracks, settings={"main": main.setting})
    return SoundCheck(Path("a"), Path(), "", "", 20.0, "main", {"main": main}, positions, (take,))


def told(tapes: dict[str, float], latency_ms: float, true_ms: float = 2.0, **swapped: str):
    """Findings where the output is as far as made, with a latency, and some microphones have others' names."""
    arrivals = {
        ("main", name): (DELAY_MS + true_ms + PLACES[swapped.get(name, name)] / C_M_MS, 0.05) for name in PLACES
    }
    return taped_distances(check(tapes, latency_ms), arrivals, (), ())


@pytest.mark.parametrize(
    ("tapes", "latency_ms", "true_ms"),
    [
        ({"mix": 20.4}, 2.0, 2.0),
        ({"mix": 21.0}, 2.0, 2.0),  # as a warm room with no thermometer: 5 in 100
        ({"mix": 10.0}, math.nan, 40.0),  # a latency that nobody knows
        ({"mix": 20.0, "front": 6.3, "back": 30.5}, math.nan, 25.0),
        ({"mix": 20.0, "front": 6.3}, 2.0, 15.0),  # the described latency is wrong by as much everywhere
    ],
)
def test_tapes_that_agree(tapes, latency_ms, true_ms):
    assert told(tapes, latency_ms, true_ms) == []


@pytest.mark.parametrize(
    ("tapes", "latency_ms", "at"),
    [
        ({"mix": 16.0}, 2.0, {"mix": 4.0}),
        ({"mix": 22.5}, math.nan, {"mix": -1.8}),  # further than sound came, whatever the latency is above 0
        ({"mix": 20.0, "front": 6.0, "back": 36.0}, math.nan, {"back": -5.0}),
        ({"mix": 20.0, "front": 9.0}, 2.0, {"front": -3.0}),
    ],
)
def test_a_tape_that_contradicts(tapes, latency_ms, at):
    """Nothing fits by an exchange; way less tape stands as the figure."""
    found = told(tapes, latency_ms)
    assert {one.track: pytest.approx(one.value, abs=0.05) for one in found} == at
    assert all("Measure again first" in one.detail for one in found)


@pytest.mark.parametrize("latency_ms", [math.nan, 2.0])
@pytest.mark.parametrize("positions", [("mix",), ("mix", "front", "back")])
def test_tapes_in_feet_are_told(positions, latency_ms):
    feet = {name: round(PLACES[name] / 0.3048, 1) for name in positions}
    found = told(feet, latency_ms)
    assert {one.track for one in found} <= set(positions)
    assert len(found) >= 1
    assert all("as all distances do: write metres" in one.detail for one in found)
    mix = next(one for one in found if one.track == "mix")
    assert "is 65.6 m from mix by hand" in mix.detail
    assert "fits 65.6 feet" in mix.detail
    assert "here 19.99" in mix.detail
    assert mix.value == pytest.approx(19.995 - 65.6, abs=0.01)
    one_wrong = told(feet | {"mix": 80.0}, latency_ms)
    assert one_wrong
    assert not any("feet" in one.detail for one in one_wrong)


@pytest.mark.parametrize(("tapes", "latency_ms"), [(PLACES, math.nan), ({"mix": 20.0}, 2.0), ({"back": 31.0}, 2.0)])
def test_two_microphones_under_each_others_names(tapes, latency_ms):
    found = told(dict(tapes), latency_ms, mix="back", back="mix")
    assert {one.track for one in found} == {"mix", "back"} & set(tapes)
    is_lone = len(tapes) == 1  # then another delay or a slip of the tape would do as well
    assert all("Measure again first; then check the delay described" in one.detail for one in found) is is_lone
    assert all(
        ("With back and mix exchanged" in d or "With mix and back exchanged" in d) is not is_lone
        for d in (one.detail for one in found)
    )
    assert (
        "is 20 m from mix by hand, and 31.0 m by its arrival, which is 32.1 ms later ('one')" in found[0].detail
        or "mix" not in tapes
    )


@pytest.mark.parametrize(
    ("of_main", "latency_ms", "is_told"),
    [
        ({}, math.nan, False),  # nothing says what latency is usual
        ({"mix": 20.0}, 2.0, True),
        ({"mix": 20.0, "front": 6.0}, math.nan, True),  # these two say it
        ({"mix": 20.0}, math.nan, False),
    ],
)
def test_a_lone_tape_of_an_output_is_held_against_the_latency_of_others(of_main, latency_ms, is_told):
    """The tower's microphone hung 9 m further from it than the tape says: 26 ms, too much for latency."""
    for off_m, found in ((9.0, ["back"] * is_told), (3.0, []), (-1.0, [])):
        rig = check(of_main, latency_ms)
        tower = Output("tower", "tower", setting=Setting(50.0))
        rig = replace(rig, outputs=rig.outputs | {"tower": tower})
        back = replace(rig.positions["back"], distance_m=rig.positions["back"].distance_m | {"tower": 8.0})
        rig = replace(rig, positions=rig.positions | {"back": back})
        arrivals = {("main", name): (DELAY_MS + 2.0 + metres / C_M_MS, 0.05) for name, metres in PLACES.items()}
        arrivals["tower", "back"] = (50.0 + 2.0 + (8.0 + off_m) / C_M_MS, 0.05)
        assert [one.track for one in taped_distances(rig, arrivals, (), ())] == found


def test_an_exchange_in_one_take_is_named_though_another_output_stands_where_it_is_described():
    tower = Output("tower", "tower", setting=Setting(50.0))
    rig = check(PLACES, 2.0)
    back = replace(rig.positions["back"], distance_m=rig.positions["back"].distance_m | {"tower": 8.0})
    rig = replace(rig, outputs=rig.outputs | {"tower": tower}, positions=rig.positions | {"back": back})
    places = PLACES | {"mix": PLACES["back"], "back": PLACES["mix"]}
    arrivals = {("main", name): (DELAY_MS + 2.0 + metres / C_M_MS, 0.05) for name, metres in places.items()}
    arrivals["tower", "back"] = (50.0 + 2.0 + 8.0 / C_M_MS, 0.05)
    found = taped_distances(rig, arrivals, (), ())
    assert [one.track for one in found] == ["mix", "back"]
    assert all("exchanged it fits" in one.detail for one in found)


def test_what_a_look_heard_is_held_against_tapes():
    """A feed ahead of its delay, one behind it, another delay in that take; subs say nothing in so short a look."""
    of = dict.fromkeys(PLACES)
    for tap, in_take_ms, kind in (
        ("before", 3.0, "main"),
        ("before", 7.0, "main"),
        ("after", 7.0, "main"),
        ("before", 3.0, "sub"),
    ):
        rig = check(PLACES, 2.0, kind)
        (take,) = rig.captures
        rig = replace(
            rig,
            outputs={"main": replace(rig.outputs["main"], feed_tap=tap)},
            captures=(replace(take, settings={"main": Setting(in_take_ms)}),),
        )
        sent_ms = 2.0 + (in_take_ms if tap == "before" else 0.0)
        for swapped in (of, of | {"mix": "back", "back": "mix"}):
            heard = [
                HeardAfter("one", "main", name, sent_ms + PLACES[swapped[name] or name] / C_M_MS) for name in PLACES
            ]
            found = [one.track for one in taped_distances(rig, arrivals_at_a_look(rig, heard), (), ())]
            assert found == (["mix", "back"] if swapped != of and kind != "sub" else [])


def test_what_means_nothing_is_not_compared():
    far = {("main", "mix"): (500.0, 0.05)}
    assert len(taped_distances(check({"mix": 20.0}, 2.0), far, (), ())) == 1
    assert taped_distances(check({"mix": 20.0}, 2.0), far, {("main", "mix")}, ()) == []
    assert taped_distances(check({"mix": 20.0}, 2.0), far, (), {"main"}) == []


@dataclass
class Heard:
    """What is read of a row of arrivals."""

    capture: str
    output: str
    position: str
    arrival_ms: float
    arrival_std_ms: float = 0.05


@dataclass
class Taken:
    """What is read of a measured capture."""

    capture: Capture
    own_clocks: Sequence[tuple[str, str]]


def exchanged(second: dict[str, float], second_delay_ms: float = 0.0, own_clocks: Sequence[tuple[str, str]] = ()):
    """Findings of two takes: the first as made, the second with these distances and this delay written down."""
    takes = {"one": (PLACES, 0.0), "two": (second, second_delay_ms)}
    rows = [
        Heard(name, "main", position, delay_ms + metres / C_M_MS)
        for name, (places, delay_ms) in takes.items()
        for position, metres in places.items()
    ]
    measured = [
        Taken(Capture(name, ("main",), settings={"main": Setting(delay_ms)}), tuple(own_clocks))
        for name, (_, delay_ms) in takes.items()
    ]
    return [(one.capture, one.track) for one in exchanged_positions(rows, measured)]


def test_two_microphones_exchanged_between_takes():
    assert exchanged(PLACES | {"mix": 31.05, "back": 19.95}) == [("two", "back")]
    assert exchanged(PLACES | {"mix": 31.05, "back": 19.95}, 8.0) == [("two", "back")]


@pytest.mark.parametrize(
    "second",
    [
        PLACES,
        PLACES | {"mix": 31.0},  # one microphone was moved
        {name: metres + 11.0 for name, metres in PLACES.items()},  # a delay that nobody wrote down
        PLACES | {"mix": 6.0, "front": 31.0, "back": 20.0},  # three changed places: not told which
        {"mix": 31.0, "front": 6.0},
    ],
)
def test_what_is_no_exchange(second):
    assert exchanged(second) == []


def test_clocks_of_their_own_tell_nothing():
    assert exchanged(PLACES | {"mix": 31.0, "back": 20.0}, own_clocks=[("main", "mix")]) == []
