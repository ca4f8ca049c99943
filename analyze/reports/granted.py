"""What a recommendation takes for granted, and what speaks for it: settings, taps, places, feeds, distances by hand."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import TYPE_CHECKING

from analyze.reports.selections import own_clocks
from analyze.reports.summaries import first_few, listed, number, plural
from analyze.reports.timed_arrivals import latencies_ms

if TYPE_CHECKING:
    from analyze.description import SoundCheck
    from analyze.pipeline import Analysis

_FEW_NAMES = 3
# Distances that are told one by one.
_MOST_WAYS = 3
# Latencies of outputs no further apart are alike: what a tape is allowed, 0.5 m either way.
_ALIKE_MS = 3.0


def granted_words(analysis: Analysis) -> str:
    """What sums take for granted, and whether distances by hand bear it out."""
    return " ".join(filter(None, (_feeds_words(analysis), _clock_words(analysis), tape_words(analysis))))


def _clock_words(analysis: Analysis) -> str:
    """That a recorder of its own may have lost samples where nothing sounded; empty where it does not matter."""
    captures = analysis.sound_check.captures
    if not any(one.unsynced and len(one.feeds) > 1 for one in captures):
        return ""
    return "Recorders on a clock of their own are taken to have lost no samples between two outputs."


def tape_words(analysis: Analysis) -> str:
    """How many distances by hand arrivals agree with, and how many they could not be held against; empty without any.

    A distance and an arrival leave a latency. The only distance of an output whose latency is not given agrees with
    nearly every arrival: it counts where all leave about the same.
    """
    check, latency_ms = analysis.sound_check, latencies_ms(analysis)
    off = _contradicted(analysis, latency_ms)
    spread_ms = max(latency_ms.values()) - min(latency_ms.values()) if latency_ms else math.inf
    is_alike = len(latency_ms) > 1 and spread_ms <= _ALIKE_MS
    agreeing = [
        pair for pair in latency_ms if pair not in off and (is_alike or _is_told(analysis, pair[0], latency_ms))
    ]
    said = []
    if agreeing:
        verb = "agrees" if len(agreeing) == 1 else "agree"
        span = " to ".join(dict.fromkeys(number(ms) for ms in (min(latency_ms.values()), max(latency_ms.values()))))
        left = f" (which leaves {span} ms for the latency)" if is_alike and not off else ""
        whose = listed(list(dict.fromkeys(output for output, _ in agreeing)))
        said.append(
            f"{plural(len(agreeing), 'distance')} by hand, from {whose}, {verb} with arrivals{left}: that speaks for "
            "the delays and microphones concerned, as described."
        )
    own = {position for _, position in own_clocks(analysis)}
    every = [(output, p.name, m) for p in check.positions.values() for output, m in p.distance_m.items()]
    lacking = [one for one in every if one[0] in check.outputs and one[:2] not in latency_ms]
    for is_own, why in ((True, "is on a clock of its own"), (False, "is not known")):
        ways = [f"{m:g} m from {output} to {place}" for output, place, m in lacking if (place in own) is is_own]
        if ways:
            said.append(f"Not held against an arrival, which {why}: {first_few(ways, _MOST_WAYS)} by hand.")
    return " ".join(said)


def _contradicted(analysis: Analysis, taped: Collection[tuple[str, str]]) -> set[tuple[str, str]]:
    """Of some (output, position) those whose distance a finding contradicts."""
    found = [one for one in analysis.findings if one.finding == "distance contradicted"]
    return {
        (output, position)
        for output, position in taped
        if any(one.track == position and one.detail.startswith(f"{output} is ") for one in found)
    }


def _is_told(analysis: Analysis, output: str, latency_ms: Collection[tuple[str, str]]) -> bool:
    """Whether the latency of an output is given, or follows from several distances."""
    is_given = math.isfinite(analysis.sound_check.outputs[output].latency_ms)
    return is_given or sum(output == other for other, _ in latency_ms) > 1


def _feeds_words(analysis: Analysis) -> str:
    """What sums take for granted: the settings in force, and what is sent to the outputs of one programme."""
    from analyze.responses.feed_relations import compared, relation_words, unequal_pairs, unknown_pairs

    relations, check = analysis.feed_relations, analysis.sound_check
    heard = list(dict.fromkeys(row.output for row in analysis.arrivals if math.isfinite(row.level_db)))
    if len(heard) < 2:
        return ""
    if not relations:
        return (
            f"Taken for granted where no finding says otherwise: settings{_unwritten(check)}, taps of feeds and places "
            "of microphones as described, and all outputs sent the same programme, at the levels of the recordings."
        )
    groups = {name: check.group_of(name) for name in check.outputs}
    unequal, unknown = unequal_pairs(relations, groups), unknown_pairs(relations, groups)
    parts = []
    if unequal:
        words = "; ".join(f"{r.output} re {r.other} {relation_words(r)}" for r in unequal)
        parts.append(f"Feeds held the same programme unequally, and sums allow for it: {words}.")
    if unknown:
        words = "; ".join(f"{r.output} re {r.other}" for r in unknown)
        parts.append(
            f"No one delay tells how these feeds of one programme differ, and sums take them as equal: {words}."
        )
    pairs = plural(len(relations), "pair")
    parts = parts or [f"What the feeds have in common they carry at the same time and level ({pairs} compared)."]
    named = {name for r in unknown for name in (*groups[r.output], *groups[r.other])}
    alone = [name for name in heard if name not in compared(relations, check.reference) and name not in named]
    if alone:
        parts.append(
            f"No capture compares these feeds with {check.reference}'s, and equal ones are assumed: {', '.join(alone)}."
        )
    parts.append(
        f"The settings in force{_unwritten(check)} and the places of microphones are taken from the description where "
        "no finding says otherwise."
    )
    return " ".join(parts)


def _unwritten(check: SoundCheck) -> str:
    """Of which outputs the description says no delay, in brackets."""
    names = [name for name, output in check.outputs.items() if "delay_ms" in output.unwritten]
    whose = listed(names) if 0 < len(names) <= _FEW_NAMES else plural(len(names), "output")
    return f" (no delay_ms stands there for {whose}, so 0 ms counts)" if names else ""
