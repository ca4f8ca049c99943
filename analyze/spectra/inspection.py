"""Quality alone: is every track there, whole, loud enough, undamaged, and does every microphone hear what was sent?

One pass over the samples and a look at the first seconds with sound, so that it can be run while still on site.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.audio.clock_shared import tracks_by_clock
from analyze.audio.copied_takes import HeardTrack, copied_takes
from analyze.audio.damage import DUPLICATED, TrackPlace, TrackStatistics, copied_microphones, damage_findings
from analyze.audio.peaks_alike import peaks_explained
from analyze.audio.recording import Recording, open_recording
from analyze.audio.waveform import sounding_s
from analyze.description import Capture, SoundCheck, Track
from analyze.errors import AudioError
from analyze.findings import Finding
from analyze.spectra.alike_feeds import alike_feeds
from analyze.spectra.capture import cross_spectra_of, too_short_finding
from analyze.spectra.coarse_delay import LATEST_S, coarse_delays_s, first_arrivals_s
from analyze.spectra.frame_levels import ANOTHER_TAKE, OF_LEVELS
from analyze.spectra.frame_noise import HUM, LITTLE_LEVEL, of_another_take

#: How much of a capture, from the first sound on, is looked at for what every microphone hears.
_LOOK_S = 6.0
#: How much of it is looked at as `run` looks at the whole: over the noise, with levels that stand still.
_NOISE_LOOK_S = 30.0
#: Feeds up to which that is done: more are told apart by looking again and again, which takes what `run` takes.
_MOST_FEEDS = 3
#: Samples read at a time.
_BLOCK = 1 << 17
#: A feed over this, -40 dB of full scale, is sound.
_SOUND = 1e-2
#: What is heard more than this before its feed is not that feed's sound: two metres of air are three times as long.
_EARLY_S = 0.002
#: A track whose correlation with itself, this or more later, is over this share of its energy repeats itself.
_REPEATED_AFTER_S, _REPEATED = 0.05, 0.5

#: What is heard more than this before its delay is over was not set to that delay.
_TOO_EARLY_S = 0.003

# What asks for another take, of what a pass over its first seconds finds.
_AGAIN = (LITTLE_LEVEL, HUM, ANOTHER_TAKE, *OF_LEVELS)
_NOT_HEARD = "feeds not heard"
_SENT_LATE = "arrives before it was sent"


@dataclass(frozen=True)
class InspectedTrack:
    """One track of a capture: kind (feed, mic or input) and label, where it stands, how long and how loud it is.

    length_s : of what all tracks of its clock share, within the capture's `start_s` .. `end_s`; sounds_s : of that the
        time it sounds, short rests included
    """

    capture: str
    kind: str
    name: str
    file: str
    channel: int
    length_s: float
    level_dbfs: float
    peak_dbfs: float
    sounds_s: float


@dataclass(frozen=True)
class HeardAfter:
    """How long after its feed an output that plays alone is first heard at a position."""

    capture: str
    output: str
    position: str
    delay_ms: float


@dataclass
class Inspection:
    """What a look at the recordings gives: their tracks, what is wrong with them, when what was sent is heard."""

    tracks: list[InspectedTrack] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    heard: list[HeardAfter] = field(default_factory=list)


def inspect_captures(sound_check: SoundCheck) -> Inspection:
    """Every track of every capture with what is wrong with it.

    Raises AudioError if no capture can be read.
    """
    whole = Inspection(findings=list(sound_check.findings))
    failures: list[AudioError] = []
    prints: list[HeardTrack] = []
    sent: dict[str, dict[str, tuple[float, float]]] = {}
    for capture in sound_check.captures:
        for number, part, labelled in _clocks(capture):
            try:
                part_of = _inspected(sound_check, part, labelled)
            except AudioError as error:
                failures.append(error)
                detail = error.message().replace("\n", " ")
                unreadable = Finding("capture unreadable", "error", detail, capture.name, file=error.path or "")
                whole.findings.append(unreadable)
                continue
            whole.tracks += part_of.tracks
            if number == 0:  # one file of a recorder of its own may well serve for every take
                prints += _prints(part_of.tracks)
            sent.setdefault(capture.name, {}).update(_feed_prints(part_of.tracks))
            whole.heard += part_of.heard
            whole.findings += [f for f in part_of.findings if f not in whole.findings]
    if failures and not whole.tracks:
        raise failures[0]
    copies = copied_takes(prints, sound_check)
    copied = {name for copy in copies for name in (copy.first, copy.second)}
    # what a take that is another one hears too early says nothing of its tracks
    whole.findings = [one for one in whole.findings if one.finding != _SENT_LATE or one.capture not in copied]
    alike = alike_feeds(sound_check, sent)
    said = {(one.capture, one.track) for one in alike}
    others = [one for one in whole.findings if one.finding != DUPLICATED or (one.capture, one.track) not in said]
    whole.findings = [*peaks_explained(others, _prints(whole.tracks)), *alike, *(copy.finding for copy in copies)]
    return whole


def _feed_prints(tracks: Sequence[InspectedTrack]) -> dict[str, tuple[float, float]]:
    """What tells one feed's samples from another's, by output; a silent one has none."""
    sounding = [one for one in tracks if one.kind == "feed" and one.sounds_s and math.isfinite(one.level_dbfs)]
    return {one.name: (one.level_dbfs, one.peak_dbfs) for one in sounding}


def _prints(tracks: Sequence[InspectedTrack]) -> list[HeardTrack]:
    """What tells one microphone's samples from another's."""
    return [
        HeardTrack(one.capture, one.name, one.file, (one.level_dbfs, one.peak_dbfs), 10.0 ** (one.peak_dbfs / 20.0))
        for one in tracks
        if one.kind == "mic"
    ]


def _clocks(capture: Capture) -> list[tuple[int, Capture, dict[tuple[str, str], Track]]]:
    """The tracks of a capture clock by clock; `start_s` and `end_s` count on the first, number 0."""
    kinds = (("feed", capture.feeds), ("mic", capture.mics), ("input", capture.inputs))
    tracks = {(kind, name): track for kind, table in kinds for name, track in table.items()}
    parts = []
    for number, here in sorted(tracks_by_clock(capture, tracks).items()):
        own = capture if number == 0 else replace(capture, start_s=0.0, end_s=math.nan)
        parts.append((number, replace(own, unsynced=()), here))
    return parts


def _inspected(sound_check: SoundCheck, capture: Capture, tracks: dict[tuple[str, str], Track]) -> Inspection:
    """The tracks of one clock and what is to be said of them."""
    heard: list[HeardAfter] = []
    with open_recording(sound_check.folder, capture, tracks) as recording:
        statistics = TrackStatistics(len(recording.labels), recording.sample_rate_hz)
        look_at, look_s = None, math.nan
        n_feeds = sum(place.kind == "feed" for place in recording.places)
        for start, block in recording.blocks(_BLOCK, statistics=statistics):
            if look_at is None and n_feeds and np.abs(block[:, :n_feeds]).max() > _SOUND:
                look_at = start
        summary = statistics.finish()
        findings = [*recording.findings, *recording.late_findings(), *damage_findings(summary, recording.places)]
        if n_feeds and any(place.kind == "mic" for place in recording.places):
            too_short = too_short_finding(recording, n_feeds, 0.0)
            findings += [] if too_short is None else [too_short]
        if look_at is not None:
            copied = copied_microphones(summary, recording.places)  # these hear nothing
            found, heard = _heard_as_sent(sound_check, capture, recording, look_at, copied)
            findings += found
            look_s = capture.start_s + look_at / recording.sample_rate_hz
        overview = summary.overview
        with np.errstate(divide="ignore"):
            peaks_dbfs = 20.0 * np.log10(summary.peak)
        seen = [
            InspectedTrack(
                capture.name,
                place.kind,
                place.name,
                place.file,
                place.channel or 1,
                recording.duration_s,
                float(summary.level_dbfs[k]),
                float(peaks_dbfs[k]),
                sounding_s(overview.low[k], overview.high[k], overview.n_frames / recording.sample_rate_hz),
            )
            for k, place in enumerate(recording.places)
        ]
    if math.isfinite(look_s) and not any(one.finding in (_NOT_HEARD, _SENT_LATE) for one in findings):
        findings += _in_noise(sound_check, capture, tracks, look_s)
    return Inspection(seen, findings, heard)


def _in_noise(
    sound_check: SoundCheck, capture: Capture, tracks: dict[tuple[str, str], Track], look_s: float
) -> list[Finding]:
    """Microphones at which the sound hardly stands over the rest in its first seconds, or that hum."""
    end_s = min(look_s + _NOISE_LOOK_S, capture.end_s) if math.isfinite(capture.end_s) else look_s + _NOISE_LOOK_S
    part = replace(capture, start_s=look_s, end_s=end_s)
    heard = {label: track for label, track in tracks.items() if label[0] in ("feed", "mic")}
    with open_recording(sound_check.folder, part, heard) as recording:
        feeds, positions = ([p.name for p in recording.places if p.kind == kind] for kind in ("feed", "mic"))
        if not feeds or not positions or len(feeds) > _MOST_FEEDS:
            return []
        cross, found, _ = cross_spectra_of(recording, feeds, positions)
    _, findings = of_another_take(found, cross.positions if cross else ())
    return [one for one in findings if one.finding in _AGAIN]


def _heard_as_sent(
    sound_check: SoundCheck, capture: Capture, recording: Recording, start: int, copied: Collection[int]
) -> tuple[list[Finding], list[HeardAfter]]:
    """Microphones that hear none of the feeds, and feeds that sound after a microphone heard them.

    Where something sounded without a feed, what comes early may be that. What plays alone and is heard in time comes
    besides, with when it is heard.
    """
    feeds, mics = (
        [k for k, p in enumerate(recording.places) if p.kind == kind and k not in copied] for kind in ("feed", "mic")
    )
    if not mics:
        return [], []
    rate_hz = recording.sample_rate_hz
    look = recording.read(start, round(_LOOK_S * rate_hz)).T  # (track, frame)
    delays_s = np.full((len(feeds), len(mics)), np.nan)
    prominence = np.zeros((len(feeds), len(mics)))
    for i, feed in enumerate(feeds):
        delays_s[i], prominence[i] = coarse_delays_s(look[feed], look[mics], rate_hz, (-LATEST_S, LATEST_S))
    places = [recording.places[mic] for mic in mics]
    heard = np.isfinite(delays_s).any(axis=0)
    most_db = energy_db(np.maximum(prominence.max(axis=0), 1e-30))
    findings = [
        _not_heard(place, float(db)) for place, is_heard, db in zip(places, heard, most_db, strict=True) if not is_heard
    ]
    if not set(capture.playing) <= set(capture.feeds):
        return findings, []
    settings_s = [_setting_s(sound_check, capture, recording.places[feed].name) for feed in feeds]
    early = _heard_early([recording.places[k] for k in feeds], places, look[feeds], rate_hz, delays_s, settings_s)
    if early or len(feeds) > 1:
        return [*findings, *early], []
    output = recording.places[feeds[0]].name
    first_ms = 1000.0 * first_arrivals_s(look[feeds[0]], look[mics], rate_hz)
    after = zip(places, first_ms, heard, strict=True)
    heard_after = [HeardAfter(capture.name, output, mic.name, float(ms)) for mic, ms, is_heard in after if is_heard]
    return findings, [one for one in heard_after if math.isfinite(one.delay_ms)]


def _heard_early(
    feeds: Sequence[TrackPlace],
    mics: Sequence[TrackPlace],
    look: NDArray[np.float32],
    rate_hz: float,
    delays_s: NDArray[np.float64],
    settings_s: Sequence[float],
) -> list[Finding]:
    """Feeds, `look` (feed, frame), that are heard ahead of themselves, or alone and before their delay is over.

    delays_s : (feed, microphone) after which each is heard, NaN where it is not; settings_s : delays between them
    """
    findings = []
    # before all that it hears: a feed that another one carries later has arrived as that one
    ahead_s = np.where(np.any(delays_s >= -_EARLY_S, axis=0), np.nan, delays_s)
    for i, feed in enumerate(feeds):
        is_ahead = bool(np.any(ahead_s[i] < -_EARLY_S))
        # of a feed alone: another one that is like it may be what is heard
        is_set_later = len(feeds) == 1 and bool(np.any(delays_s[i] < settings_s[i] - _TOO_EARLY_S))
        if not (is_ahead or is_set_later) or _repeats_itself(look[i], rate_hz):
            continue
        k = int(np.nanargmin(ahead_s[i] if is_ahead else delays_s[i]))
        early_ms = -1000.0 * float(delays_s[i, k])
        late = _sent_late(feed, mics[k], early_ms) if is_ahead else _set_later(feed, mics[k], settings_s[i], early_ms)
        findings.append(late)
    return findings


def _setting_s(sound_check: SoundCheck, capture: Capture, output: str) -> float:
    """The delay that lies between a feed and the loudspeaker, as described: none where it is recorded behind it."""
    is_before = sound_check.outputs[output].feed_tap == "before"
    return capture.settings[output].delay_ms / 1000.0 if is_before else 0.0


def _repeats_itself(track: NDArray[np.float32], rate_hz: float) -> bool:
    """Whether a track is much like itself some time later: then what comes late may seem to come early."""
    from scipy import fft

    alike = fft.irfft(np.abs(fft.rfft(track, fft.next_fast_len(2 * len(track), real=True))) ** 2)
    later = alike[round(_REPEATED_AFTER_S * rate_hz) : round(LATEST_S * rate_hz)]
    return bool(later.max(initial=0.0) > _REPEATED * alike[0])


def _not_heard(place: TrackPlace, stands_out_db: float) -> Finding:
    """A microphone that hears none of the feeds."""
    detail = (
        f"Nothing that was sent is heard at {place.name} in the first seconds with sound. Check the patch, and "
        "that feed and microphone are of one take and not swapped, or play louder."
    )
    return Finding(
        _NOT_HEARD,
        "warning",
        detail,
        place.capture,
        place.name,
        place.file,
        place.channel,
        stands_out_db,
        "dB",
    )


def _sent_late(feed: TrackPlace, mic: TrackPlace, early_ms: float) -> Finding:
    """A feed that sounds after a microphone heard it."""
    sent, heard = (f"{place.name} ({place.file}:{place.channel or 1})" for place in (feed, mic))
    detail = (
        f"What is sent to {sent} sounds {early_ms:.0f} ms after the microphone at {heard} hears it: the two tracks are "
        "swapped in the description, or do not begin together. Exchange them there, or export all from one point."
    )
    return _early(mic, detail, early_ms)


def _set_later(feed: TrackPlace, mic: TrackPlace, set_s: float, early_ms: float) -> Finding:
    """A feed that is heard before the delay that is described is over."""
    detail = (
        f"What is sent to {feed.name} is heard at {mic.name} after {-early_ms:.1f} ms, and the delay described is "
        f'{1000.0 * set_s:.2f} ms: correct delay_ms to what was in force, or say feed_tap = "after" if the feed was '
        "recorded behind the processor. Nothing has to be recorded again for it."
    )
    return _early(mic, detail, 1000.0 * set_s + early_ms)


def _early(mic: TrackPlace, detail: str, early_ms: float) -> Finding:
    """What a microphone hears too early."""
    return Finding(
        _SENT_LATE,
        "error",
        detail,
        mic.capture,
        mic.name,
        mic.file,
        mic.channel,
        -early_ms,
        "ms",
    )
