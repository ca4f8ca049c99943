"""Sentences that ask for a recording, as the program writes them, and the outputs they mean."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from analyze.alignment.decision import disagreement_words, faint_words
from analyze.alignment.fills import _apart_words
from analyze.description import Capture, Setting, Track
from analyze.planning.requests import as_planned, asked_for, named_to_record
from analyze.responses.separation import _mend

_SET = {"sub": Setting(), "main": Setting()}

KINDS = {"main": "main", "main left": "main", "sub": "sub", "tower": "tower", "kick. record": "monitor"}


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("In doubt: record main left, main and sub each alone again, louder.", ["main left", "main", "sub"]),
        (disagreement_words(["sub", "tower"]), ["sub", "tower"]),
        (faint_words("tower"), ["tower"]),
        ("sub is wired opposite to main, so they cancel: mend that, then record each again.", ["sub", "main"]),
        ("Kept: main and sub were not measured on stage. Record each of them there.", ["main", "sub"]),
        ("Has the other polarity than main at mix: turn it at the cable and record it again.", ["tower"]),
        ("sub and main were not both heard: record each alone with a microphone where tower is.", ["sub", "main"]),
        (
            "It cannot be told when tower and main arrived: record tower and main each alone, with noise, where it is.",
            ["tower", "main"],
        ),
        ("sub is 28 dB or more under main at every microphone: dead. See to it; then record sub again.", ["sub"]),
        ("No two were measured: record every output alone with a microphone there.", list(KINDS)),
        ("Its arrival is not sure enough: record it and main alone again, with a microphone there.", ["main", "tower"]),
        ("Two takes of kick. record disagree: record kick. record again.", ["kick. record"]),
        ("In 'record sub' nothing was heard: record it again.", ["tower"]),
        ("Set it 2 ms later: 1.0 dB more where it overlaps with sub, as was recorded.", []),
        ("main sounded and its feed was not recorded. Record its feed too, or mute it.", []),
        ("Record sub once: nothing has to be recorded again.", []),
    ],
)
def test_outputs_that_are_asked_for(text: str, asked: list[str]) -> None:
    assert asked_for(text, KINDS, ["tower"]) == asked


def test_any_main_will_do_where_one_is_asked_for() -> None:
    kinds = {"left": "main", "right": "main", "sub": "sub", "tower": "tower"}
    asked = asked_for("sub, a sub, is the reference. Record a main alone where tower is heard.", kinds, ["tower"])
    assert asked == ["left", "right"]


def test_a_take_means_what_it_names_else_all_that_sounded_in_it() -> None:
    assert asked_for("Too short; record it three times as long.", KINDS, (), ["sub", "tower"]) == ["sub", "tower"]
    assert asked_for("sub is not heard at mix: record it louder.", KINDS, (), ["sub", "tower"]) == ["sub"]
    assert asked_for("Too short; record it three times as long.", {}) == []


def test_a_reason_asks_for_nothing_but_what_is_planned() -> None:
    """The sentences are those of the program: other words there have to be known here."""
    apart = Capture("music", ("sub", "main"), feeds={"sub": Track("a.wav", 1)}, unsynced=(("b.wav",),), settings=_SET)
    context = SimpleNamespace(sound_check=SimpleNamespace(captures=(apart,)))
    why = _apart_words(cast(Any, context), "sub", "main")
    assert as_planned(why).endswith("against main: record each alone, feeds and microphones on one recorder.")
    assert as_planned(why, is_in_turn=True).endswith("against main: record both in one take, as here.")
    alone = _mend(cast(Any, SimpleNamespace(output="sub")))
    assert as_planned(f"x {alone}") == as_planned(f"x {alone}", is_in_turn=True) == "x Record sub alone."
    assert as_planned("Record it again.") == "Record it again."


def test_what_asks_in_passing_means_what_it_names_there() -> None:
    assert named_to_record("sub and main play the same. Record sub alone, or the same with main.", KINDS) == ["sub"]
    assert named_to_record("sub is not heard at mix: record it louder.", KINDS) == []
