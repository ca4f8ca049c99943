"""Which crossovers want one way inverted: sub as low way, main as high way, found by the search and seen in the sums.

Linkwitz-Riley, order 2: both ways -6.02 dB and 180 degrees apart at the corner, flat when one is inverted; orders 4 and
8: in phase, flat as they are (Linkwitz 1976, JAES 24(1), 2-8). Butterworth, orders 1 and 3: -3.01 dB and 90 degrees
apart, flat either way up (Small 1971, JAES 19(1); Lipshitz & Vanderkooy 1983). All from memory. The ways come from two
libraries as digital filters, so nothing here rests on the project's own models, which are checked against them first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import ModuleType
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_helpers import delay_phase, is_close, lines_hz, responses_from, sound_check_of
from scipy import signal

from analyze import simulate_boxes
from analyze.alignment.cells import find_cells
from analyze.alignment.context import context_of
from analyze.alignment.decision import Decision
from analyze.alignment.pairs import pair_rows
from analyze.alignment.recommend import decide_all
from analyze.alignment.rows import Pair
from analyze.alignment.score import possible_energy, trusted
from analyze.alignment.search import Landscape, Mover, Optimum, search
from analyze.description import Output
from analyze.responses.transfer import Responses
from analyze.responses.wiring import Signs
from analyze.spectra.cross_spectra import FRAME_S

RATE_HZ = 48_000
TOP_HZ = 2000.0
CORNER_HZ = 100.0  # the exact centre of a third octave
#: Change in ms within which the sub is looked for.
REACH_MS = 12.0

Library = Callable[[str], ModuleType]
Ways = tuple[NDArray[np.complex128], NDArray[np.complex128]]


def pyoctaveband_ways(library: Library, order: int) -> Ways:
    """Low and high way of PyOctaveBand 2.0.0, `linkwitz_riley`: as it is, no way inverted."""
    low, high = library("pyoctaveband").linkwitz_riley(_impulse(), RATE_HZ, CORNER_HZ, order)
    return _spectrum(low), _spectrum(high)


def pyfar_ways(library: Library, order: int) -> Ways:
    """Low and high way of pyfar 0.8.1, `dsp.filter.crossover`; it inverts one way where half the order is odd."""
    pyfar = library("pyfar")
    ways = pyfar.dsp.filter.crossover(pyfar.Signal(_impulse(), RATE_HZ), order, CORNER_HZ).time
    return _spectrum(ways[0]), _spectrum(ways[1])


def butterworth_ways(order: int) -> Ways:
    """Low and high way of scipy 1.17.1, `signal.butter`, analog."""
    s_hz = lines_hz(TOP_HZ)
    low, high = (
        signal.freqs(*signal.butter(order, CORNER_HZ, kind, analog=True), worN=s_hz)[1] for kind in ("low", "high")
    )
    return low, high


def _impulse() -> NDArray[np.float64]:
    """One frame long, so that its transform has the project's lines."""
    impulse = np.zeros(round(FRAME_S * RATE_HZ))
    impulse[0] = 1.0
    return impulse


def _spectrum(samples: NDArray[np.float64]) -> NDArray[np.complex128]:
    return np.asarray(np.fft.rfft(np.squeeze(samples))[: len(lines_hz(TOP_HZ))], dtype=np.complex128)


def sub_and_main(ways: Ways, sub_change: tuple[float, float] = (1.0, 0.0)) -> Responses:
    """A sub that plays the low way and a main that plays the high one, heard at two seats at the same time.

    sub_change : sign and delay in ms on top of the sub
    """
    low, high = ways
    frequency_hz = lines_hz(TOP_HZ)
    flight = np.stack([0.5 * delay_phase(frequency_hz, 0.0307), 0.2 * delay_phase(frequency_hz, 0.0711)])
    sign, delay_ms = sub_change
    sub = sign * low * delay_phase(frequency_hz, delay_ms / 1000.0)
    return responses_from({"main": high * flight, "sub": sub * flight}, TOP_HZ, ("mix", "back"))


def landscape(responses: Responses) -> Landscape:
    h, cells = trusted(responses), find_cells(responses, [1.0, 0.5])
    assert len(cells) >= 2  # one third octave at two seats for order 8, five of them for order 2
    return Landscape(h[0], h[1:], possible_energy(h, cells), cells, responses.frequency_hz)


def found(responses: Responses) -> Optimum:
    return search(landscape(responses), [Mover((1.0, -1.0), -REACH_MS, REACH_MS)])


def at_corner(responses: Responses) -> Pair:
    rows = pair_rows(responses, sound_check_of({"main": "main", "sub": "sub"}, ("mix", "back")), {}, 3)
    return next(row for row in rows if row.band_hz == 100.0)


# Sign that the sub needs against the main, by order, as the ways stand in the literature.
WANTED = {2: -1.0, 4: 1.0, 8: 1.0}


