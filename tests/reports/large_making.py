"""A large sound check, simulated: 16 outputs alone in turn, 8 positions, four faults hidden in it. All invented.

One sub of the centre pair is wired inverted against its neighbour, an out fill against everything else; the right
tower is far too early; the other out fill drowns in noise, so that nothing can be said of it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from analyze.simulate_boxes import Box, Crossover
from analyze.simulate_draw import lined_up_s, upright_scene
from analyze.simulate_feeds import make_feed
from analyze.simulate_rig import Output, Position, Rig
from analyze.simulate_scene import Scene, Settings, index_of
from analyze.simulate_venue import Hall
from tests.situations.takes import Take, quoted, write

#: Enough for all that is decided; a take is as short as a sweep or two.
RATE_HZ, TAKE_S = 12_000, 8.0

SUB_INVERTED, FILL_INVERTED, TOWER_EARLY, DROWNED = "centre sub right", "out fill left", "tower right", "out fill right"
_EARLY_MS = 24.0

_HALL = Hall(
    size_m=(48.0, 30.0, 11.0),
    reflection=(0.55, 0.6, 0.58, 0.62, 0.7, 0.6),
    temperature_c=21.5,
    reverberation_low_s=1.4,
    reverberation_high_s=1.1,
    tail_energy=0.002,
)

_HIGH, _LOW = Crossover(90.0, 4, "high"), Crossover(90.0, 4, "low")
_MAIN = Box("vented", 43.0, 0.7, 0.0, 432.0, 0.12, _HIGH, 1600.0)
_SUB = Box("vented", 32.0, 0.7, 2.0, 288.0, 0.3, _LOW)
_SMALL_SUB = Box("closed", 36.0, 0.7, -3.0, 300.0, 0.3, _LOW)
_FRONT = Box("closed", 76.0, 0.75, -14.0, 650.0, 0.2, Crossover(120.0, 4, "high"), 2200.0)
_OUT = Box("vented", 60.0, 0.7, -6.0, 480.0, 0.15, Crossover(100.0, 4, "high"), 1800.0)
_TOWER = Box("vented", 55.0, 0.7, -5.0, 432.0, 0.12, Crossover(95.0, 4, "high"), 1600.0)
_WEDGE = Box("closed", 78.0, 0.8, -12.0, 432.0, 0.2, None, 1500.0)
_SIDE = Box("vented", 56.0, 0.7, -10.0, 345.0, 0.15, None, 1400.0)

#: Name, kind, group, box, place, what it is aimed at, and where it shall line up, how much later.
_OUTPUTS = (
    ("main left", "main", "mains", _MAIN, (9.0, 7.0, 5.0), (28.0, 12.0, 1.6), "", 0.0),
    ("main right", "main", "mains", _MAIN, (9.0, 23.0, 5.0), (28.0, 18.0, 1.6), "", 0.0),
    ("sub left", "sub", "subs", _SUB, (9.2, 7.5, 0.5), (40.0, 7.5, 0.5), "", 0.0),
    ("sub right", "sub", "subs", _SUB, (9.2, 22.5, 0.5), (40.0, 22.5, 0.5), "", 0.0),
    ("centre sub left", "sub", "centre subs", _SMALL_SUB, (8.6, 13.6, 0.4), (40.0, 13.6, 0.4), "", 0.0),
    ("centre sub right", "sub", "centre subs", _SMALL_SUB, (8.6, 16.4, 0.4), (40.0, 16.4, 0.4), "", 0.0),
    ("front fill left", "fill", "front fills", _FRONT, (9.0, 12.5, 1.3), (13.0, 13.0, 1.6), "front", 0.0),
    ("front fill right", "fill", "front fills", _FRONT, (9.0, 17.5, 1.3), (13.0, 17.0, 1.6), "front", 0.0),
    ("out fill left", "fill", "", _OUT, (8.6, 5.2, 4.6), (15.0, 3.0, 1.6), "left", 0.0),
    ("out fill right", "fill", "", _OUT, (8.6, 24.8, 4.6), (15.0, 27.0, 1.6), "right", 0.0),
    ("tower left", "tower", "", _TOWER, (27.0, 9.0, 4.6), (36.0, 10.0, 1.6), "back left", 8.0),
    ("tower right", "tower", "", _TOWER, (27.0, 21.0, 4.6), (36.0, 20.0, 1.6), "back right", 8.0),
    ("wedge left", "monitor", "", _WEDGE, (7.2, 12.6, 1.4), (5.8, 13.4, 2.8), "", 0.0),
    ("wedge right", "monitor", "", _WEDGE, (7.2, 17.2, 1.4), (5.9, 16.4, 2.8), "", 0.0),
    ("wedge drums", "monitor", "", _WEDGE, (4.2, 13.2, 1.4), (3.1, 14.6, 2.4), "", 0.0),
    ("side fill", "monitor", "", _SIDE, (5.6, 8.4, 2.4), (5.8, 15.0, 2.6), "", 0.0),
)

POSITIONS = (
    Position("mix", "audience", (24.0, 15.7, 1.7)),
    Position("front", "audience", (12.2, 14.4, 1.6)),
    Position("left", "audience", (15.5, 4.4, 1.6)),
    Position("right", "audience", (16.1, 25.2, 1.6)),
    Position("back left", "audience", (36.4, 10.6, 1.6)),
    Position("back right", "audience", (37.1, 19.1, 1.6)),
    Position("centre", "stage", (5.8, 15.0, 2.8)),
    Position("drummer", "stage", (3.0, 14.6, 2.5)),
)
OUTPUTS = tuple(name for name, *_ in _OUTPUTS)


def large_scene() -> Scene:
    """The hall and its rig, lined up but for the faults."""
    outputs = tuple(
        Output(name, kind, group, box, place, target, "noise", str(i), align_at=seat, later_ms=later_ms)
        for i, (name, kind, group, box, place, target, seat, later_ms) in enumerate(_OUTPUTS, 1)
    )
    scene = upright_scene(Rig(_HALL, outputs, POSITIONS, latency_s=0.003), [16], RATE_HZ)
    wiring, response = scene.wiring.copy(), scene.response.copy()
    for name in (SUB_INVERTED, FILL_INVERTED):
        wiring[index_of(outputs, name)] = -1.0
        response[index_of(outputs, name)] *= -1.0
    return replace(scene, wiring=wiring, response=response, present=_present(scene))


def _present(scene: Scene) -> Settings:
    """The settings in force: mains 6 ms, subs as long, what lines up lined up, one tower early."""
    settings = scene.present
    for i, output in enumerate(scene.outputs):
        if output.kind in ("main", "sub"):
            settings = settings.with_output(i, 0.006, 1.0)
    for i, output in enumerate(scene.outputs):
        if output.align_at:
            early_s = 1e-3 * _EARLY_MS if output.name == TOWER_EARLY else 0.0
            settings = settings.with_output(i, max(0.0, lined_up_s(scene, i, settings) - early_s), 1.0)
    return settings


def write_large(folder: Path) -> Path:
    """The folder to be analysed; returns its description."""
    scene = large_scene()
    n = round(TAKE_S * RATE_HZ)
    takes = [
        Take(
            f"{output.name} alone",
            {output.name: make_feed("noise", n, RATE_HZ, np.random.default_rng([16, i]))},
            noise_db=20.0 if output.name == DROWNED else -35.0,
        )
        for i, output in enumerate(scene.outputs)
    ]
    head = 'title = "Pier shed, empty (invented)"\ndate = 2026-06-05\nvenue = "Pier shed"\nengineer = "A. Person"'
    path = write(scene, folder, takes, seed=16, head=head)
    text = path.read_text(encoding="utf-8")
    for output in scene.outputs:
        table = f"[outputs.{quoted(output.name)}]\n"
        text = text.replace(table, f'{table}device = "rack processor"\nchannel = "out {output.channel}"\n')
    path.write_text(text, encoding="utf-8")
    return path
