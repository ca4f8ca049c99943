"""Captures taken together: joined where they tell more, compared where one is the other with an output flipped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from analyze.description import Capture, SoundCheck
from analyze.findings import Finding
from analyze.responses.arrival_table import responses_at_present
from analyze.responses.capture import Measured, combined, measured_from, present_change, tap_change
from analyze.responses.flips import find_flips, flip_bands
from analyze.responses.joint import joined
from analyze.responses.rows import FlipBand
from analyze.responses.transfer import changed, merged, rotation
from analyze.responses.wiring import Signs
from analyze.responses.without_feed import Unfed
from analyze.spectra.cross_spectra import CrossSpectra


def joined_captures(
    sound_check: SoundCheck, measured: Sequence[Measured], rng: np.random.Generator
) -> tuple[list[Measured], list[Finding]]:
    """The captures, those that cannot tell their outputs apart joined where together they can tell more."""
    families: dict[tuple[object, ...], list[Measured]] = {}
    for m in measured:
        if m.cross is not None and not m.own_clocks and any(s.is_untold and not s.unfed for s in m.separations):
            key = (m.cross.positions, m.cross.sample_rate_hz, m.capture.temperature_c)
            families.setdefault(key, []).append(m)
    result, findings = list(measured), []
    for family in families.values():
        if len(family) < 2:
            continue
        whole = _joined(sound_check, family, rng)
        before = len({s.output for m in family for s in m.separations if s.is_untold})
        if sum(s.is_untold for s in whole.separations) >= before:
            continue
        result = [whole if m is family[0] else m for m in result if m is family[0] or m not in family]
        names = ", ".join(repr(m.capture.name) for m in family)
        detail = f"{names} are analysed together: none of them alone tells its outputs apart."
        findings.append(Finding("captures joined", "note", detail, whole.capture.name))
    return result, findings


def _joined(sound_check: SoundCheck, family: Sequence[Measured], rng: np.random.Generator) -> Measured:
    """Several captures of the same microphones as one, at present settings."""
    crosses = [(m.capture, m.cross) for m in family if m.cross is not None]
    feeds = tuple(dict.fromkeys(name for _, cross in crosses for name in cross.feeds))
    parts = []
    for capture, cross in crosses:
        to_present = present_change(sound_check, capture)
        before = {n: c for n, c in to_present.items() if sound_check.outputs[n].feed_tap == "before"}
        parts.append((cross, before))
    name = " + ".join(capture.name for capture, _ in crosses)
    settings = {n: sound_check.outputs[n].setting for n in feeds}
    capture = replace(crosses[0][0], name=name, playing=feeds, settings=settings)
    return measured_from(sound_check, capture, joined(parts, name, feeds), rng, ())


def in_step(measured: Sequence[Measured]) -> list[Measured]:
    """The captures, those whose player and recorder were started in step with what was found for each put back.

    Then all of them share one offset, that of the first.
    """
    first: dict[str, float] = {}
    result = []
    for m in measured:
        later_s = {}
        for key, clock in m.own_clocks.items():
            if m.capture.same_start:
                later_s[key] = clock.offset_s - first.setdefault(clock.shares, clock.offset_s)
        result.append(_later(m, later_s))
    return result


def _later(m: Measured, later_s: Mapping[tuple[str, str], float]) -> Measured:
    """A capture with some responses arriving later by so much, per (output, position)."""
    if not any(later_s.values()):
        return m
    responses = m.responses
    h, replicates = responses.h.copy(), responses.replicates.copy()
    for (output, position), delay_s in later_s.items():
        i, p = responses.outputs.index(output), responses.positions.index(position)
        turn = rotation(responses.frequency_hz, 1.0, 1000.0 * delay_s)
        h[i, p] *= turn
        replicates[:, i, p] *= turn[: replicates.shape[-1]]
    evidence = tuple(e.later(later_s.get((e.output, e.position), 0.0)) for e in m.evidence)
    return replace(m, responses=replace(responses, h=h, replicates=replicates), evidence=evidence)


def comparable(measured: Sequence[Measured]) -> tuple[list[Measured], list[Finding]]:
    """At every position only responses whose arrivals compare: those on one clock, else those that share an offset.

    Where a recorder on its own clock heard outputs in captures of their own, those of the capture with most of them
    stay; a finding names what is left out.
    """
    heard: dict[str, dict[str, set[str]]] = {}  # position -> what is shared -> outputs
    for m in measured:
        for output, position in _heard(m):
            heard.setdefault(position, {}).setdefault(_shares(m, output, position), set()).add(output)
    kept = {p: "" if "" in by else max(by, key=lambda shares: len(by[shares])) for p, by in heard.items()}
    result, left_out = [], dict[str, list[str]]()
    for m in measured:
        dropped = [(o, p) for o, p in _heard(m) if _shares(m, o, p) != kept[p]]
        for output, position in dropped:
            if output not in heard[position][kept[position]]:
                left_out.setdefault(position, []).append(output)
        result.append(_without(m, dropped))
    return result, [_left_out(position, outputs) for position, outputs in left_out.items()]


def _heard(m: Measured) -> list[tuple[str, str]]:
    """Outputs and positions that a capture measured."""
    r = m.responses
    return [(o, p) for o in r.outputs for p in r.positions if r.has(o, p)]


def _shares(m: Measured, output: str, position: str) -> str:
    """What the pair shares its offset with, empty where it has none."""
    clock = m.own_clocks.get((output, position))
    return "" if clock is None else clock.shares


def _without(m: Measured, dropped: Sequence[tuple[str, str]]) -> Measured:
    """A capture without some outputs at some positions."""
    if not dropped:
        return m
    r = m.responses
    arrays = {name: getattr(r, name).copy() for name in ("h", "variance", "coherence", "share", "averages")}
    replicates = r.replicates.copy()
    for output, position in dropped:
        i, p = r.outputs.index(output), r.positions.index(position)
        for array in arrays.values():
            array[i, p] = np.nan
        replicates[:, i, p] = np.nan
    evidence = tuple(e for e in m.evidence if (e.output, e.position) not in dropped)
    return replace(m, responses=replace(r, replicates=replicates, **arrays), evidence=evidence)


def _left_out(position: str, outputs: Sequence[str]) -> Finding:
    names = ", ".join(dict.fromkeys(outputs))
    detail = (
        f"The recorder at {position} ran on its own clock and heard {names} in captures of their own, so how they "
        "relate there to the others is not known. Let it hear all outputs in one capture, or start player and recorder "
        "in step and say so with same_start."
    )
    return Finding(
        "not comparable on its own clock",
        "note",
        detail,
        track=position,
        value=float(len(set(outputs))),
        unit="outputs",
    )


def crosses_of(measured: Sequence[Measured]) -> dict[str, CrossSpectra]:
    """The sums of every capture that has them, by its name."""
    return {m.capture.name: m.cross for m in measured if m.cross is not None}


def flip_rows(
    sound_check: SoundCheck, measured: Sequence[Measured], unfed: Sequence[Unfed], signs: Signs
) -> list[FlipBand]:
    """What flips did, for every two captures of the same stretch that differ in one group's polarity alone.

    Without recorded feeds all outputs are taken to have played the same.
    """
    crosses = crosses_of(measured)
    crosses |= {u.capture.name: u.cross for u in unfed}
    groups = {name: sound_check.group_of(name) for name in sound_check.outputs}
    flips = find_flips([*(m.capture for m in measured), *(u.capture for u in unfed)], groups)
    if not flips:
        return []
    alone = [responses_at_present(m, sound_check, signs) for m in measured if len(m.responses.outputs) == 1]
    solos = merged(alone, tuple(sound_check.outputs), tuple(sound_check.positions))[0] if alone else None
    zones = {name: position.zone for name, position in sound_check.positions.items()}
    rows = []
    for flip in flips:
        plain, flipped = crosses.get(flip.plain.name), crosses.get(flip.flipped.name)
        if plain is not None and flipped is not None:
            as_tapped = None if solos is None else changed(solos, _to_tapped(sound_check, flip.plain))
            rows += flip_bands(flip, plain, flipped, as_tapped, zones)
    return rows


def _to_tapped(sound_check: SoundCheck, capture: Capture) -> dict[str, tuple[float, float]]:
    """Change that takes responses at present settings back to those of a capture as tapped."""
    there = combined(tap_change(sound_check, capture), present_change(sound_check, capture))
    return {name: (sign, -delay_ms) for name, (sign, delay_ms) in there.items()}
