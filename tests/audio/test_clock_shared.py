"""Captures out of one pair of files: later ones look where the first says, and search for themselves where it errs."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import numpy as np
import pytest
import soundfile
from audio_helpers import track
from clock_making import RATE_HZ, SOUNDS, Clock, Samples, between, hall, heard

from analyze.audio import clock
from analyze.audio.clock import ClockFit
from analyze.audio.clock_pairs import Pairs
from analyze.audio.clock_search import Lag, likely_lags
from analyze.audio.clock_shared import SharedClocks
from analyze.audio.recording import _on_one_clock, open_recording
from analyze.description import Capture
from analyze.errors import DescriptionError

#: Takes of 20 s in one pair of files, the sound of each from 1 s to 1 s before its end, and its flight.
TAKE_S, FLIGHT_S = 20.0, (0.06, 0.11, 0.04)
N_TAKES = len(FLIGHT_S)
N, OWN_S = round(N_TAKES * TAKE_S * RATE_HZ), 75.0
STEADY = Clock(7.5, 90.0)


@dataclass
class Searches:
    """How often the whole of a recorder's file was looked through."""

    n: int = 0


@pytest.fixture
def searches(monkeypatch: pytest.MonkeyPatch) -> Searches:
    seen = Searches()

    def counted(pairs: Pairs) -> list[Lag]:
        seen.n += 1
        return likely_lags(pairs)

    monkeypatch.setattr(clock, "likely_lags", counted)
    return seen


@cache
def made(recorder: Clock, sound: str, silent: int, is_same: bool) -> tuple[Samples, Samples]:
    """A feed per take, (frame, take), and what one microphone hears, (frame, 1)."""
    rng = np.random.default_rng(3)
    feeds, there = [], np.zeros(N)
    programme = SOUNDS[sound](N, rng)
    for k in range(N_TAKES):
        played = np.roll(programme, round(k * TAKE_S * RATE_HZ)) if is_same else SOUNDS[sound](N, rng)
        feeds.append(between(played, k * TAKE_S + 1.0, (k + 1) * TAKE_S - 1.0))
        there += 0.0 if k == silent else heard(feeds[k], hall(rng, FLIGHT_S[k], 0.0), 20.0, rng)
    own = recorder.recorded(there, OWN_S)
    own += 1e-4 * rng.standard_normal(len(own))
    return np.stack(feeds, axis=1), own[:, np.newaxis]


def put(folder: Path, recorder: Clock, sound: str = "noise", silent: int = -1, is_same: bool = False) -> None:
    """Write the files; nothing is heard of the take `silent`, with `is_same` every take plays the same."""
    for name, samples in zip(("desk", "own"), made(recorder, sound, silent, is_same), strict=True):
        soundfile.write(folder / f"{name}.wav", 0.9 * samples / np.abs(samples).max(), RATE_HZ, subtype="PCM_24")


def described(number: int, own: str = "own.wav") -> tuple[Capture, Mapping[tuple[str, str], str]]:
    """A take, and its tracks."""
    ends = {"start_s": number * TAKE_S, "end_s": (number + 1) * TAKE_S}
    tracks = {("feed", "feed"): f"desk.wav:{number + 1}", ("mic", "seat"): f"{own}:1"}
    return Capture(name=f"take {number}", playing=(), unsynced=((own,),), **ends), tracks


def clocks_of(numbers: Sequence[int], own: Sequence[str] = ("own.wav",) * N_TAKES) -> SharedClocks:
    takes = [described(number, own[number]) for number in numbers]
    return SharedClocks((c, {label: track(text) for label, text in tracks.items()}) for c, tracks in takes)


def fit_of(folder: Path, clocks: SharedClocks, number: int) -> ClockFit:
    capture, tracks = described(number)
    whole = Capture(name=capture.name, playing=())
    (feed, sent), (mic, there) = tracks.items()
    base = open_recording(folder, capture, {feed: track(sent)})
    foreign = open_recording(folder, whole, {mic: track(there)})
    with base, foreign:
        return clocks.fit(1, base, foreign, partial(_on_one_clock, folder))


def late_s(fit: ClockFit, recorder: Clock, number: int) -> float:
    """Found less true instant in the middle of a take: the flight, if right. Residual: the grid, 0.125 ms."""
    middle_s = TAKE_S / 2.0
    return fit.pieces[0].foreign_s(middle_s) - recorder.foreign_s(number * TAKE_S + middle_s)


@pytest.mark.parametrize("sound", ["noise", "chords"])
def test_one_search_serves_all(tmp_path: Path, searches: Searches, sound: str) -> None:
    """Each clock is as exact as one that was searched for (`test_clock.py`), and has its own earliest arrival."""
    put(tmp_path, STEADY, sound)
    clocks = clocks_of(range(N_TAKES))
    for number in range(N_TAKES):
        fit = fit_of(tmp_path, clocks, number)
        assert late_s(fit, STEADY, number) == pytest.approx(FLIGHT_S[number], abs=2e-4)
        assert fit.ppm == pytest.approx(90.0, abs=0.3)
        assert [f.finding for f in fit.findings] == ["recorder clock"]
    assert searches.n == 1


