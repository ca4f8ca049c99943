"""How feeds that share programme relate: delay, sign and gain of a bus, and when nothing is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from response_making import Samples, delayed, responses, solo, sound_check, summed

from analyze.description import Output, Position, Setting, SoundCheck
from analyze.responses.capture import Measured
from analyze.responses.feed_relations import (
    EQUAL,
    FeedRelation,
    compared,
    feed_relations,
    relation_findings,
    relation_of,
    relation_words,
    sent_relative,
)
from analyze.responses.own_clocks import OwnClock

RATE_HZ = 4000
SECONDS = 20


def pink(seed: int, n: int = SECONDS * RATE_HZ) -> Samples:
    """Noise that falls by 3 dB per octave from 20 Hz on, as music does about."""
    f = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    shape = np.maximum(f, 20.0) ** -0.5
    return np.fft.irfft(shape * np.fft.rfft(np.random.default_rng(seed).standard_normal(n)), n)


def low_passed(sound: Samples, hz: float, order: int = 4) -> Samples:
    from scipy.signal import butter, sosfilt

    return sosfilt(butter(order, hz, fs=RATE_HZ, output="sos"), sound)


def relation(one: Samples, other: Samples, read_s: tuple[float, float] = (0.0, 0.0)) -> FeedRelation | None:
    """The relation of the second feed to the first, read so much earlier than the microphone."""
    heard = one + other + 1e-3 * np.random.default_rng(9).standard_normal(len(one))
    return relation_of(summed([one, other], [heard], np.array(read_s)[:, None], RATE_HZ), 0, 1)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("delay_ms", [0.0, 0.3, 4.0, -7.5, 40.0])
def test_a_bus_with_its_delay_sign_and_gain(sign: float, delay_ms: float) -> None:
    """Measured: 0.005 ms and 0.05 dB at most."""
    programme = pink(1)
    found = relation(programme, sign * 2.0 * delayed(programme, delay_ms / 1000.0, RATE_HZ) + 0.02 * pink(2))
    assert found is not None
    assert (found.output, found.other, found.sign) == ("out 1", "out 0", sign)
    assert found.delay_ms == pytest.approx(delay_ms, abs=0.02)
    assert found.gain_db == pytest.approx(6.02, abs=0.2)
    assert found.is_late is (delay_ms != 0.0)
    assert found.is_unequal


@pytest.mark.parametrize("read_s", [(0.03, 0.01), (0.0, 0.08)])
def test_how_feeds_were_read_is_taken_out(read_s: tuple[float, float]) -> None:
    programme = pink(1)
    found = relation(programme, delayed(programme, 0.005, RATE_HZ), read_s)
    assert found is not None
    assert found.delay_ms == pytest.approx(5.0, abs=0.02)


@pytest.mark.parametrize("own", [0.05, 0.3, 0.6])
def test_mixes_of_one_programme_are_equal_feeds(own: float) -> None:
    """What each has of its own does not make a delay; measured: 0.03 ms at most, within the stated error."""
    programme = pink(1)
    found = relation(programme + own * pink(2), programme + own * pink(3))
    assert found is not None
    assert not found.is_unequal
    assert abs(found.delay_ms) < 4.0 * found.delay_std_ms


def test_the_error_is_that_of_the_bound() -> None:
    """Standard deviation over 40 takes against Knapp & Carter 1976 (delay variance by coherence, from memory).

    var = 1 / (2 T integral (2 pi f)^2 g2 / (1 - g2) df), here over 25 to 1000 Hz with g2 the same on all lines.
    """
    errors, stated = [], []
    for seed in range(40):
        programme = pink(3 * seed)
        found = relation(programme + 0.5 * pink(3 * seed + 1), programme + 0.5 * pink(3 * seed + 2))
        assert found is not None
        errors.append(found.delay_ms)
        stated.append(found.delay_std_ms)
    g2 = 1.0 / 1.25**2
    bound_ms = 1000.0 / np.sqrt(2.0 * SECONDS * (2.0 * np.pi) ** 2 * (1000.0**3 - 25.0**3) / 3.0 * g2 / (1.0 - g2))
    assert np.std(errors) < 1.5 * bound_ms
    assert np.mean(stated) == pytest.approx(np.std(errors), rel=0.4)


def test_feeds_of_unrelated_signals_say_nothing() -> None:
    assert relation(pink(1), pink(2)) is None


@pytest.mark.parametrize("noise", [0.0, 1e-4, 0.03])
@pytest.mark.parametrize("order", [2, 3, 4])
def test_a_sub_feed_after_a_crossover_turns_as_its_filter_does(order: int, noise: float) -> None:
    """The phase at the corner is that of a Butterworth low-pass, -45 degrees times its order (from memory).

    Whatever lies far under the programme in the sub's feed. Measured: 25, 17 and 12 degrees less turned for the three
    orders; taken as equal they would be 90, 135 and 180 off.
    """
    corner_hz = 90.0
    programme = pink(1)
    found = relation(programme, low_passed(programme, corner_hz, order) + noise * pink(7))
    assert found is not None
    assert found.is_late
    assert found.sign == 1.0
    turned_deg = -360.0 * corner_hz * found.delay_ms / 1000.0
    assert turned_deg == pytest.approx(-45.0 * order, abs=27.0)
    assert found.delay_std_ms > 0.1  # a filter is no delay, and the error says so
    assert math.isnan(found.gain_db)


def test_feeds_that_no_one_delay_relates_are_not_known_and_said() -> None:
    """Both ways of a third-order crossover: 270 degrees apart at all frequencies, as no delay turns them."""
    from scipy.signal import butter, sosfilt

    programme = pink(1)
    high = sosfilt(butter(3, 100.0, "high", fs=RATE_HZ, output="sos"), programme)
    found = relation(high, low_passed(programme, 100.0, 3))
    assert found is not None
    assert not found.is_known
    assert not found.is_unequal
    assert sent_relative([found], ["out 0", "out 1"], "out 0") == {}
    groups = {"out 0": ("out 0",), "out 1": ("out 1",)}
    assert [f.finding for f in relation_findings([found], groups)] == ["feed relation not known"]


@pytest.mark.parametrize(("order", "corner_hz"), [(1, 80.0), (2, 40.0), (3, 40.0), (4, 80.0)])
def test_a_main_feed_after_a_high_pass_is_not_taken_for_equal(order: int, corner_hz: float) -> None:
    """A Butterworth high-pass turns by 45 degrees times its order at its corner (from memory): no delay does that.

    Its many lines above the corner lie within 10 degrees of the other feed, and would outvote the low ones.
    """
    from scipy.signal import butter, sosfilt

    programme = pink(1)
    found = relation(sosfilt(butter(order, corner_hz, "high", fs=RATE_HZ, output="sos"), programme), programme)
    assert found is not None
    assert not found.is_known


def test_a_microphone_without_frames_hides_nothing() -> None:
    """Everything of the first seat was left out."""
    programme = pink(1)
    late = delayed(programme, 0.004, RATE_HZ)
    cross = summed([programme, late], [programme, programme], np.zeros((2, 2)), RATE_HZ)
    gxx, n_frames = cross.gxx.copy(), cross.n_frames.copy()
    gxx[0], n_frames[:, 0] = 0.0, 0
    found = relation_of(replace(cross, gxx=gxx, n_frames=n_frames), 0, 1)
    assert found is not None
    assert found.delay_ms == pytest.approx(4.0, abs=0.02)


@pytest.mark.parametrize(("seconds", "is_told"), [(2.4, False), (6.0, True)])
def test_a_moment_of_sound_tells_nothing(seconds: float, is_told: bool) -> None:
    """Over a frame or two any two signals are coherent."""
    n = round(seconds * RATE_HZ)
    programme = pink(1, n)
    assert (relation(programme, delayed(programme, 0.004, RATE_HZ)) is not None) is is_told
    assert relation(programme, pink(2, n)) is None


def test_a_sub_feed_that_is_only_softer_above_is_equal_where_it_counts() -> None:
    """A gentle low-pass far up, as of a console's shelf, leaves sign and delay known to its own group delay."""
    programme = pink(1)
    found = relation(programme, low_passed(programme, 900.0, 1))
    assert found is not None
    assert found.sign == 1.0
    assert abs(found.delay_ms) < 0.2


