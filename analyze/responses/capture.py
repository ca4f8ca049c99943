"""One capture -> responses and evidence as captured: settings in, declared microphone polarities taken out.

Analysed is every capture with feeds and microphones on a clock. What a capture holds beyond that is named in a finding
and left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analyze.audio.clock_shared import SharedClocks
from analyze.audio.recording import Recording, open_recording
from analyze.audio.tracks_read import TracksRead
from analyze.description import Capture, SoundCheck, Track
from analyze.findings import Finding
from analyze.responses.arrival import Evidence, evidence_of
from analyze.responses.own_clocks import OwnClock, own_clocks
from analyze.responses.separation import Separation, separations, without_reach
from analyze.responses.steadiness import of_two_clocks, steadiness_findings
from analyze.responses.transfer import ImpulseResponse, Responses, changed, impulse_responses, responses_of
from analyze.spectra.capture import cross_spectra_of
from analyze.spectra.cross_spectra import CrossSpectra
from analyze.spectra.frame_noise import LITTLE_LEVEL, of_another_take

#: Given a capture's name and its samples per track, a function to call with the samples done since the last call.
ProgressStart = Callable[[str, int], Callable[[int], None]]


@dataclass(frozen=True)
class Measured:
    """One capture, measured.

    responses : as captured; evidence : of every output and position; impulse_responses : at present settings
    separations : how well its outputs can be told apart
    cross : the capture's sums, kept only where several outputs sounded
    own_clocks : per (output, position) on different clocks, what they do not know of each other; others are left out
    """

    capture: Capture
    responses: Responses
    evidence: tuple[Evidence, ...]
    impulse_responses: tuple[ImpulseResponse, ...]
    separations: tuple[Separation, ...] = ()
    cross: CrossSpectra | None = None
    own_clocks: Mapping[tuple[str, str], OwnClock] = field(default_factory=dict)


@dataclass(frozen=True)
class UsableTracks:
    """What of a capture can be analysed.

    feeds : outputs that sound with a recorded feed; unfed : outputs that sound without
    why : why nothing can be analysed, empty if something can
    """

    feeds: tuple[str, ...]
    unfed: tuple[str, ...]
    why: str


def usable_tracks(capture: Capture) -> UsableTracks:
    """Feeds of a capture that can be analysed with its microphones."""
    feeds = tuple(name for name in capture.feeds if name in capture.playing)
    unfed = tuple(name for name in capture.playing if name not in feeds)
    why = ""
    if not capture.feeds or not capture.mics:
        why = "has no feed and microphone together"
    elif not feeds:
        why = f"holds no feed of what sounds in it ({', '.join(capture.playing)})"
    return UsableTracks(feeds, unfed, why)


def left_out_findings(capture: Capture) -> list[Finding]:
    """A warning where nothing of a capture is analysed; one with microphones alone has its own (`without_feed.py`)."""
    usable = usable_tracks(capture)
    if not usable.why or capture.mics or not capture.feeds:
        return []
    detail = f"Not analysed: it {usable.why}. Record the feeds with the microphones."
    return [Finding("capture not analysed", "warning", detail, capture.name)]


def shared_clocks(captures: Iterable[Capture]) -> SharedClocks:
    """What captures tell each other of their recorders' clocks, in the order in which they are measured."""
    return SharedClocks((capture, _tracks(capture)) for capture in captures)


def measure(
    sound_check: SoundCheck,
    capture: Capture,
    rng: np.random.Generator,
    progress: ProgressStart | None = None,
    clocks: SharedClocks | None = None,
) -> tuple[Measured | None, list[Finding], TracksRead]:
    """Measure one capture: responses as captured, evidence, impulse responses, findings, and what was read.

    `clocks` are those of all captures that are measured; without them it is on its own.

    Raises AudioError or DescriptionError where a file cannot be used at all.
    """
    usable = usable_tracks(capture)
    with open_recording(sound_check.folder, capture, _tracks(capture), clocks) as recording:
        feeds, positions = (_names(recording, kind) for kind in ("feed", "mic"))
        findings, read = list(recording.findings), TracksRead(recording.files)
        if not feeds or not positions:  # their clock was not found, and a finding says so
            return None, findings, read
        advance = progress(capture.name, recording.n_frames) if progress else None
        groups = group_numbers(sound_check, feeds)
        cross, found, waveforms = cross_spectra_of(recording, feeds, positions, groups, advance)
        read = replace(read, waveforms=waveforms)
        is_other, found = of_another_take(found, cross.positions if cross else ())
        if is_other:
            return None, [*findings, *found], read
        unsteady = steadiness_findings(cross) if cross else []
        if capture.same_start:
            unsteady = [of_two_clocks(f) for f in unsteady]
        if unsteady:  # what no single response explains looks like noise
            found = [f for f in found if f.finding != LITTLE_LEVEL]
        findings += [*recording.late_findings(), *found, *unsteady]
        own = own_clocks(recording, capture)
    if cross is None:
        return None, findings, read
    unfed = (*usable.unfed, *(name for name in usable.feeds if name not in feeds))
    measured = measured_from(sound_check, capture, cross, rng, unfed)
    return replace(measured, own_clocks=own), findings, read


def _tracks(capture: Capture) -> dict[tuple[str, str], Track]:
    """The capture's usable tracks: the feeds, then the microphones."""
    tracks = {("feed", name): capture.feeds[name] for name in usable_tracks(capture).feeds}
    return tracks | {("mic", position): track for position, track in capture.mics.items()}


def _names(recording: Recording, kind: str) -> tuple[str, ...]:
    """Labels of the recording's tracks of one kind, in order."""
    return tuple(place.name for place in recording.places if place.kind == kind)


def group_numbers(sound_check: SoundCheck, feeds: Sequence[str]) -> list[int]:
    """The number of each feed's group of outputs."""
    return [sound_check.groups.index(sound_check.group_of(name)) for name in feeds]


def measured_from(
    sound_check: SoundCheck, capture: Capture, cross: CrossSpectra, rng: np.random.Generator, unfed: Sequence[str]
) -> Measured:
    """What the cross-spectra of a capture say; `unfed` are outputs that sounded without a feed."""
    groups = group_numbers(sound_check, cross.feeds)
    tapped = tap_change(sound_check, capture)
    responses = changed(without_reach(responses_of(cross, rng, groups), sound_check.outputs, unfed), tapped)
    responses = _declared(responses, sound_check)
    to_present = combined(tapped, present_change(sound_check, capture))
    impulses = tuple(_declared_impulse(i, sound_check) for i in impulse_responses(cross, to_present, groups))
    apart = separations(cross, responses, sound_check.outputs, unfed)
    kept = cross if len(cross.feeds) > 1 else None
    subs = {name for name, output in sound_check.outputs.items() if output.kind == "sub"}
    return Measured(capture, responses, tuple(evidence_of(responses, subs)), impulses, tuple(apart), kept)


def tap_change(sound_check: SoundCheck, capture: Capture) -> dict[str, tuple[float, float]]:
    """Change (sign, delay_ms) that adds the setting to outputs whose feed was tapped after it."""
    return {
        name: (float(setting.sign), setting.delay_ms)
        for name, setting in capture.settings.items()
        if sound_check.outputs[name].feed_tap == "after"
    }


def combined(
    first: Mapping[str, tuple[float, float]], second: Mapping[str, tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """Two changes one after the other."""
    names = dict.fromkeys([*first, *second])
    none = (1.0, 0.0)
    pairs = {name: (first.get(name, none), second.get(name, none)) for name in names}
    return {name: (a[0] * b[0], a[1] + b[1]) for name, (a, b) in pairs.items()}


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
