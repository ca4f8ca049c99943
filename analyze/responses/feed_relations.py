"""How the feeds of different outputs relate where they carry the same programme: gain, delay and sign of a bus.

Responses are re each output's own feed. What a seat hears of a programme is their sum only if every feed carries it
alike; a feed taken from another bus, later by an insert or turned over, changes every sum. Where two feeds share
programme in any capture their relation is estimated here. Where they do not, or where no one delay tells how they
differ, equal feeds are assumed and that is said.

A crossover before the tap turns phases as a delay does over the octaves that both feeds carry, and so enters the sums.

Conventions: the relation of a feed to another is `c exp(-j 2 pi f tau)`, tau > 0 later, c real. Delay and sign come
from the phase of the cross-spectrum, every line weighted by `g2 / (1 - g2)`, the inverse of its phase variance (Bendat
& Piersol, Random Data, ch. 9; the maximum-likelihood weighting of Knapp & Carter 1976), bounded, because mixes differ.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import db_to_amplitude, energy_db
from analyze.description import Capture, SoundCheck
from analyze.findings import Finding
from analyze.responses.capture import Measured, tap_change
from analyze.responses.delay_fit import fit_delay
from analyze.responses.own_clocks import OwnClock
from analyze.responses.transfer import Responses, changed, rotation
from analyze.spectra.cross_spectra import CrossSpectra, line_hz

#: Lines that are compared: where settings are decided, and above as far as delays gain by it.
_LOW_HZ, _HIGH_HZ = 25.0, 1000.0
#: Lines count where neither feed is fainter than this re its strongest line: further down a filter's phase goes on
#: turning and no sum hears it.
_FAINTEST_DB = -30.0
#: Feeds share programme where their coherence is over this, on lines that span so many octaves together.
_SHARED_COHERENCE, _FEWEST_OCTAVES = 0.5, 1.0
#: One delay must explain so much of the phases, and any other so much less.
_LEAST_CONSISTENT, _MOST_RUNNER_UP = 0.9, 0.85
#: It must leave no octave further off than this, degrees, but for those in which the one feed is fainter re the other
#: by so many dB than it mostly is: many high lines would else outvote the few low ones that settings are decided by.
_MOST_ASKEW_DEG, _FADED_DB = 30.0, 12.0
#: Fewest lines of an octave, and fewest effective averages, that tell anything.
_FEWEST_LINES, _FEWEST_AVERAGES = 4, 4.0
#: Largest weight of a line.
_LARGEST_WEIGHT = 20.0
#: Neighbouring lines of Hann frames are related; so many hold one independent reading.
_LINES_PER_INDEPENDENT = 2.1
#: Phases that scatter by more than this times what the coherence allows are a filter's, and alike over an octave.
_FILTER_RATIO = 2.0
#: Feeds are unequal from here on: ms (and so many standard errors), dB. A balance differs by less from song to song.
_UNEQUAL_MS, _UNEQUAL_SIGMAS, _UNEQUAL_DB = 0.05, 4.0, 1.5
#: Levels tell a gain only where it is the same in all bands to within this, dB, and the feeds are this coherent: two
#: mixes of one programme differ in level for other reasons.
_SAME_GAIN_DB, _SAME_SIGNAL = 1.0, 0.97
#: Two captures contradict each other from this on, ms.
_CONTRADICT_MS = 0.2


#: What an output is sent of a programme re the reference: sign, delay in ms (later positive), gain in dB.
Sent = tuple[float, float, float]
EQUAL: Sent = (1.0, 0.0, 0.0)


@dataclass(frozen=True)
class FeedRelation:
    """What `output`'s feed is to `other`'s: sign, delay later positive, gain; and how well that is known.

    sign, delay_ms, delay_std_ms : NaN where they share programme and no one delay tells how they differ
    gain_db : NaN where it differs from band to band, as between two mixes
    """

    capture: str
    output: str
    other: str
    sign: float
    delay_ms: float
    delay_std_ms: float
    gain_db: float

    @property
    def is_known(self) -> bool:
        """Whether one delay tells how the feeds differ."""
        return math.isfinite(self.delay_ms)

    @property
    def is_late(self) -> bool:
        """Whether the delay is not 0."""
        return abs(self.delay_ms) >= max(_UNEQUAL_MS, _UNEQUAL_SIGMAS * self.delay_std_ms)

    @property
    def is_louder(self) -> bool:
        """Whether the gain is not 0 dB."""
        return math.isfinite(self.gain_db) and abs(self.gain_db) >= _UNEQUAL_DB

    @property
    def is_unequal(self) -> bool:
        """Whether it changes a sum."""
        return self.sign < 0.0 or self.is_late or self.is_louder


def feed_relations(
    sound_check: SoundCheck, measured: Sequence[Measured], muted: Sequence[tuple[Capture, CrossSpectra]] = ()
) -> tuple[list[FeedRelation], list[Finding]]:
    """Relations of all feeds that share programme, and what contradicts them.

    Captures that agree about two feeds are averaged; of those that do not the newest counts.

    muted : sums over all feeds of captures that hold more of them than sounded (`muted_feeds.py`)
    """
    relations = {m.capture.name: _relations(sound_check, m.capture, m.cross, m.own_clocks) for m in measured if m.cross}
    for capture, cross in muted:
        found_here = _relations(sound_check, capture, cross, {})
        silent = [r for r in found_here if not {r.output, r.other} <= {*capture.playing}]
        relations.setdefault(capture.name, []).extend(silent)
    order = [capture.name for capture in sound_check.captures]
    found: dict[tuple[str, str], FeedRelation] = {}
    findings = []
    for name in sorted(relations, key=lambda name: order.index(name) if name in order else len(order)):
        for new in relations[name]:
            old = found.get((new.output, new.other))
            if old is None or not old.is_known:
                found[new.output, new.other] = new
            elif new.is_known and _contradict(old, new):
                findings.append(_contradiction(old, new))
                found[new.output, new.other] = new
            elif new.is_known:
                found[new.output, new.other] = _averaged(old, new)
    return list(found.values()), findings


def _relations(
    sound_check: SoundCheck, capture: Capture, cross: CrossSpectra, own_clocks: Mapping[tuple[str, str], OwnClock]
) -> list[FeedRelation]:
    """Relations of one capture's feeds, settings of feeds tapped after them taken out."""
    settings, feeds = tap_change(sound_check, capture), cross.feeds
    described = list(sound_check.outputs)  # their order, so that captures that name feeds in another one compare
    found = []
    for i, j in combinations(sorted(range(len(feeds)), key=lambda k: described.index(feeds[k])), 2):
        # on clocks of their own their offset was found from the sound and means nothing
        one, other = ([own_clocks.get((feeds[k], p)) for p in cross.positions] for k in (i, j))
        relation = relation_of(cross, i, j) if one == other else None
        if relation is None:
            continue
        (sign_i, delay_i), (sign_j, delay_j) = (settings.get(feeds[k], (1.0, 0.0)) for k in (i, j))
        delay_ms = relation.delay_ms - (delay_j - delay_i)
        found.append(replace(relation, sign=relation.sign * sign_i * sign_j, delay_ms=delay_ms))
    return found


