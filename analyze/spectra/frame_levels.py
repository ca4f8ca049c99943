"""Levels of all tracks frame by frame: what spoils single frames, and what moved during a take.

A microphone should hold what the feeds account for, and little else. Where it holds far more, somebody talked, the wind
blew or the microphone was touched: such frames are left out. Where its gain moves against the others, its chain was
changed; where all of them move alike, the output was.

Conventions: energies are (frame, track, band), the feeds ahead of the microphones; times are in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from analyze.acoustics import band_centres_hz, band_edges_hz, energy_db
from analyze.audio.damage import TrackPlace
from analyze.findings import Finding, Severity
from analyze.spectra.cross_spectra import FRAME_S, line_hz
from analyze.spectra.frame_fit import LevelFit, fit_levels, gain_db, median_of
from analyze.spectra.frame_gain import Move
from analyze.spectra.frame_moves import FEWEST_TO_COMPARE, Changes, changes_of

#: A frame is spoilt where a band of a microphone is this far over what is expected, and by so many spreads besides, dB.
_SPOILT_DB, _SPOILT_SPREADS = 6.0, 2.0
#: Talk, wind and knocks are wider than an octave: a band beside it must be over by this, and by one spread besides, dB.
#: A single octave may hold more than expected because the note that is played meets a mode of the room.
_BESIDE_DB = 2.0
#: What a band is expected to hold is never less than this re its loud frames: a pause may hold noise, dB.
_FLOOR_DB = -6.0
#: Frames spoilt beyond this share are worth another take.
_MANY = 0.1
#: Smallest move of a level that is told, dB.
_LEAST_MOVE_DB = 1.5
#: A limiter: so many dB less gain for every dB of level at least, by so many standard errors.
_LIMITER_SLOPE, _LIMITER_SIGMAS = -0.2, -2.5
#: Finding about what all microphones hear alike and the feeds do not account for.
ANOTHER_TAKE = "not of one take"
#: Findings that hold the levels of microphones against those of the feeds, and mean nothing then.
OF_LEVELS = ("noise over the take", "level moved", "limiter working", "limiter or automatic gain", "automatic gain")
#: It strays so far from frame to frame, dB, and so many times as far as microphones differ.
_SHARED_DB, _SHARED_TIMES = 0.8, 2.0
#: A gain that wanders this far, dB, and so many times as far as those of the other microphones, is automatic if it also
#: falls as it gets louder, by so many standard errors; what rises and falls with notes and modes of the room does not.
_WANDER_DB, _WANDER_TIMES, _FALLS_SIGMAS = 0.4, 4.0, -0.8
#: Where the level hardly changes one that wanders so far is; and always one that falls so much, dB per dB, so surely.
_FAR_DB, _RIDES_SLOPE, _RIDES_SIGMAS = 0.7, -0.2, -3.0


@dataclass(frozen=True)
class FrameLevels:
    """Energies of one capture frame by frame.

    energy : (frame, track, band) float32, feeds then microphones, any scale; bands as in `band_energies`
    hop_s : from one frame to the next
    feeds, positions : labels of the tracks
    """

    energy: NDArray[np.float32]
    hop_s: float
    feeds: tuple[str, ...]
    positions: tuple[str, ...]
    _fits: dict[bytes, LevelFit] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Check that the shapes agree and close the array."""
        n_tracks = len(self.feeds) + len(self.positions)
        if self.energy.ndim != 3 or self.energy.shape[1] != n_tracks:
            raise ValueError(f"energy has shape {self.energy.shape}, expected (frame, {n_tracks}, band)")
        self.energy.flags.writeable = False

    def fit(self, usable: NDArray[np.bool_]) -> LevelFit:
        """The microphones by the feeds, from frames (frame, position) that may take part.

        Fitted once: where nothing is spoilt the same frames are asked for again.
        """
        key = usable.tobytes()
        if key not in self._fits:
            n = len(self.feeds)
            self._fits[key] = fit_levels(self.energy[:, :n], self.energy[:, n:], usable, self.hop_s)
        return self._fits[key]

    def time_s(self, frame: int) -> float:
        """The middle of a frame, from the start of the capture."""
        return frame * self.hop_s + FRAME_S / 2.0


def band_energies(spectra: NDArray[np.complexfloating]) -> NDArray[np.float32]:
    """Energies (frame, band) of spectra (frame, line): octave bands from 31.5 Hz to 4 kHz (IEC 61260-1, base ten).

    Narrower than wider bands, so that the response within one does not show when a sweep passes through it.
    """
    parts = spectra.astype(np.complex64, copy=False).view(np.float32)  # real and imaginary parts of a line side by side
    bands = (parts[:, 2 * first : 2 * stop] for first, stop in zip(*_band_lines(spectra.shape[-1]), strict=True))
    return np.stack([np.einsum("kl,kl->k", band, band) for band in bands], axis=-1)


