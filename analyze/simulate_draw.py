"""Draw one sound check from a seed: rig, settings as a careful engineer with perfect knowledge leaves them, one fault.

A draw whose right answer is too close to call is thrown away and drawn again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analyze.errors import DescriptionError
from analyze.simulate_rig import Rig, draw_rig
from analyze.simulate_scene import REFERENCE, REFERENCE_GROUP, SUB_GROUP, Scene, Settings, index_of, members
from analyze.simulate_truth import Choice
from analyze.simulate_venue import diffuse_mixing, diffuse_noise, distance_m, room_response

#: What may be wrong with a demo; one is drawn.
DELAY_LEFT_IN = "delay left in on the subs"
OTHER_POLARITY = "sub crossover wants the other polarity"
MONITOR_INVERTED = "monitor wired inverted"
TOWER_EARLY = "tower far too early"
MICROPHONE_INVERTED = "one microphone chain inverted"
NO_FAULT = "none"
FAULTS = (DELAY_LEFT_IN, OTHER_POLARITY, MONITOR_INVERTED, TOWER_EARLY, MICROPHONE_INVERTED, NO_FAULT)

#: Length of the responses: long enough for the hall to die away by more than 90 dB.
_RESPONSE_S = 2.6

#: Ranges in which the settings of subs and monitors are searched, s.
_SUB_RANGE_S, _MONITOR_RANGE_S = (0.0, 0.035), (0.0, 0.012)

#: What a draw must offer, dB: so much better is the right polarity than the other one at its own best delay (the fault
#: of the crossover asks for more), and so far below the best lies a wrong delay or polarity of the subs at present.
_POLARITY_MARGIN_DB, _CROSSOVER_MARGIN_DB, _MONITOR_MARGIN_DB = 0.1, 0.5, 0.3
_DELAY_LOSS_DB, _CROSSOVER_LOSS_DB = 0.65, 1.5

#: How much delay is left in on the subs, and by how much the tower is too early, ms.
_LEFT_IN_MS, _EARLY_MS = (6.0, 7.5), (20.0, 45.0)

#: Draws before giving up on a seed.
_MAX_DRAWS = 40


def build_scene(seed: int, fault: str | None = None, *, sample_rate_hz: int = 48000) -> Scene:
    """Draw one sound check; `fault` is one of `FAULTS`, drawn as well if not given.

    Raises DescriptionError for an unknown fault, and where a seed offers no scene with a clear right answer.
    """
    fault = draw_fault(seed) if fault is None else fault
    if fault not in FAULTS:
        raise DescriptionError(f"no such fault (found {fault!r}).", f"Choose one of these: {', '.join(FAULTS)}.")
    for draw in range(_MAX_DRAWS):
        scene = _draw_scene(seed, draw, fault, sample_rate_hz)
        if scene is not None:
            return scene
    raise DescriptionError(f"no clear scene in {_MAX_DRAWS} draws of seed {seed}.", "Choose another seed.")


def draw_fault(seed: int) -> str:
    """The fault that a seed stands for, each as likely as the others."""
    return str(np.random.default_rng([seed, len(FAULTS)]).choice(FAULTS))


def _draw_scene(seed: int, draw: int, fault: str, sample_rate_hz: int) -> Scene | None:
    """One draw with its fault, or None if its right answer is too close to call."""
    rng = np.random.default_rng([seed, draw])
    rig = draw_rig(rng, overlapping=fault == OTHER_POLARITY)
    scene = replace(upright_scene(rig, [seed, draw], sample_rate_hz), fault=fault, n_draws=draw + 1)
    mains_s = round(float(rng.uniform(4.0, 8.0)), 1) * 1e-3
    scene = _put_fault(designed(scene, mains_s), rng)
    return scene if _is_clear(scene) else None


def upright_scene(rig: Rig, seeds: list[int], sample_rate_hz: int) -> Scene:
    """A rig in its hall before anything is set: no delays, every chain of positive sign.

    seeds : numbers that stand for the hall's tail; the first is the scene's
    """
    n_samples = 2 ** int(np.ceil(np.log2(_RESPONSE_S * sample_rate_hz)))
    frequency_hz = np.asarray(np.fft.rfftfreq(n_samples, 1.0 / sample_rate_hz), dtype=np.float64)
    n_outputs, n_positions = len(rig.outputs), len(rig.positions)
    unset = Settings(np.zeros(n_outputs), np.ones(n_outputs))
    return Scene(
        seed=seeds[0],
        fault=NO_FAULT,
        target="",
        n_draws=1,
        sample_rate_hz=sample_rate_hz,
        rig=rig,
        frequency_hz=frequency_hz,
        response=_responses(rig, sample_rate_hz, frequency_hz, seeds),
        present=unset,
        best=unset,
        wiring=np.ones(n_outputs),
        microphone_signs=np.ones(n_positions),
        flight_s=_flights(rig),
        sub_choices=(Choice(1, 0.0, np.nan), Choice(-1, 0.0, np.nan)),
    )


def _responses(
    rig: Rig, sample_rate_hz: int, frequency_hz: NDArray[np.float64], seeds: list[int]
) -> NDArray[np.complex128]:
    """Responses (output, position, frequency) of a rig, every chain of positive sign."""
    on_axis = [output.box.response(frequency_hz) for output in rig.outputs]
    mixing = diffuse_mixing(rig.hall, tuple(output.place_m for output in rig.outputs), frequency_hz)
    response = np.zeros((len(rig.outputs), len(rig.positions), len(frequency_hz)), dtype=np.complex128)
    for p, position in enumerate(rig.positions):
        noise = diffuse_noise(mixing, np.random.default_rng([*seeds, p]))
        for o, output in enumerate(rig.outputs):
            places = (output.place_m, output.target_m, position.place_m)
            room = room_response(rig.hall, output.box, places, rig.latency_s, sample_rate_hz, noise[o])
            response[o, p] = on_axis[o] * room
    return response


def _flights(rig: Rig) -> NDArray[np.float64]:
    """Latency and direct path (output, position), s."""
    paths = [[distance_m(o.place_m, p.place_m) for p in rig.positions] for o in rig.outputs]
    return np.asarray(rig.latency_s + np.array(paths) / rig.hall.speed_m_s, dtype=np.float64)


def designed(scene: Scene, mains_s: float) -> Scene:
    """The scene with the best settings in force that go with such a delay of the mains, every chain upright."""
    settings = scene.best.with_output(members(scene.outputs, REFERENCE_GROUP), mains_s, 1.0)
    for index, output in enumerate(scene.outputs):
        if output.align_at:
            settings = settings.with_output(index, lined_up_s(scene, index, settings), 1.0)
    settings, _ = _with_best_subs(scene, settings)
    stage = scene.bench("stage")
    monitors = [index for index, output in enumerate(scene.outputs) if output.kind == "monitor"]
    for index in [*monitors, *monitors]:  # each moves the cells of the others, so once more
        clearest = stage.clearest(settings.signs, settings.delays_s, index, _MONITOR_RANGE_S)
        settings = settings.with_output(index, clearest.delay_s, 1.0)
    settings, choices = _with_best_subs(scene, settings)
    return replace(scene, present=settings, best=settings, sub_choices=choices)


def lined_up_s(scene: Scene, index: int, settings: Settings) -> float:
    """Delay at which an output arrives `later_ms` after the reference where it shall line up, to 0.01 ms."""
    output, reference = scene.outputs[index], index_of(scene.outputs, REFERENCE)
    seat = index_of(scene.positions, output.align_at)
    lead_s = scene.flight_s[reference, seat] + settings.delays_s[reference] - scene.flight_s[index, seat]
    return round(float(lead_s) * 1e3 + output.later_ms, 2) * 1e-3


def _with_best_subs(scene: Scene, settings: Settings) -> tuple[Settings, tuple[Choice, Choice]]:
    """Settings with the best joint setting of the subs, and the best one for either polarity."""
    subs = members(scene.outputs, SUB_GROUP)
    choices = scene.bench().best(settings.signs, settings.delays_s, subs, _SUB_RANGE_S)
    best = max(choices, key=lambda choice: choice.score_db)
    return settings.with_output(subs, best.delay_s, best.sign), choices


def _put_fault(scene: Scene, rng: np.random.Generator) -> Scene:
    """The scene with its fault, and the output or position that it concerns."""
    present, subs = scene.present, members(scene.outputs, SUB_GROUP)
    if scene.fault == DELAY_LEFT_IN:
        extra_s = round(float(rng.uniform(*_LEFT_IN_MS)), 2) * 1e-3
        present = present.with_output(subs, float(present.delays_s[subs[0]]) + extra_s, 1.0)
        return replace(scene, present=present, target=SUB_GROUP)
    if scene.fault == OTHER_POLARITY:
        present = present.with_output(subs, _aligned_subs_s(scene), 1.0)
        return replace(scene, present=present, target=SUB_GROUP)
    if scene.fault == TOWER_EARLY:
        tower = index_of(scene.outputs, "delay tower")
        early_s = round(float(rng.uniform(*_EARLY_MS)), 1) * 1e-3
        present = present.with_output(tower, max(0.0, float(present.delays_s[tower]) - early_s), 1.0)
        return replace(scene, present=present, target="delay tower")
    if scene.fault == MONITOR_INVERTED:
        return _with_inverted_output(scene, str(rng.choice(["wedge", "side fill"])))
    if scene.fault == MICROPHONE_INVERTED:
        seats = [position.name for position in scene.positions if position.zone == "audience"]
        target, signs = str(rng.choice(seats)), scene.microphone_signs.copy()
        signs[index_of(scene.positions, target)] = -1.0
        return replace(scene, microphone_signs=signs, target=target)
    return scene


def _with_inverted_output(scene: Scene, name: str) -> Scene:
    """The scene with one output wired upside down; its best setting is inverted then."""
    index = index_of(scene.outputs, name)
    wiring, response = scene.wiring.copy(), scene.response.copy()
    wiring[index] = -1.0
    response[index] *= -1.0
    best = scene.best.with_output(index, float(scene.best.delays_s[index]), -1.0)
    return replace(scene, wiring=wiring, response=response, best=best, target=name)


def _aligned_subs_s(scene: Scene) -> float:
    """Delay at which subs and mains arrive together, on average over the seats, to 0.1 ms."""
    seats = [p for p, position in enumerate(scene.positions) if position.zone == "audience"]
    mains, subs = members(scene.outputs, REFERENCE_GROUP), members(scene.outputs, SUB_GROUP)
    late_s = scene.flight_s[mains][:, seats].min(axis=0) - scene.flight_s[subs][:, seats].min(axis=0)
    return round(float(late_s.mean() + scene.present.delays_s[mains[0]]) * 1e3, 1) * 1e-3


def _is_clear(scene: Scene) -> bool:
    """Whether polarity of subs and monitors, and what the fault costs, are beyond the margins above."""
    upright, inverted = scene.sub_choices
    margin_db = upright.score_db - inverted.score_db
    present_db = scene.bench().score_db(scene.present.signs, scene.present.delays_s)
    loss_db = max(upright.score_db, inverted.score_db) - present_db
    if scene.fault == OTHER_POLARITY:
        is_clear = -margin_db >= _CROSSOVER_MARGIN_DB and loss_db >= _CROSSOVER_LOSS_DB
    else:
        is_clear = margin_db >= _POLARITY_MARGIN_DB and (scene.fault != DELAY_LEFT_IN or loss_db >= _DELAY_LOSS_DB)
    return is_clear and all(
        monitor_margin_db(scene, index) >= _MONITOR_MARGIN_DB
        for index, output in enumerate(scene.outputs)
        if output.kind == "monitor"
    )


def monitor_margin_db(scene: Scene, index: int) -> float:
    """By how much the best polarity of a monitor beats the other on stage, in its own cells, at its delay."""
    stage, best = scene.bench("stage"), scene.best
    other = best.with_output(index, float(best.delays_s[index]), -float(best.signs[index]))
    here_db, there_db = (stage.score_db(s.signs, s.delays_s, [index]) for s in (best, other))
    return here_db - there_db
