"""One opened recording -> its cross-spectra: coarse delays from the first sound, then the streaming pass.

The pass is repeated once with better shifts where the responses show that a coarse delay was off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import energy_db
from analyze.audio.damage import (
    TrackStatistics,
    TrackSummary,
    copied_microphones,
    copy_findings,
    damage_findings,
    waveforms_of,
)
from analyze.audio.recording import Recording
from analyze.audio.waveform import Waveform
from analyze.findings import Finding, Severity
from analyze.spectra.coarse_delay import LATEST_S, LOOK_S, coarse_delays_s
from analyze.spectra.cross_spectra import FRAME_S, OVERLAP_HOPS, CrossSpectra
from analyze.spectra.frame_noise import hum_findings, noise_findings
from analyze.spectra.frame_plan import Spans, furthest_read_s, plan_frames
from analyze.spectra.least_squares import feeds_of, solve
from analyze.spectra.left_out import left_out_of
from analyze.spectra.prediction import Filters, corrected, filters_of, unexplained
from analyze.spectra.streaming import SourceEndedError, accumulate

#: Fewest frames per feed that give a spread at all.
_FEWEST_FRAMES = 2 * OVERLAP_HOPS
#: A coarse delay further off than this costs coherence: Hann frames keep 0.98 of |H| at 5 % of their length.
_REPEAT_S = 0.03
#: A feed that does not arrive as it should is looked for this share of what is looked at away: the rest is compared.
_FAR_SHARE = 0.5
#: There it must stand out by this ratio: noise reaches 5 in so wide a range.
_FAR_PROMINENCE = 10.0
#: Sound begins where a feed comes within this ratio of its loudest second.
_SOUND_RATIO = 0.03
#: A feed below this, -80 dB of full scale, is silent.
_SILENCE = 1e-4
#: A feed over this, -40 dB of full scale, is sound and not the hiss before it.
_SURELY_SOUND = 1e-2
_MAX_LATE_SHARE = 0.5
#: Share of a feed's energy that must be told from other feeds' for its delay to be rechecked.
_LEAST_TOLD = 0.1
#: Further looks at feeds that sound together, each with the length of its step: longer ones get there sooner, the last
#: must be whole.
_LOOKS = (1.8, 1.8, 1.0)
#: Samples read at a time where nothing is transformed.
_BLOCK = 1 << 17


def cross_spectra_of(
    recording: Recording,
    feeds: Sequence[str],
    positions: Sequence[str],
    groups: Sequence[int] | None = None,
    progress: Callable[[int], None] | None = None,
) -> tuple[CrossSpectra | None, list[Finding], tuple[Waveform, ...]]:
    """Cross-spectra of a recording whose tracks are the feeds, then the microphones, with findings and waveforms.

    groups : per feed the number of its output's group, see `solve`. Returns None and a finding where the recording is
    too short or no microphone hears any feed. Microphones that do not hear a feed are read unshifted and come out
    incoherent. Those that hold the samples of another track are left out.
    """
    too_short = too_short_finding(recording, len(feeds), 0.0)
    if too_short:
        return None, [too_short], ()
    shift_s, findings = _coarse(recording, _first_sound(recording, len(feeds)), feeds, positions)
    if np.isnan(shift_s).all():
        found, waveforms = _unheard(recording)
        return None, [*findings, *found], waveforms
    is_heard: NDArray[np.bool_] = np.asarray(np.isfinite(shift_s).any(axis=0))
    shift_s = np.nan_to_num(shift_s)
    too_short = too_short_finding(recording, len(feeds), furthest_read_s(shift_s))
    if too_short:
        return None, [*findings, too_short], ()
    checked = _checked_pass(recording, feeds, positions, shift_s, progress)
    if isinstance(checked, Finding):
        return None, [*findings, checked], ()
    cross, summary, log = checked
    waveforms = waveforms_of(summary, recording.places)
    copied = copied_microphones(summary, recording.places)
    if copied:
        kept, found = _without(copied, recording, summary, feeds, groups)
        return kept, found, waveforms
    left_out, found = left_out_of(recording, summary, log, cross.shift_s, is_heard, _FEWEST_FRAMES * len(feeds))
    findings += found
    moved = shift_s + _remaining_s(cross)
    is_moved = (
        np.abs(moved - shift_s).max() > _REPEAT_S
        and too_short_finding(recording, len(feeds), furthest_read_s(moved)) is None
    )
    if is_moved or left_out != list(recording.gaps):
        cross = _pass(recording, feeds, positions, moved if is_moved else shift_s, left_out)
    findings += hum_findings(cross)
    findings += [f for f in noise_findings(cross) if is_heard[positions.index(f.track)]]
    if len(feeds) > 1:
        cross = _looked_again(recording, cross, groups, left_out)
    rate_hz = recording.sample_rate_hz
    return cross, findings, tuple(w.without(spans, rate_hz) for w, spans in zip(waveforms, left_out, strict=True))


def _unheard(recording: Recording) -> tuple[list[Finding], tuple[Waveform, ...]]:
    """Damage and waveforms where no feed is heard: a silent track, or one of another take, may be why."""
    statistics = TrackStatistics(len(recording.labels), recording.sample_rate_hz)
    for _ in recording.blocks(_BLOCK, statistics=statistics):
        pass
    summary = statistics.finish()
    return damage_findings(summary, recording.places), waveforms_of(summary, recording.places)


def _without(
    copied: Sequence[int],
    recording: Recording,
    summary: TrackSummary,
    feeds: Sequence[str],
    groups: Sequence[int] | None,
) -> tuple[CrossSpectra | None, list[Finding]]:
    """The cross-spectra without microphones that hold another track's samples: what they say of levels is void too."""
    findings = copy_findings(summary, recording.places)
    kept = [k for k in range(len(recording.places)) if k not in copied]
    positions = [recording.places[k].name for k in kept[len(feeds) :]]
    if not positions:
        return None, findings
    others = recording.in_order([recording.labels[k] for k in kept])
    cross, found, _ = cross_spectra_of(others, feeds, positions, groups)
    return cross, [*findings, *found]


