"""Several feeds at once: against conditioned spectra and another library, and what cannot be told apart."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analyze.spectra.least_squares import Solution, solve

N_FRAMES, N_LINES = 40, 6

Spectra = NDArray[np.complex128]


def frames(rng: np.random.Generator, common: float, n_feed: int = 2) -> Spectra:
    """Spectra (feed, frame, line) that share part of their amplitude, with unequal levels."""
    shared, own = (_noise(rng, (n, N_FRAMES, N_LINES)) for n in (1, n_feed))
    gains = np.array([1.0, 0.2, 3.0])[:n_feed, None, None]
    return np.asarray(gains * (common * shared + np.sqrt(1.0 - common**2) * own))


def _noise(rng: np.random.Generator, shape: tuple[int, ...]) -> Spectra:
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2.0)


def solved(x: Spectra, y: Spectra, groups: list[int] | None = None) -> Solution:
    """Solution for feeds (feed, frame, line) and microphones (position, frame, line)."""
    gxx = np.einsum("ikl,jkl->ijl", np.conj(x), x)
    gxy = np.einsum("ikl,pkl->ipl", np.conj(x), y)
    return solve(np.repeat(gxx[None], len(y), axis=0), gxy, np.full(len(y), float(N_FRAMES)), groups, with_mixing=True)


@pytest.mark.parametrize("common", [0.0, 0.7, 0.95])
def test_two_feeds_by_conditioned_spectra(common: float) -> None:
    """Bendat & Piersol, Random Data, ch. 7 (from memory): what feed 1 explains is taken out of everything first.

    `H2 = G2y.1 / G22.1`, `G22.1 = G22 - |G12|^2 / G11`, and 1 - coherence between the feeds is `G22.1 / G22`.
    """
    rng = np.random.default_rng(1)
    x = frames(rng, common)
    gains = np.array([[0.5 - 0.2j, 1.5j], [2.0, -1.0 + 1j]])  # (feed, position)
    y = np.einsum("ip,ikl->pkl", gains, x) + 0.1 * _noise(rng, (2, N_FRAMES, N_LINES))
    found = solved(x, y)
    g11, g12, g22 = (np.sum(np.conj(a) * b, axis=0) for a, b in ((x[0], x[0]), (x[0], x[1]), (x[1], x[1])))
    g22_1 = g22 - np.abs(g12) ** 2 / g11
    for p in range(2):
        g1y, g2y = (np.sum(np.conj(a) * y[p], axis=0) for a in x)
        h2 = (g2y - np.conj(g12) * g1y / g11) / g22_1
        h1 = (g1y - g12 * h2) / g11
        assert np.abs(found.h[0, p] - h1).max() < 1e-7
        assert np.abs(found.h[1, p] - h2).max() < 1e-7
        assert found.share[1, p] == pytest.approx((g22_1 / g22).real, rel=1e-6)
        assert found.share[0, p] == pytest.approx((g22_1 / g22).real, rel=1e-6)


def test_three_feeds_against_another_library() -> None:
    """`numpy.linalg.lstsq` (live) on the frames themselves, line by line; `inv(X^H X)` for the error."""
    rng = np.random.default_rng(2)
    x = frames(rng, 0.8, 3)
    y = _noise(rng, (2, N_FRAMES, N_LINES)) + x[[2, 0]]
    found = solved(x, y)
    for line in range(N_LINES):
        a = x[..., line].T
        expected, *_ = np.linalg.lstsq(a, y[..., line].T, rcond=None)
        inverse = np.linalg.inv(np.conj(a.T) @ a)
        assert np.abs(found.h[..., line] - expected).max() < 1e-7
        for p in range(2):
            error = 1.0 / (found.power[:, p, line] * found.share[:, p, line])
            assert error == pytest.approx(np.diag(inverse).real, rel=1e-6)
            # errors of h go together as inv(X^H X) says
            mixing = found.mixing[p, line] * np.sqrt(error)[:, None]
            assert np.abs(mixing @ np.conj(mixing.T) - inverse).max() < 1e-6 * np.abs(inverse).max()


def test_feeds_that_are_alike_cannot_be_told_apart() -> None:
    rng = np.random.default_rng(3)
    x = frames(rng, 0.3, 3)
    x[1] = -0.4j * x[0]
    found = solved(x, 0.5 * x[[0]] + x[[2]])
    assert (found.share[:2] == 0.0).all()
    assert (found.h[:2] == 0.0).all()
    assert found.share[2].min() > 0.5
    assert np.abs(found.h[2] - 1.0).max() < 1e-6


def test_alike_feeds_of_a_group_share_what_they_do_together() -> None:
    """Left and right in mono: each gets half, the sum is right to the ridge of 1e-3, and neither is its own."""
    rng = np.random.default_rng(4)
    x = frames(rng, 0.3, 3)
    x[1] = x[0]
    found = solved(x, 0.5 * x[[0]] - 0.3 * x[[1]] + x[[2]], groups=[0, 0, 1])
    assert (found.share[:2] == 0.0).all()
    assert found.apart[:2].min() > 0.5
    assert np.abs(found.h[:2] - 0.1).max() < 2e-3
    assert np.abs(found.h[2] - 1.0).max() < 2e-3


def test_one_feed_is_its_own() -> None:
    rng = np.random.default_rng(6)
    x = frames(rng, 0.0)[:1]
    found = solved(x, 2.0 * x)
    assert (found.share == 1.0).all()
    assert np.abs(found.h - 2.0).max() < 1e-12
    assert found.mixing is None
