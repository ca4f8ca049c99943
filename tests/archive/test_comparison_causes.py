"""Few causes behind many changes: made-up rows whose causes are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyze.archive.comparison_causes import Rows, explain, part_of, shift_of, with_cause, without
from analyze.archive.comparison_signs import explain_signs

STD_MS = 0.03


def rows(
    value, n_outputs: int = 5, n_positions: int = 4, *, seed: int = 1, share_std: float = 0.003, clock=None
) -> Rows:
    """A row per output and position: `value(output, position, flight)` in ms, with noise of 0.03."""
    rng = np.random.default_rng(seed)
    o, p = (a.ravel() for a in np.meshgrid(np.arange(n_outputs), np.arange(n_positions), indexing="ij"))
    flight_ms = rng.uniform(10.0, 80.0, len(o))
    values = np.array([value(i, j, t) for i, j, t in zip(o, p, flight_ms, strict=True)], dtype=float)
    values += STD_MS * rng.standard_normal(len(o))
    numbers = (
        np.zeros(len(o), dtype=np.int64)
        if clock is None
        else np.array([clock(i, j) for i, j in zip(o, p, strict=True)])
    )
    return Rows(o, p, values, np.full(len(o), STD_MS), flight_ms, share_std, numbers, n_outputs, n_positions)


@pytest.mark.parametrize("seed", range(5))
def test_noise_has_no_cause(seed: int) -> None:
    assert explain(rows(lambda *_: 0.0, seed=seed)).causes == frozenset()


@pytest.mark.parametrize("common_ms", [0.0, 1.2, -30.0])
def test_one_output_is_told_whatever_is_common_to_all(common_ms: float) -> None:
    found = explain(rows(lambda o, _p, _t: common_ms + 0.4 * (o == 2)))
    assert found.causes == {("output", 2)} | ({("whole", 0)} if common_ms else set())
    assert found.shifts["output", 2].mean == pytest.approx(0.4, abs=3.0 * found.shifts["output", 2].std)


def test_a_microphone_elsewhere_shifts_outputs_unequally_and_blames_none() -> None:
    geometry = np.array([0.9, -0.7, 0.2, 1.1, -0.3])
    found = explain(rows(lambda o, p, _t: geometry[o] * (p == 1) + 0.4 * (o == 3)))
    assert found.causes == {("position", 1), ("output", 3)}
    # spread of the five numbers about their mean: 0.77
    assert found.shifts["position", 1].spread == pytest.approx(np.std(geometry, ddof=1), abs=0.1)


def test_a_box_elsewhere_has_a_spread() -> None:
    geometry = np.array([0.9, -0.7, 0.2, 1.1])
    found = explain(rows(lambda o, p, _t: geometry[p] * (o == 2)))
    assert found.causes == {("output", 2)}
    assert found.shifts["output", 2].spread == pytest.approx(np.std(geometry, ddof=1), abs=0.1)


def test_one_odd_row_is_neither_output_nor_position() -> None:
    assert explain(rows(lambda o, p, _t: 3.0 * (o == 2 and p == 1))).causes == {("row", 2 * 4 + 1)}


def test_air_goes_with_the_flight() -> None:
    found = explain(rows(lambda _o, _p, t: 0.004 * t))
    assert found.causes == frozenset()
    assert found.share == pytest.approx(0.004, abs=0.0004)


def test_a_recorder_of_unknown_offset_says_nothing_of_common_shifts() -> None:
    found = explain(rows(lambda o, p, _t: 17.0 * (p == 0) + 0.4 * (o == 2), clock=lambda _o, p: int(p == 0)))
    assert found.causes == {("output", 2)}


def test_with_two_outputs_each_may_be_the_one() -> None:
    observed = rows(lambda o, _p, _t: 0.4 * (o == 1), 2, 4)
    best = explain(observed)
    assert best.causes == {("output", 1)}
    other = without(observed, best, ("output", 1))
    assert other.causes == {("output", 0), ("whole", 0)}
    assert other.cost - best.cost == pytest.approx(4.0, abs=0.5)  # the price of another latency of the rig


def test_a_group_that_moved_is_not_turned_into_a_reference_that_did() -> None:
    # one main against four subs: two causes, whole and main, would otherwise be cheaper than four
    made = rows(lambda o, _p, _t: -6.0 * (o > 0) + 0.4 * (o == 2))
    grouped = replace(made, groups=((1, 2, 3, 4),), anchored=frozenset({0}))
    found = explain(grouped)
    assert found.causes == {("group", 0), ("output", 2)}
    shift = shift_of(grouped, found, ("output", 2))
    assert shift.mean == pytest.approx(-5.6, abs=3.0 * shift.std)
    assert part_of(grouped, found, 1) == ("group", 0)
    assert part_of(grouped, found, 0) == ("output", 0)


def test_what_has_no_part_has_a_shift_within_its_error() -> None:
    observed = rows(lambda o, _p, _t: 0.4 * (o == 2))
    best = explain(observed)
    shift = shift_of(observed, best, ("output", 0))
    assert abs(shift.mean) < 3.0 * shift.std
    assert with_cause(observed, best, ("output", 0)).cost > best.cost


def test_the_order_of_outputs_does_not_matter() -> None:
    one = rows(lambda o, p, _t: 0.4 * (o == 2) + 0.2 * (p == 1))
    order = np.random.default_rng(2).permutation(len(one.value))
    other = Rows(
        one.output[order], one.position[order], one.value[order], one.std[order], one.air[order],
        one.share_std, one.clock[order], one.n_outputs, one.n_positions,
    )  # fmt: skip
    assert explain(one).causes == explain(other).causes
    assert explain(one).cost == pytest.approx(explain(other).cost)


# Signs


def signs(flipped=(), turned=(), n_outputs: int = 4, n_positions: int = 3, odds: float = 6.0) -> np.ndarray:
    evidence = np.full((n_outputs, n_positions), odds)
    evidence[list(flipped)] *= -1.0
    evidence[:, list(turned)] *= -1.0
    return evidence


@pytest.mark.parametrize(("flipped", "turned"), [((), ()), ((1,), ()), ((), (2,)), ((1,), (2,)), ((0, 3), (1,))])
def test_outputs_and_chains_that_turned_over_are_told(flipped, turned) -> None:
    found = explain_signs(signs(flipped, turned))
    assert (found.outputs, found.positions, found.is_whole) == (set(flipped), set(turned), False)
    assert min(found.margin) > 5.0


def test_everything_turned_over_is_one_thing() -> None:
    found = explain_signs(-signs())
    assert found.is_whole
    assert not found.outputs
    assert not found.positions


def test_many_mended_wires_are_likelier_than_that_everything_else_turned_over() -> None:
    """Three of five outputs turned over: no different from everything and the other two, but for what was mended."""
    seen = signs(flipped=(0, 1, 2), n_outputs=5)
    unknown, told = explain_signs(seen), explain_signs(seen, [0, 1, 2])
    assert (unknown.outputs, unknown.is_whole) == ({3, 4}, True)
    assert (told.outputs, told.is_whole) == ({0, 1, 2}, False)


def test_one_wrong_reading_flips_nothing() -> None:
    evidence = signs()
    evidence[1, 1] = -4.0
    assert explain_signs(evidence).outputs == frozenset()


def test_without_evidence_nothing_is_said() -> None:
    evidence = signs(flipped=(1,))
    evidence[2] = 0.0
    found = explain_signs(evidence)
    assert found.outputs == {1}
    assert np.isnan(found.margin[2])


def test_one_output_at_one_position_is_told_from_its_chain_by_the_price_alone() -> None:
    assert explain_signs(signs(flipped=(0,), n_outputs=1, n_positions=1)).margin[0] < 6.0


@pytest.mark.parametrize("odd", [(1,), (0, 3), (0, 2, 3)])
def test_an_output_that_turned_over_at_some_positions_alone_is_odd(odd: tuple[int, ...]) -> None:
    """Of six: neither the output nor a chain explains it."""
    evidence = signs(n_outputs=4, n_positions=6)
    assert explain_signs(evidence).odd == ((), (), (), ())
    evidence[2, list(odd)] *= -1.0
    found = explain_signs(evidence)
    assert found.positions == frozenset()
    left = found.odd[2] if 2 not in found.outputs else tuple(sorted({*range(6)} - {*found.odd[2]}))
    assert left == odd
    assert [found.odd[o] for o in (0, 1, 3)] == [(), (), ()]
