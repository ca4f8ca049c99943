"""What was in the recordings and when: a waveform per track, what did not count, and findings where they happened."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analyze.reports.summaries import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analyze.audio.waveform import Waveform
    from analyze.findings import Finding
    from analyze.pipeline import Analysis

#: Columns of a waveform: at most, at least, and of all together, so that a page stays small.
MOST_COLUMNS, _LEAST_COLUMNS, _ALL_COLUMNS = 240, 60, 12_000
#: Height of a waveform in units of its drawing.
HEIGHT = 60
_TICKS_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200)
_MOST_TICKS = 8
_KINDS = {"feed": "feed", "mic": "microphone", "input": "stage input"}


@dataclass(frozen=True)
class Mark:
    """A finding at a moment: number in its capture's list, place along the waveform in percent."""

    number: int
    at_percent: str


@dataclass(frozen=True)
class Lane:
    """One track: `path` outlines it in a drawing of `columns` x `HEIGHT`; left_out : (first column, columns)."""

    name: str
    kind: str
    columns: int
    path: str
    left_out: list[tuple[int, int]]
    marks: list[Mark]
    peak_dbfs: str
    left_out_s: str
    text: str


@dataclass(frozen=True)
class Moment:
    """A finding of the list below a capture's waveforms."""

    number: int
    time: str
    place: str
    severity: str
    name: str
    detail: str


@dataclass(frozen=True)
class Picture:
    """All tracks of one capture; ticks : (place in percent, time); is_marked : whether anything in it is marked."""

    capture: str
    caption: str
    summary: str
    is_marked: bool
    lanes: list[Lane]
    ticks: list[tuple[str, str]]
    moments: list[Moment]


