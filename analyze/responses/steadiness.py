"""Whether a setting was changed during a take without a word: the responses of every stretch against the rest.

Conventions: `H_within = c exp(-j 2 pi f tau) H_without` with a real c; tau > 0 is later, c < 0 is turned over. One
change is fitted to all microphones together, for it is one setting; or to all outputs of one microphone, if that was
touched.

Method: least squares over the lines, weighted by the inverse variance of their difference. What counts is by how much
the fit with a change leaves less than the fit without: the noise, the room and what a sweep has not yet passed go into
both. (A likelihood ratio; Bendat & Piersol, Random Data, ch. 9, for the variances, from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.findings import Finding
from analyze.responses.delay_fit import fit_delay
from analyze.spectra.cross_spectra import FRAME_S, CrossSpectra, line_hz
from analyze.spectra.least_squares import solve

#: Finding about an output that did not stay as it was.
SETTING_CHANGED = "setting changed"
#: Finding about player and recorder that were started in step and do not stay so.
TWO_CLOCKS = "two clocks"
#: Lines below this hold rumble, and feeds of which less than this is their own are not compared.
_LOWEST_HZ, _LEAST_SHARE = 20.0, 0.1
#: Fewest averages per feed within a stretch and without.
_LEAST_AVERAGES = 2.0
#: Fewest lines, over all microphones, that are compared at all.
_FEWEST_LINES = 100
#: What is left without a change must be so many times what is left with it, and the two responses so coherent.
_LEAST_RATIO, _LEAST_COHERENCE = 2.0, 0.7
#: The same for a level alone and for one microphone: where a stretch begins or ends within a sound, reverberation moves
#: levels, and parts of a sweep do not fit as noise does.
_CLEAR_RATIO = 3.0
#: A change that lasts to the end is preferred if it explains at least this share of what one does that goes back.
_LASTING_SHARE = 0.6
#: Smallest change that is told: s, dB. Air alone moves distant arrivals by 0.1 ms.
_LEAST_DELAY_S, _LEAST_LEVEL_DB = 0.0002, 1.5


@dataclass(frozen=True)
class _Change:
    """A change over the groups `first` .. `stop` - 1: factor c and delay.

    left, left_unchanged : squared errors, in units of their variance, of the fit with it and without
    coherence : of the responses within and without
    """

    first: int
    stop: int
    factor: float
    delay_s: float
    left: float
    left_unchanged: float
    coherence: float

    @property
    def is_sure(self) -> bool:
        return self.left_unchanged >= _LEAST_RATIO * self.left and self.coherence >= _LEAST_COHERENCE

    @property
    def is_setting(self) -> bool:
        """Whether delay or polarity changed, not the level alone."""
        return self.is_sure and (self.factor < 0.0 or abs(self.delay_s) >= _LEAST_DELAY_S)

    @property
    def is_clear(self) -> bool:
        """Whether it stands out as far as what rests on little must."""
        return self.is_sure and self.left_unchanged >= _CLEAR_RATIO * self.left

    @property
    def is_level(self) -> bool:
        return self.is_clear and abs(_level_db(self.factor)) >= _LEAST_LEVEL_DB


@dataclass(frozen=True)
class _Stretch:
    """Responses within the groups `first` .. `stop` - 1 and without, with weights 0 where nothing is told.

    within, without, weight : (feed, position, line)
    """

    first: int
    stop: int
    within: NDArray[np.complex128]
    without: NDArray[np.complex128]
    weight: NDArray[np.float64]

    def change(self, feed: int | slice, position: int | slice) -> _Change | None:
        """The change that fits best at these feeds and positions, None where too little is told."""
        within, without, weight = (
            np.atleast_2d(self.within[feed, position]),
            np.atleast_2d(self.without[feed, position]),
            np.atleast_2d(self.weight[feed, position]),
        )
        return _fitted((self.first, self.stop), within, without, weight)


def steadiness_findings(cross: CrossSpectra) -> list[Finding]:
    """Outputs whose delay, polarity or level changed during a take, and microphones at which those of all outputs did.

    Of one output alone a change of nothing but level is left to the levels of the frames, which show when it was.
    """
    stretches = list(_stretches(cross))
    findings = []
    for i, feed in enumerate(cross.feeds):
        found = _clearest([stretch.change(i, slice(None)) for stretch in stretches])
        if found and (found.is_setting or (found.is_level and len(cross.feeds) > 1)):
            findings.append(_output_finding(cross, feed, found))
    if findings or len(cross.positions) == 1:
        return findings
    for p, position in enumerate(cross.positions):
        found = _clearest([stretch.change(slice(None), p) for stretch in stretches])
        if found and found.is_setting and found.is_clear:
            findings.append(_microphone_finding(cross, position, found))
    return findings


def of_two_clocks(found: Finding) -> Finding:
    """What a delay that changed means where player and recorder were only started in step: their clocks differ."""
    if found.finding != SETTING_CHANGED or found.unit != "ms":
        return found
    detail = (
        f"The delay of {found.track} moves during the take, by {abs(found.value):.1f} ms from one part to the other: "
        "player and recorder were started in step, but each runs on a clock of its own. Name the recorder's file under "
        "`unsynced`; same_start may stay."
    )
    return Finding(
        TWO_CLOCKS, "warning", detail, found.capture, found.track, value=found.value, unit="ms", at_s=found.at_s
    )


def not_steady(findings: Iterable[Finding]) -> dict[str, str]:
    """Outputs whose delay or polarity was changed during a take, with the reason why nothing is decided on it."""
    reasons = {
        SETTING_CHANGED: "A setting was changed while it was recorded, and nobody knows which counts: record {} again.",
        TWO_CLOCKS: "Player and recorder ran on clocks of their own: name the recorder's file under `unsynced`, or "
        "record {} again with both on one machine.",
    }
    return {f.track: reasons[f.finding].format(f.track) for f in findings if f.finding in reasons and f.unit != "dB"}


def _stretches(cross: CrossSpectra) -> Iterator[_Stretch]:
    """Every run of groups but those from the start on, with averages enough in it and in the rest."""
    n_feeds, n_low, n_groups = len(cross.feeds), cross.low_gxx.shape[-1], len(cross.n_frames)
    noise = _noise(cross)[:, :n_low]
    is_compared = line_hz(n_low) > _LOWEST_HZ
    for first, stop in combinations(range(1, n_groups + 1), 2):
        inside = np.zeros(n_groups, dtype=np.bool_)
        inside[first:stop] = True
        sides = []
        for chosen in (inside, ~inside):
            n = cross.n_effective_of_groups[chosen].sum(axis=0)
            if n.min() < _LEAST_AVERAGES * n_feeds:
                break
            sides.append(solve(cross.low_gxx[chosen].sum(axis=0), cross.low_gxy[chosen].sum(axis=0), n))
        if len(sides) < 2:
            continue
        within, without = sides
        is_told = (within.share > _LEAST_SHARE) & (without.share > _LEAST_SHARE) & is_compared
        own = [side.power * np.where(is_told, side.share, 1.0) for side in sides]
        weight = np.where(is_told, 1.0 / np.maximum(noise * (1.0 / own[0] + 1.0 / own[1]), 1e-300), 0.0)
        yield _Stretch(first, stop, within.h, without.h, weight)


def _noise(cross: CrossSpectra) -> NDArray[np.float64]:
    """Energy per average that the feeds do not explain, (position, line)."""
    solved = solve(cross.gxx, cross.gxy, cross.n_effective)
    explained = np.einsum("ipl,ipl->pl", np.conj(solved.h), cross.gxy).real
    n = np.maximum(cross.n_effective - len(cross.feeds), 0.5)
    return np.asarray(np.maximum(cross.gyy - explained, 1e-7 * cross.gyy) / n[:, None])


def _fitted(
    span: tuple[int, int],
    within: NDArray[np.complex128],
    without: NDArray[np.complex128],
    weight: NDArray[np.float64],
) -> _Change | None:
    """The change that fits best to responses (row, line), None where too little is told."""
    if np.count_nonzero(weight) < _FEWEST_LINES:
        return None
    energy_without, energy_within = (float((weight * np.abs(h) ** 2).sum()) for h in (without, within))
    if min(energy_without, energy_within) <= 0.0:
        return None
    common = (weight * np.conj(without) * within).sum(axis=0)  # (line,)
    fit = fit_delay(common)
    return _Change(
        *span,
        factor=math.copysign(math.sqrt(energy_within / energy_without), fit.likeness),
        delay_s=fit.delay_s,
        left=max(energy_within - fit.likeness**2 / energy_without, 1e-12 * energy_within),
        left_unchanged=energy_without + energy_within - 2.0 * float(common.real.sum()),
        coherence=abs(fit.likeness) / math.sqrt(energy_without * energy_within),
    )


def _clearest(changes: list[_Change | None]) -> _Change | None:
    """The change that explains most, of those of all stretches; a change back must explain more than none."""
    told = [change for change in changes if change]
    if not told:
        return None
    best = max(told, key=_explained)
    to_the_end = [change for change in told if change.stop == max(c.stop for c in told)]
    lasting = max(to_the_end, key=_explained)
    return lasting if _explained(lasting) >= _LASTING_SHARE * _explained(best) else best


def _explained(change: _Change) -> float:
    """By how much a change reduces the squared error."""
    return change.left_unchanged - change.left


def _level_db(factor: float) -> float:
    return float(energy_db(factor**2))


def _words(found: _Change) -> str:
    """What changed."""
    parts = ["its polarity turned over"] * (found.factor < 0.0)
    if abs(found.delay_s) >= _LEAST_DELAY_S:
        parts.append(
            f"its delay went {'up' if found.delay_s > 0.0 else 'down'} by {1000.0 * abs(found.delay_s):.1f} ms"
        )
    level_db = _level_db(found.factor)
    if found.is_level:
        parts.append(f"its level went {'up' if level_db > 0.0 else 'down'} by {abs(level_db):.1f} dB")
    return " and ".join(parts)


def _output_finding(cross: CrossSpectra, feed: str, found: _Change) -> Finding:
    """An output of which a setting changed."""
    detail = (
        f"A setting of {feed} was changed during the take: {_words(found)}{_back(cross, found)}. What was measured is "
        "a mix of both: record it again, or cut the take there and describe two captures."
    )
    return _finding(cross, SETTING_CHANGED, feed, detail, found)


def _microphone_finding(cross: CrossSpectra, position: str, found: _Change) -> Finding:
    """A microphone at which everything changed."""
    detail = (
        f"During the take the chain of this microphone changed against the others: {_words(found)}"
        f"{_back(cross, found)}. It was moved, or its settings were touched: record it again, or cut the take there."
    )
    return _finding(cross, "microphone changed", position, detail, found)


def _start_s(cross: CrossSpectra, group: int) -> float:
    """About when a group begins, from the start of the capture."""
    return group / len(cross.n_frames) * cross.n_planned * FRAME_S / int(cross.hops[0]) + FRAME_S / 2.0


def _back(cross: CrossSpectra, found: _Change) -> str:
    """When it was changed back."""
    if found.stop == len(cross.n_frames):
        return ""
    return f", and back at about {_start_s(cross, found.stop):.0f} s"


def _finding(cross: CrossSpectra, name: str, track: str, detail: str, found: _Change) -> Finding:
    """`at_s` counts from the start of the capture and is good to a group: an eighth of the take."""
    value, unit = 180.0, "deg"
    if abs(found.delay_s) >= _LEAST_DELAY_S:
        value, unit = 1000.0 * found.delay_s, "ms"
    elif found.factor > 0.0:
        value, unit = _level_db(found.factor), "dB"
    at_s = _start_s(cross, found.first)
    return Finding(name, "warning", detail, cross.capture, track, value=value, unit=unit, at_s=at_s)
