"""How a recommendation stands up: names of the scenarios, and their numbers spelled out."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
import pytest
from alignment_making import (
    FREQUENCY_HZ,
    N_LINES,
    N_LOW,
    Changes,
    Spectrum,
    closed,
    context,
    delay,
    low_pass,
    room,
    spelled_out_db,
    turned,
    vented,
)

from analyze.alignment.context import Context, context_of
from analyze.alignment.robustness import robustness_rows
from analyze.alignment.rows import Robustness
from analyze.description import Output, Position, Setting

OUTPUTS = [
    Output("main", "main", setting=Setting(5.0), latency_ms=1.3),
    Output("sub", "sub", setting=Setting(12.0)),
    Output("wedge", "monitor"),
]
NAMES = ["main", "sub", "wedge"]
POSITIONS = [Position("mix", "audience", weight=2.0), Position("lawn", "audience"), Position("drums", "stage")]
CHANGES = {"sub": (-1.0, -4.2), "wedge": (-1.0, 0.0)}
FLIGHT_MS = {("main", "mix"): 60.0, ("main", "lawn"): 90.0, ("sub", "mix"): 55.0, ("sub", "lawn"): 96.0}


def hall() -> Spectrum:
    rng = np.random.default_rng(1)
    h = np.zeros((3, 3, N_LINES), dtype=np.complex128)
    for p in range(3):
        h[0, p] = closed(48.0) * delay(30.0 + 9.0 * p) * room(rng, 0.3)
        h[1, p] = 1.3 * vented(35.0) * low_pass(110.0) * delay(34.0 + 9.0 * p) * room(rng, 0.3)
        h[2, p] = (1.5 if p == 2 else 0.3) * closed(60.0) * delay(28.0 + 9.0 * p) * room(rng, 0.3)
    return h


def arrivals() -> dict[tuple[str, str], tuple[float, float]]:
    own = {"main": 5.0 + 1.3, "sub": 12.0}
    return {key: (ms + own[key[0]], 0.1) for key, ms in FLIGHT_MS.items()}


def with_the_mean() -> dict[tuple[str, str], float]:
    """All flights; the wedge, whose arrivals are not known, goes with the mean of the others."""
    mean = {place: np.mean([ms for (_, p), ms in FLIGHT_MS.items() if p == place]) for place in ("mix", "lawn")}
    return FLIGHT_MS | {("wedge", place): float(ms) for place, ms in mean.items()}


def whole(**values: object) -> Context:
    return context(OUTPUTS, POSITIONS, hall(), arrivals=arrivals(), **values)  # type: ignore[arg-type]


def rows_of(found: Context, changes: Changes = CHANGES) -> list[Robustness]:
    def decide(seen: Context) -> Mapping[str, tuple[float, float]]:
        """Stands for the whole decision: a sub delay that tells which seats are left."""
        return {"sub": (1.0, float(len(np.unique(seen.audience.position))) + float(seen.audience.position.max()))}

    return robustness_rows(found, changes, decide)


def score(found: Context, h: Spectrum, changes: Changes, p: int) -> float:
    """Mean over the cells of one position, audience or stage."""
    cells = found.stage if p == 2 else found.audience
    return spelled_out_db(turned(h[..., :N_LOW], NAMES, changes), cells, cells.position == p)


def row_of(rows: list[Robustness], scenario: str, position: str) -> Robustness:
    (row,) = (r for r in rows if (r.scenario, r.position) == (scenario, position))
    return row


def test_scenarios_and_their_rows() -> None:
    rows = rows_of(whole())
    names = list(dict.fromkeys(r.scenario for r in rows))
    levels = [f"level:{o}:{step}" for o in NAMES for step in ("+6", "+3", "-3", "-6")]
    assert sorted(names) == sorted(
        [*levels, "air:+10", "air:-10", "seat:mix", "seat:lawn", "polarity:sub", "polarity:wedge"]
    )
    for name in names:
        assert [(r.position, r.zone) for r in rows if r.scenario == name] == [
            ("mix", "audience"),
            ("lawn", "audience"),
            ("drums", "stage"),
        ]
    for row in rows:
        assert row.advantage_db == pytest.approx(row.recommended_db - row.present_db, abs=1e-9)


@pytest.mark.parametrize(("output", "step"), [(0, "+3"), (1, "-6"), (2, "+6"), (1, "-3")])
def test_faders_moved(output: int, step: str) -> None:
    found = whole()
    h = hall()
    h[output] *= 10.0 ** (float(step) / 20.0)
    for p, position in enumerate(POSITIONS):
        row = row_of(rows_of(found), f"level:{NAMES[output]}:{step}", position.name)
        assert row.present_db == pytest.approx(score(found, h, {}, p), abs=1e-3)
        assert row.recommended_db == pytest.approx(score(found, h, CHANGES, p), abs=1e-3)


@pytest.mark.parametrize(("group", "moved"), [("low", True), ("main", False)])
def test_a_whole_group_is_moved_by_one_fader(group: str, moved: bool) -> None:
    """Unless an output is called as the group is: then that name means the output alone."""
    grouped = [OUTPUTS[0], *(dataclasses.replace(one, group=group) for one in OUTPUTS[1:])]
    found = context(grouped, POSITIONS, hall(), arrivals=arrivals())
    h = hall()
    h[1:] *= 10.0 ** (-3.0 / 20.0)
    rows = rows_of(found)
    assert len({(row.scenario, row.position) for row in rows}) == len(rows)
    assert any(row.scenario.startswith("level:low:") for row in rows) is moved
    if moved:
        for p, position in enumerate(POSITIONS):
            row = row_of(rows, "level:low:-3", position.name)
            assert row.present_db == pytest.approx(score(found, h, {}, p), abs=1e-3)
            assert row.recommended_db == pytest.approx(score(found, h, CHANGES, p), abs=1e-3)
            alone = row_of(rows, "level:sub:-3", position.name)
            assert abs(alone.present_db - row.present_db) > 5e-3


@pytest.mark.parametrize(("kelvin", "speed_m_s"), [("+10", 349.00), ("-10", 337.30)])
def test_only_flight_scales_with_air(kelvin: str, speed_m_s: float) -> None:
    """Speed of sound 343.2 m/s at 20 degrees, 349.00 and 337.30 ten away (ISO 9613-1); settings and latency stay."""
    found = whole()
    h = hall()
    for (name, position), flight_ms in with_the_mean().items():
        p = [q.name for q in POSITIONS].index(position)
        h[NAMES.index(name), p] *= delay(flight_ms * (343.2 / speed_m_s - 1.0), FREQUENCY_HZ)
    for p, position in enumerate(POSITIONS[:2]):
        row = row_of(rows_of(found), f"air:{kelvin}", position.name)
        assert row.present_db == pytest.approx(score(found, h, {}, p), abs=2e-3)
        assert row.recommended_db == pytest.approx(score(found, h, CHANGES, p), abs=2e-3)
        calm = row_of(rows_of(found), "polarity:sub", position.name)
        assert abs(calm.present_db - row.present_db) > 5e-3


def test_a_time_that_all_arrivals_at_a_position_have_in_common_says_nothing_of_air() -> None:
    """As on a recorder of its own, whose clock begins anywhere: flights that seem negative are none the less apart."""
    begun_ms = {"mix": -80.0, "lawn": 30.0}
    moved = {(name, position): (ms + begun_ms[position], std) for (name, position), (ms, std) in arrivals().items()}
    own = dataclasses.replace(whole(), arrivals=moved)
    for kelvin in ("+10", "-10"):
        for position in begun_ms:
            row, same = (row_of(rows_of(found), f"air:{kelvin}", position) for found in (own, whole()))
            assert row.present_db == pytest.approx(same.present_db, abs=1e-6)
            assert row.recommended_db == pytest.approx(same.recommended_db, abs=1e-6)


def test_what_a_bus_delays_does_not_scale_with_air() -> None:
    """The sub's feed 40 ms late: as above, its flight is what the microphone finds re its own feed."""
    whole_of = whole()
    bus = {"sub": (1.0, 40.0, 0.0)}
    found = context_of(whole_of.sound_check, whole_of.responses, whole_of.arrivals, whole_of.signs, {}, sent=bus)
    h = turned(hall(), NAMES, {"sub": (1.0, 40.0)})
    for (name, position), flight_ms in with_the_mean().items():
        p = [q.name for q in POSITIONS].index(position)
        h[NAMES.index(name), p] *= delay(flight_ms * (343.2 / 349.00 - 1.0), FREQUENCY_HZ)
    for p, position in enumerate(POSITIONS[:2]):
        assert row_of(rows_of(found), "air:+10", position.name).present_db == pytest.approx(
            score(found, h, {}, p), abs=2e-3
        )


