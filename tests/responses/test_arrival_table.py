"""Arrivals and responses of all captures: settings, taps, air, latency, declared and undeclared microphone chains."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from response_making import N_LINES, Spectrum, closed, crossover_low, delay, responses, solo, sound_check, top

from analyze.description import Capture, Output, Position, Setting, SoundCheck
from analyze.responses.arrival import evidence_of
from analyze.responses.arrival_table import (
    arrival_rows,
    arrivals_at_present,
    reference_arrivals,
    responses_at_present,
    sent_before_arrival,
    wiring_evidence,
)
from analyze.responses.capture import Measured
from analyze.responses.onset import Onset
from analyze.responses.rows import Arrival
from analyze.responses.wiring import Signs, solve_signs
from analyze.spectra.cross_spectra import line_hz

FREQUENCY_HZ = line_hz(N_LINES)
BOX = closed(FREQUENCY_HZ, 62.0, 0.7) * top(FREQUENCY_HZ)
LOW_BOX = closed(FREQUENCY_HZ, 35.0, 0.7) * crossover_low(FREQUENCY_HZ, 90.0)

MAIN = Output("main", "main", setting=Setting(2.5, "normal"), latency_ms=1.3)
SUB = Output("fill", "fill", setting=Setting(7.25, "inverted"))
SEATS = [Position("near", "audience"), Position("far", "stage")]
#: Seconds in the air per output and position, at 20 degrees.
FLIGHT_S = {("main", "near"): 0.0123, ("main", "far"): 0.0417, ("fill", "near"): 0.0201, ("fill", "far"): 0.00905}
LATENCY_S = {"main": 0.0013, "fill": 0.0}
GAIN = {"near": 0.5, "far": 0.2}


def measured(
    capture: Capture,
    *,
    wiring: float = 1.0,
    chains: dict[str, float] | None = None,
    box: Spectrum = BOX,
    stretch: float = 1.0,
    moved_s: float = 0.0,
    std: float = 1e-3,
    seed: int = 1,
) -> Measured:
    """A capture as it would be measured: box, flight, latency, setting; `stretch` is that of flights in its air."""
    (output,) = capture.playing
    setting = capture.settings[output]
    rows = []
    for position in capture.mics:
        later_s = FLIGHT_S[output, position] * stretch + LATENCY_S[output] + setting.delay_ms / 1000.0 + moved_s
        chain = (chains or {}).get(position, 1.0)
        rows.append(GAIN[position] * wiring * setting.sign * chain * box * delay(FREQUENCY_HZ, later_s))
    found = responses(
        np.array([rows]),
        std=std,
        rng=np.random.default_rng(seed),
        capture=capture.name,
        outputs=(output,),
        positions=tuple(capture.mics),
    )
    return Measured(capture, found, tuple(evidence_of(found)), ())


def check_of(captures: list[Capture], temperature_c: float = 20.0) -> SoundCheck:
    return sound_check([MAIN, SUB], SEATS, captures, temperature_c=temperature_c)


def both_alone(**later: Setting) -> list[Capture]:
    """One capture of each output at its present setting, or at another one."""
    return [solo(o.name, later.get(o.name, o.setting), ["near", "far"], name=f"{o.name} alone") for o in (MAIN, SUB)]


def row_of(rows: list[Arrival], capture: str, position: str) -> Arrival:
    (row,) = (r for r in rows if (r.capture, r.position) == (capture, position))
    return row


def signs_of(taken: list[Measured]) -> Signs:
    return solve_signs(wiring_evidence(taken))


# Rows as captured


def test_rows_stand_as_captured() -> None:
    captures = both_alone()
    taken = [measured(captures[0]), measured(captures[1], seed=2)]
    rows = arrival_rows(taken, check_of(captures), signs_of(taken))
    assert [(r.capture, r.output, r.position, r.zone) for r in rows] == [
        ("main alone", "main", "near", "audience"),
        ("main alone", "main", "far", "stage"),
        ("fill alone", "fill", "near", "audience"),
        ("fill alone", "fill", "far", "stage"),
    ]
    expected_ms = [12.3 + 1.3 + 2.5, 41.7 + 1.3 + 2.5, 20.1 + 7.25, 9.05 + 7.25]
    assert [r.arrival_ms for r in rows] == pytest.approx(expected_ms, abs=5e-4)
    assert all(0.0 < r.arrival_std_ms < 0.05 for r in rows)
    assert [(r.polarity, r.own_polarity) for r in rows] == [("normal", "normal")] * 2 + [("inverted", "inverted")] * 2
    assert all(r.polarity_confidence > 0.9 for r in rows)
    assert all(0.8 < r.own_confidence < 1.0 for r in rows)
    assert [r.coherence for r in rows] == pytest.approx([0.99] * 4)
    assert [r.averages for r in rows] == [20.0] * 4


def test_levels_are_those_within_the_band() -> None:
    captures = both_alone()
    rows = arrival_rows([measured(captures[0], std=0.02)], check_of(captures), solve_signs({("main", "near"): 9.0}))
    for row in rows:
        inside = (row.band_low_hz <= FREQUENCY_HZ) & (row.band_high_hz >= FREQUENCY_HZ)
        level_db = 10.0 * math.log10(np.mean(np.abs(BOX[inside]) ** 2)) + 20.0 * math.log10(GAIN[row.position])
        assert row.level_db == pytest.approx(level_db, abs=0.1)
        assert row.band_low_hz < 40.0
        assert row.band_high_hz > 15_000.0


def test_distance_needs_the_latency() -> None:
    """Flight times the speed of sound in the capture's air: 343.2 m/s at 20 degrees, 337.3 at 10 (ISO 9613-1)."""
    captures = [
        solo("main", MAIN.setting, ["near", "far"], name="warm"),
        solo("main", MAIN.setting, ["near", "far"], name="cold", temperature_c=10.0),
        solo("fill", SUB.setting, ["near"], name="no latency"),
    ]
    taken = [measured(captures[0]), measured(captures[1], stretch=343.2 / 337.3), measured(captures[2])]
    rows = arrival_rows(taken, check_of(captures), signs_of(taken))
    for capture in ("warm", "cold"):
        assert row_of(rows, capture, "near").distance_m == pytest.approx(0.0123 * 343.2, abs=0.005)
        assert row_of(rows, capture, "far").distance_m == pytest.approx(0.0417 * 343.2, abs=0.005)
    assert math.isnan(row_of(rows, "no latency", "near").distance_m)


