"""Sign, delay and gain of two stage inputs from the sound around their hits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from stage_making import RATE_HZ, Samples, hit, late, noise

from analyze.responses.stage_curves import MOST_DELAY_S, pair_curves
from analyze.responses.stage_relation import Relation, relation_of, sum_gain_db
from analyze.responses.stage_selection import AHEAD_S, BEHIND_S, PairSound
from analyze.responses.stage_words import (
    decided_reason,
    doubtful_reason,
    few_hits_reason,
    own_clock_reason,
    silent_reason,
    unrelated_reason,
)

N_FRAMES = round((AHEAD_S + BEHIND_S) * RATE_HZ)
#: Residual over a sample's fractions 0.0002 ms.
DELAY_S = 1e-6


def windows(seed: int, n_hits: int, tone_hz: float = 180.0) -> Samples:
    """Hits in their windows, (hit, frame)."""
    rng = np.random.default_rng(seed)
    out = np.zeros((n_hits, N_FRAMES))
    for row in out:
        samples = hit(rng, tone_hz)[: N_FRAMES - round(AHEAD_S * RATE_HZ)]
        row[round(AHEAD_S * RATE_HZ) :][: len(samples)] = rng.uniform(0.5, 1.0) * samples
    return out


def sound_of(x: Samples, y: Samples, has_hits: bool = True) -> PairSound:
    x, y = (w + noise(w.ravel(), 90 + k).reshape(w.shape) for k, w in enumerate((x, y)))
    return PairSound(x, y, has_hits, RATE_HZ, 0)


def all_late(x: Samples, delay_s: float) -> Samples:
    return np.stack([late(row, delay_s) for row in x])


@pytest.mark.parametrize("sign", [1, -1])
def test_every_fraction_of_a_sample(sign: int) -> None:
    x = windows(1, 6)
    errors = []
    for fraction in np.arange(0.0, 1.01, 0.1):
        delay_s = (23.0 + float(fraction)) / RATE_HZ
        found = relation_of(sound_of(x, 0.3 * sign * all_late(x, delay_s)))
        errors.append(found.delay_s - delay_s)
        assert found.sign == sign
        assert found.confidence > 0.95
    assert np.abs(errors).max() < DELAY_S
    assert abs(np.mean(errors)) < DELAY_S / 3.0  # to no side


@pytest.mark.parametrize("delay_ms", [-20.0, -7.3, -0.4, 0.0, 1.7, 20.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_swapped_inputs_give_the_opposite_delay(delay_ms: float, sign: int) -> None:
    x = windows(2, 5)
    ahead = all_late(x, max(0.0, -delay_ms) / 1000.0)
    other = sign * all_late(x, max(0.0, delay_ms) / 1000.0)
    forth, back = relation_of(sound_of(ahead, other)), relation_of(sound_of(other, ahead))
    assert abs(forth.delay_s - delay_ms / 1000.0) < 5e-6
    assert abs(forth.delay_s + back.delay_s) < 5e-6
    assert forth.sign == back.sign == sign
    assert forth.is_shared
    assert back.is_shared


def test_colour_of_microphones_is_not_read_as_polarity_or_delay() -> None:
    """A second-order roll-off and a low-pass: their phase is minimum-phase; residual 0.03 ms."""
    x = windows(3, 8)
    high = signal.butter(2, 120.0, "high", fs=RATE_HZ, output="sos")
    low = signal.butter(2, 3000.0, fs=RATE_HZ, output="sos")
    y = -0.5 * signal.sosfilt(low, signal.sosfilt(high, all_late(x, 0.8e-3)))
    found = relation_of(sound_of(x, y))
    assert (found.sign, found.confidence > 0.95) == (-1, True)
    assert abs(found.delay_s - 0.8e-3) < 5e-5
    assert abs(found.delay_s - 1.05 * 0.8e-3 - 5e-5) > 5e-5
    assert abs(found.delay_s - 0.8e-3) < 2.0 * found.delay_std_s


def test_a_strong_late_reflection_of_the_other_sign_does_not_turn_the_polarity() -> None:
    """The correlation's maximum is the reflection: it is stronger, and of the other sign."""
    x = windows(4, 8)
    y = all_late(x, 1.0e-3) - 1.15 * all_late(x, 4.0e-3)
    correlation = sum(np.correlate(b, a, "full") for a, b in zip(x, y, strict=True))
    assert correlation[np.argmax(np.abs(correlation))] < 0.0
    curves = pair_curves(sound_of(x, y))
    edge = curves.mean()[curves.kinds.index("edge")]
    assert edge.max() > -edge.min()
    assert abs(curves.delay_s[np.argmax(edge)] - 1.0e-3) < 5e-5
    assert relation_of(sound_of(x, y)).confidence < 0.95  # the evidence does not agree


def test_unrelated_inputs_share_nothing() -> None:
    played_together = [np.roll(row, n) for row, n in zip(windows(6, 10, 97.0), range(-150, 150, 30), strict=True)]
    relation = relation_of(sound_of(windows(5, 10), np.stack(played_together)))
    assert not relation.is_shared
    assert relation.confidence == 0.5
    assert relation_of(sound_of(windows(5, 10), windows(5, 10))).is_shared


