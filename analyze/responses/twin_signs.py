"""How twins sound against each other: two subs of one group, at every microphone that hears both.

Their boxes are alike, so the phase between them is that of their difference of arrival, and half a turn more where one
of them is wired opposite. This needs no model of the box, and a microphone that is turned over turns both. A room
spreads that phase; how much it is allowed to say was chosen so that pairs in simulated takes claim too little rather
than too much (guide, `trials`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.description import SoundCheck
from analyze.responses.arrival import Evidence
from analyze.responses.capture import Measured

#: Log-likelihood ratio of `wired alike` over `wired opposite` per position, per pair of twins.
TwinEvidence = dict[tuple[str, str], dict[str, float]]

#: Above this no two subs are alike enough: rooms, covers and crossovers part them.
_HIGHEST_HZ = 120.0
#: A room's phase is taken to be another so many hertz on. Twice that told fewer of 19 pairs and none more rightly (seen
#: once, no command kept).
_INDEPENDENT_HZ = 10.0
#: Share of a feed that has to be its own.
_LEAST_SHARE = 0.05
#: A band narrower than this cannot tell half a turn from a delay.
_LEAST_RATIO = 1.4
_FEWEST_LINES = 4
#: Slope of the level between two outputs, in dB an octave, from which on they are no twins: what makes it turns their
#: phases apart, too. Rooms hardly make it at several positions.
_MOST_SLOPE_DB = 5.0
#: Delays that are tried, in standard deviations of the difference of arrival.
_DELAYS = np.linspace(-3.0, 3.0, 61)
#: The arrivals of two subs are never known better than this.
_LEAST_STD_S = 1e-4
_SIGNS = (1, -1)
#: More twins than this in one group are not held against one another.
MOST_TWINS = 8


def twin_evidence(measured: Sequence[Measured], sound_check: SoundCheck) -> TwinEvidence:
    """Evidence that every two subs of a group are wired alike, settings taken out.

    Of each by itself it says nothing. Pairs of a larger group count less each: all of them say no more than its number
    of members less one.
    """
    heard = _heard(measured)
    found: TwinEvidence = {}
    for twins in _twins(sound_check):
        for pair in combinations(twins, 2):
            heard_at = {p: (heard.get((pair[0], p)), heard.get((pair[1], p))) for p in sound_check.positions}
            between = {p: _between(one, other) for p, (one, other) in heard_at.items() if one and other}
            compared = {p: one for p, one in between.items() if one is not None}
            if not _are_boxes_alike(compared.values()):
                continue
            alike = {p: 2.0 / len(twins) * _alike(one) for p, one in compared.items()}
            alike = {p: value for p, value in alike.items() if np.isfinite(value)}
            if alike:
                found[pair] = alike
    return found


def _twins(sound_check: SoundCheck) -> Iterator[tuple[str, ...]]:
    """The subs of every group that has several."""
    groups: dict[str, list[str]] = {}
    for name, output in sound_check.outputs.items():
        if output.kind == "sub" and output.group:
            groups.setdefault(output.group, []).append(name)
    yield from (tuple(names) for names in groups.values() if 1 < len(names) <= MOST_TWINS)


@dataclass(frozen=True)
class _Heard:
    """One output at one position in one capture."""

    measured: Measured
    evidence: Evidence

    @property
    def has_own_clock(self) -> bool:
        """Whether its time means something within its capture alone."""
        return (self.evidence.output, self.evidence.position) in self.measured.own_clocks

    @property
    def sign(self) -> int:
        """Of the setting in force."""
        return int(self.measured.capture.settings[self.evidence.output].sign)

    def lines(self, name: str) -> NDArray[np.complex128]:
        """A field of the capture's responses for it, (line,)."""
        responses, e = self.measured.responses, self.evidence
        place = responses.outputs.index(e.output), responses.positions.index(e.position)
        return np.asarray(getattr(responses, name)[place], dtype=np.complex128)


def _heard(measured: Sequence[Measured]) -> Mapping[tuple[str, str], _Heard]:
    """Every output at every position, in the newest capture in which it was heard there."""
    return {(e.output, e.position): _Heard(m, e) for m in measured for e in m.evidence}


