"""How does a recorder on a clock of its own lie to the rest of a capture: start, rate, and where it lost samples?

Times: `base_s` from the first frame of the base recording, `foreign_s` from the first frame of the foreign one, each
by its file's sample rate:

    foreign_s = offset_s + (1 + ppm * 1e-6) * base_s

`offset_s` positive: the foreign recorder was started earlier; `ppm` positive: it runs fast. The time of flight cannot
be told from the offset. It is set so that the earliest output arrives when its feed sounds: arrivals on this recorder
compare between outputs, and mean nothing by themselves. A buffer lost in the silence between two outputs is not seen.

Steps: `clock_search` finds likely lags, `clock_rate` the rate around each, `clock_track` the path of the lag with its
leaps, `clock_line` the line. Programme that repeats itself fits in several places: one is taken only if the others are
contradicted. What does not pass every check here is not found: no fit is better than a wrong one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock_line import FittedLine, fit_line
from analyze.audio.clock_pairs import Pairs, pairs_of
from analyze.audio.clock_rate import Rate, rate_of
from analyze.audio.clock_search import LIMIT_PPM, Lag, likely_lags, repeats_after_s
from analyze.audio.clock_source import ClockPiece
from analyze.audio.clock_track import LARGEST_JUMP_S, TRACK_HZ, WINDOW_S, Track, track_of
from analyze.findings import Finding, Severity

if TYPE_CHECKING:
    from analyze.audio.recording import Recording

#: Lags that are followed up while a pair's coherent energy stands so far above chance.
_MAX_TRIED, _LEAST_Z = 3, 8.0
#: A lag whose coherent energy stands out to this share of the best one's is a rival, unless it is one already.
_RIVAL_SHARE, _SAME_S = 0.3, 0.1
#: Prominence that unrelated sound does not reach by chance (14 measured; drums of one tempo 31, but in many places).
_LEAST_PROMINENCE = 25.0
#: Prominence from which a place is believed without a look at all others, if it is expected there to these bounds.
_SURE_PROMINENCE, _NEAR_S, _SAME_PPM = 60.0, 0.2, 3.0
#: Peak of the response over its median that neither unrelated sound reaches (3.4 measured) nor hum in both (2.9).
_LEAST_PEAK = 4.0
#: Windows of a rival that this share of ours or less fit contradict it; ours are then clear of noise.
_CONTRADICTS, _CLEAR_Z, _FEWEST_CONTRADICTIONS = 0.35, 10.0, 2
#: A rival that fits this much worse on the whole is another bar of the music: in its mean, and beyond chance.
_WORSE, _SURELY_Z, _Z_OF_DIFFERENCE = 0.85, 5.0, 2.0
#: Largest phase, in radians at the frequencies that count, by which drift left over and residual may turn.
_MOST_DRIFT_RAD, _MOST_RESIDUAL_RAD = 0.4, 0.6
#: Largest share of the lags' trust that the line may leave out.
_MOST_OUTLIERS = 0.3
#: Outputs do not arrive further apart than this: 100 m and a delay setting.
_FURTHEST_APART_S = 0.4
#: Rates closer to the limit than this may lie beyond it.
_LIMIT_MARGIN_PPM = 5.0
#: A leap may lie this far beyond the middles of the windows on both sides of it.
_MARGIN_S = WINDOW_S / 4.0


@dataclass(frozen=True)
class ClockFit:
    """What was found: pieces, empty for nothing.

    ppm, ppm_std : rate and its standard deviation
    residual_s : root mean square of the lags about the line
    prominence : of the shared sound over chance, in standard deviations
    findings : the figures, or why there are none
    is_ambiguous : nothing was found because the sound fits in several places
    """

    pieces: tuple[ClockPiece, ...]
    ppm: float
    ppm_std: float
    residual_s: float
    prominence: float
    findings: tuple[Finding, ...]
    is_ambiguous: bool = False

    @property
    def is_found(self) -> bool:
        """Whether the clock is known."""
        return bool(self.pieces)


def fit_clock(base: Recording, foreign: Recording, expected: ClockPiece | None = None) -> ClockFit:
    """Offset, rate and jumps of `foreign`, whose tracks share one clock, against `base`.

    expected : the line that another capture of the same files gives; where it does not hold, all of `foreign` is
        searched as without it
    """
    why = _NOTHING_SHARED
    near = None if expected is None else fit_near(base, foreign, expected)
    if near is not None:
        return near
    for pairs in pairs_of(base, foreign):
        tracks = _likely_tracks(pairs, likely_lags(pairs))
        if not tracks:
            continue
        best = max(tracks, key=lambda track: track.prominence)
        if not all(_refutes(best, rival) for rival in tracks if rival is not best):
            why = _AMBIGUOUS
            break
        fitted = fit_line(best)
        why = _objection(fitted)
        if fitted is not None and not why:
            return _found(fitted)
        break  # the sound is there: pairs without a feed would not tell more
    return ClockFit((), math.nan, math.nan, math.nan, math.nan, (_not_found(foreign, why),), why == _AMBIGUOUS)


def fit_near(base: Recording, foreign: Recording, expected: ClockPiece) -> ClockFit | None:
    """The fit close to an expected line; None where it is not beyond doubt, so that a search has to tell.

    Beyond doubt: the sound stands out further than other sound of the same tempo and drums does, what repeats itself
    fits nowhere else, and both the place and the rate are the expected ones. One crystal has one rate; the place may
    differ by the paths of other outputs, and by what was lost between two takes.
    """
    pairs, middle_s = pairs_of(base, foreign)[0], base.duration_s / 2.0
    tracks = _likely_tracks(pairs, [Lag(middle_s, expected.foreign_s(middle_s) - middle_s)]) if pairs.has_feed else []
    if not tracks or tracks[0].prominence < _SURE_PROMINENCE:
        return None
    if not all(_refutes(tracks[0], rival) for rival in tracks[1:]):
        return None
    fitted = fit_line(tracks[0])
    if fitted is None or _objection(fitted) or abs(fitted.ppm - expected.ppm) > _SAME_PPM:
        return None
    fit = _found(fitted)
    off_s = [abs(piece.foreign_s(middle_s) - expected.foreign_s(middle_s)) for piece in fit.pieces]
    return fit if min(off_s, default=math.inf) <= _NEAR_S else None


def likely_lines(base: Recording, foreign: Recording) -> list[ClockPiece]:
    """Lines along which the recordings seem to hold the same sound, to a few ppm and hundredths of a second."""
    pairs = pairs_of(base, foreign)[0]
    rates = [rate_of(pairs, lag) for lag in likely_lags(pairs)]
    return [rate.line for rate in rates if rate is not None and rate.best_z >= _LEAST_Z]


_NOTHING_SHARED = "no sound is found that both recordings hold"
_AMBIGUOUS = "it fits in several places equally well, as sound that repeats itself does"


def _likely_tracks(pairs: Pairs, lags: Sequence[Lag]) -> list[Track]:
    """The path of the lag along the most likely line, then along its rivals; empty where nothing stands out."""
    rates = [rate for lag in lags if (rate := rate_of(pairs, lag)) is not None]
    rates.sort(key=lambda rate: -rate.best_z)
    for rate in rates[:_MAX_TRIED]:
        track = track_of(pairs, rate) if rate.best_z >= _LEAST_Z else None
        if track is not None and track.prominence >= _LEAST_PROMINENCE and track.peak_ratio >= _LEAST_PEAK:
            rivals = [track_of(pairs, rival) for rival in _rivals(pairs, rate, rates)]
            return [track, *(rival for rival in rivals if rival is not None)]
    return []


def _rivals(pairs: Pairs, best: Rate, found: list[Rate]) -> list[Rate]:
    """Rates at lags that might be meant instead.

    They are off by what the base repeats itself after, or by more than any jump: sound of one tempo and one kit of
    drums is alike in many places.
    """
    repeats_s = repeats_after_s(pairs)
    repeated = [rate_of(pairs, replace(best.lag, lag_s=best.lag.lag_s + after_s)) for after_s in repeats_s]
    rivals = [rate for rate in repeated if rate is not None]
    for rate in found:
        is_new = all(abs(rate.lag.lag_s - best.lag.lag_s - after_s) > _SAME_S for after_s in repeats_s)
        if is_new and abs(rate.lag.lag_s - best.lag.lag_s) > LARGEST_JUMP_S:
            rivals.append(rate)
    return [rate for rate in rivals if rate.best_z >= _RIVAL_SHARE * best.best_z]


def _objection(fitted: FittedLine | None) -> str:
    """What speaks against taking a line for the clock, for a sentence; empty for nothing."""
    if fitted is None:
        return "too little of its sound is shared"
    track = fitted.track
    radians_per_s = 2.0 * math.pi * fitted.scale_hz
    drift_s = fitted.std_ppm * 1e-6 * float(np.ptp(track.windows.middle_s[track.is_matched]))
    if abs(fitted.ppm) > LIMIT_PPM - _LIMIT_MARGIN_PPM:
        return f"its rate is off by more than {LIMIT_PPM - _LIMIT_MARGIN_PPM:.0f} ppm"
    if radians_per_s * drift_s > _MOST_DRIFT_RAD:
        return f"its rate is not certain enough ({fitted.ppm:.0f} ppm, give or take {max(fitted.std_ppm, 0.1):.1f})"
    if radians_per_s * fitted.residual_s > _MOST_RESIDUAL_RAD or fitted.outlier_share > _MOST_OUTLIERS:
        return f"no steady clock fits (residual {1e3 * fitted.residual_s:.2f} ms)"
    if track.pairs.has_feed and float(np.ptp(_arrivals_s(fitted))) > _FURTHEST_APART_S:
        return f"outputs arrive over {_FURTHEST_APART_S:.1f} s apart, as if it lost samples in the silence between them"
    if not track.pairs.has_feed and track.piece.max() > 0:
        return "it jumps, or another output takes over, which without a feed look the same"
    return ""


def _refutes(best: Track, rival: Track) -> bool:
    """Whether a rival is worse on the whole, or fails where the best fits, more often than the other way round.

    Judged in the rival's windows; where the best has none it does not fit, whatever the reason.
    """
    ours, theirs = _in_windows_of(rival, best)
    contradictions = np.count_nonzero((ours > _CLEAR_Z) & (theirs < _CONTRADICTS * ours))
    contradictions -= np.count_nonzero((theirs > _CLEAR_Z) & (ours < _CONTRADICTS * theirs))
    if contradictions >= _FEWEST_CONTRADICTIONS:
        return True
    surely = _SURELY_Z * _Z_OF_DIFFERENCE / math.sqrt(len(ours))
    return bool(theirs.mean() < _WORSE * ours.mean() and (ours - theirs).mean() > surely)


def _in_windows_of(rival: Track, best: Track) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Deviates of best and rival in the rival's windows that sound by either."""
    place, best_place = (np.round(track.windows.middle_s * TRACK_HZ) for track in (rival, best))
    _, there, here = np.intersect1d(place, best_place, return_indices=True)
    ours, sounds = np.zeros(len(place)), rival.is_sounding.copy()
    ours[there] = best.z[here]
    sounds[there] |= best.is_sounding[here]
    return ours[sounds], rival.z[sounds]


