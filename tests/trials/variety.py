"""What devices can do, where feeds are tapped and how much seats weigh: drawn apart from rooms, boxes and signals.

Drawn from a stream of their own they leave all else of a case as it is without them; a setting in force is only brought
to its device's step. What the writer of takes knows nothing of is added to what it has written.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.situations.takes import Take, quoted
from tests.trials.rigs import Device, Output, Seat

if TYPE_CHECKING:
    from tests.trials.cases import Case

#: Chances: of seats that weigh unequally and of feeds tapped after some outputs' settings in a sound check, then of
#: every group; of a group's device having coarse steps, little delay, no polarity switch.
_WEIGHED, _TAPPED, _TAPPED_GROUP = 0.35, 0.3, 0.6
_COARSE, _SHORT, _STUCK = 0.25, 0.2, 0.15
_WEIGHTS, _STEPS_S = (0.5, 1.0, 2.0, 3.0), (2e-5, 1e-4, 2.5e-4, 5e-4)
#: Longest delays of devices, s.
_LONGEST_S = (0.005, 0.01, 0.02, 0.04, 0.085, 0.17)
#: Highest sample of a file that is written anew.
_HIGHEST = 0.98


def vary(
    outputs: Sequence[Output], seats: Sequence[Seat], takes: Sequence[Take], rng: np.random.Generator
) -> tuple[list[Output], list[Seat]]:
    """The outputs with their devices and taps, the seats with their weights; of a group all are alike."""
    turned = {name for take in takes for name in take.turned}
    is_weighed, is_tapped = rng.random() < _WEIGHED, rng.random() < _TAPPED
    devices: dict[str, tuple[float, Device, bool]] = {}
    varied = []
    for output in outputs:
        group = output.group or output.name
        if group not in devices:
            may_stick = output.sign > 0 and not turned & {o.name for o in outputs if (o.group or o.name) == group}
            delay_s, device = _device(output.delay_s, may_stick, rng)
            devices[group] = delay_s, device, bool(rng.random() < _TAPPED_GROUP) and is_tapped
        delay_s, device, after = devices[group]
        varied.append(replace(output, delay_s=delay_s, device=device, is_tapped_after=after))
    weights = [float(rng.choice(_WEIGHTS)) if is_weighed and s.zone == "audience" else 1.0 for s in seats]
    return varied, [replace(s, weight=w) for s, w in zip(seats, weights, strict=True)]


def _device(delay_s: float, may_stick: bool, rng: np.random.Generator) -> tuple[float, Device]:
    """A device, and the delay in force brought to its step."""
    is_coarse, is_short, is_stuck = rng.random(3) < (_COARSE, _SHORT, _STUCK)
    step_s = float(rng.choice(_STEPS_S)) if is_coarse else Device.step_s
    delay_s = round(round(delay_s / step_s) * step_s, 6)
    longest_s = min((s for s in _LONGEST_S if s >= delay_s), default=Device.max_delay_s)
    return delay_s, Device(longest_s if is_short else Device.max_delay_s, step_s, not (is_stuck and may_stick))


def words(case: Case) -> Iterator[str]:
    """What is unusual about the devices, taps and weights of a case."""
    for group in case.groups:
        first = case.outputs[group[0]]
        if first.device.step_s != Device.step_s:
            yield f"{first.name} in steps of {1000.0 * first.device.step_s:g} ms"
        if first.device.max_delay_s != Device.max_delay_s:
            yield f"{first.name} up to {1000.0 * first.device.max_delay_s:g} ms"
        if not first.device.can_invert:
            yield f"{first.name} cannot invert"
        if first.is_tapped_after:
            yield f"{first.name} tapped after"
    if any(p.weight != 1.0 for p in case.positions):
        yield "seats weighed"


def write_down(case: Case, path: Path) -> None:
    """Add devices, taps and weights to a description, and to the files the settings of feeds tapped after them."""
    text = path.read_text(encoding="utf-8")
    for output in case.outputs:
        head = f"[outputs.{quoted(output.name)}]\n"
        text = text.replace(head, head + "".join(f"{line}\n" for line in _lines(output)))
    for position in case.positions:
        head = f"[positions.{quoted(position.name)}]\n"
        text = text.replace(head, f"{head}weight = {position.weight}\n")
    path.write_text(text, encoding="utf-8")
    for number, take in enumerate(case.captures, 1):
        _tap(case, take, path.parent / f"take_{number}.wav")


def _lines(output: Output) -> Iterator[str]:
    yield f"max_delay_ms = {1000.0 * output.device.max_delay_s:.6f}"
    yield f"delay_step_ms = {1000.0 * output.device.step_s:.6f}"
    yield f"can_invert = {str(output.device.can_invert).lower()}"
    if output.is_tapped_after:
        yield 'feed_tap = "after"'


def _tap(case: Case, take: Take, path: Path) -> None:
    """Put settings into the feeds of a file that are tapped after them."""
    outputs = [case.outputs[case.output(name)] for name in take.feeds]
    if not any(o.is_tapped_after for o in outputs):
        return
    tracks, rate_hz = soundfile.read(path)
    for column, output in enumerate(outputs):
        if output.is_tapped_after:
            sign = output.sign * (-1.0 if output.name in take.turned else 1.0)
            tracks[:, column] = sign * later(tracks[:, column], output.delay_s * rate_hz)
    tracks *= min(1.0, _HIGHEST / np.abs(tracks).max())
    soundfile.write(path, tracks, rate_hz, subtype="PCM_24")


def later(track: NDArray[np.float64], by_frames: float) -> NDArray[np.float64]:
    """A track later by any number of frames, cut to its length."""
    from scipy import fft

    n = fft.next_fast_len(len(track) + int(by_frames) + 64, real=True)
    turn = np.exp(-2j * np.pi * fft.rfftfreq(n) * by_frames)
    return fft.irfft(fft.rfft(track, n) * turn, n)[: len(track)]
