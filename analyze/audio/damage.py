"""What is wrong with a track: silence, clipping, drop-outs, an offset, the samples of another track.

Conventions: full scale 1.0; levels in dB re a full-scale square wave (dBFS, root mean square); frames count from the
first one given. The figures are those of one pass (`damage_statistics.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analyze.audio.damage_statistics import CLIPPED_RUN, DROPOUT_S, FULL_SCALE, Span, TrackStatistics, TrackSummary
from analyze.audio.waveform import Waveform
from analyze.findings import Finding, Severity

__all__ = [
    "CLIPPED_RUN",
    "DROPOUT_S",
    "FULL_SCALE",
    "SILENT_DBFS",
    "Kind",
    "Span",
    "TrackPlace",
    "TrackStatistics",
    "TrackSummary",
    "copied_microphones",
    "copy_findings",
    "damage_findings",
    "damaged_spans",
    "waveforms_of",
]

Kind = Literal["feed", "mic", "input"]

#: Findings that ask for less gain.
CLIPPING = "clipping"
LITTLE_HEADROOM = "little headroom"
#: A track that holds the samples of an earlier one of its kind.
DUPLICATED = "duplicated track"
#: Under this level a track is silent: the noise of any microphone and preamplifier lies above.
SILENT_DBFS = -90.0
#: A mean beyond this is an offset.
DC_OFFSET = 0.01

#: Exact zeros at an end of a microphone for longer than this, while other tracks go on, are no sound either.
_LOST_AT_END_S = 1.0
#: A microphone that peaks within 2 dB of full scale has little room left (common practice, no source).
_NEAR_FULL_SCALE = 10.0 ** (-2.0 / 20.0)
#: A peak over this is shown as 0.0 dBFS: a sample there may have been cut off.
_AT_FULL_SCALE_DBFS = -0.05
#: A feed that clips over more than this share of the take is loud music.
_MOST_CLIPPED_FEED = 0.25


@dataclass(frozen=True)
class TrackPlace:
    """Whose samples a track holds: labels for findings. `from_s` is where the capture begins in the file."""

    kind: Kind
    name: str
    capture: str = ""
    file: str = ""
    channel: int | None = None
    from_s: float = 0.0


def damage_findings(summary: TrackSummary, places: Sequence[TrackPlace]) -> list[Finding]:
    """What a pass has shown, in the order of the tracks: nothing for clean ones.

    Parameters
    ----------
    summary : the figures
    places : per track, in the same order, what it is and where its samples come from
    """
    if len(places) != len(summary.peak):
        raise ValueError(f"{len(places)} places for {len(summary.peak)} tracks")
    findings: list[Finding] = []
    for track, place in enumerate(places):
        if _is_silent(summary, track):
            findings.append(_silent(summary, track, place))
            continue
        findings += _clipping(summary, track, place)
        if place.kind != "feed":
            findings += _dropouts(summary, track, place)
        if place.kind == "mic":
            findings += _silent_ends(summary, track, place)
            findings += _little_headroom(summary, track, place)
        findings += _offset(summary, track, place)
        findings += _same_samples(summary, track, places)
    return findings


def _little_headroom(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """A microphone that came near full scale and did not clip; what clips is named as that."""
    peak = float(summary.peak[track])
    if summary.n_clipped[track] or summary.n_flat[track] or not _NEAR_FULL_SCALE <= peak < 1.0:
        return []
    peak_dbfs = 20.0 * math.log10(peak)
    peak_dbfs = 0.0 if peak_dbfs > _AT_FULL_SCALE_DBFS else peak_dbfs
    whole = "It did not clip, and a louder hit would have" if peak_dbfs < 0.0 else "Its loudest sample is at full scale"
    detail = f"{whole}: 10 dB less gain costs nothing."
    return [_finding(place, LITTLE_HEADROOM, "note", detail, peak_dbfs, "dBFS")]


def waveforms_of(summary: TrackSummary, places: Sequence[TrackPlace]) -> tuple[Waveform, ...]:
    """The tracks of one pass as waveforms, in their order; nothing of them is left out yet."""
    overview, column_s = summary.overview, summary.overview.n_frames / summary.sample_rate_hz
    return tuple(
        Waveform(place.capture, place.kind, place.name, place.from_s, column_s, low, high)
        for place, low, high in zip(places, overview.low, overview.high, strict=True)
    )


def copied_microphones(summary: TrackSummary, places: Sequence[TrackPlace]) -> tuple[int, ...]:
    """Tracks of microphones that must not take part: those that hold the samples of a feed or of an earlier microphone.

    Of equal microphones the first counts: some seat it is, though which of their names is the true one is not known.
    """
    mics = [k for k, place in enumerate(places) if place.kind == "mic" and not _is_silent(summary, k)]
    return tuple(
        k for k in mics if _equal(summary, k, places, "feed") or min(_equal(summary, k, places, "mic"), default=k) < k
    )


def copy_findings(summary: TrackSummary, places: Sequence[TrackPlace]) -> list[Finding]:
    """The findings on microphones that must not take part, alone."""
    mics = copied_microphones(summary, places)
    return [found for track in mics for found in _same_samples(summary, track, places)]


def damaged_spans(summary: TrackSummary, places: Sequence[TrackPlace]) -> tuple[tuple[Span, ...], ...]:
    """Per track the frames that must not count, in order: clipped, dropped out, or missing at an end.

    Silence in a feed is what was played, and a feed that clips over more than a quarter of the take is loud music. Of a
    silent track nothing is named: there is nothing else in it.
    """
    return tuple(
        () if _is_silent(summary, track) else _damaged(summary, track, place) for track, place in enumerate(places)
    )


def _damaged(summary: TrackSummary, track: int, place: TrackPlace) -> tuple[Span, ...]:
    """The damaged spans of one track."""
    clipped = summary.clipped_spans[track]
    if place.kind == "feed":
        is_music = sum(stop - first for first, stop in clipped) > _MOST_CLIPPED_FEED * summary.n_frames
        return () if is_music else clipped
    if place.kind == "input":
        return _joined([*clipped, *summary.dropout_spans[track]])
    ends = [(first, stop) for first, stop in _missing_at_ends(summary, track) if stop > first]
    return _joined([*clipped, *summary.flat_spans[track], *summary.dropout_spans[track], *ends])


def _joined(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Spans in order, those that overlap as one."""
    joined: list[Span] = []
    for first, stop in sorted(spans):
        if joined and first <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], stop))
        else:
            joined.append((first, stop))
    return tuple(joined)


