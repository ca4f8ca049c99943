"""Which tracks were recorded together: one bundle of tracks per capture.

Tracks of one recording have the same length, sample rate and start. What has another length or sample rate than the
feeds was made by a recorder on its own clock, and goes with the recording that it can belong to, if there is just one.
Where several recordings are alike in that, folders, takes and the outputs that are named tell them apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analyze.description_words import words_of
from analyze.draft_tracks import Track


@dataclass(frozen=True)
class Recording:
    """What tracks of one recording share.

    folder : the folders that tell it from others; take : its number, empty if none
    start_s : since midnight, NaN if not known
    """

    folder: tuple[str, ...]
    take: str
    sample_rate_hz: int
    n_frames: int
    start_s: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.n_frames / self.sample_rate_hz


@dataclass(frozen=True)
class Bundle:
    """The tracks of one capture to be.

    family : of stage inputs, what they share; empty for feeds and microphones
    strays : files on a clock of their own, those that share one together, and why they are taken for it
    """

    recording: Recording
    tracks: tuple[Track, ...]
    family: str = ""
    strays: tuple[tuple[tuple[str, ...], str], ...] = ()

    def of(self, role: str) -> tuple[Track, ...]:
        """The tracks of one role."""
        return tuple(track for track in self.tracks if track.role == role)


def bundle_tracks(tracks: Iterable[Track]) -> tuple[list[Bundle], list[Track]]:
    """The captures to be, in the order of their files, and stage inputs that have nothing to be compared with."""
    recordings: dict[tuple[object, ...], list[Track]] = {}
    for track in tracks:
        recordings.setdefault(recording_key(track), []).append(track)
    bundles: list[Bundle] = []
    alone: list[Track] = []
    for members in recordings.values():
        families, single = _families(members)
        bundles += [*_heard_together(members), *families]
        alone += single
    return _with_strays(bundles), alone


def recording_key(track: Track) -> tuple[object, ...]:
    """What tracks of one recording have in common; comparable, for NaN is not."""
    recording = _recording(track)
    is_known = not math.isnan(recording.start_s)
    start = recording.start_s if is_known else None
    return (recording.folder, recording.take, recording.sample_rate_hz, recording.n_frames, start)


def _recording(track: Track) -> Recording:
    """The recording of a track. Where its start is known, its folder does not matter."""
    file = track.file
    folder = () if not math.isnan(file.start_s) else tuple(part for part in file.folders if _tells_recordings(part))
    return Recording(folder, track.take, file.sample_rate_hz, file.n_frames, file.start_s)


def _tells_recordings(folder: str) -> bool:
    """Whether a folder tells recordings apart, and not only kinds of tracks, as `feeds` and `mics` do."""
    words = words_of(folder)
    return not words or not all(word.means("role", "instrument", "filler", "stereo") for word in words)


# --- stage inputs ---


def _families(members: Sequence[Track]) -> tuple[list[Bundle], list[Track]]:
    """A bundle per instrument with several microphones, and the tracks of those with only one.

    Where no instrument has several and there is nothing else in the recording, all are one bundle.
    """
    inputs = [track for track in members if track.role == "input"]
    families: dict[str, list[Track]] = {}
    for track in inputs:
        families.setdefault(track.family, []).append(track)
    several = {name: tracks for name, tracks in families.items() if len(tracks) > 1}
    if not several and len(inputs) > 1 and len(inputs) == len(members):
        return [Bundle(_recording(inputs[0]), tuple(inputs), "stage inputs")], []
    bundles = [Bundle(_recording(tracks[0]), tuple(tracks), name) for name, tracks in several.items()]
    return bundles, [track for track in inputs if track.family not in several]


# --- feeds and microphones ---


def _heard_together(members: Sequence[Track]) -> list[Bundle]:
    """Feeds and microphones of one recording, a bundle for each set that sounded together."""
    others = _with_pairs([track for track in members if track.role != "input"])
    if not others:
        return []
    files = _complete((track.file.path, track) for track in others)
    outputs = _complete((track.output_key, track) for track in others if track.output_key)
    parts: dict[object, list[Track]] = {}
    for track in others:
        names = ((track.file.path, files), (track.output_key, outputs))
        parts.setdefault(next((name for name, complete in names if name in complete), None), []).append(track)
    common = parts.pop(None, [])
    fed = [part for part in parts.values() if _has(part, "feed")]
    if common and len(fed) == 1 and not (_has(common, "feed") and _has(common, "mic")):
        fed[0].extend(common)
        common = []
    has_inputs = len(others) < len(members)
    everything = [*parts.values(), common] if common else list(parts.values())
    recording = _recording(others[0])
    return [Bundle(recording, _with_company(part, has_inputs)) for part in everything]


def _with_pairs(tracks: list[Track]) -> list[Track]:
    """Tracks with files of two channels, of which only an output is known, as its left and right.

    Such a file is taken for a feed and a microphone as long as the recording has no microphones of their own.
    """
    if not any(track.role == "mic" and track.is_sure for track in tracks):
        return tracks
    first = {
        track.file.path: track
        for track in tracks
        if track.is_by_place and track.role == "feed" and track.kind and track.file.n_channels == 2
    }
    return [_side_of(first[track.file.path], track.channel) if track.file.path in first else track for track in tracks]


def _side_of(feed: Track, channel: int) -> Track:
    """The feed of one side from that of both."""
    side = ("left", "right")[channel - 1]
    why = f"{feed.kind_why}, of a file of two channels beside those of the microphones"
    label, key = f"{feed.label} {side}", (*feed.output_key, side)
    return replace(feed, channel=channel, label=label, output_key=key, why=why, source="")


def _has(tracks: Iterable[Track], role: str) -> bool:
    """Whether any of the tracks has a role."""
    return any(track.role == role for track in tracks)


def _complete(named: Iterable[tuple[object, Track]]) -> set[object]:
    """Files, or outputs, that have both feeds and microphones: each is a capture of its own."""
    roles: dict[object, set[str]] = {}
    for name, track in named:
        roles.setdefault(name, set()).add(track.role)
    return {name for name, found in roles.items() if {"feed", "mic"} <= found}


def _with_company(part: Sequence[Track], has_inputs: bool) -> tuple[Track, ...]:
    """Tracks of which nothing is known taken for microphones, where the others have a feed and there is no stage."""
    if has_inputs or not _has(part, "feed"):
        return tuple(part)
    why = "nothing says what it is, and this recording has a feed"
    return tuple(track if track.role else replace(track, role="mic", label=track.own_name, why=why) for track in part)


# --- recorders on their own clock ---


def _with_strays(bundles: list[Bundle]) -> list[Bundle]:
    """Bundles with those of other recorders joined to the one that they can belong to."""
    joined = {place: bundle for place, bundle in enumerate(bundles)}
    for place, bundle in enumerate(bundles):
        if bundle.of("feed") or not bundle.of("mic"):
            continue
        hosts = [host for host in joined if host != place and _can_host(bundles[host], bundle)]
        for is_nearer in (_is_heard, _is_same_take, _is_same_folder):
            hosts = [host for host in hosts if is_nearer(bundles[host], bundle)] or hosts
        if len(hosts) == 1:
            joined[hosts[0]] = _joined(joined[hosts[0]], bundle)
            del joined[place]
    return [_with_handhelds(bundle) for bundle in joined.values()]


def _can_host(host: Bundle, guest: Bundle) -> bool:
    """Whether another recorder's files may belong to a recording."""
    here, there = host.recording.folder, guest.recording.folder
    n_shared = min(len(here), len(there))
    is_take = guest.recording.take in ("", host.recording.take)
    return bool(host.of("feed")) and here[:n_shared] == there[:n_shared] and is_take