def kicks(seed: int) -> Samples:
    """A kick drum alone: little but 40 to 110 Hz."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    track = np.zeros(SECONDS * RATE_HZ)
    for at in np.arange(0.3, SECONDS - 0.5, 0.6):
        phase = 2.0 * np.pi * (rng.uniform(48.0, 56.0) * time_s + 3.0 * (1.0 - np.exp(-time_s / 0.02)))
        start = round((at + rng.uniform(0.0, 0.05)) * RATE_HZ)
        track[start : start + len(time_s)] += rng.uniform(0.3, 0.6) * np.sin(phase) * np.exp(-time_s / 0.08)
    return track


@pytest.mark.parametrize("delay_ms", [0.0, 4.0, 9.6])
def test_a_kick_drum_alone_never_gives_another_period(delay_ms: float) -> None:
    programme = kicks(1)
    found = relation(programme, delayed(programme, delay_ms / 1000.0, RATE_HZ) + 1e-4 * pink(5))
    assert found is None or (found.sign == 1.0 and found.delay_ms == pytest.approx(delay_ms, abs=0.1))


# Captures

NAMES = ("out 0", "out 1")


def described(tap: str = "before") -> SoundCheck:
    return sound_check(
        [Output(NAMES[0], "main"), Output(NAMES[1], "sub", feed_tap=tap)], [Position("seat 0", "audience")]
    )


def measured(
    feeds: Sequence[Samples], name: str = "take", setting: Setting | None = None, turned: bool = False
) -> Measured:
    """A capture of both outputs, the second at a setting; `turned` names the feeds in the other order."""
    order = [1, 0] if turned else [0, 1]
    heard = feeds[0] + feeds[1] + 1e-3 * np.random.default_rng(9).standard_normal(len(feeds[0]))
    cross = summed([feeds[k] for k in order], [heard], np.zeros((2, 1)), RATE_HZ)
    cross = replace(cross, capture=name, feeds=tuple(NAMES[k] for k in order))
    settings = {NAMES[0]: Setting(), NAMES[1]: setting or Setting()}
    capture = replace(solo(NAMES[0], Setting(), ["seat 0"], name=name), playing=NAMES, settings=settings)
    return Measured(capture, responses(np.ones((2, 1, 2)), outputs=cross.feeds), (), (), cross=cross)


@pytest.mark.parametrize(("tap", "sign", "delay_ms"), [("after", 1.0, 1.5), ("before", -1.0, 4.5)])
def test_a_setting_that_acts_before_the_tap_is_no_bus(tap: str, sign: float, delay_ms: float) -> None:
    """A bus 1.5 ms late, then a setting of 3 ms, inverted: tapped after it the feed shows both; measured 0.001 ms."""
    programme = pink(1)
    take = measured([programme, -delayed(programme, 0.0045, RATE_HZ)], setting=Setting(3.0, "inverted"))
    (found,), findings = feed_relations(described(tap), [take])
    assert (found.sign, findings) == (sign, [])
    assert found.delay_ms == pytest.approx(delay_ms, abs=0.02)


def test_captures_that_agree_are_averaged_whatever_order_they_name_feeds_in() -> None:
    """A short look at a poor likeness does not take the place of a good one."""
    programme, late = pink(1), delayed(pink(1), 0.003, RATE_HZ)
    good = measured([programme, late + 0.05 * pink(2)], "good")
    poor = measured([programme + 0.5 * pink(3), late + 0.5 * pink(4)], "poor", turned=True)
    (alone,), _ = feed_relations(described(), [good])
    (found,), findings = feed_relations(described(), [good, poor])
    assert findings == []
    assert found.delay_ms == pytest.approx(3.0, abs=0.02)
    assert found.delay_std_ms <= alone.delay_std_ms
    assert (found.output, found.capture) == (NAMES[1], "poor")


def test_captures_that_contradict_each_other_are_named_and_the_newest_counts() -> None:
    programme = pink(1)
    takes = [measured([programme, delayed(programme, s, RATE_HZ)], name) for s, name in ((0.003, "old"), (0.0, "new"))]
    (found,), (finding,) = feed_relations(described(), takes)
    assert (finding.finding, finding.severity, finding.capture) == ("feed relation changed", "warning", "new")
    assert not found.is_unequal


def test_feeds_of_different_recorders_say_nothing() -> None:
    """Their offset was found from the sound, so a delay of the bus hides in it."""
    programme = pink(1)
    take = measured([programme, delayed(programme, 0.003, RATE_HZ)])
    own = {(NAMES[1], "seat 0"): OwnClock("take / player / desk", 0.1)}
    assert feed_relations(described(), [replace(take, own_clocks=own)]) == ([], [])
    own[NAMES[0], "seat 0"] = own[NAMES[1], "seat 0"]
    assert len(feed_relations(described(), [replace(take, own_clocks=own)])[0]) == 1


def test_feeds_of_outputs_that_are_muted_tell_too() -> None:
    """Of two that both sounded the capture's own pass has told already."""
    programme = pink(1)
    take = measured([programme, delayed(programme, 0.003, RATE_HZ)])
    assert take.cross is not None
    one_mute = replace(take.capture, playing=NAMES[:1])
    (found,), findings = feed_relations(described(), [], [(one_mute, take.cross)])
    assert findings == []
    assert found.delay_ms == pytest.approx(3.0, abs=0.02)
    assert feed_relations(described(), [], [(take.capture, take.cross)]) == ([], [])


