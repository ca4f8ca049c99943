"""Every capture of a sound check measured, several at a time; one that fails becomes a finding and the rest goes on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analyze.audio.files import AudioFile
from analyze.audio.tracks_read import TracksRead
from analyze.audio.waveform import Waveform
from analyze.description import Capture, SoundCheck
from analyze.errors import AudioError
from analyze.findings import Finding
from analyze.responses.capture import Measured, ProgressStart, left_out_findings, measure, shared_clocks, usable_tracks
from analyze.responses.rows import InputPair
from analyze.responses.stage_inputs import compare_inputs
from analyze.responses.without_feed import Unfed, without_feed
from analyze.responses.workers import capture_workers

#: Every capture draws its replicates from a generator of its own.
_SEED = 20260514


@dataclass
class Recorded:
    """What all captures hold: outputs measured, captures without feeds, inputs compared, findings, what was read."""

    measured: list[Measured] = field(default_factory=list)
    unfed: list[Unfed] = field(default_factory=list)
    inputs: list[InputPair] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    files: dict[str, AudioFile] = field(default_factory=dict)
    waveforms: list[Waveform] = field(default_factory=list)


def measure_all(sound_check: SoundCheck, workers: int, progress: ProgressStart | None) -> Recorded:
    """Measure all captures.

    Every capture has its own generator, and of others only what those before it found of a clock they share, so the
    order of work does not show in the results.

    Raises AudioError if nothing can be analysed, DescriptionError if a track does not exist as described.
    """
    out = Recorded()
    failures: list[AudioError] = []
    usable = [n for n, c in enumerate(sound_check.captures) if not usable_tracks(c).why]
    mute = [n for n, c in enumerate(sound_check.captures) if usable_tracks(c).why and c.mics]
    compared = [n for n, c in enumerate(sound_check.captures) if len(c.inputs) > 1]
    captures = sound_check.captures
    n_tracks = max((len(c.feeds) + len(c.mics) + len(c.inputs) for c in captures), default=0)
    n_jobs = len(usable) + len(compared) + len(mute)
    clocks = shared_clocks(captures[n] for n in usable)
    with capture_workers(workers, n_jobs, n_tracks, progress) as (submit, watched):
        jobs = {
            n: submit(measure, sound_check, captures[n], np.random.default_rng([_SEED, n]), watched, clocks)
            for n in usable
        }
        pairs = {n: submit(compare_inputs, sound_check, captures[n], watched) for n in compared}
        levels = {n: submit(without_feed, sound_check, captures[n]) for n in mute}
        for number, capture in enumerate(captures):
            out.findings += left_out_findings(capture)
            try:
                if number in jobs:
                    result, found, read = jobs[number].result()
                    out.measured += [] if result is None else [result]
                    _add(out, found, read)
                if number in levels:
                    unfed, found, read = levels[number].result()
                    out.unfed += [] if unfed is None else [unfed]
                    _add(out, found, read)
                if number in pairs:
                    rows, found, read = pairs[number].result()
                    out.inputs += rows
                    _add(out, found, read)
            except AudioError as error:
                failures.append(error)
                out.findings.append(_failed(capture, error))
    if not out.measured and not out.inputs and not out.unfed:
        raise _nothing(sound_check, failures, out.findings)
    return out


def _add(out: Recorded, findings: list[Finding], read: TracksRead) -> None:
    """Findings and files, those of a file that serves for outputs and inputs once."""
    out.findings += [found for found in findings if found not in out.findings]
    out.files |= {file.shown: file for file in read.files}
    out.waveforms += read.waveforms


def _failed(capture: Capture, error: AudioError) -> Finding:
    return Finding(
        "capture unreadable",
        "error",
        error.message().replace("\n", " "),
        capture.name,
        file=error.path or "",
        channel=error.channel,
        at_s=np.nan if error.at_s is None else error.at_s,
    )


def _nothing(sound_check: SoundCheck, failures: list[AudioError], findings: list[Finding]) -> AudioError:
    """The error for a sound check of which nothing can be analysed: the first failure, or the gravest finding."""
    if failures:
        return failures[0]
    worst = sorted(findings, key=lambda f: ("error", "warning", "note").index(f.severity))
    if worst:
        first = worst[0]
        what = f"no capture can be analysed (capture {first.capture!r}: {first.finding})."
        return AudioError(what, first.detail, path=first.file or sound_check.path.name, channel=first.channel)
    return AudioError(
        "no capture can be analysed.", "Add a capture with a feed and a microphone.", path=sound_check.path.name
    )