def _is_heard(host: Bundle, guest: Bundle) -> bool:
    """Whether microphones name an output that is fed."""
    heard = {track.output_key for track in guest.of("mic") if track.output_key}
    return any(track.output_key in heard for track in host.of("feed"))


def _is_same_take(host: Bundle, guest: Bundle) -> bool:
    """Whether takes agree, no number being one too."""
    return host.recording.take == guest.recording.take


def _is_same_folder(host: Bundle, guest: Bundle) -> bool:
    """Whether the files lie in the same folder, as far as it tells recordings apart."""
    return host.recording.folder == guest.recording.folder


def _joined(host: Bundle, guest: Bundle) -> Bundle:
    """A bundle with the tracks of another recorder; one that started with it, by both clocks, is no stray."""
    here, there = host.recording, guest.recording
    if here.sample_rate_hz != there.sample_rate_hz:
        why = f"its sample rate differs: {there.sample_rate_hz} Hz, and {here.sample_rate_hz} Hz of the feed"
    elif here.start_s == there.start_s:
        return replace(host, tracks=(*host.tracks, *guest.tracks))
    elif here.n_frames != there.n_frames:
        why = f"its length differs: {there.duration_s:.3f} s, and {here.duration_s:.3f} s of the feed"
    else:
        why = "its start differs from that of the feed"
    strays = (*host.strays, (_files(guest.of("mic")), why))
    return replace(host, tracks=(*host.tracks, *guest.tracks), strays=strays)


def _with_handhelds(bundle: Bundle) -> Bundle:
    """A bundle with recorders on their own clock named as such, though their length does not show it."""
    feeds = _files(bundle.of("feed"))
    known = {file for files, _ in bundle.strays for file in files}
    handhelds = _files(track for track in bundle.of("mic") if track.is_handheld)
    new = [((file,), "its name says so") for file in handhelds if feeds and file not in known and file not in feeds]
    return replace(bundle, strays=(*bundle.strays, *new))


def _files(tracks: Iterable[Track]) -> tuple[str, ...]:
    """Paths of the files of tracks, each once."""
    return tuple(dict.fromkeys(track.file.path for track in tracks))
