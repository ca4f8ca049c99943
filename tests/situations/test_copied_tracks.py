"""A microphone's track that holds another's samples takes no part in its capture; the rest of the capture does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from takes import Take, build_scene, write

from analyze.description import load_sound_check
from analyze.pipeline import Analysis, analyse
from analyze.simulate_feeds import make_feed

OUTPUTS = ("main left", "sub left", "sub right")
#: The capture in which tracks are copied, and its output.
NUMBER, SUB = 2, "sub left"
SEATS = ("mix", "front", "left", "back", "centre", "drummer")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three outputs alone, noise."""
    scene = build_scene(2)
    assert tuple(p.name for p in scene.positions) == SEATS
    rng = np.random.default_rng(11)
    takes = [Take(o, {o: make_feed("noise", 16 * scene.sample_rate_hz, scene.sample_rate_hz, rng)}) for o in OUTPUTS]
    path = tmp_path_factory.mktemp("copies")
    write(scene, path, takes)
    return path


@pytest.fixture(scope="module")
def whole(folder: Path) -> Analysis:
    return analyse(load_sound_check(folder))


def copied(folder: Path, into: Path, tracks: dict[int, int], numbers: tuple[int, ...] = (NUMBER,)) -> Analysis:
    """The same with tracks of some takes replaced by others of the same take: 0 is the feed, then the microphones."""
    for path in folder.iterdir():
        (into / path.name).write_bytes(path.read_bytes())
    for number in numbers:
        samples, rate_hz = soundfile.read(into / f"take_{number}.wav")
        for to, source in tracks.items():
            samples[:, to] = samples[:, source]
        soundfile.write(into / f"take_{number}.wav", samples, rate_hz, subtype="PCM_24")
    return analyse(load_sound_check(into))


@pytest.mark.parametrize(
    ("tracks", "finding", "seat"), [({1: 0}, "same signal", "mix"), ({2: 1}, "duplicated track", "front")]
)
def test_a_copy_takes_no_part(
    folder: Path, whole: Analysis, tmp_path: Path, tracks: dict[int, int], finding: str, seat: str
) -> None:
    """The microphone that is a copy has no row in that capture; all others stay.

    Arrivals of a sub lean on one another a little: they differ by 0.1 ms at most, within their standard deviations.
    """
    found = copied(folder, tmp_path, tracks)
    (seen,) = (f for f in found.findings if f.capture)
    assert (seen.finding, seen.capture, seen.track, seen.severity) == (finding, SUB, seat, "warning")
    assert "left out of this capture" in seen.detail
    assert "Check the patch" in seen.detail
    heard, expected = ({(a.capture, a.position): a for a in x.arrivals} for x in (found, whole))
    del expected[SUB, seat]
    assert heard.keys() == expected.keys()
    for key, row in heard.items():
        assert abs(row.arrival_ms - expected[key].arrival_ms) < row.arrival_std_ms
        assert row.polarity == expected[key].polarity
    before, after = ({r.output: r for r in a.recommendations} for a in (whole, found))
    for sub in OUTPUTS[1:]:
        assert after[sub].decision == before[sub].decision == "change"
        assert after[sub].recommended_polarity == before[sub].recommended_polarity
        # one seat fewer: the best delay moves a little with it
        assert after[sub].recommended_delay_ms == pytest.approx(before[sub].recommended_delay_ms, abs=0.5)
    assert [w.polarity for w in found.wiring] == [w.polarity for w in whole.wiring]


def test_a_copy_in_all_captures_is_no_seat(folder: Path, tmp_path: Path) -> None:
    found = copied(folder, tmp_path, {2: 1}, (1, 2, 3))
    assert [(f.finding, f.track) for f in found.findings if f.capture] == [("duplicated track", "front")] * 3
    assert {a.position for a in found.arrivals} == set(SEATS) - {"front"}
    assert "front" not in {r.position for r in found.prediction if r.cell == "yes"}
    assert {r.output: r.decision for r in found.recommendations}[SUB] == "change"


def test_a_capture_of_nothing_but_copies_is_named_and_the_rest_used(folder: Path, tmp_path: Path) -> None:
    """Every microphone holds the feed: of that output nothing is known."""
    found = copied(folder, tmp_path, dict.fromkeys(range(1, 1 + len(SEATS)), 0))
    assert [(f.finding, f.track) for f in found.findings if f.capture] == [("same signal", seat) for seat in SEATS]
    assert SUB not in {a.capture for a in found.arrivals}
    decisions = {r.output: r.decision for r in found.recommendations}
    assert decisions[SUB] == "undecided"
