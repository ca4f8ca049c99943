"""Which samples of a capture must not count, from what the first pass over it has shown.

Damaged samples, stretches in which a microphone holds far more than was played, and gaps of recorders on their own
clock. Where little would be left of a microphone it is used as it is: a finding has said what is wrong with it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.audio.damage import TrackSummary, damage_findings, damaged_spans
from analyze.audio.recording import Recording
from analyze.findings import Finding
from analyze.spectra.frame_levels import FrameLevels, another_take, changes_in, level_findings, spoilt
from analyze.spectra.frame_plan import FramePlan, Reading, Spans, middle_of, plan_reading

#: Share of its frames that a microphone must keep for the others to be left out.
_LEAST_KEPT = 0.35


def left_out_of(
    recording: Recording,
    summary: TrackSummary,
    log: Sequence[NDArray[np.float32]],
    shift_s: NDArray[np.float64],
    is_heard: NDArray[np.bool_],
    n_fewest: int,
) -> tuple[list[Spans], list[Finding]]:
    """Per track what must not count, and the findings on damage, levels and what was heard besides.

    summary, log : of the first pass, see `accumulate`
    shift_s : (feed, position) as it was read
    is_heard : (position,) microphones whose levels can be held against the feeds
    n_fewest : frames that a microphone must keep at least
    """
    n_feeds = shift_s.shape[0]
    damaged = [list(spans) for spans in damaged_spans(summary, recording.places)]
    known = [[*gaps, *spans] for gaps, spans in zip(recording.gaps, damaged, strict=True)]
    energy = np.concatenate(log)
    plan, reading = _planned(recording, shift_s, known)
    names = [place.name for place in recording.places]
    levels = FrameLevels(
        energy,
        plan.hop / recording.sample_rate_hz,
        tuple(names[:n_feeds]),
        tuple(names[n_feeds:]),
    )
    is_damaged = ~reading.usable[: len(energy)] | ~is_heard
    is_spoilt = spoilt(levels, is_damaged)
    changes = changes_in(levels, is_spoilt, is_damaged)
    findings = [
        *damage_findings(summary, recording.places),
        *level_findings(levels, recording.places, is_spoilt, is_damaged, changes),
        *another_take(recording.places[0], changes),
    ]
    out: list[Spans] = [tuple(spans) for spans in known]
    for p in range(len(names) - n_feeds):
        frames = np.flatnonzero(is_spoilt[:, p])
        bursts = [middle_of(plan, reading, int(k), p) for k in frames]
        out[n_feeds + p] = (*known[n_feeds + p], *bursts)
    return _bearable(recording, shift_s, out, n_fewest), findings


def _planned(
    recording: Recording, shift_s: NDArray[np.float64], left_out: Sequence[Spans]
) -> tuple[FramePlan, Reading]:
    return plan_reading(recording.n_frames, recording.sample_rate_hz, shift_s, left_out)


def _bearable(recording: Recording, shift_s: NDArray[np.float64], left_out: list[Spans], n_fewest: int) -> list[Spans]:
    """`left_out` without what would leave too little: first of single microphones, then of the feeds."""
    n_feeds = shift_s.shape[0]
    kept = list(left_out)
    for tracks in (range(n_feeds, len(left_out)), range(n_feeds)):
        usable = _planned(recording, shift_s, kept)[1].usable
        too_few = usable.sum(axis=0) < max(n_fewest, _LEAST_KEPT * len(usable))
        for track in tracks:
            if too_few.any() if track < n_feeds else too_few[track - n_feeds]:
                kept[track] = recording.gaps[track]
    return kept