def _looked_again(
    recording: Recording, cross: CrossSpectra, groups: Sequence[int] | None, left_out: Sequence[Spans]
) -> CrossSpectra:
    """The cross-spectra corrected by what the responses leave unexplained, look after look."""
    feeds = feeds_of(cross.gxx, cross.n_effective, groups)
    for step in _LOOKS:
        filters = filters_of(cross, feeds.solved(cross.gxy))
        rest = _pass(recording, cross.feeds, cross.positions, cross.shift_s, left_out, filters=filters, before=cross)
        cross = corrected(rest, filters, feeds.solved(rest.gxy), step)
    return cross


def _checked_pass(
    recording: Recording,
    feeds: Sequence[str],
    positions: Sequence[str],
    shift_s: NDArray[np.float64],
    progress: Callable[[int], None] | None,
) -> tuple[CrossSpectra, TrackSummary, list[NDArray[np.float32]]] | Finding:
    """The first pass with the tracks' damage looked for on the way; begun anew, shorter, where a file breaks off.

    Returns the sums, the figures of the tracks and the log of levels; a finding where what can be read is too short.
    """
    while True:
        statistics = TrackStatistics(len(recording.labels), recording.sample_rate_hz, recording.gaps)
        log: list[NDArray[np.float32]] = []
        try:
            cross = _pass(recording, feeds, positions, shift_s, recording.gaps, statistics, log, progress)
        except SourceEndedError:
            too_short = too_short_finding(recording, len(feeds), furthest_read_s(shift_s))
            if too_short:
                return too_short
            continue
        return cross, statistics.finish(), log


def _pass(
    recording: Recording,
    feeds: Sequence[str],
    positions: Sequence[str],
    shift_s: NDArray[np.float64],
    left_out: Sequence[Spans],
    statistics: TrackStatistics | None = None,
    log: list[NDArray[np.float32]] | None = None,
    progress: Callable[[int], None] | None = None,
    filters: Filters | None = None,
    before: CrossSpectra | None = None,
) -> CrossSpectra:
    def source(n: int) -> Iterator[NDArray[np.float32]]:
        for _, block in recording.blocks(n, statistics=statistics):
            yield block

    return accumulate(
        source if filters is None else unexplained(source, len(feeds), filters),
        recording.n_frames,
        recording.sample_rate_hz,
        capture=recording.capture,
        feeds=feeds,
        positions=positions,
        shift_s=shift_s,
        left_out=left_out,
        log=log,
        progress=progress,
        feeds_as_in=before,
    )


def too_short_finding(recording: Recording, n_feeds: int, furthest_s: float) -> Finding | None:
    """A finding where too few frames fit for so many feeds, read so far apart."""
    plan = plan_frames(recording.n_frames, recording.sample_rate_hz, round(furthest_s * recording.sample_rate_hz))
    fewest = _FEWEST_FRAMES * n_feeds
    if plan.n_frames >= fewest:
        return None
    needed_s = FRAME_S * (1.0 + (fewest - 1) / OVERLAP_HOPS) + furthest_s
    least_s = math.ceil(10.0 * needed_s) / 10.0
    detail = f"At least {least_s:.1f} s are needed to tell sound from noise; record it three times as long."
    return Finding("capture too short", "error", detail, recording.capture, value=recording.duration_s, unit="s")


def _first_sound(recording: Recording, n_feeds: int, first_feed: int = 0) -> NDArray[np.float32]:
    """The first `LOOK_S` seconds with sound in a feed, (track, frame); the first second where there is none.

    n_feeds, first_feed : of the feeds, those before the one and from the other on
    """
    second = recording.sample_rate_hz
    # the newest seconds, each in the place of the oldest: of many tracks twenty are a lot to hold twice
    held = np.empty((len(recording.labels), min(LOOK_S * second, recording.n_frames)), dtype=np.float32)
    levels: list[float] = []
    first = n = 0  # of the seconds held: the number of the first, and their samples
    for _, block in recording.blocks(second):
        level = float(np.sqrt(np.mean(block[:, first_feed:n_feeds] ** 2)))
        if not levels and level < _SILENCE:
            continue
        at = (first + len(levels)) % LOOK_S * second
        held[:, at : at + len(block)] = block.T
        levels.append(level)
        n += len(block)
        while levels[0] < _SOUND_RATIO * max(levels):  # what seemed to be sound was only the noise before it
            levels.pop(0)
            first, n = first + 1, n - second
        if len(levels) >= LOOK_S:
            if max(levels) >= _SURELY_SOUND:
                break
            levels.pop(0)  # it may be noise yet, with the sound to come
            first, n = first + 1, n - second
    if not levels:
        return recording.read(0, second).T
    start = first % LOOK_S * second
    return np.roll(held, -start, axis=1)[:, :n] if start else held[:, :n]


