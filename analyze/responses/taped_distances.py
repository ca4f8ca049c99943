"""Do distances measured by hand agree with arrivals? What contradicts them: the tape, the names, or the latency.

A way is `(arrival - setting - latency) c`. What all ways of one output have in common is its latency, known or not, and
contradicts nothing, unless it would be negative; nor does a lone one, unless it were far from that of other outputs.
Conventions: metres; a residual is the way less the tape.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from analyze.acoustics import speed_of_sound_simple
from analyze.description import SoundCheck
from analyze.description_units import METRES_PER_FOOT
from analyze.findings import Finding
from analyze.spectra.inspection import HeardAfter

#: What a tape and the place it is held to may be off: so much, and this share, with it 10 K of air (common practice, no
#: source).
_TAPE_M, _TAPE_SHARE = 0.5, 0.03
#: What the arrival of a sub may be off besides: the most seen in rooms as the demo's is 1.1 ms.
_SUB_M = 0.5
#: What the latency of an output may be off that of others: 10 ms (common practice, no source: processors and the
#: loudspeakers' own take a few milliseconds each).
_LATENCY_M = 3.4
#: Findings of a take by which its tracks are not what they are called.
NOT_ITS_OWN = ("copied take", "arrives before it was sent", "not of one take")
#: Standard deviation of when an output is first heard as `inspect` has it: within 0.1 ms in seven demo halls.
_LOOK_STD_MS = 0.5
#: Standard deviations of an arrival that are no contradiction.
_SIGMAS = 3.0


@dataclass(frozen=True)
class _Taped:
    """One distance: by tape, by the arrival at the position named and at all others, and the latency (NaN: unknown)."""

    output: str
    position: str
    tape_m: float
    ways_m: Mapping[str, float]
    allowed_m: float
    latency_m: float

    @property
    def residual_m(self) -> float:
        """Way less tape; NaN where nothing was heard there."""
        return self.ways_m.get(self.position, math.nan) - self.tape_m

    def in_feet(self) -> _Taped:
        """The same with the tape read in feet."""
        tape_m = METRES_PER_FOOT * self.tape_m
        return replace(self, tape_m=tape_m, allowed_m=self.allowed_m - _TAPE_SHARE * (self.tape_m - tape_m))

    def exchanged(self, a: str, b: str) -> _Taped:
        """The same with two positions in each other's place."""
        ways_m = {{a: b, b: a}.get(position, position): way_m for position, way_m in self.ways_m.items()}
        return replace(self, ways_m=ways_m)


def taped_distances(
    sound_check: SoundCheck,
    arrivals: Mapping[tuple[str, str], tuple[float, float]],
    own_clocks: Collection[tuple[str, str]],
    untrue: Collection[str],
) -> list[Finding]:
    """A finding for every distance by hand that arrivals contradict.

    Parameters
    ----------
    arrivals : per (output, position) arrival and standard deviation in ms, at present settings
    own_clocks : (output, position) whose arrivals mean nothing by themselves; untrue : outputs of which none does
    """
    told = {key: one for key, one in arrivals.items() if key not in own_clocks and key[0] not in untrue}
    taped = list(_taped(sound_check, told))
    off = _contradicted(taped)
    if not off:
        return []
    if _are_feet(taped):
        return [_feet_finding(sound_check, one) for one, _ in off]
    # a lone tape of an output whose latency nobody knows fits nearly everywhere, unless others say what is usual
    exchanged = _exchanged(taped, [one for one, _ in off]) if _of_known_latency(taped) else None
    outputs = [one.output for one in taped]
    return [
        _finding(sound_check, one, offset_m, exchanged, is_lone=outputs.count(one.output) == 1) for one, offset_m in off
    ]


def arrivals_at_a_look(
    sound_check: SoundCheck, heard: Iterable[HeardAfter]
) -> dict[tuple[str, str], tuple[float, float]]:
    """Arrivals as `inspect` heard them, subs aside: their sound has no instant that a short look could name."""
    captures = {capture.name: capture for capture in sound_check.captures}
    arrivals: dict[tuple[str, str], tuple[float, float]] = {}
    for one in heard:
        output = sound_check.outputs[one.output]
        # a feed that is taken behind the processor does not show the setting
        behind = captures[one.capture].settings[one.output].delay_ms if output.feed_tap == "before" else 0.0
        if output.kind != "sub":
            at_present_ms = one.delay_ms - behind + output.setting.delay_ms
            arrivals[one.output, one.position] = (at_present_ms, _LOOK_STD_MS)
    return arrivals


def _taped(sound_check: SoundCheck, arrivals: Mapping[tuple[str, str], tuple[float, float]]) -> Iterator[_Taped]:
    """Every distance by hand of which something was heard."""
    speed_m_ms = speed_of_sound_simple(sound_check.temperature_c) / 1000.0
    for output in sound_check.outputs.values():
        unset_ms = output.setting.delay_ms + (output.latency_ms if math.isfinite(output.latency_ms) else 0.0)
        ways_m = {p: (ms - unset_ms) * speed_m_ms for (name, p), (ms, _) in arrivals.items() if name == output.name}
        for position in sound_check.positions.values():
            if output.name in position.distance_m and position.name in ways_m:
                tape_m = position.distance_m[output.name]
                allowed_m = _TAPE_M + _TAPE_SHARE * tape_m + (_SUB_M if output.kind == "sub" else 0.0)
                allowed_m += _SIGMAS * arrivals[output.name, position.name][1] * speed_m_ms
                latency_m = output.latency_ms * speed_m_ms
                yield _Taped(output.name, position.name, tape_m, ways_m, allowed_m, latency_m)