def _missing_at_ends(summary: TrackSummary, track: int) -> tuple[Span, Span]:
    """Zeros at the start and at the end of what its file holds while others go on; empty where that is short."""
    least, n = _LOST_AT_END_S * summary.sample_rate_hz, summary.n_frames
    first, stop = int(summary.data_first[track]), int(summary.data_stop[track])
    sounding = [k for k in range(len(summary.peak)) if not _is_silent(summary, k)]
    before, after = int(summary.zeros_before[track]), int(summary.zeros_after[track])
    is_late = before - max(first, summary.zeros_before[sounding].min()) > least
    is_early = after - max(n - stop, summary.zeros_after[sounding].min()) > least
    return (first, before if is_late else first), (n - after if is_early else stop, stop)


# --- findings ---


def _is_silent(summary: TrackSummary, track: int) -> bool:
    """Whether a track holds nothing but its converter's noise, or not even that."""
    return bool(summary.peak[track] == 0 or summary.level_dbfs[track] < SILENT_DBFS)


def _finding(
    place: TrackPlace,
    finding: str,
    severity: Severity,
    detail: str,
    value: float,
    unit: str,
    at_s: float = math.nan,
) -> Finding:
    """A finding about one track."""
    return Finding(finding, severity, detail, place.capture, place.name, place.file, place.channel, value, unit, at_s)


def _at_s(summary: TrackSummary, frame: int, place: TrackPlace) -> float:
    """Seconds from the start of the file; none before it, though a clock of its own runs a little fast or slow."""
    return max(0.0, place.from_s + frame / summary.sample_rate_hz)


def _silent(summary: TrackSummary, track: int, place: TrackPlace) -> Finding:
    """A track without sound."""
    level_dbfs = float(summary.level_dbfs[track])
    detail = "This track holds no sound. Check the patch, and that the description names the right channel."
    return _finding(
        place, "silent track", "error", detail, level_dbfs if math.isfinite(level_dbfs) else math.nan, "dBFS"
    )