@pytest.mark.parametrize("order", [2, 4])
def test_our_models_are_those_of_the_libraries(library: Library, order: Literal[2, 4]) -> None:
    # Digital filters differ from analog ones by the bilinear transform: residual 8e-4 at 2 kHz in the high way.
    frequency_hz = lines_hz(TOP_HZ)
    low = simulate_boxes.linkwitz_riley(frequency_hz, CORNER_HZ, order, "low")
    high = simulate_boxes.linkwitz_riley(frequency_hz, CORNER_HZ, order, "high")
    inverted_by_pyfar = -1.0 if order == 2 else 1.0
    for ways, sign in ((pyoctaveband_ways(library, order), 1.0), (pyfar_ways(library, order), inverted_by_pyfar)):
        assert is_close(low, ways[0], 0.0012)
        assert is_close(high, sign * ways[1], 0.0012)
        assert not is_close(high, -sign * ways[1], 0.0012)
        off_by_5 = simulate_boxes.linkwitz_riley(frequency_hz, 1.05 * CORNER_HZ, order, "low")
        assert not is_close(off_by_5, ways[0], 0.0012)


@pytest.mark.parametrize("order", [2, 4, 8])
def test_the_search_finds_which_order_wants_an_inversion(library: Library, order: int) -> None:
    best = found(sub_and_main(pyoctaveband_ways(library, order)))
    ((sign, delay_ms),) = best.state
    assert sign == WANTED[order]
    assert is_close(delay_ms, 0.0, 0.005)  # half the finest step of the search; residual 0
    assert is_close(best.score_db, 0.0, 1e-6)


@pytest.mark.parametrize("order", [2, 4])
def test_a_way_that_is_inverted_already_is_left_alone(library: Library, order: int) -> None:
    # pyfar's second order comes with one way inverted, so nothing is left to do at either order.
    ((sign, delay_ms),) = found(sub_and_main(pyfar_ways(library, order))).state
    assert sign == 1.0
    assert is_close(delay_ms, 0.0, 0.005)


@pytest.mark.parametrize("order", [2, 4])
@pytest.mark.parametrize(("sign", "delay_ms"), [(1.0, 5.37), (-1.0, -4.11), (-1.0, 0.0)])
def test_the_search_takes_back_what_was_changed(library: Library, order: int, sign: float, delay_ms: float) -> None:
    best = found(sub_and_main(pyoctaveband_ways(library, order), (sign, delay_ms)))
    ((found_sign, found_ms),) = best.state
    assert found_sign == sign * WANTED[order]
    assert is_close(found_ms, -delay_ms, 0.005)
    assert is_close(best.score_db, 0.0, 1e-6)


@pytest.mark.parametrize("order", [2, 4])
def test_the_other_polarity_costs_something_at_any_delay(library: Library, order: int) -> None:
    scores = landscape(sub_and_main(pyoctaveband_ways(library, order))).scan(
        [(1.0, 0.0)], 0, np.arange(-REACH_MS, REACH_MS, 0.05)
    )
    right, wrong = (0, 1) if WANTED[order] > 0 else (1, 0)
    assert is_close(scores[right].max(), 0.0, 1e-6)
    assert scores[wrong].max() < -0.1
    assert scores[wrong, round(REACH_MS / 0.05)] < -4.0  # and a great deal at the right one


@pytest.mark.parametrize("order", [2, 4, 8])
def test_pair_sums_at_the_corner(library: Library, order: int) -> None:
    # -6.02 dB each at the corner, in phase once WANTED is applied: +6.02 dB re one there. The third octave around it
    # holds a little less, and no full null, as the ways' levels part: worked out from the library's ways. Residual 1e-6
    # dB.
    low, high = pyoctaveband_ways(library, order)
    inside = slice(*np.searchsorted(lines_hz(TOP_HZ), [CORNER_HZ * 10.0**-0.05, CORNER_HZ * 10.0**0.05]))
    louder = max(np.mean(np.abs(way[inside]) ** 2) for way in (low, high))
    flat_db = 10.0 * np.log10(1.0 / louder)
    null_db = 10.0 * np.log10(np.mean(np.abs(low - WANTED[order] * high)[inside] ** 2) / louder)
    row = at_corner(sub_and_main((low, high)))
    right, wrong = (row.sum_db, row.flipped_sum_db) if WANTED[order] > 0 else (row.flipped_sum_db, row.sum_db)
    assert is_close([right, wrong], [flat_db, null_db], 1e-4)
    assert not is_close([wrong, right], [flat_db, null_db], 1e-4)
    assert 5.5 < right < 6.03
    assert wrong < -6.0
    assert is_close(abs(row.relative_phase_deg), 0.0 if WANTED[order] > 0 else 180.0, 1e-3)