def relation_of(cross: CrossSpectra, i: int, j: int) -> FeedRelation | None:
    """The relation of feed j to feed i of a capture, as tapped; None where they share too little programme.

    Both are taken as read for the microphone, of those with most frames, for which they were read closest together,
    and that is taken out.
    """
    apart_s, averages = cross.shift_s[i] - cross.shift_s[j], cross.n_effective
    p = int(np.argmin(np.where(averages >= 0.5 * averages.max(), np.abs(apart_s), np.inf)))
    f = line_hz(int(np.searchsorted(line_hz(cross.gxx.shape[-1]), _HIGH_HZ, side="right")))
    gxx = cross.gxx[p, ..., : len(f)]
    own, other = gxx[i, i].real, gxx[j, j].real
    coherence = np.minimum(np.abs(gxx[i, j]) ** 2 / np.maximum(own * other, 1e-300), 1.0)
    is_shared = (coherence > _SHARED_COHERENCE) & _is_carried(f, own) & _is_carried(f, other)
    line_octaves = (f[1] - f[0]) / np.maximum(f, f[1]) / math.log(2.0)
    octaves = float(line_octaves[is_shared].sum())
    if octaves < _FEWEST_OCTAVES or averages[p] < _FEWEST_AVERAGES:
        return None
    weight = np.where(is_shared, np.minimum(coherence / np.maximum(1.0 - coherence, 1e-9), _LARGEST_WEIGHT), 0.0)
    phase = gxx[i, j] / np.maximum(np.abs(gxx[i, j]), 1e-300) * np.exp(-2j * np.pi * f * apart_s[p])
    fit = fit_delay(weight * phase)
    consistency = abs(fit.likeness) / weight.sum()
    unknown = FeedRelation(cross.capture, cross.feeds[j], cross.feeds[i], math.nan, math.nan, math.nan, math.nan)
    sign = math.copysign(1.0, fit.likeness)
    askew_deg = _most_askew_deg(f, weight * phase * rotation(f, sign, -1000.0 * fit.delay_s), own, other)
    if consistency < _LEAST_CONSISTENT or fit.runner_up > _MOST_RUNNER_UP * abs(fit.likeness):
        return unknown
    if askew_deg > _MOST_ASKEW_DEG:
        return unknown
    expected = (1.0 - coherence) / (2.0 * averages[p] * np.maximum(coherence, 1e-9))
    scatter = 2.0 * (1.0 - consistency)  # of a phase, for 1 - cos(x) = x^2 / 2
    return replace(
        unknown,
        sign=sign,
        delay_ms=1000.0 * fit.delay_s,
        delay_std_ms=1000.0 * _delay_std_s(f, weight, scatter, float(weight @ expected / weight.sum()), octaves),
        gain_db=_gain_db(f, own, other, is_shared) if np.median(coherence[is_shared]) > _SAME_SIGNAL else math.nan,
    )


