"""Slips in a description that loads: what is told of them, and that what is meant so is not told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from analyze.description import Capture, Output, Position, Setting, SoundCheck, Track, load_sound_check
from analyze.findings import Finding

SAMPLE = Path(__file__).parent.parent / "sample_audio"


def check_of(captures: Sequence[Capture] = (), outputs: Sequence[Output] = (Output("main", "main"),)) -> SoundCheck:
    """A sound check of these takes, with every position that they name."""
    names = dict.fromkeys(name for capture in captures for name in capture.mics)
    return SoundCheck(
        path=Path("soundcheck.toml"),
        folder=Path(),
        title="",
        date="",
        temperature_c=20.0,
        reference=outputs[0].name,
        outputs={output.name: output for output in outputs},
        positions={name: Position(name, "audience") for name in names},
        captures=tuple(captures),
    )


def take(number: int, **mics: int) -> Capture:
    """A take of the main in one file, its feed on channel 1."""
    file = f"take{number}.flac"
    tracks = {name: Track(file, channel) for name, channel in mics.items()}
    return Capture(
        f"take {number}", ("main",), feeds={"main": Track(file, 1)}, mics=tracks, settings={"main": Setting()}
    )


def take_of_files(**mics: str) -> Capture:
    """A take in which every microphone has a file of its own."""
    tracks = {name.replace("_", " "): Track(file, 1) for name, file in mics.items()}
    return Capture("tower", ("main",), feeds={"main": Track("feed.wav", 1)}, mics=tracks, settings={"main": Setting()})


def told(check: SoundCheck, name: str) -> list[Finding]:
    return [one for one in check.findings if one.finding == name]


USUAL, OTHER = {"mix": 4, "back": 6, "front": 2}, {"mix": 6, "back": 4, "front": 2}


def test_positions_on_each_others_channels_in_one_take_are_told() -> None:
    check = check_of([take(1, **USUAL), take(2, **OTHER), take(3, **USUAL), take(4, **USUAL)])
    (one,) = told(check, "channels exchanged")
    wanted = ("warning", "take 2", "mix", "take2.flac", 6)
    assert (one.severity, one.capture, one.track, one.file, one.channel) == wanted
    assert one.detail.startswith("'mix' is on channel 6 and 'back' on 4 in 'take 2', the other way round in 'take 1', ")
    assert "'take 3' and 1 more. If the patch was changed between, it is right" in one.detail


def test_where_channels_are_shifted_those_of_the_other_take_are_said() -> None:
    """Between takes a feed came in before the microphones: their order counts."""
    shifted = {name: channel + 1 for name, channel in USUAL.items()}
    (one,) = told(check_of([take(1, **shifted), take(2, **OTHER), take(3, **shifted)]), "channels exchanged")
    assert "in 'take 1', 'take 3' ('mix' on 5 and 'back' on 7 in 'take 1'). If" in one.detail


def test_of_two_takes_that_contradict_each_other_neither_is_called_wrong() -> None:
    (one,) = told(check_of([take(1, **USUAL), take(2, **OTHER)]), "channels exchanged")
    assert (one.severity, one.capture) == ("note", "take 2")
    assert "in one of them" in one.detail


@pytest.mark.parametrize(
    "layouts",
    [
        [USUAL, USUAL, USUAL],
        [USUAL, USUAL, OTHER, OTHER],  # two rounds: the patch was changed
        [USUAL, USUAL, OTHER | {"front": 3}],  # all is elsewhere
        [USUAL, USUAL, OTHER, OTHER | {"front": 3}],
        [USUAL, USUAL, {"mix": 6, "back": 5, "front": 2}],
        [{"a": 2, "b": 3, "c": 4}, {"b": 2, "c": 3, "a": 4}, {"c": 2, "a": 3, "b": 4}],  # walking round by round
        [{"a": 2, "b": 3}, {"b": 2, "c": 3}, {"c": 2, "a": 3}, {"a": 2, "b": 3}],
        [USUAL, OTHER, {"mix": 2, "back": 4, "front": 6}],  # three patches
    ],
)
def test_a_patch_that_changes_is_no_exchange(layouts: list[dict[str, int]]) -> None:
    check = check_of([take(number, **mics) for number, mics in enumerate(layouts, 1)])
    assert told(check, "channels exchanged") == []


def test_another_recorder_has_channels_of_its_own() -> None:
    stereo = {"mix": Track("walk.wav", 6), "back": Track("walk.wav", 4)}
    other = Capture("walk", ("main",), feeds={"main": Track("feed.wav", 1)}, mics=stereo, settings={"main": Setting()})
    assert told(check_of([take(1, **USUAL), take(2, **USUAL), other]), "channels exchanged") == []


def test_files_without_feeds_are_held_against_their_like() -> None:
    without = [replace(take(n, mix=1, back=3, front=2), feeds={}) for n in (4, 5, 6)]
    takes = [take(1, **USUAL), take(2, **USUAL), take(3, **OTHER)]
    (one,) = told(check_of([*without, *takes]), "channels exchanged")
    assert (one.severity, one.capture) == ("warning", "take 3")


def test_a_position_may_be_called_as_an_output() -> None:
    usual = [take(number, main=4, back=6, **{f"round {number}": 7}) for number in (1, 2)]
    (one,) = told(check_of([*usual, take(3, main=6, back=4)]), "channels exchanged")
    assert (one.capture, one.track, one.channel) == ("take 3", "main", 6)


def test_a_file_without_feeds_is_held_against_those_with_from_its_first_position_on() -> None:
    odd = replace(take(3, mix=2, front=1, back=3), feeds={})
    usual = [take(number, front=2, back=3, mix=4) for number in (1, 2)]
    (one,) = told(check_of([*usual, odd]), "channels exchanged")
    assert (one.severity, one.capture) == ("warning", "take 3")


@pytest.mark.parametrize(
    ("mics", "is_told"),
    [
        ({"back": "tower_mix.wav", "mix": "tower_back.wav"}, True),
        ({"mic_back": "T1 Mix.wav", "mix": "t1 BACK.wav"}, True),
        ({"seat_1": "03_seat 2.wav", "seat_2": "04_seat 1.wav"}, True),
        ({"back": "tower_back.wav", "mix": "tower_mix.wav"}, False),
        ({"back": "tower_mix.wav", "mix": "tower_02.wav"}, False),
        ({"seat_1": "2_A.wav", "seat_2": "1_B.wav"}, False),  # numbers of files
        ({"mix_back": "back.wav", "back": "mix.wav"}, False),
    ],
)
def test_files_that_bear_each_others_position_are_told(mics: dict[str, str], is_told: bool) -> None:
    found = told(check_of([take_of_files(**mics)]), "channels exchanged")
    assert [one.severity for one in found] == ["warning"] * is_told


def test_the_sample_has_no_slip() -> None:
    assert [one.finding for one in load_sound_check(SAMPLE).findings] == []


@pytest.mark.parametrize(
    ("groups", "name"),
    [
        (("subs", "subs", "sub"), "output 3"),
        (("Mains", "mains", "mains"), "output 1"),
        (("sub", "subs"), "output 2"),
        (("front fills", "frontfill", "front fills"), "output 2"),
        (("subs", "subs", "subs"), ""),
        (("subs", "subs", "sub", "sub"), ""),
        (("subs left", "subs right"), ""),
        (("subL", "subR"), ""),
        (("L", "R"), ""),
        (("tower 1", "tower 2", "tower 2"), ""),
        (("left", "right", "sub", "tops"), ""),
        (("inner", "outer"), ""),
    ],
)
def test_groups_of_nearly_one_name_are_told(groups: tuple[str, ...], name: str) -> None:
    outputs = [Output(f"output {n}", "main", group=group) for n, group in enumerate(groups, 1)]
    found = told(check_of(outputs=outputs), "groups of nearly one name")
    assert [(one.severity, one.track) for one in found] == [("warning", name)] * bool(name)
    for one in found:
        assert f"group = {next(g for g in groups if g != groups[int(name[-1]) - 1])!r} under {name!r}" in one.detail


@pytest.mark.parametrize(
    ("name", "kind", "said"),
    [
        ("wedge 3", "fill", "monitor"),
        ("Sidefill L", "fill", "monitor"),
        ("side fill", "main", "monitor"),
        ("MON 2", "fill", "monitor"),
        ("sub left", "main", "sub"),
        ("main left", "sub", "main"),
        ("front fill", "main", "fill"),
        ("out fill left", "main", "fill"),
        ("Tiefton links", "main", "sub"),
        ("front fill", "fill", ""),
        ("delay fill", "main", ""),  # two kinds
        ("balcony delay", "fill", ""),  # judged alike
        ("centre cluster", "fill", ""),
        ("side hang", "fill", ""),
        ("drum sub", "monitor", ""),
        ("stage left", "sub", ""),
        ("out 5", "tower", ""),
    ],
)
def test_a_name_that_says_another_kind_is_told(name: str, kind: str, said: str) -> None:
    found = told(check_of(outputs=[Output(name, kind)]), "kind and name differ")
    severity = "note" if name.startswith("out fill") else "warning"  # which may be meant so
    assert [(one.severity, one.track) for one in found] == [(severity, name)] * bool(said)
    for one in found:
        assert f'write kind = "{said}"' in one.detail