def test_what_is_not_heard_is_not_known() -> None:
    captures = both_alone()
    silent = responses(
        np.zeros((1, 2, N_LINES)), std=0.1, rng=np.random.default_rng(3), outputs=("main",), positions=("near", "far")
    )
    taken = [Measured(captures[0], silent, tuple(evidence_of(silent)), ()), measured(captures[1])]
    signs = signs_of(taken)
    for row in arrival_rows(taken, check_of(captures), signs)[:2]:
        for value in (row.arrival_ms, row.arrival_std_ms, row.distance_m, row.level_db, row.band_low_hz, row.coherence):
            assert math.isnan(value)
        assert (row.polarity, row.own_polarity, row.own_confidence) == ("undecided", "undecided", 0.5)
    assert set(arrivals_at_present(taken, check_of(captures), signs)) == {("fill", "near"), ("fill", "far")}


# Wiring and microphone chains


@pytest.mark.parametrize("wiring", [1.0, -1.0])
def test_the_wiring_is_one_fact_whatever_the_setting(wiring: float) -> None:
    captures = [
        solo("fill", setting, ["near", "far"], name=name)
        for name, setting in (("present", Setting(7.25, "inverted")), ("flipped", Setting(7.25, "normal")))
    ]
    taken = [measured(capture, wiring=wiring, seed=k) for k, capture in enumerate(captures)]
    evidence = wiring_evidence(taken)
    alone = wiring_evidence(taken[:1])
    for key, value in evidence.items():
        assert value * wiring > 1.9 * alone[key] * wiring > 0.0
    rows = arrival_rows(taken, check_of(captures), solve_signs(evidence))
    words = ("inverted", "normal") if wiring > 0 else ("normal", "inverted")
    assert [r.polarity for r in rows] == [words[0]] * 2 + [words[1]] * 2
    assert [r.own_polarity for r in rows] == [words[0]] * 2 + [words[1]] * 2