def _is_carried(f: NDArray[np.float64], power: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Lines on which a feed is not faint."""
    power = np.where(f >= _LOW_HZ, power, 0.0)
    return np.asarray(power > power.max() * 10.0 ** (_FAINTEST_DB / 10.0))


def _delay_std_s(
    f: NDArray[np.float64], weight: NDArray[np.float64], scatter: float, expected: float, octaves: float
) -> float:
    """Standard error of the delay: the phases' variance about the fit, over what a delay turns them by.

    scatter, expected : variance found, and the one that the coherence allows, which differs from line to line; what
    is beyond it a filter turns, alike over an octave
    """
    steepness = float((weight * (2.0 * np.pi * f) ** 2).sum())
    squared = float((weight**2 * (2.0 * np.pi * f) ** 2).sum())
    by_noise = scatter * _LINES_PER_INDEPENDENT * squared / steepness**2
    by_filter = max(0.0, scatter - _FILTER_RATIO * expected) * float(weight.sum()) / steepness / octaves
    return math.sqrt(by_noise + by_filter)


def _gain_db(
    f: NDArray[np.float64], own: NDArray[np.float64], other: NDArray[np.float64], is_shared: NDArray[np.bool_]
) -> float:
    """Level of the other feed re the own where they share programme, NaN where octaves differ."""
    levels = [_level_db(own, other, at) for at in _octaves(f, is_shared)]
    return float(np.mean(levels)) if levels and np.ptp(levels) <= 2.0 * _SAME_GAIN_DB else math.nan


def _most_askew_deg(
    f: NDArray[np.float64], left: NDArray[np.complex128], own: NDArray[np.float64], other: NDArray[np.float64]
) -> float:
    """The largest mean phase of an octave that the fit leaves; `left` are the weighted phases less the fit."""
    octaves = _octaves(f, left != 0.0)
    levels = np.array([_level_db(own, other, at) for at in octaves])
    phases = np.array([np.degrees(np.abs(np.angle(left[at].sum()))) for at in octaves])
    is_heard = np.abs(levels - np.median(levels)) <= _FADED_DB if len(levels) else np.zeros(0, dtype=bool)
    return float(phases[is_heard].max(initial=0.0))


def _octaves(f: NDArray[np.float64], is_shared: NDArray[np.bool_]) -> list[NDArray[np.bool_]]:
    """The shared lines of every octave that holds enough of them."""
    octave = np.floor(np.log2(np.maximum(f, f[1]) / _LOW_HZ))
    lines = [is_shared & (octave == k) for k in np.unique(octave[is_shared])]
    return [at for at in lines if np.count_nonzero(at) >= _FEWEST_LINES]


def _level_db(own: NDArray[np.float64], other: NDArray[np.float64], at: NDArray[np.bool_]) -> float:
    """Level of the other feed re the own on some lines."""
    return float(energy_db(other[at].sum() / max(own[at].sum(), 1e-300)))


def _contradict(old: FeedRelation, new: FeedRelation) -> bool:
    off_ms = abs(old.delay_ms - new.delay_ms)
    error_ms = _UNEQUAL_SIGMAS * math.hypot(old.delay_std_ms, new.delay_std_ms)
    return old.sign != new.sign or off_ms > max(_CONTRADICT_MS, error_ms)


def _averaged(old: FeedRelation, new: FeedRelation) -> FeedRelation:
    """Two captures' relations that agree, by inverse variance; the gain is the newest that is known."""
    weights = np.array([1.0 / max(r.delay_std_ms, 1e-6) ** 2 for r in (old, new)])
    delay_ms = float(weights @ [old.delay_ms, new.delay_ms] / weights.sum())
    gain_db = new.gain_db if math.isfinite(new.gain_db) else old.gain_db
    return replace(new, delay_ms=delay_ms, delay_std_ms=float(weights.sum() ** -0.5), gain_db=gain_db)


def sent_relative(relations: Sequence[FeedRelation], outputs: Sequence[str], reference: str) -> dict[str, Sent]:
    """Per output (sign, delay_ms, gain_db) of its feed re the reference's, where that is known and not equal.

    Feeds that no chain of relations leads to from the reference are set against the first of their own kind.
    """
    found: dict[str, Sent] = {}
    for root in dict.fromkeys([reference, *outputs]):
        if root not in found:
            found |= _reached(relations, root)
    return {name: sent for name, sent in found.items() if sent != EQUAL}


def compared(relations: Sequence[FeedRelation], reference: str) -> frozenset[str]:
    """The outputs whose feed is known re the reference's, itself among them."""
    return frozenset(_reached(relations, reference))


def _reached(relations: Sequence[FeedRelation], root: str) -> dict[str, Sent]:
    """What every output is sent, to which a chain of known relations leads from the root."""
    found, waiting = {root: EQUAL}, [root]
    while waiting:
        start = waiting.pop(0)
        for relation in (r for r in relations if r.is_known and start in (r.output, r.other)):
            forward = relation.other == start
            end = relation.output if forward else relation.other
            if end not in found:
                found[end] = _chained(found[start], relation, 1.0 if forward else -1.0)
                waiting.append(end)
    return found


def _chained(start: Sent, relation: FeedRelation, way: float) -> Sent:
    """One relation after another; what is not plainly unequal counts as equal."""
    sign, delay_ms, gain_db = start
    delay_ms += way * relation.delay_ms if relation.is_late else 0.0
    gain_db += way * relation.gain_db if relation.is_louder else 0.0
    return sign * relation.sign, delay_ms, gain_db


def as_sent(responses: Responses, sent: Mapping[str, Sent]) -> Responses:
    """Responses to the common programme instead of each to its own feed."""
    if not sent:
        return responses
    out = changed(responses, {name: (sign, delay_ms) for name, (sign, delay_ms, _) in sent.items()})
    gain = np.array([db_to_amplitude(sent.get(name, EQUAL)[2]) for name in responses.outputs])
    gain = gain.astype(np.float32)
    return replace(
        out,
        h=out.h * gain[:, None, None],
        variance=out.variance * gain[:, None, None] ** 2,
        replicates=out.replicates * gain[None, :, None, None],
    )


def unequal_pairs(relations: Sequence[FeedRelation], groups: Mapping[str, Sequence[str]]) -> list[FeedRelation]:
    """Relations that change sums, one for every two groups of outputs."""
    pairs: dict[frozenset[tuple[str, ...]], FeedRelation] = {}
    for relation in relations:
        if relation.is_unequal:
            pairs.setdefault(frozenset(tuple(groups[name]) for name in (relation.output, relation.other)), relation)
    return list(pairs.values())


def unknown_pairs(relations: Sequence[FeedRelation], groups: Mapping[str, Sequence[str]]) -> list[FeedRelation]:
    """Relations that are not known, one for every two groups between which none is."""
    pairs: dict[frozenset[tuple[str, ...]], FeedRelation] = {}
    for relation in sorted(relations, key=lambda r: not r.is_known):
        pairs.setdefault(frozenset(tuple(groups[name]) for name in (relation.output, relation.other)), relation)
    return [relation for relation in pairs.values() if not relation.is_known]


def relation_findings(relations: Sequence[FeedRelation], groups: Mapping[str, Sequence[str]]) -> list[Finding]:
    """A warning for every two groups that are sent the same programme unequally, or nobody knows how."""
    findings = [_unknown(relation) for relation in unknown_pairs(relations, groups)]
    for relation in unequal_pairs(relations, groups):
        detail = (
            f"{relation.output} is sent the same programme as {relation.other}, but {relation_words(relation)}: "
            "another bus, an insert, a crossover or a switch on the way. Sums and settings allow for it as it was in "
            "this capture; set them anew when the patch changes."
        )
        value, unit = (relation.delay_ms, "ms") if relation.is_late else (relation.gain_db, "dB")
        if relation.sign < 0.0 and not relation.is_late:
            value, unit = 180.0, "deg"
        findings.append(
            Finding("unequal feeds", "warning", detail, relation.capture, relation.output, value=value, unit=unit)
        )
    return findings


def relation_words(relation: FeedRelation) -> str:
    """`3.00 ms later and of the other polarity`."""
    parts = []
    if relation.is_late:
        when = "later" if relation.delay_ms > 0.0 else "earlier"
        parts.append(f"{abs(relation.delay_ms):.2f} ms {when}")
    if relation.sign < 0.0:
        parts.append("of the other polarity")
    if relation.is_louder:
        parts.append(f"{abs(relation.gain_db):.1f} dB {'louder' if relation.gain_db > 0.0 else 'softer'}")
    return " and ".join(parts)


def _unknown(relation: FeedRelation) -> Finding:
    detail = (
        f"{relation.output} and {relation.other} are sent the same programme, but no one delay tells how their feeds "
        "differ: a crossover or equaliser before the tap, or a programme of too few notes. Sums take the feeds as "
        "equal, which may be far off. Record both feeds before the crossover, with noise or music through both outputs."
    )
    return Finding("feed relation not known", "warning", detail, relation.capture, relation.output)


def _contradiction(old: FeedRelation, new: FeedRelation) -> Finding:
    detail = (
        f"How the feeds of {new.output} and {new.other} relate differs between {old.capture!r} and {new.capture!r}; "
        "the newest counts. Was an insert, a bus delay or a polarity switch changed in between?"
    )
    return Finding("feed relation changed", "warning", detail, new.capture, new.output, value=new.delay_ms, unit="ms")
