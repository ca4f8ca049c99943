"""Takes with a flip in their name: said where nothing is turned over in the description."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from tests.description_example import load

RIG = """format = 1
[outputs."sub left"]
kind = "sub"
group = "subs"
polarity = "inverted"
[outputs."sub right"]
kind = "sub"
group = "subs"
polarity = "inverted"
[outputs.wedge]
kind = "monitor"
[outputs.main]
kind = "main"
[positions.mix]
zone = "audience"
"""
TAKE = """
[[captures]]
name = "{name}"
feeds = {{ main = "{file}:1", "sub left" = "{file}:2", "sub right" = "{file}:3", wedge = "{file}:4" }}
mics = {{ mix = "{file}:5" }}
"""
INVERTED = 'settings = { "sub left" = { polarity = "inverted" }, "sub right" = { polarity = "inverted" } }\n'
NORMAL = 'settings = { "sub left" = { polarity = "normal" }, "sub right" = { polarity = "normal" } }\n'
WEDGE = 'settings = { wedge = { polarity = "inverted" } }\n'


def said(folder, *takes):
    """The findings on flips in takes (name, its settings), each of its own file."""
    names = [f"{k}.wav" for k in range(len(takes))]
    for name in names:
        soundfile.write(folder / name, np.zeros((8000, 5)), 8000)
    text = RIG + "".join(
        TAKE.format(name=name, file=file) + more for (name, more), file in zip(takes, names, strict=True)
    )
    found = load(folder, text).findings
    return [(one.capture, one.track, one.detail) for one in found if one.finding == "flip not described"]


@pytest.mark.parametrize("name", ["subs flipped", "Sub left, sub right: flipped", "02_subs_FLIP"])
def test_an_inverted_sub_that_was_flipped_is_normal(tmp_path, name):
    ((capture, track, detail),) = said(tmp_path, ("as it stood", ""), (name, INVERTED))
    assert (capture, track) == (name, "sub left")
    assert "'sub left' is inverted in it as in every other take" in detail
    assert 'settings = { "sub left" = { polarity = "normal" } }' in detail


def test_what_was_flipped_is_left_open_where_the_name_does_not_say(tmp_path):
    ((capture, track, detail),) = said(tmp_path, ("as it stood", ""), ("flipped", INVERTED))
    assert (capture, track) == ("flipped", "")
    assert "nothing in it is described so. For what was flipped write, as of 'main', settings" in detail


@pytest.mark.parametrize(
    "takes",
    [
        (("as it stood", ""), ("subs flipped", NORMAL)),
        (("before", NORMAL), ("subs flipped", "")),  # left as it was flipped to, and described so
        (("subs as they stood", ""), ("all inverted", "")),
        (("a", ""), ("wedge flipped", WEDGE)),
    ],
)
def test_what_is_described_or_only_stands_inverted(tmp_path, takes):
    assert said(tmp_path, *takes) == []


def test_a_flip_of_another_output_does_not_make_up_for_it(tmp_path):
    ((capture, _, _),) = said(tmp_path, ("wedge flipped", WEDGE), ("subs flipped", INVERTED))
    assert capture == "subs flipped"
