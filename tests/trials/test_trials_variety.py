"""Devices, taps and weights of the trials: the truth keeps within them, and they change neither rooms nor signals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from analyze.description import load_sound_check
from tests.situations.takes import Take
from tests.trials import cases
from tests.trials.cases import Case, make_case
from tests.trials.efficiency import Reach, Settings, make_sums
from tests.trials.point_sources import (
    BOX,
    FAR,
    FURTHER,
    LINES_HZ,
    MAIN,
    NEAR,
    analysis_of,
    case_of,
    delayed,
    main_and_sub,
    only,
    recommendation,
)
from tests.trials.rigs import Device, Output, Seat
from tests.trials.scoring import score
from tests.trials.truth import truth_of
from tests.trials.variety import later, vary, words
from tests.trials.venues import RATE_HZ


def with_device(case: Case, name: str, **device: object) -> Case:
    outputs = [replace(o, device=Device(**device)) if o.name == name else o for o in case.outputs]
    return replace(case, outputs=tuple(outputs))


@pytest.mark.parametrize(
    ("device", "wiring", "delay_ms", "sign"),
    [
        ({}, 1.0, 3.0, 1.0),
        ({"max_delay_s": 0.004, "step_s": 5e-4}, 1.0, 3.0, 1.0),
        ({"step_s": 8e-4}, 1.0, 3.2, 1.0),  # the nearer of 2.4 and 3.2 ms
        ({}, -1.0, 3.0, -1.0),
        ({"can_invert": False}, 1.0, 3.0, 1.0),
    ],
)
def test_the_best_setting_is_one_that_the_device_offers(
    device: dict[str, object], wiring: float, delay_ms: float, sign: float
) -> None:
    """A sub that belongs at 3 ms."""
    truth = truth_of(with_device(main_and_sub(wiring), "sub", **device))
    best = truth.best(truth.present())
    assert 1000.0 * best.delays_s[1] == pytest.approx(delay_ms, abs=0.011)
    assert best.signs[1] == sign


def test_a_delay_and_a_polarity_out_of_reach_are_not_asked_for() -> None:
    """The sub belongs at 13 ms, and is wired inverted: its device ends at 12 and cannot invert."""
    main = Output("main", "main", "", (NEAR, 0.0, 0.0), BOX, delay_s=0.018)
    sub = Output("sub", "sub", "", (FAR, 0.0, 0.0), BOX, delay_s=0.004)
    free = truth_of(case_of(main, sub))
    assert free.best(free.present()).delays_s[1] == pytest.approx(0.013, abs=1e-5)
    short = truth_of(case_of(main, replace(sub, device=Device(max_delay_s=0.012))))
    assert short.best(short.present()).delays_s[1] == pytest.approx(0.012, abs=1e-5)
    stuck = truth_of(case_of(main, replace(sub, wiring=-1.0, device=Device(can_invert=False))))
    best = stuck.best(stuck.present())
    assert best.signs[1] == 1.0
    verdict = stuck.verdict([1], best)
    assert verdict is not None
    assert (verdict.is_right, verdict.is_best_polarity) == (True, True)
    assert not stuck.verdict([1], stuck.present().changed([1], 1.0, 0.009)).is_near  # where a turned one would belong


def test_changes_lie_on_the_steps_of_the_setting() -> None:
    reach = Reach(-0.0031, 0.0031, step_s=0.001, setting_s=0.0024)
    np.testing.assert_allclose(reach.changes_s(2e-4), [-0.0024, -0.0014, -0.0004, 0.0, 0.0006, 0.0016, 0.0026])
    np.testing.assert_allclose(reach.changes_s(2e-4, 0.0005, 0.0017), [0.0006, 0.0016])
    assert reach.changes_s(2e-3)[[0, -1]].tolist() == [-0.0031, 0.0031]  # a first look, wider than the steps


def test_the_score_weighs_seats() -> None:
    """Two seats at which two sources are apart by 0.5 and by 0.75 ms."""
    h = np.stack([[delayed(0.0), delayed(0.0)], [delayed(0.0), delayed(0.00025)]])
    near, far = (make_sums(LINES_HZ, h[:, [p]]) for p in (0, 1))
    weighed = make_sums(LINES_HZ, h, np.array([3.0, 1.0]))
    settings = Settings(np.ones(2), np.array([0.0, 0.0005]))
    expected = (3.0 * near.score_db(settings) + far.score_db(settings)) / 4.0
    assert weighed.score_db(settings) == pytest.approx(expected, abs=1e-9)
    scanned = weighed.scan_db(Settings(np.ones(2), np.zeros(2)), [1], np.array([0.0005]))[0, 0]
    assert scanned == pytest.approx(expected, abs=1e-9)
    assert make_sums(LINES_HZ, h).score_db(settings) != pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("device", "is_out"), [({}, 0), ({"max_delay_s": 0.004}, 1), ({"can_invert": False}, 1), ({"step_s": 1e-3}, 0)]
)
def test_a_fill_that_its_device_cannot_put_right_is_no_matter_of_confidence(
    device: dict[str, object], is_out: int
) -> None:
    """It belongs at 5 ms, turned over."""
    fill = Output("fill", "fill", "", (FAR, 0.0, 0.0), BOX, wiring=-1.0, align_at="seat 2", device=Device(**device))
    case = case_of(Output("main", "main", "", (FURTHER, 0.0, 0.0), BOX), fill)
    found = recommendation("fill", "fill", 5.0, "inverted")
    rows = score(case, analysis_of(recommendation("main", "main", 0.0, "normal"), found))
    assert [r.what for r in rows if r.where == "fill"].count("fill out of reach") == is_out
    assert [r.what for r in rows].count("fill") == 1 - is_out


def test_a_sub_that_cannot_be_turned_is_right_as_near_as_it_gets() -> None:
    case = with_device(main_and_sub(-1.0), "sub", can_invert=False)
    truth = truth_of(case)
    delay_ms = 1000.0 * float(truth.best(truth.present()).delays_s[1])
    rows = score(case, analysis_of(MAIN, recommendation("sub", "sub", delay_ms, "normal")))
    assert (only(rows, "setting").is_right, only(rows, "polarity").is_right) == (1.0, 1.0)
    assert only(rows, "regret").value == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("family", ["programme", "flipped"])
def test_rooms_and_signals_stay_as_they_are_without_variety(family: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def plain(outputs: Sequence[Output], seats: Sequence[Seat], *_: object) -> tuple[list[Output], list[Seat]]:
        return list(outputs), list(seats)

    varied = make_case(family, 5, 0)
    monkeypatch.setattr(cases, "vary", plain)
    without = make_case(family, 5, 0)
    assert list(words(varied))
    assert not list(words(without))
    np.testing.assert_array_equal(varied.response, without.response)
    assert varied.traps == without.traps
    for a, b in zip(varied.captures, without.captures, strict=True):
        np.testing.assert_array_equal(list(a.feeds.values()), list(b.feeds.values()))
    for a, b in zip(varied.outputs, without.outputs, strict=True):
        assert abs(a.delay_s - b.delay_s) <= 0.5 * a.device.step_s + 1e-9


def test_settings_in_force_are_ones_that_devices_offer_and_groups_are_alike() -> None:
    main = Output("main", "main", "", (NEAR, 0.0, 0.0), BOX, delay_s=0.0)
    subs = [
        Output(f"sub {k}", "sub", "subs", (FAR, k, 0.0), BOX, sign=sign, delay_s=0.01234)
        for k, sign in enumerate((1.0, 1.0))
    ]
    turned = [Take("as it is", {}), Take("turned", {}, turned=["sub 1"])]
    seats = [Seat("a", "audience", (0.0, 0.0, 0.0), 1.0, 40.0), Seat("b", "stage", (0.0, 0.0, 0.0), 1.0, 40.0)]
    drawn = set()
    for seed in range(200):
        outputs, varied = vary([main, *subs], seats, turned, np.random.default_rng(seed))
        first, second = outputs[1:]
        assert (first.device, first.delay_s, first.is_tapped_after) == (
            second.device,
            second.delay_s,
            second.is_tapped_after,
        )
        assert first.device.can_invert  # one of them is turned over in a take
        assert first.delay_s <= first.device.max_delay_s
        assert first.delay_s / first.device.step_s == pytest.approx(
            round(first.delay_s / first.device.step_s), abs=1e-6
        )
        assert varied[1].weight == 1.0
        drawn |= {(outputs[0].device.can_invert, first.device.max_delay_s < 0.1, first.is_tapped_after)}
        drawn |= {varied[0].weight}
    assert {0.5, 1.0, 2.0, 3.0} < drawn
    assert len(drawn) == 4 + 8


@pytest.mark.parametrize("by_frames", [0.0, 7.0, 33.37])
def test_a_track_is_later_by_any_time(by_frames: float) -> None:
    """A sine that fades in and out, against the same drawn later; residual 2e-7 of the fade's own spectrum."""
    n = np.arange(2000.0)

    def tone(frames: np.ndarray) -> np.ndarray:
        return np.exp(-(((frames - 900.0) / 150.0) ** 2)) * np.sin(0.21 * frames)

    np.testing.assert_allclose(later(tone(n), by_frames), tone(n - by_frames), atol=1e-6)
    assert np.abs(later(tone(n), 1.05 * by_frames + 0.1) - tone(n - by_frames)).max() > 0.01


