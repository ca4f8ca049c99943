"""Do all arrivals fit boxes and microphones in space? If those of one output alone do not: what would make them fit.

Two of its microphones in each other's place, or another delay than is described. Neither needs a tape, and an exchange
at the cable shows no other way.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analyze.acoustics import speed_of_sound_simple
from analyze.description import SoundCheck
from analyze.findings import Finding
from analyze.responses.places import Places, Ways, fitted

#: Latency of a rig of which nothing is described, and what one that is described may be off, ms (common practice, no
#: source: processors and loudspeakers take a few milliseconds).
_LATENCY_MS, _DESCRIBED_STD_MS = (4.0, 4.0), 0.3
#: What does not fit as described must fit so many times better, and by so much, for one explanation alone.
_TIMES, _BETTER, _ALONE = 6.0, 20.0, 3.0
#: Half the sum of squares that is never called better than good.
_GOOD = 3.0
#: All ways fit to this, m, or nothing is explained.
_FITS_M = 1.0
#: Positions whose ways differ by less are not told apart, m.
_APART_M = 0.6
#: Delays that are off by less may be latency of another path, ms (common practice, no source); and standard deviations.
_LEAST_MS, _SIGMAS = 4.0, 4.0
#: Ways that an output or position must have: three for its place, one for what is wrong with it, and one to tell.
_FEWEST_WAYS = 5
#: Outputs whose absence lets the others fit, so many of them are looked at.
_LOOKED_AT = 2
#: Exchanges of an output that are fitted, those that come nearest while the microphones stay where the others put them.
_FITTED = 6
#: With more ways than this it would take minutes.
_MOST_WAYS = 300


@dataclass(frozen=True)
class _Told:
    """The ways with their labels, and what a metre of way is in ms."""

    outputs: tuple[str, ...]
    positions: tuple[str, ...]
    ways: Ways
    ms_m: float


@dataclass(frozen=True)
class _Explained:
    """What would make all ways fit: two positions exchanged for an output, or outputs that are later than described."""

    places: Places
    outputs: tuple[int, ...]
    exchanged: tuple[int, int] | None = None


def out_of_place(
    sound_check: SoundCheck,
    arrivals: Mapping[tuple[str, str], tuple[float, float]],
    own_clocks: Collection[tuple[str, str]],
    untrue: Collection[str],
) -> list[Finding]:
    """A finding where all outputs but one, or one group set alike, fit points in space, and one thing would mend that.

    Parameters
    ----------
    arrivals : per (output, position) arrival and standard deviation in ms, at present settings
    own_clocks : (output, position) whose arrivals mean nothing by themselves; untrue : outputs of which none does
    """
    told = _told(sound_check, {k: v for k, v in arrivals.items() if k not in own_clocks and k[0] not in untrue})
    if told is None:
        return []
    as_described = fitted(told.ways)
    if as_described.cost < _TIMES * _GOOD:
        return []
    found = _explanations(sound_check, told, as_described)
    return [_finding(sound_check, told, found)] if found else []


def _told(sound_check: SoundCheck, arrivals: Mapping[tuple[str, str], tuple[float, float]]) -> _Told | None:
    """The ways as described; None where too few are known for them to contradict one another."""
    speed_m_ms = speed_of_sound_simple(sound_check.temperature_c) / 1000.0
    outputs, positions = _heard_often(arrivals)
    if not outputs:
        return None
    known = [sound_check.outputs[name].latency_ms for name in outputs]
    described = [ms for ms in known if math.isfinite(ms)]
    usual_ms = float(np.median(described)) if described else _LATENCY_MS[0]
    way_m, std_m = np.full((2, len(outputs), len(positions)), np.nan)
    for o, (name, latency_ms) in enumerate(zip(outputs, known, strict=True)):
        more_ms = latency_ms - usual_ms if math.isfinite(latency_ms) else 0.0
        unset_ms = sound_check.outputs[name].setting.delay_ms + more_ms
        for p, position in enumerate(positions):
            ms, std_ms = arrivals.get((name, position), (math.nan, math.nan))
            if math.isfinite(ms + std_ms):
                way_m[o, p], std_m[o, p] = (ms - unset_ms) * speed_m_ms, std_ms * speed_m_ms
    if not 2 * (len(outputs) + len(positions)) <= np.isfinite(way_m).sum() <= _MOST_WAYS:
        return None
    off_ms = _DESCRIBED_STD_MS if described else _LATENCY_MS[1]
    ways = Ways(way_m, std_m, (usual_ms * speed_m_ms, off_ms * speed_m_ms))
    return _Told(outputs, positions, ways, 1.0 / speed_m_ms)


def _heard_often(arrivals: Mapping[tuple[str, str], tuple[float, float]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Outputs and positions with ways enough to have a place, and one to spare; the others left out until none is."""
    kept = {key for key, (ms, std_ms) in arrivals.items() if math.isfinite(ms + std_ms)}
    while True:
        outputs, positions = ([key[axis] for key in kept] for axis in (0, 1))
        few = {key for key in kept if outputs.count(key[0]) < _FEWEST_WAYS or positions.count(key[1]) < _FEWEST_WAYS}
        if not few:
            order = [key for key in arrivals if key in kept]
            return tuple(dict.fromkeys(o for o, _ in order)), tuple(dict.fromkeys(p for _, p in order))
        kept -= few


