"""Hits of stage inputs: found where they are, whatever the block; loudest kept; whose hit it is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from stage_making import RATE_HZ, drum, hit, noise, opened, take

from analyze.responses import stage_hits
from analyze.responses.stage_hits import Hits, find_hits
from analyze.responses.stage_selection import AHEAD_S, BEHIND_S, pair_sound

#: How far from its beginning a hit is placed, seconds: a frame, 12 ms.
PLACED_S = 0.012


def times_s(hits: Hits, track: int = 0) -> np.ndarray:
    return hits.frame[hits.track == track] / RATE_HZ


def test_hits_are_found_where_they_are(tmp_path: Path) -> None:
    samples = drum(1, 9)
    with opened(tmp_path, {"snare": samples + noise(samples, 2)}) as recording:
        hits, _ = find_hits(recording)
    expected_s = 0.3 + 0.5 * np.arange(9)
    assert len(times_s(hits)) == 9
    assert np.abs(times_s(hits) - expected_s).max() < PLACED_S
    assert np.abs(times_s(hits) - expected_s - 0.03).min() > PLACED_S


def test_soft_hits_under_ringing_ones_are_found(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    samples = take({0.5: hit(rng, 100.0), 0.65: 0.2 * hit(rng, 400.0), 1.0: 0.05 * hit(rng, 180.0)}, 1.5)
    with opened(tmp_path, {"tom": samples + noise(samples, 4)}) as recording:
        hits, _ = find_hits(recording)
    assert np.abs(times_s(hits) - [0.5, 0.65, 1.0]).max() < PLACED_S


def test_steady_sound_has_no_hits_but_stretches(tmp_path: Path) -> None:
    samples = 0.1 * np.sin(2.0 * np.pi * 110.0 * np.arange(4 * RATE_HZ) / RATE_HZ)
    with opened(tmp_path, {"pad": samples + noise(samples, 5, 1e-2)}) as recording:
        hits, stretches = find_hits(recording)
    assert len(times_s(hits)) <= 1  # the first frame
    assert len(times_s(stretches)) > 15


@pytest.mark.parametrize("block_s", [0.7, 1.9, 3.3])
def test_the_size_of_the_blocks_does_not_matter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block_s: float
) -> None:
    snare, kick = drum(6, 11), drum(7, 8, 60.0, 0.7)
    tracks = {"snare": snare[:264_000] + 0.1 * kick[:264_000], "kick": kick[:264_000] + noise(kick[:264_000], 8)}
    with opened(tmp_path, tracks) as recording:
        whole = find_hits(recording)
        monkeypatch.setattr(stage_hits, "_BLOCK_S", block_s)
        advanced: list[int] = []
        parts = find_hits(recording, advance=advanced.append)
    assert sum(advanced) == 264_000
    for found, expected in zip(parts, whole, strict=True):
        assert found.frame.tolist() == expected.frame.tolist()
        assert found.track.tolist() == expected.track.tolist()
        np.testing.assert_allclose(found.level, expected.level, rtol=1e-6, atol=1e-15)


def test_the_strongest_hits_of_every_track_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(9)
    sizes = rng.permutation(np.linspace(0.2, 1.0, 12))
    one = hit(rng, 200.0)
    snare = take({0.3 + 0.4 * k: size * one for k, size in enumerate(sizes.tolist())}, 5.5)
    kick = take({0.5 + 0.9 * k: 0.1 * one for k in range(5)}, 5.5)
    monkeypatch.setattr(stage_hits, "_MOST_KEPT", 4)
    monkeypatch.setattr(stage_hits, "_BLOCK_S", 1.3)
    with opened(tmp_path, {"snare": snare, "kick": kick}) as recording:
        hits, stretches = find_hits(recording)
    strongest_s = 0.3 + 0.4 * np.sort(np.argsort(-sizes)[:4])
    assert np.abs(times_s(hits) - strongest_s).max() < PLACED_S
    assert [int((hits.track == t).sum()) for t in (0, 1)] == [4, 4]
    assert [int((stretches.track == t).sum()) for t in (0, 1)] == [4, 4]


def test_clipped_hits_are_marked_and_left_out(tmp_path: Path) -> None:
    samples = 0.5 * drum(10, 10)
    clipped = samples.copy()
    clipped[: 3 * RATE_HZ] = np.clip(12.0 * clipped[: 3 * RATE_HZ], -1.0, 1.0)  # 6 hits
    with opened(tmp_path, {"top": samples + noise(samples, 11), "bottom": clipped}) as recording:
        hits, stretches = find_hits(recording)
        sound = pair_sound(recording, hits, stretches, 0, 1)
    assert sound.n_clipped == 6
    assert len(sound.x) == 4
    assert np.abs(sound.y).max() < 1.0


def test_hits_of_another_instrument_are_left_out(tmp_path: Path) -> None:
    snare, kick = drum(12, 10, 180.0, 0.5), drum(13, 6, 60.0, 0.83)
    n = min(len(snare), len(kick))
    snare, kick = snare[:n], kick[:n]
    tracks = {"top": snare + 0.4 * kick, "bottom": 0.5 * snare + 0.2 * kick, "kick": 0.9 * kick + 0.02 * snare}
    with opened(tmp_path, tracks) as recording:
        hits, stretches = find_hits(recording)
    with opened(tmp_path, {name: tracks[name] for name in ("top", "bottom")}) as recording:
        sound = pair_sound(recording, hits, stretches, 0, 1)
        without = hits.at(np.ones(len(hits.frame), dtype=np.bool_))
        alone = pair_sound(recording, Hits(without.frame, without.track, *_of_two(without)), stretches, 0, 1)
    assert 7 <= len(sound.x) <= 10
    assert len(alone.x) > len(sound.x)  # nobody says that these were the kick's
    loudest = np.abs(sound.x).max(axis=1)
    assert loudest.min() > 0.3


def _of_two(hits: Hits) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return hits.level[:2], hits.ahead[:2], hits.is_clipped[:2]


def test_windows_reach_beyond_the_ends_as_silence(tmp_path: Path) -> None:
    rng = np.random.default_rng(14)
    samples = take({at: hit(rng, 200.0) for at in (0.03, 0.5, 1.0, 1.5, 1.85)}, 2.0)
    with opened(tmp_path, {"a": samples, "b": -samples}) as recording:
        hits, stretches = find_hits(recording)
        sound = pair_sound(recording, hits, stretches, 0, 1)
    assert sound.x.shape == (5, round((AHEAD_S + BEHIND_S) * RATE_HZ))
    np.testing.assert_array_equal(sound.x, -sound.y)
    at = round(AHEAD_S * RATE_HZ)
    np.testing.assert_allclose(sound.x[0, at - hits.frame[0] : at], samples[: hits.frame[0]], atol=1e-7)
    assert (sound.x[0, : at - hits.frame[0]] == 0.0).all()
    assert (sound.x[-1, at + len(samples) - hits.frame[-1] :] == 0.0).all()