@pytest.mark.parametrize(("lost_s", "n_searches"), [(0.03, 1), (-0.05, 1), (1.0, 2)])
def test_lost_between_takes(tmp_path: Path, searches: Searches, lost_s: float, n_searches: int) -> None:
    """A buffer is found near the place; what the take lies further off by is found by a search."""
    recorder = Clock(7.5, 90.0, ((20.5, lost_s),))
    put(tmp_path, recorder, "drums")
    clocks = clocks_of(range(2))
    for number in range(2):
        assert late_s(fit_of(tmp_path, clocks, number), recorder, number) == pytest.approx(FLIGHT_S[number], abs=2e-4)
    assert searches.n == n_searches


def test_lost_within_a_later_take(tmp_path: Path, searches: Searches) -> None:
    recorder = Clock(7.5, 90.0, ((30.0, 0.02),))
    put(tmp_path, recorder)
    clocks = clocks_of(range(2))
    first, second = (fit_of(tmp_path, clocks, number) for number in range(2))
    assert (len(first.pieces), len(second.pieces), searches.n) == (1, 2, 1)
    assert [f.value for f in second.findings if f.finding == "recorder jump"] == pytest.approx([20.0], abs=0.1)


def test_what_does_not_hold_is_not_taken(tmp_path: Path, searches: Searches) -> None:
    """Another rate, or a place off by whole bars: the clock is what a search says, to the last digit."""
    put(tmp_path, STEADY, "drums")
    alone = fit_of(tmp_path, clocks_of([1]), 1)
    for number, (offset_s, ppm) in enumerate([(0.0, 8.0), (2.0, 0.0), (-0.5, 0.0)], start=2):
        wrong = clocks_of([0, 1])
        line = alone.pieces[0].counted_from(-TAKE_S)
        middle_s = 1.5 * TAKE_S
        moved = clock.ClockPiece(-np.inf, np.inf, line.offset_s + offset_s - 1e-6 * ppm * middle_s, line.ppm + ppm)
        wrong._shares[0].line.set_result(moved)
        assert fit_of(tmp_path, wrong, 1).pieces == alone.pieces
        assert searches.n == number, "it was looked for"


def test_the_first_that_knows_tells(tmp_path: Path, searches: Searches) -> None:
    """Nothing is heard of the first take: the second searches as well, the third need not."""
    put(tmp_path, STEADY, silent=0)
    clocks = clocks_of(range(N_TAKES))
    fits = [fit_of(tmp_path, clocks, 0)]
    clocks.close("take 0")
    fits += [fit_of(tmp_path, clocks, number) for number in (1, 2)]
    assert [fit.is_found for fit in fits] == [False, True, True]
    assert late_s(fits[2], STEADY, 2) == pytest.approx(FLIGHT_S[2], abs=2e-4)
    assert searches.n == 2


def test_the_same_sound_in_every_take(tmp_path: Path) -> None:
    """Each by itself fits at all of them, and is refused; the first and the last fit together in one."""
    put(tmp_path, STEADY, "drums", is_same=True)
    assert fit_of(tmp_path, clocks_of([1]), 1).is_ambiguous
    clocks = clocks_of(range(N_TAKES))
    for number in range(N_TAKES):
        fit = fit_of(tmp_path, clocks, number)
        assert late_s(fit, STEADY, number) == pytest.approx(FLIGHT_S[number], abs=2e-4)
        assert fit.ppm == pytest.approx(90.0, abs=0.3)


def test_other_files_tell_nothing(tmp_path: Path, searches: Searches) -> None:
    """The second take is described with another recorder's file: its clock is its own."""
    put(tmp_path, STEADY)
    clocks = clocks_of(range(2), ("another.wav", "own.wav"))
    assert fit_of(tmp_path, clocks, 1).is_found, "it waits for nobody"
    assert searches.n == 1


def test_order_of_work_does_not_show(tmp_path: Path) -> None:
    """Taken up backwards, each by a thread of its own: the later wait for the first, and come out the same."""
    put(tmp_path, STEADY)
    in_order, at_once = clocks_of(range(N_TAKES)), clocks_of(range(N_TAKES))
    alone = [fit_of(tmp_path, in_order, number) for number in range(N_TAKES)]
    with ThreadPoolExecutor(N_TAKES) as pool:
        later = {k: pool.submit(fit_of, tmp_path, at_once, k) for k in reversed(range(1, N_TAKES))}
        assert not any(job.done() for job in later.values())
        found = [fit_of(tmp_path, at_once, 0), *(later[k].result(60.0) for k in range(1, N_TAKES))]
    assert [fit.pieces for fit in found] == [fit.pieces for fit in alone]


def test_a_capture_that_cannot_be_opened_lets_the_others_go(tmp_path: Path) -> None:
    put(tmp_path, STEADY)
    clocks, done = clocks_of(range(2)), threading.Event()
    capture, tracks = described(0)
    with pytest.raises(DescriptionError, match="no such file"):
        open_recording(tmp_path / "elsewhere", capture, {k: track(text) for k, text in tracks.items()}, clocks)
    worker = threading.Thread(target=lambda: done.set() if fit_of(tmp_path, clocks, 1).is_found else None, daemon=True)
    worker.start()
    assert done.wait(60.0)
