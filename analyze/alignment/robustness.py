"""How the recommendation stands up: faders moved, air warmed, a seat left out, a polarity left as it was.

Score per position and scenario at present and at recommended settings; the cells stay those of the sound check.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import db_to_amplitude, speed_of_sound_simple
from analyze.alignment.cells import Cells
from analyze.alignment.context import Context
from analyze.alignment.rows import Robustness
from analyze.alignment.score import UNCHANGED, Change, efficiency_db, with_changes
from analyze.responses.feed_relations import EQUAL
from analyze.responses.transfer import rotation

LEVELS_DB = (6, 3, -3, -6)
AIR_K = (10, -10)
#: Temperatures the speed of sound is defined for here.
COLDEST_C, HOTTEST_C = -50.0, 60.0

Decide = Callable[[Context], Mapping[str, Change]]


def robustness_rows(context: Context, changes: Mapping[str, Change], decide: Decide) -> list[Robustness]:
    """Rows of `robustness.csv`.

    decide : the whole decision again, for the scenarios that leave a seat out of it
    """
    rows = []
    for scenario, h, recommended in _scenarios(context, changes, decide):
        present_db, recommended_db = (_per_position(_changed(context, h, c), context) for c in ({}, recommended))
        for p, (now, then) in sorted(_paired(present_db, recommended_db).items()):
            position = context.responses.positions[p]
            zone = context.sound_check.positions[position].zone
            rows.append(Robustness(scenario, position, zone, now, then, then - now))
    return rows


def _scenarios(
    context: Context, changes: Mapping[str, Change], decide: Decide
) -> Iterator[tuple[str, NDArray[np.complex128], Mapping[str, Change]]]:
    """Scenario name, responses at present settings in it, and the changes recommended."""
    for name, members in _faders(context).items():
        for level_db in LEVELS_DB:
            h = context.h.copy()
            h[members] *= float(db_to_amplitude(level_db))
            yield f"level:{name}:{level_db:+d}", h, changes
    for kelvin in AIR_K:
        yield f"air:{kelvin:+d}", _warmed(context, kelvin), changes
    seats = [p for p, d in context.sound_check.positions.items() if d.zone == "audience"]
    heard = [s for s in seats if s in context.responses.positions]
    if len(heard) > 1:
        for seat in heard:
            yield f"seat:{seat}", context.h, decide(_without_seat(context, seat))
    for output, (sign, delay_ms) in changes.items():
        if sign < 0:
            yield f"polarity:{output}", context.h, {**changes, output: (1.0, delay_ms)}


def _faders(context: Context) -> dict[str, list[int]]:
    """What a fader may move: every output, and every group of several that is not called as an output is."""
    names = context.responses.outputs
    faders = {name: [i] for i, name in enumerate(names)}
    for group in context.sound_check.groups:
        members = [names.index(name) for name in group if name in names]
        called = context.sound_check.outputs[group[0]].group
        if called and len(members) > 1:
            faders.setdefault(called, members)
    return faders


def _warmed(context: Context, kelvin: float) -> NDArray[np.complex128]:
    """Responses when the air is warmer by `kelvin`: flight times shrink by the ratio of the speeds of sound.

    Counted from their mean at each position, which turns all of it alike: so a recorder's own time does not count, and
    an output whose arrival there is not known goes with the others.
    """
    now_c = context.sound_check.temperature_c
    then_c = min(max(now_c + kelvin, COLDEST_C), HOTTEST_C)
    shrink = speed_of_sound_simple(now_c) / speed_of_sound_simple(then_c) - 1.0
    h = context.h.copy()
    f = context.responses.frequency_hz[: h.shape[-1]]
    for p, position in enumerate(context.responses.positions):
        flights_ms = {i: _flight_ms(context, name, position) for i, name in enumerate(context.responses.outputs)}
        known = {i: ms for i, ms in flights_ms.items() if np.isfinite(ms)}
        mean_ms = float(np.mean(list(known.values()))) if known else 0.0
        for i, ms in known.items():
            h[i, p] *= rotation(f, 1.0, (ms - mean_ms) * shrink)
    return h


def _flight_ms(context: Context, name: str, position: str) -> float:
    """Arrival without setting, latency and what the feed itself is late; NaN where it is not known."""
    output = context.sound_check.outputs[name]
    latency = output.latency_ms if np.isfinite(output.latency_ms) else 0.0
    arrival = context.arrivals.get((name, position), (np.nan, np.nan))[0]
    return float(arrival - output.setting.delay_ms - latency - context.sent.get(name, EQUAL)[1])


def _without_seat(context: Context, seat: str) -> Context:
    """The context with the cells of one seat taken out of the decision."""
    p = context.responses.positions.index(seat)
    keep = context.audience.position != p
    c = context.audience
    cells = Cells(c.position[keep], c.band_hz[keep], c.first[keep], c.stop[keep], c.weight[keep], c.meets[keep])
    return replace(context, audience=cells)


def _changed(context: Context, h: NDArray[np.complex128], changes: Mapping[str, Change]) -> NDArray[np.complex128]:
    named = {o: c for o, c in changes.items() if c != UNCHANGED}
    return with_changes(h, context.responses.frequency_hz, context.responses.outputs, named)


def _per_position(h: NDArray[np.complex128], context: Context) -> dict[int, float]:
    """Score per position index over its cells, both zones."""
    out = {}
    for cells in (context.audience, context.stage):
        if len(cells):
            db = efficiency_db(h, cells)
            out.update({int(p): float(db[cells.position == p].mean()) for p in np.unique(cells.position)})
    return out


def _paired(a: Mapping[int, float], b: Mapping[int, float]) -> dict[int, tuple[float, float]]:
    return {p: (a[p], b[p]) for p in a}
