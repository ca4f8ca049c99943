"""Twins held against each other: which signs they show, and what follows for outputs that nothing else tells."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
from response_making import N_LINES, closed, crossover_low, delay, responses, solo, sound_check, vented
from scipy.stats import vonmises

from analyze.description import Output, Position, Setting, SoundCheck
from analyze.responses import twin_signs
from analyze.responses.arrival import Evidence
from analyze.responses.capture import Measured
from analyze.responses.onset import Onset
from analyze.responses.own_clocks import OwnClock
from analyze.responses.twin_signs import MOST_TWINS, TwinEvidence, twin_evidence
from analyze.responses.wiring import (
    OUTPUT_PRIOR,
    TWIN_PRIOR,
    Signs,
    opposite_twins,
    solve_signs,
    wiring_rows,
)
from analyze.spectra.cross_spectra import line_hz

FREQUENCY_HZ = line_hz(N_LINES)
BOX = closed(FREQUENCY_HZ, 35.0, 0.7) * crossover_low(FREQUENCY_HZ, 110.0)
SEATS = ("mix", "front", "back")
#: Flights of the first and of every next sub, in seconds.
FLIGHTS_S = {"mix": (0.0312, 0.0337), "front": (0.0141, 0.0202), "back": (0.0611, 0.0604)}
BAND_HZ = (28.0, 150.0)
TRIPLE = (("a", "b"), ("a", "c"), ("b", "c"))


def check_of(settings: dict[str, Setting], group: str = "subs", kind: str = "sub") -> SoundCheck:
    outputs = [Output(name, kind, group=group, setting=setting) for name, setting in settings.items()]
    captures = [solo(name, setting, list(SEATS), name=f"{name} alone") for name, setting in settings.items()]
    return sound_check(outputs, [Position(name, "audience") for name in SEATS], captures)


def measured_of(
    check: SoundCheck,
    *,
    wiring: dict[str, float],
    chains: dict[str, float] | None = None,
    std_s: float = 5e-4,
    room: float = 0.0,
    seed: int = 1,
) -> list[Measured]:
    """Every sub alone, as measured: arrivals known to `std_s`, whatever the sign; `room` re the direct sound."""
    rng = np.random.default_rng(seed)
    out = []
    for k, capture in enumerate(check.captures):
        (name,) = capture.playing
        rows, evidence = [], []
        for seat in SEATS:
            sign = wiring.get(name, 1.0) * capture.settings[name].sign * (chains or {}).get(seat, 1.0)
            later_s = FLIGHTS_S[seat][min(k, 1)] + capture.settings[name].delay_ms / 1000.0
            direct = sign * BOX * delay(FREQUENCY_HZ, later_s)
            echoes = sum(
                room * rng.standard_normal() / math.sqrt(6) * direct * delay(FREQUENCY_HZ, rng.uniform(0.004, 0.06))
                for _ in range(6)
            )
            rows.append(direct + echoes)
            at_s = later_s + std_s * np.linspace(-3.0, 3.0, 41)
            likely = -0.5 * ((at_s - later_s) / std_s) ** 2
            evidence.append(
                Evidence(name, seat, *BAND_HZ, math.nan, math.nan, math.nan, Onset(at_s, likely, likely), 0.0)
            )
        found = responses(np.array([rows]), std=1e-3, rng=rng, capture=capture.name, outputs=(name,), positions=SEATS)
        out.append(Measured(capture, found, tuple(evidence), ()))
    return out


def settings(*signs: str) -> dict[str, Setting]:
    return {f"sub {k}": Setting(0.0, sign) for k, sign in enumerate(signs, 1)}


@pytest.mark.parametrize("wiring", [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)])
@pytest.mark.parametrize("set_to", [("normal", "normal"), ("normal", "inverted"), ("inverted", "inverted")])
def test_wiring_shows_whatever_is_set_and_however_microphones_are_turned(
    wiring: tuple[float, float], set_to: tuple[str, str]
) -> None:
    check = check_of(settings(*set_to))
    wired = dict(zip(check.outputs, wiring, strict=True))
    found = twin_evidence(measured_of(check, wiring=wired, chains={"front": -1.0}), check)
    assert list(found) == [("sub 1", "sub 2")]
    assert set(found["sub 1", "sub 2"]) == set(SEATS)
    assert wiring[0] * wiring[1] * sum(found["sub 1", "sub 2"].values()) > 46.0  # 46.1


@pytest.mark.parametrize(("room", "most", "n_told"), [(1.0, -9.0, 40), (1.5, 3.0, 38)])
def test_rooms_seldom_deceive(room: float, most: float, n_told: int) -> None:
    """Of 40 rooms as loud as the direct sound none does, with echoes half as loud again one, by little."""
    check = check_of(settings("normal", "normal"))
    taken = (measured_of(check, wiring={"sub 2": -1.0}, room=room, seed=seed) for seed in range(40))
    said = [sum(twin_evidence(one, check)["sub 1", "sub 2"].values()) for one in taken]
    assert max(said) < most  # -9.4 and 2.8
    assert sum(value < -2.0 for value in said) == n_told


def test_the_likelihood_is_von_mises(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against scipy.stats.vonmises: at one delay the densities of the phases differ so much."""
    monkeypatch.setattr(twin_signs, "_DELAYS", np.zeros(1))
    check = check_of(settings("normal", "normal"))
    taken = measured_of(check, wiring={}, room=0.8)
    alike = twin_evidence(taken, check)["sub 1", "sub 2"]["mix"]
    f = taken[0].responses.frequency_hz
    inside = (f >= BAND_HZ[0]) & (f <= 120.0)
    a, b = (m.responses.h[0, 0, inside].astype(complex) for m in taken)
    variance = [m.responses.variance[0, 0, inside] for m in taken]
    turned = np.angle(a * np.conj(b)) + 2.0 * np.pi * f[inside] * (FLIGHTS_S["mix"][0] - FLIGHTS_S["mix"][1])
    kappa = (f[1] - f[0]) / 10.0 / (1.0 + variance[0] / abs(a) ** 2 + variance[1] / abs(b) ** 2)
    expected = vonmises.logpdf(turned, kappa) - vonmises.logpdf(turned - np.pi, kappa)
    assert alike == pytest.approx(expected.sum(), rel=1e-6)


