"""The multiple-input formula against a published worked example: three inputs, their gains and the errors of them.

At one line, least squares over several feeds is multiple regression. The stack loss data (Brownlee 1965, Statistical
Theory and Methodology in Science and Engineering, 2nd ed., p. 454) are its best known worked example: 21 days of a
plant, three inputs that go partly together. Data and results as `stackloss` of R's datasets and of statsmodels carry
them, written down from memory and checked: numpy's least squares gives the printed gains to their last digit.
"""

from __future__ import annotations

import numpy as np
import pytest

from analyze.responses.transfer import Responses, responses_of
from analyze.spectra.cross_spectra import EFFECTIVE_SHARE, CrossSpectra
from analyze.spectra.least_squares import solve

AIR = [80, 80, 75, 62, 62, 62, 62, 62, 58, 58, 58, 58, 58, 58, 50, 50, 50, 50, 50, 56, 70]
WATER = [27, 27, 25, 24, 22, 23, 24, 24, 23, 18, 18, 17, 18, 19, 18, 18, 19, 19, 20, 20, 20]
ACID = [89, 88, 90, 87, 87, 87, 93, 93, 87, 80, 89, 88, 82, 93, 89, 86, 72, 79, 80, 82, 91]
LOSS = [42, 37, 37, 28, 18, 18, 19, 20, 15, 14, 14, 13, 11, 12, 8, 7, 8, 8, 9, 15, 15]
#: Gains, their standard errors, and the share of the loss that is explained, as R prints them for `lm`.
GAINS, ERRORS, EXPLAINED = (0.7156, 1.2953, -0.1521), (0.1349, 0.3680, 0.1563), 0.9136


@pytest.fixture(scope="module")
def cross() -> CrossSpectra:
    """The data as sums at one line (twice, for a line needs a neighbour): 20 averages, for the mean took one of 21."""
    x = np.array([AIR, WATER, ACID], dtype=np.float64)
    y = np.array(LOSS, dtype=np.float64)
    x, y = x - x.mean(axis=1, keepdims=True), y - y.mean()
    gxx = np.repeat((x @ x.T)[None, :, :, None], 2, axis=-1).astype(np.complex128)
    gxy = np.repeat((x @ y)[:, None, None], 2, axis=-1).astype(np.complex128)
    return CrossSpectra(
        capture="plant",
        feeds=("air", "water", "acid"),
        positions=("loss",),
        sample_rate_hz=48_000.0,
        shift_s=np.zeros((3, 1)),
        n_frames=np.full((1, 1), 20.0 / EFFECTIVE_SHARE[4]),
        hops=np.array([4]),
        gxx=gxx,
        gyy=np.full((1, 2), y @ y),
        gxy=gxy,
        low_gxx=gxx[None].copy(),
        low_gxy=gxy[None].copy(),
        n_planned=21,
    )


@pytest.fixture(scope="module")
def responses(cross: CrossSpectra) -> Responses:
    return responses_of(cross, np.random.default_rng(1))


def test_gains(responses: Responses) -> None:
    assert responses.h[:, 0, 0].real == pytest.approx(GAINS, abs=5e-5)
    assert responses.h.imag == pytest.approx(0.0, abs=1e-9)


def test_errors(responses: Responses) -> None:
    assert np.sqrt(responses.variance[:, 0, 0]) == pytest.approx(ERRORS, abs=5e-5)


def test_what_all_inputs_explain_together(cross: CrossSpectra) -> None:
    solved = solve(cross.gxx, cross.gxy, cross.n_effective)
    explained = (np.conj(solved.h) * cross.gxy).sum(axis=0).real / cross.gyy
    assert explained[0, 0] == pytest.approx(EXPLAINED, abs=5e-5)


def test_own_share_of_an_input_is_what_the_other_inputs_do_not_explain(responses: Responses) -> None:
    """1 over the variance inflation of each input, by numpy's least squares of one on the others."""
    x = np.array([AIR, WATER, ACID], dtype=np.float64)
    x -= x.mean(axis=1, keepdims=True)
    for i in range(3):
        others = np.delete(x, i, axis=0)
        gains = np.linalg.lstsq(others.T, x[i], rcond=None)[0]
        rest = x[i] - gains @ others
        assert responses.share[i, 0, 0] == pytest.approx(rest @ rest / (x[i] @ x[i]), rel=1e-5)