def _clipping(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """Runs of samples at full scale, or at a microphone's own limit under it: there a feed is as it was made."""
    n, first = int(summary.n_clipped[track]), int(summary.first_clipped[track])
    if n == 0 and place.kind == "mic":
        n, first = int(summary.n_flat[track]), int(summary.first_flat[track])
    if n == 0:
        return []
    if place.kind == "feed":
        detail = f"{n} samples stand at full scale. Lower the level into the recorder, unless the music itself is so."
    elif summary.n_clipped[track]:
        detail = (
            f"{n} samples stand at full scale and are left out. Lower the preamplifier's gain before the next take."
        )
    else:
        detail = (
            f"{n} samples stand in flat tops at one level under full scale: something ahead of the converter clips. "
            "They are left out. Lower the gain there, at the microphone or its preamplifier, before the next take."
        )
    share = 100.0 * n / float(summary.n_data[track])
    return [_finding(place, CLIPPING, "warning", detail, share, "%", _at_s(summary, first, place))]


def _dropouts(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """Gaps of exact zeros in what a microphone picked up."""
    n = int(summary.n_dropouts[track])
    if n == 0:
        return []
    rate = summary.sample_rate_hz
    gaps = "1 gap" if n == 1 else f"{n} gaps"
    detail = (
        f"{gaps} of exact silence, the longest {1000.0 * summary.longest_dropout[track] / rate:.0f} ms. "
        "Look for lost network packets, a digital gate or a loose connector."
    )
    at_s = _at_s(summary, int(summary.first_dropout[track]), place)
    return [_finding(place, "drop-out", "warning", detail, float(summary.dropout_frames[track]) / rate, "s", at_s)]


def _offset(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """A mean that is not zero."""
    mean = float(summary.mean[track])
    if abs(mean) <= DC_OFFSET:
        return []
    detail = "The samples have a constant offset, which costs headroom. The analysis leaves it out."
    return [_finding(place, "dc offset", "note", detail, mean, "full scale")]


def _silent_ends(summary: TrackSummary, track: int, place: TrackPlace) -> list[Finding]:
    """A microphone of exact zeros at an end while other tracks go on."""
    findings = []
    for (first, stop), where in zip(_missing_at_ends(summary, track), ("first", "last"), strict=True):
        if stop > first:
            silent_s = (stop - first) / summary.sample_rate_hz
            detail = (
                f"Nothing but zeros in the {where} {silent_s:.1f} s, while other tracks go on; they are left out. "
                "Look for a mute, a lost network stream or a track armed late."
            )
            at_s = _at_s(summary, first, place)
            findings.append(_finding(place, "digital silence", "warning", detail, silent_s, "s", at_s))
    return findings


def _equal(summary: TrackSummary, track: int, places: Sequence[TrackPlace], kind: Kind) -> list[int]:
    """The other tracks of a kind that hold the same samples."""
    same = summary.fingerprint == summary.fingerprint[track]
    return [k for k, place in enumerate(places) if same[k] and k != track and place.kind == kind]


def _same_samples(summary: TrackSummary, track: int, places: Sequence[TrackPlace]) -> list[Finding]:
    """A microphone that holds the samples of a feed, or a track those of an earlier one of its kind."""
    place = places[track]
    feeds = _equal(summary, track, places, "feed")
    if place.kind == "mic" and feeds:
        detail = (
            f"Every sample equals the feed of {places[feeds[0]].name}: this is not what a microphone picked up, and "
            "it is left out of this capture. Check the patch, and that the description names the right channel."
        )
        return [_finding(place, "same signal", "warning", detail, math.nan, "")]
    earlier = [k for k in _equal(summary, track, places, place.kind) if k < track]
    if not earlier:
        return []
    other = places[earlier[0]].name
    if place.kind == "feed":
        detail = f"Every sample equals the feed of {other}. If they were not sent the same, check the patch."
        return [_finding(place, DUPLICATED, "note", detail, math.nan, "")]
    detail = f"Every sample equals {other}: one of the two is not what its microphone picked up. "
    if place.kind == "mic":
        detail += f"{place.name} is left out of this capture; that {other} is the true one is not certain. "
    detail += "Check the patch, and that the description names the right channels."
    return [_finding(place, DUPLICATED, "warning", detail, math.nan, "")]
