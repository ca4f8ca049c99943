"""Seats so alike that they count as one: two microphones a hand apart hear one place twice.

Likeness is the coherence of the responses of all outputs at two positions over the lines where settings are decided,
every output and every octave with equal weight, after one delay common to all is taken out. In a diffuse field it falls
with distance as `sin(k d) / (k d)` (Cook et al. 1955, JASA 27(6), from memory), sooner the higher the frequency.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analyze.findings import Finding
from analyze.responses.transfer import Responses

#: Lines in which settings are decided: third octaves from 25 to 315 Hz.
_LOW_HZ, _HIGH_HZ = 22.4, 355.0
#: A line counts where the response is known so well, re its variance; an output with fewer lines does not count.
_KNOWN, _FEWEST_LINES = 10.0, 20
#: Seats more alike than this are one: 0.25 m apart for mains, 1 m for subs alone, in a simulated hall.
_ALIKE = 0.9
#: Difference of arrival that is taken out, s: what lies further apart is not alike.
_DELAYS_S = np.linspace(-0.01, 0.01, 401)


def alike_seats(responses: Responses, zones: Mapping[str, str]) -> list[Finding]:
    """Positions of one zone that hear nearly the same of every output.

    Parameters
    ----------
    responses : of all captures together
    zones : per position; positions of different zones are never compared
    """
    likeness = {
        (a, b): _likeness(responses, responses.positions.index(a), responses.positions.index(b))
        for a, b in combinations(responses.positions, 2)
        if zones.get(a) == zones.get(b)
    }
    findings = []
    alike = [pair for pair, value in likeness.items() if value > _ALIKE]
    for together in _together(alike):
        seats = [position for position in responses.positions if position in together]
        least = min(likeness[pair] for pair in alike if pair[0] in together)
        names = f"{', '.join(seats[:-1])} and {seats[-1]}"
        detail = (
            f"{names} hear nearly the same of every output: they count as one seat, not as {len(seats)}. If they are "
            "meant to be apart, check patch and description; else put the microphones some metres apart."
        )
        findings.append(Finding("seats alike", "warning", detail, track=seats[0], value=least, unit="coherence"))
    return findings


def _likeness(responses: Responses, a: int, b: int) -> float:
    """Coherence of two positions, 0..1; 0 where no output is known at both."""
    f = responses.frequency_hz
    inside = (f >= _LOW_HZ) & (f <= _HIGH_HZ)
    h, variance = responses.h[..., inside].astype(np.complex128), responses.variance[..., inside]
    common, n_outputs = np.zeros(np.count_nonzero(inside), dtype=np.complex128), 0
    for output in range(len(h)):
        one, other = h[output, a], h[output, b]
        known = _known(one, variance[output, a]) & _known(other, variance[output, b])
        if np.count_nonzero(known) < _FEWEST_LINES:
            continue
        weight = known / f[inside]  # equal for every octave
        one, other = np.where(known, one, 0.0), np.where(known, other, 0.0)
        norm = np.sqrt((weight * np.abs(one) ** 2).sum() * (weight * np.abs(other) ** 2).sum())
        common += weight * np.conj(one) * other / norm
        n_outputs += 1
    if n_outputs == 0:
        return 0.0
    turned = common @ np.exp(2j * np.pi * f[inside][:, None] * _DELAYS_S)
    return float(np.abs(turned.real).max()) / n_outputs


def _known(h: NDArray[np.complex128], variance: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Lines of a response (line,) that stand over their error; none where nothing was measured."""
    return np.asarray(np.abs(np.nan_to_num(h)) ** 2 > _KNOWN * np.nan_to_num(variance))


def _together(pairs: list[tuple[str, str]]) -> list[set[str]]:
    """Positions that are alike in pairs, put together where pairs share one."""
    groups: list[set[str]] = []
    for pair in pairs:
        touched = [group for group in groups if group & set(pair)]
        groups = [group for group in groups if group not in touched] + [set(pair).union(*touched)]
    return groups
