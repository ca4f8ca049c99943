"""Two visits matched by name, and every output at every position measured against itself.

What was renamed in between bears its newer name already (`renaming.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyze.acoustics import speed_of_sound_simple
from analyze.archive.comparison_change import Heard, ResponseChange, response_change
from analyze.archive.opening import ReportRead
from analyze.errors import DescriptionError
from analyze.responses.minimum_phase import BoxShape, box_shapes

#: Latency of a path of which nothing is known, ms (common practice, no source): it only enters what air makes of it.
_LATENCY_MS = 3.0


@dataclass(frozen=True)
class Names:
    """What is in both visits, in the order of the newer one; and what is in one alone."""

    outputs: tuple[str, ...]
    positions: tuple[str, ...]
    gone_outputs: tuple[str, ...]
    new_outputs: tuple[str, ...]
    gone_positions: tuple[str, ...]
    new_positions: tuple[str, ...]


@dataclass(frozen=True)
class Pair:
    """One output at one position in both visits, and what changed.

    air_ms : what the air alone makes of the arrival, by the two temperatures
    """

    output: str
    position: str
    older: Heard
    newer: Heard
    older_setting: tuple[float, int]
    newer_setting: tuple[float, int]
    air_ms: float
    change: ResponseChange

    @property
    def delay_ms(self) -> float:
        """What is left of the arrival's change beyond what the two temperatures say."""
        return self.change.delay_ms + self.change.air_ms - self.air_ms


def matched_names(older: ReportRead, newer: ReportRead) -> Names:
    """Outputs and positions matched by name, those of the newer visit.

    Raises
    ------
    DescriptionError : the two have nothing of one name
    """
    kinds = []
    for then, now in ((older.outputs, newer.outputs), (older.positions, newer.positions)):
        both = tuple(name for name in now if name in then)
        gone = tuple(name for name in then if name not in now)
        kinds.append((both, gone, tuple(name for name in now if name not in then)))
    (outputs, gone_outputs, new_outputs), (positions, gone_positions, new_positions) = kinds
    if not outputs or not positions:
        what = "output" if not outputs else "position"
        raise DescriptionError(
            f"the two visits have no {what} of the same name.",
            f"Say what was renamed: --rename OLD=NEW. Then: {_few(older, what)}. Now: {_few(newer, what)}.",
        )
    return Names(outputs, positions, gone_outputs, new_outputs, gone_positions, new_positions)


def _few(report: ReportRead, what: str) -> str:
    names = report.outputs if what == "output" else report.positions
    return ", ".join(repr(name) for name in names[:6]) or "none"


@dataclass(frozen=True)
class Arrived:
    """How one output arrived at one position, by the newest capture in which it was heard.

    arrival_ms, std_ms : pure delay, setting taken out, and its standard error; level_db as captured
    latency_ms : of the path, known or guessed; low_hz, high_hz : the range in which it was heard
    temperature_c : of the air; clock : name of the capture if the recorder ran on its own clock, else empty
    """

    arrival_ms: float
    std_ms: float
    level_db: float
    latency_ms: float
    low_hz: float
    high_hz: float
    temperature_c: float
    clock: str


def arrivals_in(report: ReportRead) -> dict[tuple[str, str], Arrived]:
    """Every (output, position) that was heard and has a response."""
    captures = {one["name"]: one for one in report.check["captures"]}
    latency = _latencies(report)
    found: dict[tuple[str, str], Arrived] = {}
    for row in report.rows("arrivals"):
        key = (row["output"], row["position"])
        if key not in report.heard or not math.isfinite(row["arrival_ms"]):
            continue
        capture = captures.get(row["capture"], {})
        in_force = capture.get("settings", {}).get(key[0])
        captured_ms = report.setting(key[0])[0] if in_force is None else float(in_force["delay_ms"])
        temperature_c = float(capture.get("temperature_c", report.temperature_c))
        arrival_ms = row["arrival_ms"] - captured_ms
        taped_ms = _taped_ms(report, key, temperature_c)
        found[key] = Arrived(
            arrival_ms=arrival_ms,
            std_ms=row["arrival_std_ms"],
            level_db=row["level_db"],
            latency_ms=arrival_ms - taped_ms if math.isfinite(taped_ms) else latency[key[0]],
            low_hz=row["band_low_hz"],
            high_hz=row["band_high_hz"],
            temperature_c=temperature_c,
            clock=row["capture"] if _is_own_clock(capture, key[1]) else "",
        )
    return found