def _found(fitted: FittedLine) -> ClockFit:
    """The fit of a line that nothing speaks against."""
    pairs, pieces = fitted.track.pairs, _pieces(fitted)
    fit = ClockFit(pieces, fitted.ppm, fitted.std_ppm, fitted.residual_s, fitted.track.prominence, ())
    is_in_turn = len(fitted.track.groups) > 1
    return replace(fit, findings=(_clock_finding(pairs, fit, is_in_turn), *_jump_findings(pairs, pieces)))


def _pieces(fitted: FittedLine) -> tuple[ClockPiece, ...]:
    """The pieces as lines, the outer ones to the ends, the others as far as the windows that surely hold no leap."""
    track, middle_s = fitted.track, fitted.track.windows.middle_s
    numbers = [number for number in range(len(fitted.offset_s)) if (track.piece == number).any()]
    leap_s = np.nan_to_num(np.abs(np.diff(fitted.offset_s[numbers], prepend=math.nan, append=math.nan)))
    on_line_s = _earliest_s(fitted) - fitted.more_ppm * 1e-6 * float(middle_s.mean())
    pieces = []
    for place, number in enumerate(numbers):
        inside = np.flatnonzero(track.piece == number)
        others = np.flatnonzero(track.is_sounding & (track.piece != number))
        start_s = float(middle_s[inside[0]] + _MARGIN_S + leap_s[place] / 2.0)
        stop_s = float(middle_s[inside[-1]] - _MARGIN_S - leap_s[place + 1] / 2.0)
        start_s = start_s if (others < inside[0]).any() else -math.inf
        stop_s = stop_s if (others > inside[-1]).any() else math.inf
        late_s = (on_line_s + float(fitted.offset_s[number])) * (1.0 + track.line.ppm * 1e-6)
        if start_s < stop_s:  # nothing is left of a piece of one or two windows
            pieces.append(ClockPiece(start_s, stop_s, track.line.offset_s + late_s, fitted.ppm))
    return tuple(pieces)