def pictures(analysis: Analysis) -> list[Picture]:
    """A picture per capture that was read, in the order of the captures."""
    by_capture: dict[str, list[Waveform]] = {}
    for waveform in analysis.waveforms:
        by_capture.setdefault(waveform.capture, []).append(waveform)
    most = max(_LEAST_COLUMNS, min(MOST_COLUMNS, _ALL_COLUMNS // max(1, len(analysis.waveforms))))
    return [_picture(name, tracks, analysis.findings, most) for name, tracks in by_capture.items()]


def _picture(capture: str, waveforms: Sequence[Waveform], findings: Sequence[Finding], most: int) -> Picture:
    axis, spans = waveforms[0], {w.name: (w.from_s, w.to_s) for w in waveforms}  # some by a clock of their own
    from_s, to_s = spans[""] = axis.from_s, axis.to_s
    found = [f for f in findings if f.capture == capture and f.track in spans and _is_within(f.at_s, spans[f.track])]
    found.sort(key=lambda f: f.at_s)
    numbered = list(enumerate(found, 1))
    lanes = [_lane(w.coarser(most), [(n, f) for n, f in numbered if f.track in (w.name, "")]) for w in waveforms]
    moments = [
        Moment(n, clock(f.at_s), f.track or f.file, f.severity, f.finding.replace("_", " "), f.detail)
        for n, f in numbered
    ]
    n_lost = sum(bool(lane.left_out) for lane in lanes)
    said = [f"{len(lanes)} track{'s' * (len(lanes) != 1)}, {number(to_s - from_s, 0)} s"]
    said += [f"parts of {n_lost} left out"] * bool(n_lost)
    said += [f"{len(found)} finding{'s' * (len(found) != 1)} marked"] * bool(found)
    caption = f"{capture}: waveforms from {clock(from_s)} to {clock(to_s)} of its file"
    if any(w.from_s != from_s for w in waveforms):
        caption += ", recorders on a clock of their own in step with it"
    return Picture(capture, caption, "; ".join(said), bool(n_lost or found), lanes, _ticks(from_s, to_s), moments)


def _is_within(time_s: float, span_s: tuple[float, float]) -> bool:
    return span_s[0] <= time_s <= span_s[1]


def _lane(waveform: Waveform, found: Sequence[tuple[int, Finding]]) -> Lane:
    """One track with its findings, numbered."""
    n, length_s = len(waveform.low), waveform.to_s - waveform.from_s
    peak = float(max(-waveform.low.min(), waveform.high.max()))
    lost_s = sum(stop - first for first, stop in _united(waveform))
    marks = [Mark(number_, f"{100.0 * (f.at_s - waveform.from_s) / length_s:.1f}") for number_, f in found]
    peak_dbfs = number(20.0 * math.log10(peak), 1) if peak > 0.0 else "silent"
    kind = _KINDS.get(waveform.kind, waveform.kind)
    said = [f"{kind} {waveform.name}", f"peak {peak_dbfs} dBFS" if peak > 0.0 else "silent"]
    said += [f"{number(lost_s, 1)} s left out"] * (lost_s > 0.0)
    said += [f"findings {', '.join(str(m.number) for m in marks)}"] * bool(marks)
    return Lane(
        name=waveform.name,
        kind=kind,
        columns=n,
        path=outline(waveform.low, waveform.high, peak),
        left_out=_columns_left_out(waveform),
        marks=marks,
        peak_dbfs=peak_dbfs,
        left_out_s=number(lost_s, 1) if lost_s > 0.0 else "",
        text="; ".join(said),
    )


def outline(low: NDArray[np.float32], high: NDArray[np.float32], peak: float) -> str:
    """SVG path around a waveform: along its highest samples and back along its lowest, (column,) each.

    A column is one unit wide, `peak` reaches both edges of `HEIGHT`; numbers are steps, which keeps it short.
    """
    scale = HEIGHT / 2.0 / peak if peak > 0.0 else 0.0
    top = np.floor(HEIGHT / 2.0 - scale * high.astype(np.float64)).astype(int)
    bottom = np.ceil(HEIGHT / 2.0 - scale * low.astype(np.float64)).astype(int)
    bottom = np.maximum(bottom, top + 1)  # silence is a line
    along = "".join(f"h1v{step}" for step in np.diff(top).tolist()) + "h1"
    back = "".join(f"h-1v{step}" for step in np.diff(bottom[::-1]).tolist()) + "h-1"
    return f"M0 {top[0]}{along}V{bottom[-1]}{back}z".replace("v0", "")


def _united(waveform: Waveform) -> list[tuple[float, float]]:
    """What was left out, in seconds, each moment once, in order."""
    out: list[tuple[float, float]] = []
    for first, stop in sorted(waveform.left_out):
        if out and first <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], stop))
        else:
            out.append((first, stop))
    return out


def _columns_left_out(waveform: Waveform) -> list[tuple[int, int]]:
    """The same in columns, neighbours joined: first column and how many."""
    n = len(waveform.low)
    is_out = np.zeros(n + 2, dtype=np.int8)
    for first, stop in waveform.left_out:
        a, b = ((t - waveform.from_s) / waveform.column_s for t in (first, stop))
        is_out[1 + max(0, math.floor(a)) : 1 + min(n, math.ceil(b))] = 1
    edges = np.flatnonzero(np.diff(is_out))
    return [(int(a), int(b - a)) for a, b in zip(edges[0::2], edges[1::2], strict=True)]


def _ticks(from_s: float, to_s: float) -> list[tuple[str, str]]:
    """Moments on whole steps along the time axis."""
    length_s = to_s - from_s
    step_s = next((s for s in _TICKS_S if length_s / s <= _MOST_TICKS), _TICKS_S[-1])
    first = math.ceil(from_s / step_s)
    times = [k * step_s for k in range(first, math.floor(to_s / step_s) + 1)]
    return [(f"{100.0 * (t - from_s) / length_s:.2f}", clock(float(t))) for t in times]


def clock(time_s: float) -> str:
    """A moment as minutes and seconds, hours only where there are any.

    >>> clock(7.25), clock(754.0), clock(7384.5)
    ('0:07.2', '12:34', '2:03:04.5')
    """
    tenths = int(round(10.0 * time_s, 6))
    minutes, tenths = divmod(tenths, 600)
    seconds = f"{tenths // 10:02d}" + (f".{tenths % 10}" if tenths % 10 else "")
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds}" if hours else f"{minutes}:{seconds}"
