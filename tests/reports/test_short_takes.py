"""Takes with too little sound in them, whatever their files' length."""

from __future__ import annotations

import numpy as np
import pytest

from analyze.audio.waveform import sounding_s
from analyze.reports.short_takes import ShortTake, Sounding, short_takes, too_short


def rows(
    capture: str, length_s: float, *sounds_s: float, kind: str = "feed", is_one_signal: bool = False
) -> list[Sounding]:
    return [
        Sounding(capture, kind, f"out {k}", s, length_s, 0 if is_one_signal else k) for k, s in enumerate(sounds_s, 1)
    ]


@pytest.mark.parametrize(
    ("tracks", "said"),
    [
        (rows("sub", 30.0, 12.0), ("", "")),
        (rows("sub", 30.0, 7.0), ("under 10 s: sub", "")),
        (rows("in turn", 60.0, 15.0, 15.0, 4.0), ("under 10 s: in turn (out 3)", "")),
        (rows("in turn", 20.0, 4.0, 4.0, 4.0, 4.0, 3.0), ("under 10 s: in turn (out 1, out 2, out 3 and 2 more)", "")),
        (rows("song", 18.0, 18.0, 17.0), ("", "all at once for under 30 s: song")),
        (rows("main, sub", 18.0, 18.0, 17.0), ("", 'all at once for under 30 s: "main, sub"')),
        (rows("song", 60.0, 60.0, 40.0), ("", "")),
        (rows("song", 60.0, 60.0, 31.0, 3.0), ("", "")),  # one of many that has little to say is told otherwise
        (rows("sub", 30.0, 7.0) + rows("sub again", 30.0, 21.0), ("", "")),
        (rows("sub", 30.0, 7.0) + rows("sub again", 30.0, 8.0), ("under 10 s: sub and sub again", "")),
        (rows("sub", 30.0, 7.0) + rows("song", 40.0, 40.0, 40.0), ("under 10 s: sub", "")),  # not by itself there
        (rows("song", 18.0, 18.0, 17.0) + rows("in turn", 60.0, 20.0, 20.0), ("", "")),
        (rows("song", 18.0, 18.0, 17.0) + rows("one", 60.0, 20.0), ("", "all at once for under 30 s: song")),
        (rows("flipped", 14.0, 14.0, 14.0, is_one_signal=True), ("", "")),  # no longer take would tell them apart
        (rows("flipped", 9.0, 9.0, 9.0, is_one_signal=True), ("under 10 s: flipped (out 1 and out 2)", "")),
        (rows("no feed", 8.0, 1.0, 1.0, kind="mic"), ("under 10 s: no feed", "")),
        (rows("no feed", 12.0, 1.0, 1.0, kind="mic"), ("", "")),
    ],
)
def test_short_takes_are_named(tracks, said):
    assert short_takes(tracks) == said


def test_outputs_of_short_takes_are_told():
    turn, song = rows("in turn", 60.0, 15.0, 4.0), rows("song", 18.0, 18.0, 17.0)
    bare = rows("no feed", 8.0, 1.0, kind="mic")
    assert too_short([*turn, *song, *bare]) == [
        ShortTake("in turn", ("out 2",), is_at_once=False, is_of_several=True),
        ShortTake("song", ("out 2",), is_at_once=True, is_of_several=True),  # out 1 sounds long enough by itself
        ShortTake("no feed", (), is_at_once=False, is_of_several=False),
    ]


@pytest.mark.parametrize(
    ("sounds", "seconds"),
    [
        ([(0, 100)], 10.0),
        ([(10, 30)], 2.0),
        ([(0, 10), (25, 40)], 4.0),  # a rest of 1.5 s
        ([(0, 10), (60, 80)], 3.0),  # a rest of 5 s
        ([], 10.0),  # a silent track is named as that
    ],
)
def test_rests_between_phrases_are_part_of_the_sound(sounds, seconds):
    high = np.full(100, 1e-4, dtype=np.float32) * bool(sounds)
    for first, stop in sounds:
        high[first:stop] = 0.5
    assert sounding_s(-0.5 * high, high, 0.1) == pytest.approx(seconds)
    assert sounding_s(-high, 0.5 * high, 0.1) == pytest.approx(seconds)