def test_what_is_written_down_is_read_as_drawn(tmp_path: Path) -> None:
    """Only the feed tapped after its setting has that in it: 4 ms and inverted, in one take turned back."""
    feed = np.random.default_rng(1).standard_normal(RATE_HZ) * np.hanning(RATE_HZ)
    main, sub = (replace(o, sign=-1.0) for o in main_and_sub().outputs)
    sub = replace(sub, device=Device(0.02, 5e-4, False), is_tapped_after=True)
    takes = (Take("all", {"main": feed, "sub": feed}), Take("turned", {"main": feed, "sub": feed}, turned=["sub"]))
    case = case_of(main, sub, captures=takes)
    heavy = replace(case.positions[1], weight=2.0)
    path = replace(case, positions=(case.positions[0], heavy)).write(tmp_path)
    check = load_sound_check(path)
    read = check.outputs["sub"]
    assert (read.feed_tap, read.max_delay_ms, read.delay_step_ms, read.can_invert) == ("after", 20.0, 0.5, False)
    assert check.outputs["main"].feed_tap == "before"
    assert [p.weight for p in check.positions.values()] == [1.0, 2.0]
    for number, sign in ((1, -1.0), (2, 1.0)):
        tracks, _ = soundfile.read(tmp_path / f"take_{number}.wav")
        frames = round(0.004 * RATE_HZ)
        np.testing.assert_allclose(tracks[frames:, 1], sign * tracks[:-frames, 0], atol=1e-6)
