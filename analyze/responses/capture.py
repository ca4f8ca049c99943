"""One capture -> responses and evidence as captured: settings in, declared microphone polarities taken out.

Analysed are captures in which one output sounds and feed and microphones share a clock. What a capture holds beyond
that is named in a finding and left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analyze.audio.files import AudioFile
from analyze.audio.recording import Recording, open_recording
from analyze.description import Capture, SoundCheck
from analyze.findings import Finding
from analyze.responses.arrival import Evidence, evidence_of
from analyze.responses.transfer import ImpulseResponse, Responses, changed, impulse_responses, responses_of
from analyze.spectra.capture import cross_spectra_of

#: Given a capture's name and its samples per track, a function to call with the samples done since the last call.
ProgressStart = Callable[[str, int], Callable[[int], None]]


@dataclass(frozen=True)
class Measured:
    """One capture, measured.

    responses : as captured; evidence : of every output and position; impulse_responses : at present settings
    """

    capture: Capture
    responses: Responses
    evidence: tuple[Evidence, ...]
    impulse_responses: tuple[ImpulseResponse, ...]


def usable_tracks(capture: Capture) -> tuple[dict[str, str], str]:
    """Microphones of a capture that can be analysed, position -> file, and why none can if so.

    One output sounding with its feed recorded; microphones on the feed's clock.
    """
    apart = {file for files in capture.unsynced for file in files}
    if not capture.feeds or not capture.mics:
        return {}, "has no feed and microphone together"
    if len(capture.playing) > 1:
        return {}, f"has {len(capture.playing)} outputs sounding together"
    if set(capture.playing) != set(capture.feeds):
        return {}, f"holds no feed of what sounds in it ({', '.join(capture.playing)})"
    if any(track.file in apart for track in capture.feeds.values()):
        return {}, "has its feed on a clock of its own"
    mics = {position: track.file for position, track in capture.mics.items() if track.file not in apart}
    return mics, "" if mics else "has no microphone on the clock of its feed"


def left_out_findings(capture: Capture) -> list[Finding]:
    """Notes on what of a capture is not analysed."""
    mics, why = usable_tracks(capture)
    if why and (capture.feeds or capture.mics):
        detail = f"Not analysed: it {why}. Record each output alone, feed and microphones on one recorder."
        return [Finding("capture not analysed", "warning", detail, capture.name)]
    findings = [
        Finding(
            "recorder of its own not analysed",
            "warning",
            "Not on the feed's clock, so it is left out. Record this position on the recorder that takes the feed.",
            capture.name,
            position,
            track.file,
            track.channel,
        )
        for position, track in capture.mics.items()
        if mics and position not in mics
    ]
    if capture.inputs:
        detail = "Stage inputs are not compared yet; outputs and positions are not affected."
        findings.append(Finding("stage inputs not analysed", "note", detail, capture.name))
    return findings


def open_capture(sound_check: SoundCheck, capture: Capture) -> Recording:
    """The capture's usable tracks, opened: the feed, then the microphones."""
    mics, _ = usable_tracks(capture)
    tracks = {("feed", name): track for name, track in capture.feeds.items()}
    tracks |= {("mic", position): capture.mics[position] for position in mics}
    return open_recording(sound_check.folder, capture, tracks)


def measure(
    sound_check: SoundCheck, capture: Capture, rng: np.random.Generator, progress: ProgressStart | None = None
) -> tuple[Measured | None, list[Finding], tuple[AudioFile, ...]]:
    """Measure one capture: responses as captured, evidence, impulse responses, findings, and the files read.

    Raises AudioError or DescriptionError where a file cannot be used at all.
    """
    mics, _ = usable_tracks(capture)
    with open_capture(sound_check, capture) as recording:
        advance = progress(capture.name, recording.n_frames) if progress else None
        cross, findings = cross_spectra_of(recording, tuple(capture.feeds), tuple(mics), advance)
        findings = [*recording.findings, *recording.late_findings(), *findings]
        files = recording.files
    if cross is None:
        return None, findings, files
    tapped_after = {
        name: (float(capture.settings[name].sign), capture.settings[name].delay_ms)
        for name in capture.feeds
        if sound_check.outputs[name].feed_tap == "after"
    }
    responses = _declared(changed(responses_of(cross, rng), tapped_after), sound_check)
    to_present = present_change(sound_check, capture)
    combined = {
        name: (sign * tapped_after.get(name, (1.0, 0.0))[0], delay + tapped_after.get(name, (1.0, 0.0))[1])
        for name, (sign, delay) in to_present.items()
    }
    impulses = tuple(_declared_impulse(i, sound_check) for i in impulse_responses(cross, combined))
    return Measured(capture, responses, tuple(evidence_of(responses)), impulses), findings, files


def present_change(sound_check: SoundCheck, capture: Capture) -> dict[str, tuple[float, float]]:
    """Change (sign, delay_ms) per output that brings a capture to the settings of `[outputs.*]`."""
    return {
        name: (
            float(sound_check.outputs[name].setting.sign * setting.sign),
            sound_check.outputs[name].setting.delay_ms - setting.delay_ms,
        )
        for name, setting in capture.settings.items()
    }


def _declared_sign(sound_check: SoundCheck, position: str) -> float:
    return -1.0 if sound_check.positions[position].polarity == "inverted" else 1.0


def _declared(responses: Responses, sound_check: SoundCheck) -> Responses:
    """The declared polarity of every microphone chain taken out."""
    signs = np.array([_declared_sign(sound_check, p) for p in responses.positions], dtype=np.float32)
    return replace(responses, h=responses.h * signs[:, None], replicates=responses.replicates * signs[:, None])


def _declared_impulse(impulse: ImpulseResponse, sound_check: SoundCheck) -> ImpulseResponse:
    sign = np.float32(_declared_sign(sound_check, impulse.position))
    return replace(impulse, samples=impulse.samples * sign)
