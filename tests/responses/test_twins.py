"""Twins described as set of opposite polarity, held against how they sound."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analyze.description import Output, Position, Setting, SoundCheck
from analyze.responses.rows import Wiring
from analyze.responses.twins import twins_explained


def check(left: Setting, right: Setting, tap: str = "before") -> SoundCheck:
    outputs = {
        "main": Output("main", "main"),
        "sub left": Output("sub left", "sub", group="subs", setting=left, feed_tap=tap),
        "sub right": Output("sub right", "sub", group="subs", setting=right, feed_tap=tap),
    }
    return SoundCheck(Path("a"), Path(), "", "", 20.0, "main", outputs, {"mix": Position("mix", "audience")}, ())


def reads(**polarity: str) -> list[Wiring]:
    row = Wiring("main", "normal", 0.99, 3, 3, "")
    return [replace(row, output=name.replace("_", " "), polarity=read) for name, read in polarity.items()]


TURNED = check(Setting(4.0), Setting(4.0, "inverted"))


@pytest.mark.parametrize("sound_check", [TURNED, check(Setting(4.0, "inverted"), Setting(4.0))])
def test_twins_that_sound_alike_put_nothing_in_doubt(sound_check):
    odd = "sub left" if sound_check.outputs["sub left"].setting.sign < 0 else "sub right"
    read = {"sub_left": "normal", "sub_right": "normal"} | {odd.replace(" ", "_"): "inverted"}
    (found,) = twins_explained(sound_check, reads(**read))
    assert (found.finding, found.severity, found.track) == ("twins set differently", "note", "sub left")
    assert found.detail.startswith(f"{odd} is described as inverted")


@pytest.mark.parametrize(
    ("sound_check", "left", "right"),
    [
        (TURNED, "normal", "normal"),  # they sound against one another
        (TURNED, "normal", "undecided"),
        (TURNED, "inverted", "normal"),
        (TURNED, "inverted", "inverted"),
        (check(Setting(4.0), Setting(9.0, "inverted")), "normal", "inverted"),  # the delays are not explained
        (check(Setting(4.0), Setting(4.0, "inverted"), "after"), "normal", "inverted"),  # there the feed shows it
    ],
)
def test_what_the_wiring_does_not_explain_stays_a_warning(sound_check, left, right):
    assert twins_explained(sound_check, reads(sub_left=left, sub_right=right)) == list(sound_check.findings)
    assert [one.severity for one in sound_check.findings if one.finding == "twins set differently"] == ["warning"]