def _explanations(sound_check: SoundCheck, told: _Told, as_described: Places) -> list[_Explained]:
    """What makes all ways fit, the best first: of one output or group; empty if nothing does, or things of several."""
    units = _set_alike(sound_check, told)
    without = {unit: fitted(told.ways.without(list(unit))) for unit in units if _is_left_enough(told, unit)}
    odd = sorted(without, key=lambda unit: without[unit].cost)[:_LOOKED_AT]
    tried = [one for unit in odd for one in _tried(told, unit, without[unit])]
    tried.sort(key=lambda one: one.places.cost)
    if not tried:
        return []
    described_cost = min([as_described.cost, *(_as_described_cost(told, unit, without[unit]) for unit in odd)])
    best, good = tried[0], max(tried[0].places.cost, _GOOD)
    is_better = described_cost >= _TIMES * good and described_cost - best.places.cost >= _BETTER
    fitting = [one for one in tried if one.places.cost < _ALONE * good]
    is_of_one = all(one.outputs == best.outputs and _worst_m(one) <= _FITS_M for one in fitting)
    return fitting if is_better and is_of_one and all(_is_told(told, one) for one in fitting) else []


def _as_described_cost(told: _Told, unit: tuple[int, ...], others: Places) -> float:
    """How badly all ways fit as described, sought from where the others fit: what would mend it begins there too."""
    if len(unit) > 1:
        return math.inf
    return fitted(told.ways, others.with_box(unit[0], told.ways.way_m[unit[0]], told.ways.std_m[unit[0]])).cost


def _set_alike(sound_check: SoundCheck, told: _Told) -> list[tuple[int, ...]]:
    """Every output by itself, and those of a group that are described alike together."""
    single = [(o,) for o in range(len(told.outputs))]
    groups = {
        tuple(
            o
            for o, other in enumerate(told.outputs)
            if other in sound_check.group_of(name)
            and sound_check.outputs[other].setting == sound_check.outputs[name].setting
        )
        for name in told.outputs
    }
    return [*single, *sorted(unit for unit in groups if len(unit) > 1)]


def _is_left_enough(told: _Told, unit: tuple[int, ...]) -> bool:
    """Whether the ways of all other outputs can contradict one another."""
    left = told.ways.without(list(unit)).way_m
    return bool(np.isfinite(left).sum() >= 2 * sum(left.shape))