@cache
def _band_lines(n_line: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """First line of every band, and the one after its last."""
    low_hz, high_hz = band_edges_hz(band_centres_hz(1, 31.0, 4100.0), 1)
    first, stop = np.searchsorted(line_hz(n_line), [low_hz, high_hz])
    return tuple(first.tolist()), tuple(stop.tolist())


def spoilt(levels: FrameLevels, left_out: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Frames (frame, position) in which a microphone holds far more than the feeds account for.

    left_out : (frame, position) frames known to be damaged, which say nothing and are not named again
    """
    usable = _usable(levels, left_out)
    return _spoilt(levels.fit(usable)) & usable


def level_findings(
    levels: FrameLevels,
    places: Sequence[TrackPlace],
    is_spoilt: NDArray[np.bool_],
    left_out: NDArray[np.bool_] | None = None,
    changes: Changes | None = None,
) -> list[Finding]:
    """What the levels of a capture say: bursts, levels that moved, limiters, automatic gain.

    Parameters
    ----------
    places : of the tracks, feeds then microphones
    is_spoilt, left_out : what `spoilt` gives, and what it was given
    changes : what `changes_in` gives, where that is known already
    """
    if len(places) != levels.energy.shape[1]:
        raise ValueError(f"{len(places)} places for {levels.energy.shape[1]} tracks")
    usable = _usable(levels, left_out)
    changes = changes or changes_in(levels, is_spoilt, left_out)
    microphones = places[len(levels.feeds) :]
    findings = [*_bursts(levels, microphones, is_spoilt, usable), *_output_changes(levels, places, changes)]
    for p, place in enumerate(microphones):
        findings += _microphone_changes(levels, place, p, changes)
    return findings


def changes_in(levels: FrameLevels, is_spoilt: NDArray[np.bool_], left_out: NDArray[np.bool_] | None = None) -> Changes:
    """What the gains of a capture did, by the frames that are neither spoilt nor left out."""
    spoilt_or_near = _widened(is_spoilt | ~_usable(levels, left_out), round(FRAME_S / levels.hop_s))
    return changes_of(levels.fit(~spoilt_or_near))


def another_take(place: TrackPlace, changes: Changes) -> list[Finding]:
    """A finding where microphones agree with one another and not with what was sent.

    A limiter does so too, and a sweep: it counts where what was sent explains little (`responses/capture.py`).
    """
    if not (changes.shared_db > _SHARED_DB and changes.shared_db > _SHARED_TIMES * changes.own_db):
        return []
    detail = (
        "All microphones hear the same, and it is not what the feed says was sent: feed and microphones are not of one "
        "take, or something else was louder. The capture is not used. Export all tracks from one point of one session, "
        "or record it again."
    )
    return [Finding(ANOTHER_TAKE, "error", detail, place.capture, value=changes.shared_db, unit="dB")]


def _usable(levels: FrameLevels, left_out: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """Frames (frame, position) that are not known to be damaged."""
    if left_out is None:
        return np.ones((len(levels.energy), len(levels.positions)), dtype=np.bool_)
    return ~left_out


def _widened(is_spoilt: NDArray[np.bool_], hops: int) -> NDArray[np.bool_]:
    """Frames (frame, position), so many hops long, and all that overlap them.

    The ends of a burst would look like a gain that moved.
    """
    out = is_spoilt.copy()
    for n in range(1, hops):
        out[n:] |= is_spoilt[:-n]
        out[:-n] |= is_spoilt[n:]
    return out


def _spoilt(fit: LevelFit) -> NDArray[np.bool_]:
    """Frames (frame, position) that hold far more than expected, the moves of gains taken out."""
    ratio_db = fit.ratio_db()
    changes, gain = changes_of(fit), gain_db(ratio_db)
    expected = fit.lasting.copy()
    for p in range(gain.shape[1]):
        moved = changes.of(p)
        if moved:
            for part in (slice(0, moved.frame), slice(moved.frame, None)):
                known = gain[part, p][np.isfinite(gain[part, p])]
                expected[part, p] *= 10.0 ** (0.1 * float(np.median(known))) if len(known) else 1.0
    loud = median_of(np.where(fit.is_loud, expected, np.nan))  # (position, band)
    floor = np.where(np.isfinite(loud), loud, np.inf) * 10.0 ** (0.1 * _FLOOR_DB)
    over_db = energy_db(np.maximum(fit.found, 1e-30) / np.maximum(np.maximum(expected, floor), 1e-30))
    spread_db = np.nan_to_num(fit.spread_db)
    is_over = (over_db > _SPOILT_DB + _SPOILT_SPREADS * spread_db) & fit.is_counted
    is_beside = _beside((over_db > _BESIDE_DB + spread_db) & (expected > 0.0))
    return np.asarray((is_over & is_beside).any(axis=-1), dtype=np.bool_)


def _beside(is_over: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where the band below or above, on the last axis, is over."""
    out = np.zeros_like(is_over)
    out[..., 1:] |= is_over[..., :-1]
    out[..., :-1] |= is_over[..., 1:]
    return out


def _bursts(
    levels: FrameLevels, places: Sequence[TrackPlace], is_spoilt: NDArray[np.bool_], usable: NDArray[np.bool_]
) -> list[Finding]:
    """Frames that are spoilt, per microphone, with their share and the first of them."""
    findings = []
    for p, place in enumerate(places):
        n = np.count_nonzero(is_spoilt[:, p])
        if n == 0:
            continue
        share = float(n / np.count_nonzero(usable[:, p]))
        detail = (
            f"{100.0 * share:.0f} % of the take holds far more than what was played: talk, a crowd, wind or a touched "
            "microphone. That is left out"
        )
        many = share > _MANY
        detail += "; record it again in quiet." if many else " and the rest used."
        at_s = levels.time_s(int(np.argmax(is_spoilt[:, p])))
        findings.append(
            _finding(place, "noise over the take", "warning" if many else "note", detail, 100.0 * share, "%", at_s)
        )
    return findings


def _output_changes(levels: FrameLevels, places: Sequence[TrackPlace], changes: Changes) -> list[Finding]:
    """A limiter, or a level that moved, of the output that sounds; with several feeds it cannot be told whose."""
    is_one, moved = len(levels.feeds) == 1, changes.common
    place = places[0] if is_one else TrackPlace("feed", "", places[0].capture, from_s=places[0].from_s)
    what = levels.feeds[0] if is_one else "the outputs"
    if _is_limited(changes):
        return [_limiter(place, what, changes.limiter.per_db, len(levels.positions) >= FEWEST_TO_COMPARE)]
    if moved is None or abs(moved.size_db) < _LEAST_MOVE_DB or not is_one:
        return []
    detail = (
        f"Every microphone hears {what} {_by(moved)} against its feed: a fader or an amplifier behind the feed's tap. "
        "Leave the levels alone during a take."
    )
    return [_finding(place, "level moved", "warning", detail, moved.size_db, "dB", _at_s(levels, moved))]


def _is_limited(changes: Changes) -> bool:
    """Whether all microphones hear less the more is sent."""
    return changes.limiter.per_db < _LIMITER_SLOPE and changes.limiter.sigmas < _LIMITER_SIGMAS


def _limiter(place: TrackPlace, what: str, per_db: float, is_compared: bool) -> Finding:
    """Sound that grows less than its feed; one or two microphones may also have done it themselves."""
    name, where = "limiter working", "a limiter or compressor works behind the feed's tap. Play softer."
    if not is_compared:
        name = "limiter or automatic gain"
        where = "a limiter behind the feed's tap, or automatic gain in the recorder. Switch that off and play softer."
    detail = f"For every 10 dB that the feed gets louder {what} comes out {-10.0 * per_db:.1f} dB short of it: {where}"
    return _finding(place, name, "warning", detail, per_db, "dB per dB")


def _microphone_changes(levels: FrameLevels, place: TrackPlace, p: int, changes: Changes) -> list[Finding]:
    """A level that moved at one microphone, or wanders there."""
    moved, wander = changes.own[p], changes.wander_db[p]
    if moved is not None and abs(moved.size_db) >= _LEAST_MOVE_DB:
        others = "the others" if len(levels.positions) > 1 else "what was sent"
        detail = (
            f"The microphone comes out {_by(moved)} against {others}: a gain was changed, or the microphone moved. Its "
            "levels are a mean of both; leave it alone during a take."
        )
        return [_finding(place, "level moved", "warning", detail, moved.size_db, "dB", _at_s(levels, moved))]
    if not _is_automatic(changes, p) or _is_limited(changes):
        return []  # a limiter is not heard everywhere alike
    detail = (
        "The gain of this microphone wanders while those of the others stand still: automatic gain or a limiter in the "
        "recorder. Switch it off and set the gain by hand."
    )
    return [_finding(place, "automatic gain", "warning", detail, float(wander) if wander > 0.0 else math.nan, "dB")]


def _is_automatic(changes: Changes, p: int) -> bool:
    """Whether the gain of one chain follows its level, or strays as those of the others do not."""
    if not changes.ride:
        return False
    ride, wander = changes.ride[p], np.abs(changes.wander_db)
    strays = changes.wander_db[p] >= max(_WANDER_DB, _WANDER_TIMES * float(np.median(np.delete(wander, p))))
    rides = ride.per_db <= _RIDES_SLOPE and ride.sigmas <= _RIDES_SIGMAS
    is_level_steady = ride.sigmas == 0.0
    return rides or (strays and (bool(wander[p] >= _FAR_DB) if is_level_steady else ride.sigmas <= _FALLS_SIGMAS))


def _by(moved: Move) -> str:
    """How far and which way a level moved."""
    way = "up" if moved.size_db > 0.0 else "down"
    return f"{'drifting ' if moved.is_gradual else ''}{abs(moved.size_db):.1f} dB {way}"


def _at_s(levels: FrameLevels, moved: Move) -> float:
    """When a level moved: between its frame and the one before."""
    return levels.time_s(moved.frame) - levels.hop_s / 2.0


def _finding(
    place: TrackPlace, name: str, severity: Severity, detail: str, value: float, unit: str, at_s: float = math.nan
) -> Finding:
    """A finding about one track; `at_s` counts from the start of the capture."""
    return Finding(
        name, severity, detail, place.capture, place.name, place.file, place.channel, value, unit, place.from_s + at_s
    )