# Joined


def test_what_no_chain_leads_to_is_not_compared() -> None:
    relations = [known("sub", "main", 1.0, 3.0), known("fill", "sub"), known("wedge 2", "wedge 1")]
    not_known = replace(known("tower", "main"), sign=math.nan, delay_ms=math.nan)
    assert compared([*relations, not_known], "main") == {"main", "sub", "fill"}


def known(output: str, other: str, sign: float = 1.0, delay_ms: float = 0.0, gain_db: float = 0.0) -> FeedRelation:
    return FeedRelation("music", output, other, sign, delay_ms, 0.01, gain_db)


def test_relations_are_chained_from_the_reference() -> None:
    relations = [
        known("sub", "main", -1.0, 3.0),
        known("fill", "sub", 1.0, -1.0, 6.0),
        known("tower", "main", 1.0, 0.01),
    ]
    sent = sent_relative(relations, ["fill", "main", "sub", "tower"], "main")
    assert sent == {"sub": (-1.0, 3.0, 0.0), "fill": (-1.0, 2.0, 6.0)}


def test_a_relation_is_followed_backwards() -> None:
    assert sent_relative([known("main", "sub", -1.0, 3.0, 2.0)], ["main", "sub"], "main") == {"sub": (-1.0, -3.0, -2.0)}


def test_feeds_apart_from_the_reference_are_set_against_their_own_first() -> None:
    sent = sent_relative([known("wedge 2", "wedge 1", 1.0, 2.0)], ["main", "wedge 1", "wedge 2"], "main")
    assert sent == {"wedge 2": (1.0, 2.0, 0.0)}
    assert sent_relative([], ["main"], "main").get("main", EQUAL) == EQUAL


def test_two_groups_are_named_once() -> None:
    groups = {"left": ("left", "right"), "right": ("left", "right"), "sub": ("sub",)}
    relations = [known("sub", "left", 1.0, 4.0), known("sub", "right", 1.0, 4.0), known("right", "left")]
    (found,) = relation_findings(relations, groups)
    assert (found.finding, found.severity, found.track, found.value, found.unit) == (
        *("unequal feeds", "warning", "sub"),
        *(4.0, "ms"),
    )
    assert "4.00 ms later" in found.detail


def test_words() -> None:
    assert (
        relation_words(known("a", "b", -1.0, -2.5, 3.0))
        == "2.50 ms earlier and of the other polarity and 3.0 dB louder"
    )