@pytest.mark.parametrize(
    ("group", "kind", "n"), [("", "sub", 2), ("mains", "main", 2), ("subs", "sub", MOST_TWINS + 1), ("one", "sub", 1)]
)
def test_only_subs_of_one_group_are_twins(group: str, kind: str, n: int) -> None:
    check = check_of(settings(*["normal"] * n), group, kind)
    assert twin_evidence(measured_of(check, wiring={}), check) == {}


def test_many_twins_count_as_their_number_less_one() -> None:
    check = check_of(settings(*["normal"] * 4))
    four = twin_evidence(measured_of(check, wiring={}), check)
    assert len(four) == 6
    check = check_of(settings("normal", "normal"))
    (two,) = twin_evidence(measured_of(check, wiring={}), check).values()
    assert sum(sum(alike.values()) for alike in four.values()) == pytest.approx(3.0 * sum(two.values()), rel=1e-6)


def test_a_recorder_of_its_own_compares_within_one_capture_alone() -> None:
    check = check_of(settings("normal", "normal"))
    first, second = measured_of(check, wiring={})
    clock = OwnClock.__new__(OwnClock)
    second = replace(second, own_clocks={("sub 2", "mix"): clock})
    assert set(twin_evidence([first, second], check)["sub 1", "sub 2"]) == {"front", "back"}


def test_without_an_arrival_nothing_is_compared() -> None:
    check = check_of(settings("normal", "normal"))
    first, second = measured_of(check, wiring={})
    second = replace(second, evidence=tuple(replace(e, onset=None) for e in second.evidence))
    assert twin_evidence([first, second], check) == {}


BOXES = {
    "closed": closed(FREQUENCY_HZ, 35.0, 0.7),
    "small": closed(FREQUENCY_HZ, 45.0, 0.9),
    "vented": vented(FREQUENCY_HZ, 38.0),
    "small, vented": vented(FREQUENCY_HZ, 45.0),
}


@pytest.mark.parametrize(("one", "other"), list(combinations(product(BOXES, (80.0, 110.0)), 2)))
def test_boxes_that_are_no_twins_are_never_called_opposite(one: tuple[str, float], other: tuple[str, float]) -> None:
    """Any two of four boxes behind two crossovers: their phases part by up to half a cycle."""
    check = check_of(settings("normal", "normal"))
    taken = []
    for m, (box, low_pass_hz) in zip(measured_of(check, wiring={}), (one, other), strict=True):
        made = BOXES[box] * crossover_low(FREQUENCY_HZ, low_pass_hz)
        ratio = np.divide(made, BOX, out=np.zeros_like(made), where=abs(BOX) > 0.0)
        h = (m.responses.h * ratio).astype(np.complex64)
        taken.append(replace(m, responses=replace(m.responses, h=h)))
    alike = twin_evidence(taken, check).get(("sub 1", "sub 2"), {})
    evidence = {(name, seat): 0.0 for name in check.outputs for seat in SEATS}
    opposite = solve_signs(evidence, {("sub 1", "sub 2"): alike} if alike else {}).opposite
    assert all(probability < 0.5 for probability in opposite.values())
    if one[0] == other[0]:
        assert sum(alike.values()) > 28.0  # a crossover alone may differ: 28.6


# What follows for the signs


def pair(alike: float) -> TwinEvidence:
    """Twins that sound alike, or opposite, by so much at every position."""
    return {("a", "b"): dict.fromkeys(SEATS, alike)}