def test_an_inverted_chain_that_nobody_declared() -> None:
    """There own reading and wiring differ; the arrival is not touched."""
    captures = both_alone()
    taken = [measured(capture, chains={"far": -1.0}, seed=k) for k, capture in enumerate(captures)]
    signs = signs_of(taken)
    assert signs.microphone_sign == {"near": 1, "far": -1}
    rows = arrival_rows(taken, check_of(captures), signs)
    assert [r.polarity for r in rows] == ["normal", "normal", "inverted", "inverted"]
    assert [r.own_polarity for r in rows] == ["normal", "inverted", "inverted", "normal"]
    assert row_of(rows, "main alone", "far").arrival_ms == pytest.approx(45.5, abs=5e-4)


# At present settings


def test_captures_at_other_settings_are_brought_to_the_present_ones() -> None:
    """Delay and polarity that differed while recorded come out of arrivals and responses."""
    captures = [*both_alone(), *both_alone(main=Setting(11.03, "inverted"), fill=Setting(0.0, "inverted"))]
    check = check_of(captures)
    taken = [measured(capture, std=1e-5, seed=k) for k, capture in enumerate(captures)]
    signs = signs_of(taken)
    here, there = arrivals_at_present(taken[:2], check, signs), arrivals_at_present(taken[2:], check, signs)
    assert here.keys() == there.keys() == FLIGHT_S.keys()
    for key, (arrival_ms, _) in here.items():
        flight_ms = 1000.0 * (FLIGHT_S[key] + LATENCY_S[key[0]])
        assert arrival_ms == pytest.approx(flight_ms + check.outputs[key[0]].setting.delay_ms, abs=5e-4)
        assert there[key][0] == pytest.approx(arrival_ms, abs=5e-4)
    for one, other in zip(taken[:2], taken[2:], strict=True):
        a, b = responses_at_present(one, check, signs), responses_at_present(other, check, signs)
        assert np.abs(a.h - b.h).max() < 2e-4
        assert np.abs(a.replicates - b.replicates).max() < 2e-4
    assert np.array_equal(responses_at_present(taken[0], check, signs).h, taken[0].responses.h)


def test_arrivals_that_agree_are_averaged_by_inverse_variance() -> None:
    captures = [solo("main", MAIN.setting, ["near", "far"], name=name) for name in ("quiet", "noisy")]
    taken = [
        measured(captures[0], box=LOW_BOX, std=1e-4),
        measured(captures[1], box=LOW_BOX, std=0.02, moved_s=3e-4, seed=2),
    ]
    check = check_of(captures)
    signs = signs_of(taken)
    first, second = (arrivals_at_present([m], check, signs) for m in taken)
    for key, (arrival_ms, std_ms) in arrivals_at_present(taken, check, signs).items():
        (a, sa), (b, sb) = first[key], second[key]
        assert sa < 0.9 * sb
        assert abs(a - b) > 0.1
        assert arrival_ms == pytest.approx((a / sa**2 + b / sb**2) / (sa**-2 + sb**-2), abs=1e-9)
        assert std_ms == pytest.approx((sa**-2 + sb**-2) ** -0.5, rel=1e-9)


def test_of_arrivals_that_differ_the_newest_counts() -> None:
    """A microphone put back half a metre away."""
    captures = [solo("main", MAIN.setting, ["near", "far"], name=name) for name in ("old", "new")]
    taken = [measured(captures[0]), measured(captures[1], moved_s=0.0015, seed=2)]
    check = check_of(captures)
    found = arrivals_at_present(taken, check, signs_of(taken))
    assert found["main", "near"][0] == pytest.approx(12.3 + 1.3 + 2.5 + 1.5, abs=5e-4)
    newest = arrivals_at_present(taken[1:], check, signs_of(taken))
    assert {key: ms for key, (ms, _) in found.items()} == {key: ms for key, (ms, _) in newest.items()}
    # one time in eight the older was right: the spread holds that share of the square of 1.5 ms
    assert found["main", "near"][1] == pytest.approx(np.hypot(newest["main", "near"][1], 1.5 * 0.125**0.5), abs=1e-3)


