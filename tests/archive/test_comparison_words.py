"""Sentences of a comparison, from figures that nobody had to measure."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analyze.archive.comparison_causes import Shift
from analyze.archive.comparison_response import ResponsePeak
from analyze.archive.comparison_words import OutputTimes, SettingNow, exchanged_words, output_words


@pytest.mark.parametrize(
    ("described_ms", "own_ms", "words"),
    [
        (0.0, 0.4, "It arrives 0.40 ± 0.06 ms later than at the older visit, at 4 positions alike. Its delay is"),
        (1.0, -0.6, "what is heard by +0.40 ± 0.06 ms: it arrives 0.60 ms earlier than that asks for, at 4"),
        (0.4, 0.0, "changed by +0.40 ms in the description; it arrives accordingly."),
    ],
)
def test_what_is_heard_is_held_against_what_is_described(described_ms, own_ms, words) -> None:
    times = OutputTimes(Shift(own_ms, 0.03, 0.0), own_ms != 0.0, False, 20.0, 0.0, "")
    peak = ResponsePeak(math.nan, math.nan, math.nan, math.nan, False, 1)
    said = output_words("same", times, None, peak, SettingNow(described_ms, False, "normal"), 4)
    assert words in said
    assert ("older visit" in said) is (described_ms == 0.0)


def test_what_seems_to_have_moved_and_is_too_near_the_noise_is_said() -> None:
    peak = ResponsePeak(math.nan, math.nan, math.nan, math.nan, False, 1)

    def said(own_ms: float) -> str:
        times = OutputTimes(Shift(own_ms, 0.02, 0.0), False, False, 20.0, 0.0, "")
        return output_words("same", times, None, peak, SettingNow(0.0, False, "normal"), 4)

    assert said(-0.083).endswith("± 0.04 ms, though it seems 0.08 ms earlier, too little to be sure of.")
    assert "seems" not in said(0.03)


@pytest.mark.parametrize(
    ("doubts", "words"),
    [
        (((), ()), "which of the two is not known"),
        ((("twins set differently",), ("channels exchanged",)), "most likely the newer one, whose own findings say so"),
        ((("distance contradicted",), ()), "most likely the older one, whose own findings say so (distance contradict"),
        ((("channels exchanged",), ("channels exchanged",)), "which of the two is not known"),
    ],
)
def test_of_exchanged_microphones_a_report_that_doubts_itself_is_named(doubts, words) -> None:
    (said,) = exchanged_words([("mix", "back")], *doubts)
    assert words in said


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        (SettingNow(0.0, False, "normal"), "arrival to ± 0.28 ms; a change of up to 0.50 ms could hide here."),
        (SettingNow(0.3, False, "normal", fits_none=True), "is in force cannot be heard: a change of up to 0.50 ms"),
        (SettingNow(2.0, False, "normal"), "it arrives accordingly, though a change of up to 0.50 ms could hide here."),
    ],
)
def test_a_coarse_arrival_says_up_to_how_much_could_hide(setting, words) -> None:
    """0.01 ms off, give or take 3.5 times 0.14 ms."""
    times = OutputTimes(Shift(0.01, 0.14, 0.0), False, False, 20.0, 0.0, "", is_coarse=True)
    peak = ResponsePeak(math.nan, math.nan, math.nan, math.nan, False, 1)
    assert words in output_words("same", times, None, peak, setting, 4)
    fine = output_words("same", replace(times, is_coarse=False), None, peak, setting, 4)
    assert ("could hide" in fine) is setting.fits_none