def _tried(told: _Told, unit: tuple[int, ...], others: Places) -> Iterator[_Explained]:
    """What may be wrong about one output or group, each with the places that fit then."""
    if len(unit) == 1:
        (o,) = unit
        row = told.ways.way_m[o]
        pairs = combinations(np.flatnonzero(np.isfinite(row)).tolist(), 2)
        apart = ((p, q, told.ways.exchanged(o, p, q)) for p, q in pairs if abs(row[p] - row[q]) >= _APART_M)
        guesses = [(others.with_box(o, ways.way_m[o], ways.std_m[o]), ways, (p, q)) for p, q, ways in apart]
        for guess, ways, pair in sorted(guesses, key=lambda one: one[0].cost)[:_FITTED]:
            yield _Explained(fitted(ways, guess), unit, pair)
    yield _Explained(fitted(told.ways, later=list(unit)), unit)


def _is_told(told: _Told, found: _Explained) -> bool:
    """Whether a delay is off by more than a latency may be, and than its error; an exchange always is."""
    if found.exchanged is not None:
        return True
    later_m, std_m = found.places.later_m, found.places.later_std_m
    return abs(later_m) * told.ms_m >= _LEAST_MS and abs(later_m) >= _SIGMAS * std_m


def _finding(sound_check: SoundCheck, told: _Told, found: Sequence[_Explained]) -> Finding:
    """What does not fit, what would, the best first, and where to look."""
    best = found[0]
    names = [told.outputs[o] for o in best.outputs]
    takes = [c.name for c in sound_check.captures if any(name in c.feeds for name in names)]
    within_m, verb = max(0.1, *map(_worst_m, found)), "is" if len(names) == 1 else "are"
    detail = (
        f"The times at which {' and '.join(names)} ({', '.join(map(repr, takes))}) {verb} heard fit no places at which "
        f"boxes and microphones could stand. They would {', or '.join(_condition(told, one) for one in found)}: then "
        f"all {int(np.isfinite(told.ways.way_m).sum())} ways of sound fit to {within_m:.1f} m. {_mend(found)}"
    )
    take = takes[0] if len(takes) == 1 else ""
    if best.exchanged is None:
        later_ms = best.places.later_m * told.ms_m
        return Finding("delay contradicted", "warning", detail, take, names[0], value=later_ms, unit="ms")
    position = told.positions[best.exchanged[0]]
    return Finding("microphones exchanged", "warning", detail, take, position, value=_apart_ms(told, best), unit="ms")


def _worst_m(one: _Explained) -> float:
    """By how much the worst of all ways does not fit."""
    return float(np.nanmax(np.abs(one.places.left_m)))


def _condition(told: _Told, one: _Explained) -> str:
    """Under which what is heard fits."""
    if one.exchanged is not None:
        p, q = (told.positions[k] for k in one.exchanged)
        return f"if the microphones {p} and {q} are exchanged in it, {_apart_ms(told, one):.1f} ms apart"
    later_ms, std_ms = (ms * told.ms_m for ms in (one.places.later_m, one.places.later_std_m))
    which = "longer" if later_ms > 0.0 else "shorter"
    return (
        f"with a delay about {abs(later_ms):.0f} ms {which} than described (give or take {max(1.0, 2.0 * std_ms):.0f})"
    )


def _apart_ms(told: _Told, one: _Explained) -> float:
    """By how much the arrivals at two positions differ."""
    assert one.exchanged is not None
    p, q = one.exchanged
    row = told.ways.way_m[one.outputs[0]]
    return abs(float(row[p] - row[q])) * told.ms_m


def _mend(found: Sequence[_Explained]) -> str:
    """Where to look."""
    parts = []
    if any(one.exchanged is not None for one in found):
        parts.append("Were cables or tracks swapped then? If so, exchange the two there.")
    if any(one.exchanged is None for one in found):
        parts.append(
            "Check what the processor showed then, and where the feed was taken (feed_tap). If both are as described, "
            "the path has another latency than the rest: describe that (latency_ms)."
        )
    return " ".join(parts)
