"""The wiring of every output: one fact, however many microphones and captures heard it.

Evidence of single positions is pooled under two kinds of sign, one per output and one per microphone chain: an
inverted microphone turns every output it hears. A microphone chain is presumed normal unless the outputs speak
against it, which takes more than one output; with one position, or with every output turned at every position,
microphone and outputs cannot be told apart, and the reason says so.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from numpy.typing import NDArray

from analyze.findings import Finding
from analyze.responses.rows import Wiring

#: Log-odds, before anything is heard, that a microphone chain or an output is wired as declared.
MICROPHONE_PRIOR = 2.5
OUTPUT_PRIOR = 1.3
#: That twins are wired alike.
TWIN_PRIOR = 2.5
#: Below this probability of being wired opposite twins have shown that they are alike: by more than that prior.
_ALIKE = 0.02
#: Findings that others look for.
TWINS_OPPOSITE = "twins wired opposite"
CHAIN_INVERTED = "microphone chain inverted"
#: Evidence of one position counts no more than this: its room is one room.
_MOST_PER_POSITION = 6.0
#: Evidence to log-odds: positions of one hall are not quite independent, the model is not quite right.
_TEMPER = 0.7
#: The same for a row by itself, up to this probability.
_WEAK_TEMPER, _MOST_WEAK = 1.5, 0.94
#: Below this a sign is `undecided`.
DECIDED = 0.8
#: No more than this is claimed.
MOST = 0.995
#: More microphones than this are settled one by one instead of all together.
_MOST_TOGETHER = 10


@dataclass(frozen=True)
class Signs:
    """Signs found.

    output_sign : per output +1, -1, or 0 where undecided; confidence : per output of the likelier sign
    likelier : per output +1 or -1
    microphone_sign : per position +1 or -1; microphone_confidence : of it
    opposite : per pair of twins that were held against each other, the probability that they are wired opposite
    """

    output_sign: Mapping[str, int]
    likelier: Mapping[str, int]
    confidence: Mapping[str, float]
    microphone_sign: Mapping[str, int]
    microphone_confidence: Mapping[str, float]
    opposite: Mapping[tuple[str, str], float] = field(default_factory=dict)


def solve_signs(
    evidence: Mapping[tuple[str, str], float],
    twins: Mapping[tuple[str, str], Mapping[str, float]] | None = None,
) -> Signs:
    """Signs of outputs and microphone chains from the evidence of each (output, position), positive for `normal`.

    Settings and declared microphone polarities are taken out of the evidence before. Every combination of microphone
    signs is weighed, the outputs summed out of each; beyond ten microphones each is weighed with the others normal.

    twins : for pairs of outputs, per position the evidence that both are wired alike
    """
    outputs = list(dict.fromkeys(o for o, _ in evidence))
    positions = list(dict.fromkeys(p for _, p in evidence))
    table = np.zeros((len(outputs), len(positions)))
    for (o, p), value in evidence.items():
        table[outputs.index(o), positions.index(p)] = _limited(value)
    signs = _candidates(len(positions))  # (candidate, position)
    log_odds = signs @ table.T  # (candidate, output)
    pairs = {
        (outputs.index(one), outputs.index(other)): sum(map(_limited, alike.values()))
        for (one, other), alike in (twins or {}).items()
        if one in outputs and other in outputs
    }
    weighed = [_weighed(log_odds, cluster, pairs) for cluster in _clusters(len(outputs), pairs)]
    log_weight = sum(one.log_weight for one in weighed) - MICROPHONE_PRIOR * (signs < 0).sum(axis=1)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    normal = np.zeros(len(outputs))
    for one in weighed:
        normal[one.members] = weight @ one.normal
    opposite = {
        (outputs[a], outputs[b]): float(weight @ probability)
        for one in weighed
        for (a, b), probability in one.opposite.items()
    }
    mic_normal = weight @ (signs > 0)
    confidence = np.minimum(np.maximum(normal, 1.0 - normal), MOST)
    likelier = np.where(normal >= 0.5, 1, -1)
    decided = confidence >= DECIDED
    return Signs(
        dict(zip(outputs, (likelier * decided).tolist(), strict=True)),
        dict(zip(outputs, likelier.tolist(), strict=True)),
        dict(zip(outputs, confidence.tolist(), strict=True)),
        dict(zip(positions, np.where(mic_normal >= 0.5, 1, -1).tolist(), strict=True)),
        dict(zip(positions, np.minimum(np.maximum(mic_normal, 1.0 - mic_normal), MOST).tolist(), strict=True)),
        opposite,
    )


def _limited(evidence: float) -> float:
    """Evidence of one position as it counts among others."""
    return float(np.clip(_TEMPER * evidence, -_MOST_PER_POSITION, _MOST_PER_POSITION))


@dataclass(frozen=True)
class _Weighed:
    """Outputs that hang together, weighed under every combination of microphone signs.

    members : numbers of the outputs; log_weight (candidate,); normal (candidate, member) probability
    opposite : pair of outputs -> (candidate,) probability that they are wired opposite
    """

    members: list[int]
    log_weight: NDArray[np.float64]
    normal: NDArray[np.float64]
    opposite: dict[tuple[int, int], NDArray[np.float64]]


def _clusters(n_outputs: int, pairs: Collection[tuple[int, int]]) -> list[list[int]]:
    """The outputs, those that pairs join together."""
    cluster = list(range(n_outputs))
    for one, other in pairs:
        cluster = [cluster[one] if own == cluster[other] else own for own in cluster]
    return [[o for o in range(n_outputs) if cluster[o] == own] for own in dict.fromkeys(cluster)]


def _weighed(log_odds: NDArray[np.float64], members: list[int], pairs: Mapping[tuple[int, int], float]) -> _Weighed:
    """Every combination of the signs of some outputs weighed; log_odds (candidate, output) by themselves.

    pairs : log-odds that two are wired alike. Beforehand that is as sure as that a microphone is wired as declared.
    """
    signs = np.array(list(product((1.0, -1.0), repeat=len(members))))  # (combination, member)
    odd_ones = np.minimum((signs > 0).sum(axis=1), (signs < 0).sum(axis=1))
    log_weight = log_odds[:, members] @ signs.T / 2 + OUTPUT_PRIOR / 2 * signs.mean(axis=1) - TWIN_PRIOR * odd_ones
    is_opposite = {
        (one, other): signs[:, members.index(one)] != signs[:, members.index(other)]
        for one, other in pairs
        if one in members
    }
    for pair, opposite in is_opposite.items():
        log_weight += np.where(opposite, -0.5, 0.5) * pairs[pair]
    total = np.logaddexp.reduce(log_weight, axis=1)
    probability = np.exp(log_weight - total[:, np.newaxis])
    found = {pair: probability @ opposite for pair, opposite in is_opposite.items()}
    return _Weighed(members, total, probability @ (signs > 0), found)


def _candidates(n: int) -> NDArray[np.float64]:
    """Combinations of microphone signs, (candidate, position)."""
    if n <= _MOST_TOGETHER:
        return np.array(list(product((1.0, -1.0), repeat=n)))
    return np.vstack([np.ones(n), 1.0 - 2.0 * np.eye(n)])


def own_confidence(evidence: float) -> float:
    """Probability that the likelier sign of one row by itself is right.

    In the trials weak evidence was right far more often than its ratio says; that lifts it, but never to where a claim
    counts as sure: a single room may deceive.
    """
    limited = min(abs(_TEMPER * evidence), _MOST_PER_POSITION)
    weak = min(1.0 / (1.0 + float(np.exp(-min(_WEAK_TEMPER * abs(evidence), _MOST_PER_POSITION)))), _MOST_WEAK)
    return max(1.0 / (1.0 + float(np.exp(-limited))), weak)


def polarity_word(sign: int) -> str:
    """`normal`, `inverted`, or `undecided` for 0."""
    return {1: "normal", -1: "inverted", 0: "undecided"}[sign]


def wiring_rows(
    evidence: Mapping[tuple[str, str], float],
    signs: Signs,
    declared: Mapping[str, str],
    set_inverted: Collection[str] = (),
    tapped_after: Collection[str] = (),
) -> tuple[list[Wiring], list[Finding]]:
    """Rows of `wiring.csv` and the findings on wiring: outputs and microphone chains found inverted, unlike twins.

    declared : polarity of each microphone chain as described, empty where it is not
    set_inverted : outputs described as set inverted, which their feeds do not show
    tapped_after : outputs whose feeds are described as recorded behind their settings
    """
    rows, findings = [], []
    inverted = _inverted_positions(signs)
    for output, sign in signs.output_sign.items():
        heard = [(p, v) for (o, p), v in evidence.items() if o == output and v != 0]
        own = [np.sign(v) * (-1 if p in inverted else 1) for p, v in heard]
        agreeing = sum(1 for s in own if s == signs.likelier[output])
        n_turned = sum(p in inverted for p, _ in heard)
        reason = _reason(sign, signs.likelier[output], len(own), agreeing, n_turned)
        reason += _beside_twins(output, signs, is_told=agreeing > 1)
        rows.append(Wiring(output, polarity_word(sign), signs.confidence[output], len(own), agreeing, reason))
        if sign < 0:
            of_setting = output in set_inverted, output in tapped_after
            findings.append(_inverted_output(output, signs.confidence[output], len(own), *of_setting))
    for pair in opposite_twins(signs):
        is_made_up = len({*pair} & {*set_inverted}) == 1
        findings += _opposite_twins(pair, signs.opposite[pair], is_made_up)
    for position in inverted:
        confidence = signs.microphone_confidence[position]
        findings.append(_inverted_microphone(position, confidence, declared.get(position, "")))
    return rows, findings


def opposite_twins(signs: Signs) -> list[tuple[str, str]]:
    """Twins that are wired opposite to each other, which of them is inverted being unknown."""
    pairs = [pair for pair, probability in signs.opposite.items() if probability >= DECIDED]
    return [pair for pair in pairs if not all(signs.output_sign[name] for name in pair)]


def _inverted_positions(signs: Signs) -> list[str]:
    """Positions whose microphone chain is surely inverted."""
    sure = signs.microphone_confidence
    return [p for p, sign in signs.microphone_sign.items() if sign < 0 and sure[p] >= DECIDED]


def _reason(sign: int, likelier: int, n: int, agreeing: int, n_turned: int) -> str:
    word = polarity_word(sign or likelier)
    heard = f"{agreeing} of {n} positions agree"
    heard += f", {n_turned} of them with a microphone that is taken for inverted" if n_turned else ""
    if n == 0 and sign:
        return f"Reads {word}, though no position tells by itself."
    if n == 0:
        return (
            "Its sign cannot be told at any position, and the confidence is what is presumed of any output: record it "
            "alone or, if it was, louder, with one more microphone close to it."
        )
    if sign == 0:
        return f"Likelier {word}, but {heard}: recording it with one more microphone, close to it, would settle it."
    if n == 1:
        return f"Reads {word} at the only position that tells; an inverted microphone chain would read the same."
    return f"First arrival reads {word}: {heard}."


def _beside_twins(output: str, signs: Signs, *, is_told: bool) -> str:
    """What its twins say of an output: that they are unlike, and that they are alike if it is not told by itself."""
    pairs = {pair: probability for pair, probability in signs.opposite.items() if output in pair}
    others = {(a if b == output else b): probability for (a, b), probability in pairs.items()}
    unlike = [name for name, probability in others.items() if probability >= DECIDED]
    alike = [name for name, probability in others.items() if probability <= _ALIKE and not is_told]
    said = [("opposite to", unlike), ("like", alike)]
    return "".join(f" It is wired {how} {', '.join(names)}, beside which it was heard." for how, names in said if names)


def _opposite_twins(pair: tuple[str, str], probability: float, is_made_up: bool) -> list[Finding]:
    """A finding for either of two, for it may be the one; made up for where one of them alone is set inverted."""
    one, other = pair
    heard, then = "sound turned over against each other", "as recorded they cancel where both are equally far"
    if is_made_up:
        heard, then = "sound alike, though one of them is described as set inverted", "they add as they are set"
    detail = (
        f"{one} and {other} {heard}, and which of them is wired inverted cannot be told. Look at the processor first: "
        "if one of them was set otherwise than described, correct that. Else check cable, connector, amplifier and the "
        f"leads inside both boxes; {then}."
    )
    return [
        Finding(TWINS_OPPOSITE, "warning", detail, track=name, value=probability, unit="confidence") for name in pair
    ]


def _inverted_output(
    output: str, confidence: float, n_positions: int, is_set_inverted: bool, is_tapped_after: bool
) -> Finding:
    doubt = " Only one position tells: an inverted microphone chain would look the same: check it first." * (
        n_positions == 1
    )
    if is_set_inverted:
        detail = (
            f"{output} is described as set inverted, and sounds normal. Look at the processor first: if it was not "
            "inverted while this was recorded, correct the description; what is recommended stays the same. If it was, "
            "the wiring is inverted and the setting makes up for it: check cable, connector, amplifier and the box's "
            f"own leads.{doubt}"
        )
    else:
        instead = (
            "If its feed was recorded ahead of the processor, or came in upside down, correct that instead."
            if is_tapped_after
            else "If its processor was set inverted, and the description does not say so, correct that instead."
        )
        detail = (
            f"{output} is wired inverted: its lowest driver answers a positive feed with negative pressure. Check "
            "cable, connector, amplifier and the box's own leads; the polarity switch would only cover it up. "
            f"{instead}{doubt}"
        )
    return Finding("output wired inverted", "warning", detail, track=output, value=confidence, unit="confidence")


def _inverted_microphone(position: str, confidence: float, declared: str) -> Finding:
    mend = 'Check cable and preamplifier, or declare polarity = "inverted" for this position.'
    if declared == "normal":
        mend = "It is described as normal: check cable and preamplifier, or correct the description."
    if declared == "inverted":
        mend = "It is declared inverted, and reads as if it were not: take the declaration out."
    detail = (
        f"At {position} the outputs read opposite to what they read elsewhere: the microphone chain there is inverted. "
        f"This is taken into account. {mend}"
    )
    return Finding(CHAIN_INVERTED, "warning", detail, track=position, value=confidence, unit="confidence")


def all_inverted(signs: Signs) -> list[Finding]:
    """A finding where every output reads inverted: then the microphones are the likelier cause.

    Not where some cannot be told: a group that is judged as one is one fact, and may be all that is known.
    """
    decided = [s for s in signs.output_sign.values() if s != 0]
    if len(decided) < 2 or max(decided) > 0 or max(signs.likelier.values()) > 0:
        return []
    detail = (
        "Every output reads inverted. The microphone chains, their declared polarity or the recorder's inputs are the "
        "likelier cause: check them before any loudspeaker cable."
    )
    return [Finding("every output reads inverted", "warning", detail, value=float(len(decided)), unit="outputs")]


def disagreeing(evidence: Mapping[tuple[str, str], float], signs: Signs) -> Sequence[Finding]:
    """A finding for every output whose positions plainly contradict one another: never averaged away."""
    findings = []
    inverted = _inverted_positions(signs)
    for output in signs.output_sign:
        own = {p: (-v if p in inverted else v) for (o, p), v in evidence.items() if o == output}
        plus = [p for p, v in own.items() if _TEMPER * v > 3.0]
        minus = [p for p, v in own.items() if _TEMPER * v < -3.0]
        if plus and minus:
            detail = (
                f"{output} reads normal at {', '.join(plus)} and inverted at {', '.join(minus)}: an open-backed box "
                "does so behind it, else a reflection is stronger than the direct sound. Trust the closer position."
            )
            findings.append(Finding("positions disagree on polarity", "warning", detail, track=output))
    return findings
