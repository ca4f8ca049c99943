"""Waveforms on the page: outlines, what was left out, findings where they happened, room for many tracks."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from analyze.audio.waveform import Waveform
from analyze.findings import Finding
from analyze.pipeline import Analysis
from analyze.reports.page_waveforms import HEIGHT, MOST_COLUMNS, clock, outline, pictures


def traced(path: str) -> tuple[list[float], list[float]]:
    """Top and bottom of every column of an outline, read as a browser does."""
    at, x, corners = 0.0, 0.0, []
    for command, text in re.findall(r"([MhvV])([-0-9. ]*)", path):
        if command == "M":
            x, at = map(float, text.split())
        elif command == "h":
            corners.append((min(x, x + float(text)), at, float(text)))
            x += float(text)
        else:
            at = float(text) if command == "V" else at + float(text)
    top = [y for x, y, step in sorted(corners) if step > 0]
    bottom = [y for x, y, step in sorted(corners) if step < 0]
    return top, bottom


def test_an_outline_goes_along_the_highest_and_back_along_the_lowest() -> None:
    rng = np.random.default_rng(1)
    low, high = np.sort(rng.standard_normal((2, 50)), axis=0).astype(np.float32)
    peak = float(max(-low.min(), high.max()))
    top, bottom = traced(outline(low, high, peak))
    assert len(top) == len(bottom) == 50
    scale = HEIGHT / 2 / peak
    assert np.abs(np.array(top) - (HEIGHT / 2 - scale * high)).max() <= 1.0
    assert np.abs(np.array(bottom) - (HEIGHT / 2 - scale * low)).max() <= 1.0
    assert min(top) == 0 or max(bottom) == HEIGHT


@pytest.mark.parametrize("level", [0.0, 1e-9])
def test_silence_is_a_line(level: float) -> None:
    silence = np.full(4, level, dtype=np.float32)
    top, bottom = traced(outline(-silence, silence, 1.0 if level else 0.0))
    assert all(b - t in (1, 2) for t, b in zip(top, bottom, strict=True))


def one(waveform: Waveform, *findings: Finding, analysis: Analysis) -> Analysis:
    return dataclasses.replace(analysis, waveforms=(waveform,), findings=findings)


def flat(**values: object) -> Waveform:
    ones = np.full(100, 0.5, dtype=np.float32)
    return Waveform("take", "mic", "mix", 20.0, 0.1, -ones, ones, **values)  # type: ignore[arg-type]


def test_findings_stand_where_they_happened(analysis: Analysis) -> None:
    """Times count from the beginning of the file; the take begins 20 s in and is 10 s long."""
    found = [
        Finding("clipping", "warning", "Turn it down.", "take", "mix", at_s=27.5),
        Finding("drop_out", "note", "Look for a loose plug.", "take", "mix", at_s=21.0),
        Finding("jump", "warning", "All of it.", "take", at_s=25.0),
        Finding("clipping", "warning", "Another track.", "take", "lawn", at_s=22.0),
        Finding("clipping", "warning", "Another take.", "other", "mix", at_s=22.0),
        Finding("hum", "warning", "No moment.", "take", "mix"),
        Finding("end", "note", "Behind the end.", "take", "mix", at_s=31.0),
    ]
    (picture,) = pictures(one(flat(), *found, analysis=analysis))
    assert [(m.number, m.time, m.name, m.detail) for m in picture.moments] == [
        (1, "0:21", "drop out", "Look for a loose plug."),
        (2, "0:25", "jump", "All of it."),
        (3, "0:27.5", "clipping", "Turn it down."),
    ]
    (lane,) = picture.lanes
    assert [(m.number, float(m.at_percent)) for m in lane.marks] == [(1, 10.0), (2, 50.0), (3, 75.0)]
    assert picture.summary == "1 track, 10 s; 3 findings marked"
    assert picture.is_marked
    assert lane.text == "microphone mix; peak −6.0 dBFS; findings 1, 2, 3"
    assert [time for _, time in picture.ticks] == ["0:20", "0:22", "0:24", "0:26", "0:28", "0:30"]


def test_what_was_left_out_is_marked_once(analysis: Analysis) -> None:
    spans = ((22.0, 23.0), (22.5, 23.5), (27.0, 27.05), (29.95, 40.0))
    (picture,) = pictures(one(flat(left_out=spans[:3]), analysis=analysis))
    assert picture.lanes[0].left_out == [(20, 15), (70, 1)]
    assert picture.lanes[0].left_out_s == "1.6"
    assert picture.summary == "1 track, 10 s; parts of 1 left out"
    (picture,) = pictures(one(flat(left_out=spans[3:]), analysis=analysis))
    assert picture.lanes[0].left_out == [(99, 1)]
    (picture,) = pictures(one(flat(), analysis=analysis))
    assert not picture.is_marked


def test_many_tracks_get_fewer_columns(analysis: Analysis) -> None:
    rng = np.random.default_rng(3)
    low, high = np.sort(rng.standard_normal((2, 1000)), axis=0).astype(np.float32)
    few = [Waveform("take", "mic", f"seat {k}", 0.0, 0.1, low, high) for k in range(2)]
    many = [Waveform(f"take {k % 16}", "mic", f"seat {k}", 0.0, 0.1, low, high) for k in range(16 * 24)]
    sizes = []
    for waveforms in (few, many):
        drawn = pictures(dataclasses.replace(analysis, waveforms=tuple(waveforms)))
        lanes = [lane for picture in drawn for lane in picture.lanes]
        assert len(lanes) == len(waveforms)
        sizes.append((max(lane.columns for lane in lanes), sum(len(lane.path) for lane in lanes)))
    assert sizes[0][0] > MOST_COLUMNS // 2
    assert sizes[1][1] < 300_000  # of the 2 MB that a page may have


@pytest.mark.parametrize(("time_s", "words"), [(0.0, "0:00"), (59.96, "0:59.9"), (60.0, "1:00"), (3600.5, "1:00:00.5")])
def test_a_moment_in_words(time_s: float, words: str) -> None:
    assert clock(time_s) == words


def test_without_recordings_there_is_no_picture(analysis: Analysis) -> None:
    assert pictures(dataclasses.replace(analysis, waveforms=())) == []


def test_recorders_on_their_own_clock_stand_in_step(analysis: Analysis) -> None:
    """Each is as long as the take; its findings are counted in its own file, 7.5 s further on."""
    own = dataclasses.replace(flat(), name="lawn", from_s=27.5)
    found = [
        Finding("clipping", "warning", "Turn it down.", "take", "lawn", at_s=32.5),
        Finding("clipping", "warning", "Before it.", "take", "lawn", at_s=26.0),
        Finding("jump", "warning", "All of it.", "take", at_s=31.0),
    ]
    both = dataclasses.replace(analysis, waveforms=(flat(), own), findings=tuple(found))
    (picture,) = pictures(both)
    in_step = ", recorders on a clock of their own in step with it"
    assert picture.caption == f"take: waveforms from 0:20 to 0:30 of its file{in_step}"
    assert picture.summary == "2 tracks, 10 s; 1 finding marked"
    assert picture.lanes[0].marks == []
    assert [float(mark.at_percent) for mark in picture.lanes[1].marks] == [50.0]
    assert picture.ticks[0] == ("0.00", "0:20")