@pytest.mark.parametrize(("captured_c", "now_c", "stretch"), [(10.0, 30.0, 337.3 / 349.0), (30.0, 10.0, 349.0 / 337.3)])
def test_only_flight_scales_with_air(captured_c: float, now_c: float, stretch: float) -> None:
    """Arrival less setting and latency, times the ratio of the speeds of sound (ISO 9613-1 at 10 and 30 degrees)."""
    capture = solo("main", MAIN.setting, ["near", "far"], temperature_c=captured_c)
    taken = measured(capture, std=1e-5)
    check = check_of([capture], now_c)
    signs = signs_of([taken])
    for (_, position), (arrival_ms, _) in arrivals_at_present([taken], check, signs).items():
        flight_ms = 1000.0 * FLIGHT_S["main", position]
        assert arrival_ms == pytest.approx(1.3 + 2.5 + flight_ms * stretch, abs=2e-3)  # speeds to 0.1 m/s
    # up to 1 kHz, where 0.6 microseconds of the arrival as found show as 0.004
    scaled = responses_at_present(taken, check, signs)
    expected = measured(capture, stretch=stretch, std=1e-5).responses
    low = slice(0, 1400)
    assert np.abs(scaled.h - expected.h)[..., low].max() < 5e-3 * 0.5
    assert np.abs(scaled.replicates - expected.replicates).max() < 5e-3 * 0.5
    untouched = check_of([capture], captured_c)
    assert np.array_equal(responses_at_present(taken, untouched, signs).h, taken.responses.h)


def test_arrivals_of_the_reference() -> None:
    captures = both_alone()
    taken = [measured(capture, seed=k) for k, capture in enumerate(captures)]
    found = reference_arrivals(arrivals_at_present(taken, check_of(captures), signs_of(taken)), "main")
    assert list(found) == ["near", "far"]
    assert found["far"] == pytest.approx(45.5, abs=5e-4)


@pytest.mark.parametrize(
    ("moved_s", "early"), [(-0.0217, ["near", "far"]), (-0.014, ["far"]), (-0.0098, []), (0.0, [])]
)
def test_what_arrives_before_it_was_sent_is_blocked(moved_s: float, early: list[str]) -> None:
    """The fill is 20.1 and 9.05 ms in the air: moved so far that more than 1 ms is missing, it cannot be."""
    captures = both_alone()
    taken = [measured(captures[0]), measured(captures[1], moved_s=moved_s, seed=2)]
    blocked, findings = sent_before_arrival(taken, check_of(captures), signs_of(taken))
    assert list(blocked) == ["fill"] * bool(early)
    assert [(f.capture, f.severity) for f in findings] == [("fill alone", "error")] * bool(early)
    for found in findings:
        assert found.track in early
        assert found.value == pytest.approx(1000.0 * (FLIGHT_S["fill", found.track] + moved_s), abs=0.02)
        feed, mic = captures[1].feeds["fill"], captures[1].mics[found.track]
        assert (found.file, found.channel) == (mic.file, mic.channel)
        is_ahead = SUB.setting.delay_ms + found.value < 0.0  # at one position, where both are too early
        assert is_ahead is (len(early) == 2)
        assert ("correct delay_ms" in found.detail) is not is_ahead
        assert (f"({feed.file}:{feed.channel}) sounds after it is heard at far:" in found.detail) is is_ahead


@pytest.mark.parametrize(("confidence", "expected_ms"), [(0.5, 2.814), (0.9, 1.233), (0.995, 0.0)])
def test_an_arrival_by_the_wrong_sign_counts_in_its_error(confidence: float, expected_ms: float) -> None:
    """4 ms between the arrivals of either sign: the error is their distance by the root of the doubt, and their own."""
    at_s = np.linspace(-0.001, 0.001, 201)
    hit = np.exp(-0.5 * (at_s / 1e-5) ** 2)
    delay_s = np.concatenate([0.030 + at_s, 0.034 + at_s])
    normal, inverted = np.log(np.r_[hit, 0.0 * hit] + 1e-30), np.log(np.r_[0.0 * hit, hit] + 1e-30)
    (capture,) = both_alone()[:1]
    taken = measured(capture)
    evidence = tuple(
        replace(e, sharp_s=math.nan, sharp_std_s=math.nan, onset=Onset(delay_s, normal, inverted))
        for e in taken.evidence
    )
    signs = Signs({"main": 0}, {"main": 1}, {"main": confidence}, {}, {})
    sure = replace(signs, confidence={"main": 1.0})
    check = check_of([capture])
    (row, *_), (known, *_) = (arrival_rows([replace(taken, evidence=evidence)], check, s) for s in (signs, sure))
    assert row.arrival_ms == known.arrival_ms == pytest.approx(30.0, abs=1e-3)
    assert row.arrival_std_ms == pytest.approx(math.hypot(expected_ms, known.arrival_std_ms), rel=0.01)