def test_few_hits_are_trusted_less() -> None:
    x = windows(7, 12)
    y = signal.sosfilt(signal.butter(2, 700.0, fs=RATE_HZ, output="sos"), x)
    log_odds = [relation_of(sound_of(x[:n], y[:n])).log_odds for n in (1, 3, 12)]
    assert log_odds[0] < log_odds[1] < log_odds[2]


def test_stretches_are_compared_without_edges() -> None:
    rng = np.random.default_rng(8)
    long = signal.sosfilt(
        signal.butter(2, (60.0, 900.0), "band", fs=RATE_HZ, output="sos"), rng.standard_normal(200_000)
    )
    y = -late(long, 2.0e-3)
    cut = np.arange(10)[:, None] * 19_000 + 1000 + np.arange(N_FRAMES)
    sound = sound_of(long[cut], y[cut], has_hits=False)
    assert pair_curves(sound).kinds == ("start", "body")
    relation = relation_of(sound)
    assert (relation.sign, relation.is_shared, relation.confidence > 0.8) == (-1, True, True)
    assert abs(relation.delay_s - 2.0e-3) < 2e-5


def test_curves_reach_both_ends_in_even_steps() -> None:
    x = windows(9, 3)
    curves = pair_curves(sound_of(x, x))
    assert curves.per_hit.shape == (3, 3, len(curves.delay_s))
    assert curves.delay_s[-1] == -curves.delay_s[0] == pytest.approx(MOST_DELAY_S, abs=1e-5)
    np.testing.assert_allclose(np.diff(curves.delay_s), 1.0 / RATE_HZ / 4.0, rtol=1e-6)
    assert np.argmax(curves.mean(), axis=1).tolist() == [len(curves.delay_s) // 2] * 3


def test_gain_of_equal_inputs() -> None:
    """Sum of two equal signals apart by phase phi: 20 log10(2 |cos(phi / 2)|), textbook; residual 0.1 dB."""
    t = np.arange(N_FRAMES) / RATE_HZ - AHEAD_S
    tone = np.where(t >= 0.0, np.exp(-t / 0.08) * np.sin(2.0 * np.pi * 250.0 * t), 0.0)
    x = np.stack([tone, 0.5 * tone, 0.7 * tone])
    for apart_ms in (0.5, 1.0, 1.6):
        phase = 2.0 * np.pi * 0.25 * apart_ms
        y = all_late(x, apart_ms / 1000.0)
        alone_db, sum_db = 20.0 * np.log10(2.0), 20.0 * np.log10(2.0 * abs(np.cos(phase / 2.0)))
        sound = sound_of(x, 0.1 * y)  # at another level
        gain_db = sum_gain_db(sound, 1, apart_ms / 1000.0)
        assert gain_db == pytest.approx(alone_db - sum_db, abs=0.25)
        assert gain_db != pytest.approx(1.05 * (alone_db - sum_db) + 0.5, abs=0.25)
    assert sum_gain_db(sound_of(x, x), 1, 0.0) == 0.0
    assert sum_gain_db(sound_of(x, -x), -1, 0.0) > 30.0


def relation(log_odds: float, delay_ms: float) -> Relation:
    return Relation(log_odds, delay_ms / 1000.0, 5e-5, True, 24)


def test_reasons_name_who_is_to_be_delayed() -> None:
    later = decided_reason("kick out", "kick in", relation(5.0, 0.84), 0.84, 0.6)
    assert later == (
        "kick out reads normal against kick in over 24 hits: leave its polarity; delaying kick in by 0.84 ms as well "
        "is optional and adds 0.6 dB."
    )
    earlier = decided_reason("snare bottom", "snare top", relation(-5.0, -0.31), 0.31, 1.2)
    assert earlier == (
        "snare bottom reads inverted against snare top over 24 hits, as a microphone under a drum normally does: "
        "switch its polarity; delaying it by 0.31 ms as well is optional and adds 1.2 dB."
    )
    assert "unusual" in decided_reason("snare top", "Snare Under", relation(5.0, 0.0), 0.0, 0.0)
    assert "0.02 ms between them" in decided_reason("a", "b", relation(5.0, -0.02), 0.0, 0.0)


def test_reasons_say_what_to_record() -> None:
    assert doubtful_reason(relation(-0.9, 0.1)).startswith("Likelier inverted (0.71)")
    assert "3 more are clipped" in few_hits_reason("a", "b", 1, 3)
    assert "Only 2 usable hits" in few_hits_reason("a", "b", 2, 0)
    undecided = [
        doubtful_reason(relation(-0.9, 0.1)),
        few_hits_reason("a", "b", 1, 3),
        few_hits_reason("a", "b", 2, 0),
        unrelated_reason("a", "b"),
        silent_reason("a"),
        own_clock_reason("a", "b"),
    ]
    assert all("record " in reason for reason in undecided)
