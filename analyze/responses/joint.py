"""Captures that cannot tell their outputs apart one by one, but together can.

The same stretch played twice with one output's polarity flipped, or two takes with different mixes: each capture's sums
are brought to present settings, then least squares goes over all of them (Bendat & Piersol, Random Data, ch. 7, from
memory). With two identical feeds `Gxx` is singular in either capture; flipped in one of them, the sum of both is not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analyze.responses.transfer import rotation
from analyze.spectra.cross_spectra import CrossSpectra, line_hz

#: Sign and delay in ms that bring an output of a capture to present settings.
Change = tuple[float, float]


def joined(
    parts: Sequence[tuple[CrossSpectra, Mapping[str, Change]]], name: str, outputs: Sequence[str]
) -> CrossSpectra:
    """The sums of several captures of the same microphones as one capture at present settings, without shifts.

    Parameters
    ----------
    parts : sums of each capture, and per output what brings its response to present settings
    outputs : the feeds of the result; a capture that lacks one adds nothing to it

    Raises ValueError if positions or sample rates differ.
    """
    first = parts[0][0]
    if any(c.positions != first.positions or c.sample_rate_hz != first.sample_rate_hz for c, _ in parts):
        raise ValueError("captures of different microphones or sample rates cannot be joined")
    at_present = [_at_present(cross, change, outputs) for cross, change in parts]
    return replace(
        first,
        capture=name,
        feeds=tuple(outputs),
        shift_s=np.zeros((len(outputs), len(first.positions))),
        n_frames=np.concatenate([c.n_frames for c in at_present]),
        hops=np.concatenate([c.hops for c in at_present]),
        gxx=np.sum([c.gxx for c in at_present], axis=0),
        gyy=np.sum([c.gyy for c in at_present], axis=0),
        gxy=np.sum([c.gxy for c in at_present], axis=0),
        low_gxx=np.concatenate([c.low_gxx for c in at_present]),
        low_gxy=np.concatenate([c.low_gxy for c in at_present]),
    )


def _at_present(cross: CrossSpectra, change: Mapping[str, Change], outputs: Sequence[str]) -> CrossSpectra:
    """One capture's sums with its feeds turned so that they give the responses at present settings."""
    n_line, n_low = cross.gxx.shape[-1], cross.low_gxx.shape[-1]
    turn = _turns(cross, change, n_line)  # (feed, position, line)
    low = turn[..., :n_low]
    gxy, gxx = cross.gxy * turn, cross.gxx * _pairs(turn)
    low_gxy, low_gxx = cross.low_gxy * low, cross.low_gxx * _pairs(low)
    places = [outputs.index(name) for name in cross.feeds]
    n = len(outputs)

    def spread(values: NDArray[np.complex128], axes: tuple[int, ...]) -> NDArray[np.complex128]:
        """The feed axes of `values` laid out in the order of `outputs`, zero for feeds that are not there."""
        for axis in axes:
            shape = list(values.shape)
            shape[axis] = n
            wide = np.zeros(shape, dtype=values.dtype)
            index: list[slice | list[int]] = [slice(None)] * values.ndim
            index[axis] = places
            wide[tuple(index)] = values
            values = wide
        return values

    return replace(
        cross,
        feeds=tuple(outputs),
        shift_s=np.zeros((n, len(cross.positions))),
        gxx=spread(gxx, (1, 2)),
        gxy=spread(gxy, (0,)),
        low_gxx=spread(low_gxx, (2, 3)),
        low_gxy=spread(low_gxy, (1,)),
        gyy=cross.gyy.copy(),
        n_frames=cross.n_frames.copy(),
    )


def _turns(cross: CrossSpectra, change: Mapping[str, Change], n_line: int) -> NDArray[np.complex128]:
    """Factors (feed, position, line) from responses re their shifts to responses at present settings."""
    f = line_hz(n_line)
    return np.stack(
        [
            np.stack(
                [
                    rotation(f, *(change.get(name, (1.0, 0.0)))) * rotation(f, 1.0, 1000.0 * float(cross.shift_s[i, p]))
                    for p in range(len(cross.positions))
                ]
            )
            for i, name in enumerate(cross.feeds)
        ]
    )


def _pairs(turn: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """`turn_i conj(turn_j)`, (position, feed, feed, line)."""
    return np.asarray(np.einsum("ipl,jpl->pijl", turn, np.conj(turn)), dtype=np.complex128)