@pytest.mark.parametrize("temperature_c", [-48.0, 58.0])
def test_air_stays_within_what_the_speed_of_sound_is_known_for(temperature_c: float) -> None:
    assert all(np.isfinite(r.present_db) for r in rows_of(whole(temperature_c=temperature_c)))


def test_a_seat_left_out_of_the_decision_is_still_shown() -> None:
    """The recommendation is taken again without the seat, and looked at everywhere."""
    found = whole()
    h = hall()
    expected = {"seat:mix": {"sub": (1.0, 2.0)}, "seat:lawn": {"sub": (1.0, 1.0)}}
    for scenario, changes in expected.items():
        for p, position in enumerate(POSITIONS):
            row = row_of(rows_of(found), scenario, position.name)
            assert row.present_db == pytest.approx(score(found, h, {}, p), abs=1e-3)
            assert row.recommended_db == pytest.approx(score(found, h, changes, p), abs=1e-3)


def test_a_polarity_left_as_it_was() -> None:
    """The delay as recommended, the polarity not."""
    found = whole()
    kept = {**CHANGES, "sub": (1.0, -4.2)}
    for p, position in enumerate(POSITIONS):
        row = row_of(rows_of(found), "polarity:sub", position.name)
        assert row.recommended_db == pytest.approx(score(found, hall(), kept, p), abs=1e-3)
    upright = [r.scenario for r in rows_of(found, {"sub": (1.0, -4.2)})]
    assert not any(s.startswith("polarity:") for s in upright)


def test_one_seat_cannot_be_left_out() -> None:
    found = context(OUTPUTS, [POSITIONS[0], POSITIONS[2]], hall()[:, [0, 2]], arrivals=arrivals())
    assert not any(r.scenario.startswith("seat:") for r in rows_of(found))


def test_nothing_changed_has_no_advantage() -> None:
    for row in rows_of(whole(), {}):
        if not row.scenario.startswith("seat:"):
            assert row.advantage_db == 0.0