def _coarse(
    recording: Recording, look: NDArray[np.float32], feeds: Sequence[str], positions: Sequence[str]
) -> tuple[NDArray[np.float64], list[Finding]]:
    """Coarse delays, (feed, position), NaN where a feed is not heard, with a finding for each such microphone."""
    rate_hz = recording.sample_rate_hz
    furthest_s = _FAR_SHARE * look.shape[1] / rate_hz
    shift_s, findings = np.full((len(feeds), len(positions)), np.nan), []
    for i, feed in enumerate(feeds):
        is_alone = len(feeds) == 1
        shift_s[i], prominence = coarse_delays_s(look[i], look[len(feeds) :], rate_hz, is_alone=is_alone)
        if not is_alone and np.isnan(shift_s[i]).all():  # outputs in turn: it may sound later
            own = _first_sound(recording, i + 1, first_feed=i)
            shift_s[i], prominence = coarse_delays_s(own[i], own[len(feeds) :], rate_hz)
        missing = [p for p in range(len(positions)) if np.isnan(shift_s[i, p])]
        if not missing:
            continue
        tracks = look[[len(feeds) + p for p in missing]]
        far_s, stands_out = coarse_delays_s(look[i], tracks, rate_hz, (-furthest_s, furthest_s))
        far_s = np.where(stands_out >= _FAR_PROMINENCE, far_s, np.nan)
        # a quiet output at a far seat is nothing to mend; one that no microphone hears is
        severity: Severity = "warning" if len(missing) == len(positions) else "note"
        for p, far in zip(missing, far_s, strict=True):
            if np.isfinite(far):
                findings.append(_out_of_reach(recording.capture, feed, positions[p], float(far)))
            else:
                stands_out_db = float(energy_db(prominence[p]))
                findings.append(_not_heard(recording.capture, feed, positions[p], severity, stands_out_db))
    return shift_s, findings


def _not_heard(capture: str, feed: str, position: str, severity: Severity, stands_out_db: float) -> Finding:
    """A microphone at which a feed does not stand out at any delay."""
    detail = (
        f"{feed} is not heard at {position} over the noise. If it should be, check that feed and microphone are of the "
        "same take and the tracks not swapped, or record it louder."
    )
    return Finding("output not heard", severity, detail, capture, position, value=stands_out_db, unit="dB")


def _out_of_reach(capture: str, feed: str, position: str, delay_s: float) -> Finding:
    """A microphone at which a feed arrives too late, or before it was sent."""
    if delay_s > 0.0:
        what = f"{delay_s:.2f} s after it is sent, and delays up to {LATEST_S:.0f} s can be measured: the"
    else:
        what = f"{-delay_s:.2f} s before it is sent: feed and microphone are swapped in the description, or their"
    detail = (
        f"{feed} is heard at {position} {what} tracks do not begin together. Export them from one point, or name the "
        "microphone's file under `unsynced`."
    )
    return Finding("delay out of reach", "warning", detail, capture, position, value=1000.0 * delay_s, unit="ms")


def _remaining_s(cross: CrossSpectra) -> NDArray[np.float64]:
    """Where the energy of each response lies behind its shift, (feed, position): the coarse delay rechecked."""
    from scipy import fft

    out = np.zeros(cross.shift_s.shape)
    n = round(FRAME_S * cross.sample_rate_hz)
    width = max(3, round(0.01 * cross.sample_rate_hz))
    solved = solve(cross.gxx, cross.gxy, cross.n_effective)
    for i in range(len(cross.feeds)):
        for p in range(len(cross.positions)):
            # weighted by what of the microphone this feed accounts for: with one feed, the coherence
            weight = np.abs(solved.h[i, p]) ** 2 * solved.power[i, p] / np.maximum(cross.gyy[p], 1e-300)
            weight = np.where(solved.power[i, p] > 1e-9 * solved.power[i, p].max(), np.minimum(weight, 1.0), 0.0)
            if solved.power[i, p] @ (solved.share[i, p] > 0.0) < _LEAST_TOLD * solved.power[i, p].sum():
                continue  # what a few lines say of a feed that is like another is no delay
            response = fft.irfft(solved.h[i, p] * weight, n)
            energy = np.convolve(np.concatenate([response[-width:], response]) ** 2, np.ones(width), mode="same")[
                width:
            ]
            at = int(np.argmax(energy[:n]))
            out[i, p] = (at if at < n * (1.0 - _MAX_LATE_SHARE) else at - n) / cross.sample_rate_hz
    return out