def _of_known_latency(taped: list[_Taped]) -> set[str]:
    """Outputs whose latency is described, or follows from several distances."""
    outputs = [one.output for one in taped]
    return {one.output for one in taped if math.isfinite(one.latency_m) or outputs.count(one.output) > 1}


def _contradicted(taped: list[_Taped]) -> list[tuple[_Taped, float]]:
    """Distances that differ by more than is allowed from what the output's have in common, with that.

    With the latency of the others for a lone one, which may be off that by as much as latencies differ.
    """
    by_output: dict[str, list[_Taped]] = {}
    for one in taped:
        by_output.setdefault(one.output, []).append(one)
    offsets_m = {output: _offset_m(mine) for output, mine in by_output.items()}
    shown_m, known = dict(offsets_m), _of_known_latency(taped)
    if known:
        usual_m = _median([offsets_m[output] + np.nan_to_num(by_output[output][0].latency_m) for output in known])
        for output in offsets_m.keys() - known:
            offsets_m[output] = float(np.clip(offsets_m[output], usual_m - _LATENCY_M, usual_m + _LATENCY_M))
            shown_m[output] = usual_m
    # what is not heard is not known to agree
    return [
        (one, shown_m[output])
        for output, offset_m in offsets_m.items()
        for one in by_output[output]
        if not abs(one.residual_m - offset_m) <= one.allowed_m
    ]


def _offset_m(mine: list[_Taped]) -> float:
    """What the residuals of one output have in common: the latency, or what it is more than was described."""
    known = [one.residual_m for one in mine if math.isfinite(one.residual_m)]
    if not known:
        return 0.0
    if math.isfinite(mine[0].latency_m):
        return _median([*known, 0.0]) if len(known) > 1 else 0.0
    return max(0.0, _median(known))


def _median(values: Collection[float]) -> float:
    return float(np.median(list(values)))


def _are_feet(taped: list[_Taped]) -> bool:
    """Whether all distances agree once they are read in feet, with no latency but a usual one."""
    in_feet = [one.in_feet() for one in taped]
    unknown = [one for one in in_feet if math.isnan(one.latency_m)]
    usual = all(_offset_m([one for one in unknown if one.output == name]) <= _LATENCY_M for name in _names(unknown))
    return usual and not _contradicted(in_feet)


def _names(taped: list[_Taped]) -> set[str]:
    return {one.output for one in taped}


def _exchanged(taped: list[_Taped], off: list[_Taped]) -> tuple[str, str] | None:
    """The one pair of positions with which exchanged all distances agree; None if there is none, or several.

    Exchanged for the outputs that are contradicted: in the takes of others the microphones may have stood right.
    """
    outputs = {one.output for one in off}
    heard = dict.fromkeys(position for one in off for position in one.ways_m)
    pairs = {tuple(sorted((one.position, b))): (one.position, b) for one in off for b in heard if one.position != b}
    fitting = [
        (a, b)
        for a, b in pairs.values()
        if not _contradicted([one.exchanged(a, b) if one.output in outputs else one for one in taped])
    ]
    return fitting[0] if len(fitting) == 1 else None


def _finding(
    sound_check: SoundCheck, one: _Taped, offset_m: float, exchanged: tuple[str, str] | None, *, is_lone: bool
) -> Finding:
    """Both figures, and what to check: a lone distance fits as well if the delay was another one than is described."""
    way_m = one.ways_m[one.position] - offset_m
    takes = _takes(sound_check, one)
    is_unknown = math.isnan(sound_check.outputs[one.output].latency_ms)
    by_arrival = f"by its arrival{', latency included' if is_lone and is_unknown else ''}"
    arrival = f"{way_m:.1f} m {by_arrival}" if way_m > 0.0 else "by its arrival was heard before it was sent"
    off_m = way_m - one.tape_m
    off_ms = abs(off_m) / (speed_of_sound_simple(sound_check.temperature_c) / 1000.0)
    detail = (
        f"{one.output} is {one.tape_m:g} m from {one.position} by hand, and {arrival}, which is "
        f"{off_ms:.1f} ms {'later' if off_m > 0.0 else 'earlier'} ({', '.join(map(repr, takes))}). "
    )
    if exchanged and not is_lone:  # of a lone one many exchanges would do
        detail += f"With {exchanged[0]} and {exchanged[1]} exchanged it fits: are those two microphones swapped?"
    else:
        detail += (
            "Measure again first; then check the delay described and latency_ms, and whether microphones are swapped."
        )
    return _contradiction(one, detail, takes, off_m)


def _feet_finding(sound_check: SoundCheck, one: _Taped) -> Finding:
    """A distance that was written in feet, as all others."""
    detail = (
        f"{one.output} is {one.tape_m:g} m from {one.position} by hand. Its arrival contradicts that, and fits "
        f"{one.tape_m:g} feet, as all distances do: write metres, here {METRES_PER_FOOT * one.tape_m:.2f}."
    )
    return _contradiction(one, detail, _takes(sound_check, one), (METRES_PER_FOOT - 1.0) * one.tape_m)


def _takes(sound_check: SoundCheck, one: _Taped) -> list[str]:
    """The captures in which the output was heard at the position."""
    return [c.name for c in sound_check.captures if one.output in c.feeds and one.position in c.mics]


def _contradiction(one: _Taped, detail: str, takes: list[str], off_m: float) -> Finding:
    take = takes[0] if len(takes) == 1 else ""
    return Finding("distance contradicted", "warning", detail, take, one.position, value=off_m, unit="m")