def heard_in(report: ReportRead) -> dict[tuple[str, str], Heard]:
    """Every (output, position) that was heard, with its response."""
    return {
        key: Heard(
            report.response(*key),
            *report.setting(key[0]),
            one.latency_ms,
            one.arrival_ms,
            one.low_hz,
            one.high_hz,
            one.temperature_c,
            one.clock,
        )
        for key, one in arrivals_in(report).items()
    }


def _is_own_clock(capture: Mapping[str, object], position: str) -> bool:
    """Whether the microphone's recorder ran on its own clock in this capture."""
    mics, unsynced = capture.get("mics", {}), capture.get("unsynced", [])
    assert isinstance(mics, Mapping)
    assert isinstance(unsynced, list)
    return position in mics and any(mics[position]["file"] in files for files in unsynced)


def _taped_ms(report: ReportRead, key: tuple[str, str], temperature_c: float) -> float:
    """Flight time over the distance that the user taped, NaN if none was."""
    distance_m = report.position(key[1]).get("distance_m", {}).get(key[0])
    return math.nan if distance_m is None else 1000.0 * float(distance_m) / speed_of_sound_simple(temperature_c)


def _latencies(report: ReportRead) -> dict[str, float]:
    """Latency per output: as described, else the middle of those that are, else a usual one."""
    known = {name: report.latency_ms(name) for name in report.outputs}
    told = [value for value in known.values() if math.isfinite(value)]
    usual = float(np.median(told)) if told else _LATENCY_MS
    return {name: value if math.isfinite(value) else usual for name, value in known.items()}


def air_ratio(older: Heard, newer: Heard) -> float:
    """Speed of sound then over now."""
    return speed_of_sound_simple(older.temperature_c) / speed_of_sound_simple(newer.temperature_c)


@dataclass(frozen=True)
class BothHeard:
    """All that was heard at either visit, by (output, position), and the box of every output of the older one."""

    older: ReportRead
    newer: ReportRead
    names: Names
    then: dict[tuple[str, str], Heard]
    now: dict[tuple[str, str], Heard]
    boxes: dict[str, BoxShape | None]


def both_heard(older: ReportRead, newer: ReportRead, names: Names) -> BothHeard:
    """Everything of two visits that is to be compared."""
    then, now = heard_in(older), heard_in(newer)
    boxes = {name: _box([heard for (o, _), heard in then.items() if o == name]) for name in names.outputs}
    return BothHeard(older, newer, names, then, now, boxes)


def measured_pairs(both: BothHeard, unsaid: float = 0.0) -> list[Pair]:
    """Every output at every position that was heard in both visits, in the order of the newer one.

    unsaid : share by which flight times are longer in the newer air than the two temperatures say
    """
    pairs = []
    for output in both.names.outputs:
        settings = (both.older.setting(output), both.newer.setting(output))
        for position in both.names.positions:
            key = (output, position)
            if key not in both.then or key not in both.now:
                continue
            before, after = both.then[key], both.now[key]
            ratio = air_ratio(before, after)
            change = response_change(before, after, both.boxes[output], ratio * (1.0 + unsaid))
            if change is not None:
                air_ms = before.flight_ms * (ratio - 1.0)
                pairs.append(Pair(output, position, before, after, *settings, air_ms, change))
    return pairs


def _box(heard: list[Heard]) -> BoxShape | None:
    """Level and minimum phase of an output from its responses, None where they do not stand over the noise.

    The noise of a response is that of its last tenth.
    """
    if not heard:
        return None
    rate_hz = min(one.impulse.sample_rate_hz for one in heard)
    same = [one.impulse.samples for one in heard if one.impulse.sample_rate_hz == rate_hz]
    n = min(map(len, same))
    samples = np.stack([one[:n] for one in same])
    h = np.fft.rfft(samples)
    variance = n * np.mean(samples[:, -n // 10 :] ** 2, axis=1)[:, None] * np.ones(h.shape[1])
    line_hz = np.arange(h.shape[1], dtype=np.float64) * (rate_hz / n)
    shapes = box_shapes(h.astype(np.complex64), variance.astype(np.float32), line_hz)
    return shapes[0] if shapes else None