@dataclass(frozen=True)
class _Between:
    """Two outputs at one position, where both sound; axes (line,).

    phase : of the first re the second, radians; level_db : likewise; weight : 1 where no error spreads the phase
    """

    one: _Heard
    other: _Heard
    frequency_hz: NDArray[np.float64]
    phase: NDArray[np.float64]
    level_db: NDArray[np.float64]
    weight: NDArray[np.float64]


def _between(one: _Heard, other: _Heard) -> _Between | None:
    """Two outputs at one position, None where they cannot be compared."""
    if one.measured is not other.measured and (one.has_own_clock or other.has_own_clock):
        return None
    f = one.measured.responses.frequency_hz
    if f.shape != other.measured.responses.frequency_hz.shape:
        return None
    bands = [(h.evidence.band_low_hz, h.evidence.band_high_hz) for h in (one, other)]
    low_hz, high_hz = max(low for low, _ in bands), min(_HIGHEST_HZ, *(high for _, high in bands))
    share = np.minimum(one.lines("share").real, other.lines("share").real)
    a, b = one.lines("h"), other.lines("h")
    good = (f >= low_hz) & (f <= high_hz) & (share > _LEAST_SHARE) & (np.abs(a * b) > 0.0) & np.isfinite(a * b)
    if good.sum() < _FEWEST_LINES or f[good][-1] < _LEAST_RATIO * f[good][0]:
        return None
    a, b = a[good], b[good]
    spread = sum(h.lines("variance").real[good] / np.abs(x) ** 2 for h, x in ((one, a), (other, b)))
    return _Between(one, other, f[good], np.angle(a * np.conj(b)), energy_db(np.abs(a / b) ** 2), 1.0 / (1.0 + spread))


def _are_boxes_alike(compared: Iterable[_Between]) -> bool:
    """Whether no slope lies between the levels of two outputs: other boxes and crossovers have other phases, too."""
    rise = squares = 0.0
    for at in compared:
        octave = np.log2(at.frequency_hz)
        octave -= np.average(octave, weights=at.weight)
        rise += float(np.sum(at.weight * octave * at.level_db))
        squares += float(np.sum(at.weight * octave**2))
    return abs(rise) <= _MOST_SLOPE_DB * squares


def _alike(at: _Between) -> float:
    """The evidence of two outputs at one position, NaN where no arrival is known.

    An arrival depends on the sign that is taken for its output, so every pair of signs is weighed with its own delay.
    """
    weight = at.weight * min(1.0, float(np.median(np.diff(at.frequency_hz))) / _INDEPENDENT_HZ)
    table = np.array(
        [
            [_log_likelihood(at.phase, weight, at.frequency_hz, a * b, _apart(at.one, at.other, a, b)) for b in _SIGNS]
            for a in _SIGNS
        ]
    )
    if not np.isfinite(table).all():
        return math.nan
    alike, opposite = np.logaddexp(table[0, 0], table[1, 1]), np.logaddexp(table[0, 1], table[1, 0])
    return at.one.sign * at.other.sign * float(alike - opposite)


def _apart(one: _Heard, other: _Heard, sign: int, other_sign: int) -> tuple[float, float]:
    """How much later the first arrives than the second, and its standard deviation, in seconds, given their signs."""
    (one_s, one_std_s), (other_s, other_std_s) = one.evidence.arrival_for(sign), other.evidence.arrival_for(other_sign)
    return one_s - other_s, max(_LEAST_STD_S, float(np.hypot(one_std_s, other_std_s)))


def _log_likelihood(
    phase: NDArray[np.float64],
    weight: NDArray[np.float64],
    frequency_hz: NDArray[np.float64],
    sign: int,
    apart_s: tuple[float, float],
) -> float:
    """Of phases (line,) spread about those of a sign and a delay, von Mises with `weight`; NaN where no delay is known.

    What the spread alone makes likely is the same for every sign and left away.
    """
    if not np.isfinite(apart_s).all():
        return math.nan
    delay_s = apart_s[0] + apart_s[1] * _DELAYS
    agreement = sign * np.cos(phase + 2.0 * np.pi * delay_s[:, np.newaxis] * frequency_hz) @ weight  # (delay,)
    prior = -0.5 * _DELAYS**2
    return float(np.logaddexp.reduce(agreement + prior) - np.logaddexp.reduce(prior))
