"""Made-up grounds: of towers and fills by arrival, of the reference none, of the rest by sums."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analyze.alignment.confidence import NOISE, SCATTER, Limit
from analyze.alignment.grounds import BEST, Rival, SeatMargin, SeatTiming, SumGrounds, TimingGrounds
from analyze.alignment.output_grounds import OutputGrounds, PositionGrounds
from analyze.alignment.timing_grounds import ARRIVAL, OWN_WIRING

if TYPE_CHECKING:
    from analysis_making import Scene


def grounds_of(scene: Scene) -> tuple[OutputGrounds, ...]:
    """What every answer on a scene rests on."""
    found = []
    for i, name in enumerate(scene.outputs):
        setting = (_timing if scene.kinds[name] in ("tower", "fill") else _sum)(scene, name)
        positions = tuple(
            PositionGrounds(position, 1, 0.976 if scene.sign[i] > 0 else 0.024, False, float(arrival_ms), 0.02)
            for position, arrival_ms in zip(scene.positions, scene.arrival_ms[i], strict=True)
        )
        normal = 0.96 if scene.sign[i] > 0 else 0.04
        found.append(OutputGrounds(name, normal, setting if i else None, positions))
    return tuple(found)


def _sum(scene: Scene, name: str) -> SumGrounds:
    other, runner_up, present = (
        Rival((-scene.change[name][0], 7.2), 2.4, 0.2),
        Rival((1.0, -3.1), 0.8, 0.1),
        Rival((1.0, 0.0), 1.25, 0.3),
    )
    heard = [p for p in scene.positions if scene.zones[p] == "audience"]
    seats = {p: SeatMargin(7, 2.0 - 1.1 * k, 0.8, 0.1, True) for k, p in enumerate(heard)}
    limits = (Limit(NOISE, 0.98), Limit(SCATTER, 0.95))
    return SumGrounds(scene.change[name], BEST, limits, 0.21, 0.04, 0.35, 0.6, 0.75, other, runner_up, present, seats)


def _timing(scene: Scene, name: str) -> TimingGrounds:
    seats = {name: {scene.positions[-1]: SeatTiming(0.07, 0.21, None)}}
    limits = (Limit(ARRIVAL, 0.9), Limit(OWN_WIRING, 0.7))
    return TimingGrounds((1.0, 0.0), limits, 0.07, 0.21, 0.8, 0.81, 0.99, seats)
