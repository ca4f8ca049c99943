"""What a measured change of one output's setting amounts to: done, not done, or one of the usual mistakes.

A change is (delay_ms, sign), after minus before. What is held against it is what the recommendation would look like if
it was typed in rightly, not at all, twice, with the wrong sign, as a change instead of a setting, or elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

#: Two delays closer than this are one, whatever their errors, ms: 3 cm, as heads move (common practice, no source).
SAME_MS = 0.1
#: Standard errors that a delay may be off by.
_SIGMAS = 3.5
#: Share of settings that are none of what could be expected, and how far off they may be, ms (judgement).
_OTHERWISE, _RANGE_MS = 0.1, 40.0

Turn = tuple[float, int]
NOTHING: Turn = (0.0, 1)


@dataclass(frozen=True)
class Asked:
    """What was recommended for one output: the change, and the setting in force before in ms."""

    change: Turn
    old_delay_ms: float

    @property
    def new_delay_ms(self) -> float:
        """The setting that was to be typed in."""
        return self.old_delay_ms + self.change[0]


def is_same(one: Turn, other: Turn, std_ms: float) -> bool:
    """Whether two changes are the same within the error of one of them."""
    return one[1] == other[1] and abs(one[0] - other[0]) <= _within_ms(std_ms)


def _within_ms(std_ms: float) -> float:
    """How far apart two changes may be that are the same."""
    return max(SAME_MS, _SIGMAS * std_ms)


def outcome_of(measured: Turn, std_ms: float, asked: Asked) -> str:
    """What could have been done that looks most like what was measured; `otherwise` if nothing does."""
    alike = [(what, change) for what, change in _could_be(asked, std_ms) if is_same(measured, change, std_ms)]
    return min(alike, key=lambda one: abs(one[1][0] - measured[0]), default=("otherwise", NOTHING))[0]


def sureness(measured: Turn, std_ms: float, name: str, found: tuple[str, str], asked: Mapping[str, Asked]) -> float:
    """Probability that an outcome is what was done, its sign taken as known.

    Everything that could have been done is equally likely beforehand, any other setting less; each is weighed by how
    well it fits the delay measured. What would be the same setting counts as one.

    Parameters
    ----------
    found : outcome, and the output for which the change was meant where it is another's
    """
    outcome, owner = found
    could_be = [*_could_be(asked[name], std_ms), *([(outcome, asked[owner].change)] if owner else [])]
    std_ms = max(std_ms, 0.25 * SAME_MS)
    weights = {
        change: math.exp(-0.5 * ((measured[0] - change[0]) / std_ms) ** 2) / (math.sqrt(2.0 * math.pi) * std_ms)
        for _, change in could_be
        if change[1] == measured[1]
    }
    share = (1.0 - _OTHERWISE) / len({change for _, change in could_be})
    other = _OTHERWISE / _RANGE_MS
    said = max((weights.get(change, 0.0) for what, change in could_be if what == outcome), default=0.0)
    return (share * said if outcome != "otherwise" else other) / (share * sum(weights.values()) + other)


def _could_be(asked: Asked, std_ms: float) -> Iterator[tuple[str, Turn]]:
    """What could have been done with one output, and the change it would be, likeliest first.

    A mistake that would have left the delay where it was to be is none that could be told.
    """
    told_ms = 2.0 * _within_ms(std_ms)
    for what, change in _every(asked):
        is_by_polarity = what in (
            "as recommended",
            "left alone",
            "not applied",
            "polarity not applied",
            "wrong polarity",
        )
        if is_by_polarity or abs(change[0] - asked.change[0]) > told_ms:
            yield what, change


def _every(asked: Asked) -> Iterator[tuple[str, Turn]]:
    delay_ms, sign = asked.change
    if asked.change == NOTHING:
        yield "left alone", NOTHING
        return
    yield "as recommended", (delay_ms, sign)
    yield "not applied", NOTHING
    if sign < 0:
        yield "polarity not applied", (delay_ms, 1)
        yield "delay not applied", (0.0, sign)
    else:
        yield "wrong polarity", (delay_ms, -sign)
    if delay_ms:
        for each in (sign, 1):  # a polarity set twice stays set, one turned over twice is back
            yield "applied twice", (2.0 * delay_ms, each)
        yield "wrong sign of delay", (-delay_ms, sign)
        yield "change typed as setting", (delay_ms - asked.old_delay_ms, sign)
        yield "setting added to the old one", (asked.new_delay_ms, sign)


def owner_of(measured: Turn, std_ms: float, name: str, asked: Mapping[str, Asked]) -> str:
    """Another output for which the measured change was meant, empty if there is none.

    Outputs of a group are meant to change alike, so that none is another's.
    """
    own = asked[name].change
    for other, one in asked.items():
        if one.change in (NOTHING, own) or other == name:
            continue
        if is_same(measured, one.change, std_ms):
            return other
    return ""