def test_probabilities_of_twins_are_those_of_all_combinations() -> None:
    """Spelled out: one prior for both, another for their being unlike, evidence tempered to 0.7 and cut at 6."""
    evidence = {("a", "x"): 1.0, ("b", "x"): -0.5, ("a", "y"): 0.2, ("c", "x"): 2.0, ("c", "y"): 2.0}
    alike = {"x": -12.0, "y": 4.0}
    limited = max(-6.0, 0.7 * -12.0) + 0.7 * 4.0
    weights: dict[tuple[int, ...], float] = {}
    for a, b, c, x, y in product((1, -1), repeat=5):
        chain = {"x": x, "y": y}
        log_weight = OUTPUT_PRIOR / 2 * ((a + b) / 2 + c) - TWIN_PRIOR * (a != b) - 2.5 * ((x < 0) + (y < 0))
        for (o, p), value in evidence.items():
            log_weight += {"a": a, "b": b, "c": c}[o] * chain[p] * 0.7 * value / 2
        weights[a, b, c, x, y] = math.exp(log_weight + a * b * limited / 2)
    total = sum(weights.values())
    signs = solve_signs(evidence, {("a", "b"): alike})
    for k, name in enumerate("abc"):
        normal = sum(w for key, w in weights.items() if key[k] > 0) / total
        assert signs.confidence[name] == pytest.approx(max(normal, 1.0 - normal), rel=1e-9)
        assert signs.likelier[name] == (1 if normal >= 0.5 else -1)
    opposite = sum(w for key, w in weights.items() if key[0] != key[1]) / total
    assert signs.opposite == {("a", "b"): pytest.approx(opposite, rel=1e-9)}


def heard(a: float, b: float = 0.0) -> dict[tuple[str, str], float]:
    return {(o, p): v for o, v in (("a", a), ("b", b)) for p in SEATS}


@pytest.mark.parametrize(("alike", "sign"), [(4.0, 1), (-4.0, -1)])
def test_a_twin_tells_what_nothing_else_does(alike: float, sign: int) -> None:
    assert solve_signs(heard(5.0)).output_sign == {"a": 1, "b": 0}
    signs = solve_signs(heard(5.0), pair(alike))
    assert signs.output_sign == {"a": 1, "b": sign}
    assert opposite_twins(signs) == []
    rows, findings = wiring_rows(heard(5.0), signs, {})
    how = "like" if sign > 0 else "opposite to"
    assert rows[1].reason.endswith(f"It is wired {how} a, beside which it was heard.")
    assert ("It is wired opposite to b" in rows[0].reason) is (sign < 0)  # three positions tell: nothing more is needed
    assert "It is wired like" not in rows[0].reason
    assert "cannot be told" not in rows[1].reason
    assert [f.track for f in findings] == ([] if sign > 0 else ["b"])


def test_which_of_two_unlike_twins_is_inverted_may_stay_open() -> None:
    signs = solve_signs(heard(0.0), pair(-4.0))
    assert signs.output_sign == {"a": 0, "b": 0}
    assert opposite_twins(signs) == [("a", "b")]
    _, findings = wiring_rows(heard(0.0), signs, {})
    assert [(f.finding, f.track) for f in findings] == [("twins wired opposite", name) for name in "ab"]
    assert {f.detail[:47] for f in findings} == {"a and b sound turned over against each other, and"[:47]}


def test_twins_that_their_settings_make_alike_are_said_to_add() -> None:
    signs = solve_signs(heard(0.0), pair(-4.0))
    for inverted, is_made_up in (("b",), True), (("a", "b"), False):
        _, (finding, _) = wiring_rows(heard(0.0), signs, {}, inverted)
        assert finding.detail.startswith("a and b sound alike") is is_made_up
        assert ("they add as they are set" in finding.detail) is is_made_up
        assert ("they cancel" in finding.detail) is not is_made_up


def test_alike_twins_of_which_nothing_is_known_are_no_surer_for_it() -> None:
    """Both may have been wired wrong by one mistake."""
    signs = solve_signs(heard(0.0), pair(6.0))
    assert signs.output_sign == {"a": 0, "b": 0}
    assert signs.confidence["a"] == pytest.approx(1.0 / (1.0 + math.exp(-OUTPUT_PRIOR)), abs=1e-6)


def test_three_twins_are_weighed_together() -> None:
    """The odd one out is found by the two others, though nothing is known of any by itself but of one."""
    twins = {pair: dict.fromkeys(SEATS, value) for pair, value in zip(TRIPLE, (3.0, -3.0, -3.0), strict=True)}
    signs = solve_signs({(o, p): v for o, v in (("a", 5.0), ("b", 0.0), ("c", 0.0)) for p in SEATS}, twins)
    assert signs.output_sign == {"a": 1, "b": 1, "c": -1}


def test_without_twins_signs_are_what_they_were() -> None:
    one, other = solve_signs(heard(2.0, -1.0)), solve_signs(heard(2.0, -1.0), {})
    assert isinstance(one, Signs)
    assert one == other
