"""Captures taken together: joined where they tell more, compared where one is the other with an output flipped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyze.description import Capture, SoundCheck
from analyze.findings import Finding
from analyze.responses.arrival_table import responses_at_present
from analyze.responses.capture import Measured, combined, measured_from, present_change, tap_change
from analyze.responses.flips import find_flips, flip_bands
from analyze.responses.joint import joined
from analyze.responses.rows import FlipBand
from analyze.responses.transfer import changed, merged
from analyze.responses.wiring import Signs


def joined_captures(
    sound_check: SoundCheck, measured: Sequence[Measured], rng: np.random.Generator
) -> tuple[list[Measured], list[Finding]]:
    """The captures, those that cannot tell their outputs apart joined where together they can tell more."""
    families: dict[tuple[object, ...], list[Measured]] = {}
    for m in measured:
        if m.cross is not None and any(s.is_untold and not s.unfed for s in m.separations):
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


def flip_rows(sound_check: SoundCheck, measured: Sequence[Measured], signs: Signs) -> list[FlipBand]:
    """What flips did, for every two captures of the same stretch that differ in one group's polarity alone."""
    crosses = {m.capture.name: m.cross for m in measured if m.cross is not None}
    groups = {name: sound_check.group_of(name) for name in sound_check.outputs}
    alone = [responses_at_present(m, sound_check, signs) for m in measured if len(m.responses.outputs) == 1]
    solos = merged(alone, tuple(sound_check.outputs), tuple(sound_check.positions))[0] if alone else None
    zones = {name: position.zone for name, position in sound_check.positions.items()}
    rows = []
    for flip in find_flips([m.capture for m in measured], groups):
        plain, flipped = crosses.get(flip.plain.name), crosses.get(flip.flipped.name)
        if plain is not None and flipped is not None:
            as_tapped = None if solos is None else changed(solos, _to_tapped(sound_check, flip.plain))
            rows += flip_bands(flip, plain, flipped, as_tapped, zones)
    return rows


def _to_tapped(sound_check: SoundCheck, capture: Capture) -> dict[str, tuple[float, float]]:
    """Change that takes responses at present settings back to those of a capture as tapped."""
    there = combined(tap_change(sound_check, capture), present_change(sound_check, capture))
    return {name: (sign, -delay_ms) for name, (sign, delay_ms) in there.items()}
