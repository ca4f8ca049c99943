"""Several captures of one output as one: averaged where they agree, the newest where they do not, each as it knows."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray
from response_making import delay, responses

from analyze.responses.transfer import DISAGREE_SIGMAS, N_REPLICATES, Responses, changed, merged
from analyze.spectra.cross_spectra import line_hz


def captured(name: str, gain: float, std: float, outputs: tuple[str, ...], positions: tuple[str, ...]) -> Responses:
    """A capture in which every response is a gain and a delay of its output's and position's own, with its error."""
    rng = np.random.default_rng([len(name), *name.encode()])
    frequency_hz = np.arange(900) / 1.4

    def one(output: str, position: str) -> NDArray[np.complex128]:
        later_s = 1e-3 * ord(output) + 1e-4 * ord(position)
        return gain * ord(output) / 100.0 * delay(frequency_hz, later_s)

    h = np.array([[one(output, position) for position in positions] for output in outputs])
    return responses(h, std=std, rng=rng, capture=name, outputs=outputs, positions=positions)


def test_captures_that_agree_are_averaged_by_inverse_variance() -> None:
    one = captured("a", 1.0, 0.02, ("x", "y"), ("p", "q"))
    two = captured("b", 1.0, 0.01, ("y",), ("q", "r"))
    whole, findings = merged([one, two], ("x", "y", "z"), ("q", "p", "r", "s"))
    assert not findings
    assert whole.capture == ""
    mean = (one.h[1, 1] / 0.02**2 + two.h[0, 0] / 0.01**2) / (1 / 0.02**2 + 1 / 0.01**2)
    assert np.abs(whole.h[1, 0] - mean).max() < 1e-6
    assert whole.variance[1, 0] == pytest.approx(1.0 / (1 / 0.02**2 + 1 / 0.01**2), rel=1e-5)
    assert whole.averages[1, 0] == 40.0
    replicates = (one.replicates[:, 1, 1] / 0.02**2 + two.replicates[:, 0, 0] / 0.01**2) / (1 / 0.02**2 + 1 / 0.01**2)
    assert np.abs(whole.replicates[:, 1, 0] - replicates).max() < 1e-6
    assert np.array_equal(whole.h[0, 1], one.h[0, 0])
    assert np.array_equal(whole.h[1, 2], two.h[0, 1])


def test_what_nobody_measured_is_not_known() -> None:
    one = captured("a", 1.0, 0.02, ("x", "y"), ("p", "q"))
    whole, _ = merged([one], ("x", "y", "z"), ("q", "p", "r"))
    has = [[whole.has(o, p) for p in whole.positions] for o in whole.outputs]
    assert has == [[True, True, False], [True, True, False], [False, False, False]]
    for name in ("h", "variance", "coherence", "averages"):
        assert np.isnan(getattr(whole, name)[2]).all(), name
    assert np.isnan(whole.replicates[:, 2]).all()


def test_captures_that_disagree_are_said_and_the_newest_counts() -> None:
    old = captured("old", 1.0, 0.01, ("x", "y"), ("p",))
    new = captured("new", 1.5, 0.01, ("x",), ("p",))
    whole, findings = merged([old, new], ("x", "y"), ("p",))
    (found,) = findings
    assert (found.finding, found.severity) == ("captures disagree", "warning")
    assert (found.capture, found.track, found.unit) == ("new", "x", "standard errors")
    assert found.value > DISAGREE_SIGMAS
    assert "'old'" in found.detail
    assert "'new'" in found.detail
    assert np.array_equal(whole.h[0, 0], new.h[0, 0])
    assert np.array_equal(whole.h[1, 0], old.h[1, 0])
    assert whole.averages[0, 0] == 20.0


def test_what_hangs_on_a_disagreement_is_unsure() -> None:
    """One replicate in eight follows the older capture, at every position the same ones."""
    old = captured("old", 1.0, 0.01, ("x",), ("p", "q"))
    new = captured("new", 1.5, 0.01, ("x",), ("p", "q"))
    whole, _ = merged([old, new], ("x",), ("p", "q"))
    for p in range(2):
        gain = np.mean(np.abs(whole.replicates[:, 0, p]), axis=-1) / np.mean(np.abs(old.h[0, p]))
        assert (gain < 1.25).tolist() == [False] * 42 + [True] * 6


def test_of_three_captures_those_that_agree_with_the_newest_count() -> None:
    first, wrong, last = (captured(n, g, 0.01, ("x",), ("p",)) for n, g in (("a", 1.0), ("b", 1.5), ("c", 1.0)))
    whole, findings = merged([first, wrong, last], ("x",), ("p",))
    assert len(findings) == 1
    assert "'b'" in findings[0].detail
    assert np.abs(whole.h[0, 0] - (first.h[0, 0] + last.h[0, 0]) / 2).max() < 1e-6
    assert whole.averages[0, 0] == 40.0


@pytest.mark.parametrize(("polarity", "delay_ms"), [(-1.0, 0.0), (1.0, 1.0)])
def test_a_setting_that_nobody_wrote_down_is_noticed(polarity: float, delay_ms: float) -> None:
    old = captured("old", 1.0, 0.01, ("x",), ("p",))
    new = dataclasses.replace(changed(old, {"x": (polarity, delay_ms)}), capture="new")
    assert [f.finding for f in merged([old, new], ("x",), ("p",))[1]] == ["captures disagree"]


def test_a_difference_of_a_few_per_cent_is_none() -> None:
    old, new = (captured(n, g, 1e-4, ("x",), ("p",)) for n, g in (("old", 1.0), ("new", 1.05)))
    assert not merged([old, new], ("x",), ("p",))[1]


def test_captures_of_different_rates_agree_as_far_as_both_reach() -> None:
    long = captured("a", 1.0, 0.02, ("x", "y"), ("p",))
    short = captured("b", 1.0, 0.02, ("x",), ("p",))
    cut = {name: getattr(short, name)[..., :700] for name in ("h", "variance", "coherence", "share", "frequency_hz")}
    whole, findings = merged([long, dataclasses.replace(short, **cut)], ("x", "y"), ("p",))
    assert not findings
    assert whole.h.shape[-1] == 900
    assert np.isfinite(whole.h[0, 0, :700]).all()
    assert np.isnan(whole.h[0, 0, 700:]).all()
    assert np.isfinite(whole.h[1, 0]).all()


def test_a_capture_that_hardly_tells_outputs_apart_does_not_displace_one_that_does() -> None:
    """The newer says something else, but only a tenth of what it holds of the output is its own."""
    n = 200
    rng = np.random.default_rng(1)

    def capture(name: str, value: complex, share: float) -> Responses:
        return Responses(
            capture=name,
            outputs=("main",),
            positions=("seat",),
            frequency_hz=line_hz(n),
            h=np.full((1, 1, n), value, dtype=np.complex64),
            variance=np.full((1, 1, n), 1e-4, dtype=np.float32),
            coherence=np.full((1, 1, n), 0.99, dtype=np.float32),
            share=np.full((1, 1, n), share, dtype=np.float32),
            averages=np.full((1, 1), 20.0),
            replicates=rng.standard_normal((N_REPLICATES, 1, 1, n)).astype(np.complex64),
        )

    alone = capture("alone", 1.0, 1.0)
    whole, findings = merged([alone, capture("music", -1.0, 0.1)], ("main",), ("seat",))
    assert findings == []
    assert (whole.h == 1.0).all()
    whole, findings = merged([alone, capture("again", -1.0, 0.9)], ("main",), ("seat",))
    assert [f.finding for f in findings] == ["captures disagree"]
    assert (whole.h == -1.0).all()
