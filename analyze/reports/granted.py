"""What a recommendation takes for granted, and what speaks for it: settings, taps, places, feeds, distances by hand."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import TYPE_CHECKING

from analyze.acoustics import speed_of_sound_simple
from analyze.reports.page_distances import timed_arrivals_ms
from analyze.reports.summaries import listed, number, plural

if TYPE_CHECKING:
    from analyze.description import SoundCheck
    from analyze.pipeline import Analysis

_FEW_NAMES = 3
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
    positions = analysis.sound_check.positions.values()
    every = [(output, p.name) for p in positions for output in p.distance_m if output in analysis.sound_check.outputs]
    latency_ms = _latencies_ms(analysis)
    n_off = sum(one.finding == "distance contradicted" for one in analysis.findings)
    spread_ms = max(latency_ms.values()) - min(latency_ms.values()) if latency_ms else math.inf
    is_alike = len(latency_ms) > 1 and spread_ms <= _ALIKE_MS
    n_agree = sum(is_alike or _is_told(analysis, output, latency_ms) for output, _ in latency_ms) - n_off
    said = []
    if n_agree > 0:
        verb = "agrees" if n_agree == 1 else "agree"
        span = " to ".join(dict.fromkeys(number(ms) for ms in (min(latency_ms.values()), max(latency_ms.values()))))
        left = f" (which leaves {span} ms for the latency)" if is_alike and not n_off else ""
        said.append(
            f"{plural(n_agree, 'distance')} by hand {verb} with arrivals{left}: that speaks for delays and microphones "
            "as described."
        )
    if lacking := [position for output, position in every if (output, position) not in latency_ms]:
        said.append(
            f"{plural(len(lacking), 'distance')} by hand, at {listed(list(dict.fromkeys(lacking)))}, could not be held "
            "against an arrival: none is known there, or it is on a clock of its own."
        )
    return " ".join(said)


def _latencies_ms(analysis: Analysis) -> dict[tuple[str, str], float]:
    """What setting and flight leave of an arrival, per (output, position) whose distance was taken by hand."""
    check = analysis.sound_check
    speed_m_ms = speed_of_sound_simple(check.temperature_c) / 1000.0
    return {
        (output, position): ms - check.outputs[output].setting.delay_ms - distance_m / speed_m_ms
        for (output, position), ms in timed_arrivals_ms(analysis).items()
        if math.isfinite(distance_m := check.positions[position].distance_m.get(output, math.nan))
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
    parts = parts or [f"Feeds that held the same programme held it alike (pairs compared: {len(relations)})."]
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