@pytest.mark.parametrize("order", [1, 3])
def test_odd_butterworth_orders_add_either_way_up(order: int) -> None:
    # Both sums are flat: equal in every band, and at a delay of 0 the score cannot tell one polarity from the other.
    # Residuals 1e-7 dB.
    responses = sub_and_main(butterworth_ways(order))
    rows = pair_rows(responses, sound_check_of({"main": "main", "sub": "sub"}, ("mix", "back")), {}, 3)
    sums, flipped = (np.array([getattr(r, name) for r in rows]) for name in ("sum_db", "flipped_sum_db"))
    assert len(sums) == 40
    assert is_close(sums, flipped, 1e-5)
    row = at_corner(responses)
    assert is_close(abs(row.relative_phase_deg), 90.0, 1e-3)
    upright, inverted = landscape(responses).scan([(1.0, 0.0)], 0, np.array([0.0]))
    assert is_close(upright, inverted, 1e-5)
    off_upright, off_inverted = landscape(responses).scan([(1.0, 0.0)], 0, np.array([0.5]))
    assert not is_close(off_upright, off_inverted, 1e-5)


@pytest.mark.parametrize(("order", "phase_deg"), [(1, 90.0), (2, 180.0), (3, 270.0), (4, 0.0)])
def test_butterworth_ways_are_a_quarter_turn_per_order_apart(order: int, phase_deg: float) -> None:
    # Any text on filters (from memory): the high way leads the low one by order x 90 degrees at every frequency, so
    # that order 2 cancels and order 4 adds at the corner. Main minus sub: the main leads.
    row = at_corner(sub_and_main(butterworth_ways(order)))
    off_deg = (row.relative_phase_deg - phase_deg + 180.0) % 360.0 - 180.0
    assert is_close(off_deg, 0.0, 0.01)
    if order in (2, 4):
        right, wrong = (row.sum_db, row.flipped_sum_db) if order == 4 else (row.flipped_sum_db, row.sum_db)
        assert right > 5.0
        assert wrong < -9.0


def decided(responses: Responses, most_ms: float = 500.0) -> Decision:
    """The program's decision on the sub, everything known to a ten-thousandth; the sub's device delays so much."""
    check = sound_check_of({"main": "main", "sub": "sub"}, ("mix", "back"))
    check = replace(check, outputs=check.outputs | {"sub": Output("sub", "sub", max_delay_ms=most_ms)})
    signs = Signs({"main": 1, "sub": 1}, {"main": 1, "sub": 1}, {"main": 0.99, "sub": 0.99}, {}, {})
    arrivals = {
        (name, p): (1000.0 * s, 0.02) for name in ("main", "sub") for p, s in (("mix", 0.0307), ("back", 0.0711))
    }
    return decide_all(context_of(check, responses, arrivals, signs, {}))["sub",]


@pytest.mark.parametrize("order", [2, 4])
def test_the_polarity_that_the_order_wants_is_decided_and_sure(library: Library, order: int) -> None:
    decision = decided(sub_and_main(pyoctaveband_ways(library, order)))
    assert decision.change == (WANTED[order], 0.0)
    assert decision.decision == ("change" if WANTED[order] < 0 else "keep")
    assert min(decision.confidence, decision.polarity_confidence) > 0.95
    assert "Either polarity" not in decision.reason


def test_ways_that_meet_in_one_band_are_left_alone_and_told_apart_by_little(library: Library) -> None:
    """Order 8 meets in a third of an octave, where half a period of delay makes up for the other polarity."""
    decision = decided(sub_and_main(pyoctaveband_ways(library, 8)))
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))
    assert decision.confidence > 0.95
    assert decision.polarity_confidence < 0.8
    assert decision.reason.endswith("Either polarity adds equally, each at its own best delay.")


@pytest.mark.parametrize("order", [1, 3])
def test_of_an_odd_order_either_polarity_will_do_and_the_reason_says_so(order: int) -> None:
    """Without a delay to make up for the quarter turn: left as it is, and not at all sure of the polarity."""
    decision = decided(sub_and_main(butterworth_ways(order)), most_ms=0.0)
    assert (decision.decision, decision.change) == ("keep", (1.0, 0.0))
    assert decision.confidence > 0.8
    assert decision.polarity_confidence < 0.7
    assert decision.reason.endswith("Either polarity adds equally, each at its own best delay.")


def test_a_delay_that_takes_the_quarter_turn_back_is_worth_having() -> None:
    """A quarter of a period; the other polarity, three quarters of one the other way, comes out worse."""
    decision = decided(sub_and_main(butterworth_ways(3)))
    assert decision.decision == "change"
    assert decision.change[0] == 1.0
    assert 1000.0 / CORNER_HZ / 5.0 < decision.change[1] < 1000.0 / CORNER_HZ / 3.0