def _arrivals_s(fitted: FittedLine) -> NDArray[np.float64]:
    """Strongest arrival (pair,) of the foreign recording behind the base, on the line."""
    response = np.abs(fitted.track.responses(fitted.late_s))
    peak, length = np.argmax(response, axis=-1), response.shape[-1]
    return np.asarray(np.where(peak < length // 2, peak, peak - length) / TRACK_HZ)


def _earliest_s(fitted: FittedLine) -> float:
    """By how much later the foreign recording must be read so that no sound comes before its feed."""
    by_kind: dict[tuple[str, str], list[float]] = {}
    for pair, lag_s in enumerate(_arrivals_s(fitted)):
        by_kind.setdefault(fitted.track.pairs.kinds(pair), []).append(float(lag_s))
    if ("feed", "feed") in by_kind:
        return float(np.median(by_kind["feed", "feed"]))
    heard = [lag_s for (base, _), lags_s in by_kind.items() if base == "feed" for lag_s in lags_s]
    heard_by_base = [lag_s for (_, foreign), lags_s in by_kind.items() if foreign == "feed" for lag_s in lags_s]
    return min(heard) if heard else max(heard_by_base or next(iter(by_kind.values())))


def _clock_finding(pairs: Pairs, fit: ClockFit, is_in_turn: bool) -> Finding:
    """The figures of the clock, and what a capture in which outputs sound in turn cannot show."""
    first = fit.pieces[0]
    earlier = "earlier" if first.offset_s > 0 else "later"
    detail = (
        f"Own clock found from the sound: started {abs(first.offset_s):.3f} s {earlier} than the capture, runs "
        f"{fit.ppm:+.1f} ppm, give or take {max(fit.ppm_std, 0.1):.1f}; residual "
        f"{1e3 * max(fit.residual_s, 1e-5):.2f} ms. Its arrivals compare between outputs of this capture; by "
        "themselves they mean nothing."
    )
    if is_in_turn:
        detail += (
            " Samples lost in the silence between two outputs do not show: let the outputs overlap, or record anew."
        )
    return _finding(pairs.foreign, "recorder clock", "note", detail, fit.ppm, "ppm")


def _jump_findings(pairs: Pairs, pieces: tuple[ClockPiece, ...]) -> list[Finding]:
    """One finding for every leap between pieces."""
    findings = []
    for before, after in itertools.pairwise(pieces):
        lost_s, left_out_s = before.offset_s - after.offset_s, after.base_start_s - before.base_stop_s
        what = "lost" if lost_s > 0 else "recorded twice"
        detail = (
            f"{abs(1e3 * lost_s):.1f} ms were {what}, as when a buffer is dropped; {left_out_s:.1f} s around it are "
            "left out. Use a faster card, and let nothing else run on the recorder."
        )
        found = _finding(pairs.foreign, "recorder jump", "warning", detail, 1e3 * lost_s, "ms")
        at_s = pairs.base.places[0].from_s + (before.base_stop_s + after.base_start_s) / 2.0
        findings.append(replace(found, at_s=at_s))
    return findings


def _not_found(foreign: Recording, why: str) -> Finding:
    """The finding for a clock that stays unknown."""
    detail = (
        f"Its tracks are left out, for {why}. Check that it ran during this capture; record it on the recorder that "
        "takes the feed, or play 30 s or more of noise that does not repeat."
    )
    return _finding(foreign, "recorder clock not found", "warning", detail, math.nan, "")


def _finding(foreign: Recording, name: str, severity: Severity, detail: str, value: float, unit: str) -> Finding:
    """A finding about the files of one clock."""
    files = ", ".join(file.shown for file in foreign.files)
    return Finding(name, severity, detail, foreign.capture, file=files, value=value, unit=unit)
