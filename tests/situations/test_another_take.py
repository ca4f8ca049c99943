"""A feed that is of another take than the microphones: nothing is decided on it, and the finding says why.

Music on one beat is the hard case: the feed fits the sound of another bar well enough to look like a response.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from takes import RATE_HZ, Take, build_scene, mixes, write

from analyze.description import load_recorded, load_sound_check
from analyze.findings import Finding
from analyze.pipeline import Analysis, analyse
from analyze.spectra import inspection
from analyze.spectra.frame_levels import ANOTHER_TAKE
from analyze.spectra.frame_noise import LITTLE_LEVEL
from analyze.spectra.inspection import inspect_captures

_OUTPUTS = ("main left", "sub left", "sub right")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three outputs, each alone with music of 24 s."""
    place = tmp_path_factory.mktemp("takes")
    rng = np.random.default_rng(2)
    feeds = mixes(build_scene(5), 24.0, rng, 0.3, _OUTPUTS)
    write(build_scene(5), place, [Take(o, {o: feeds[o]}) for o in _OUTPUTS])
    return place


def with_feed_of(folder: Path, seed: int, later_s: float) -> Analysis:
    """The sound check with another feed for the second take: music of this seed, or its own from another bar."""
    path = folder / "take_2.wav"
    tracks, _ = soundfile.read(path)
    kept = tracks.copy()
    if seed:
        tracks[:, 0] = mixes(build_scene(5), 24.0, np.random.default_rng(seed), 0.3, ("sub left",))["sub left"]
    tracks[:, 0] = np.roll(tracks[:, 0], round(later_s * RATE_HZ))
    try:
        soundfile.write(path, tracks, RATE_HZ, subtype="PCM_24")
        return analyse(load_sound_check(folder))
    finally:
        soundfile.write(path, kept, RATE_HZ, subtype="PCM_24")


def named(found: Analysis) -> list[Finding]:
    return [f for f in found.findings if f.finding == "not of one take"]


@pytest.mark.parametrize(("seed", "later_s"), [(92, 0.0), (0, 7.3)])
def test_nothing_is_decided_on_the_feed_of_another_take(folder: Path, seed: int, later_s: float) -> None:
    found = with_feed_of(folder, seed, later_s)
    (finding,) = named(found)
    assert (finding.capture, finding.severity) == ("sub left", "error")
    decision = {r.output: r for r in found.recommendations}["sub left"]
    assert decision.decision == "undecided"
    assert "record it alone again" in decision.reason
    of_it = {f.finding for f in found.findings if f.capture == "sub left"}
    assert not of_it & {"level moved", "limiter working"}


def test_the_right_feed_is_not_named(folder: Path) -> None:
    found = with_feed_of(folder, 0, 0.0)
    assert named(found) == []
    assert {r.output: r for r in found.recommendations}["sub left"].decision in ("keep", "change")


@pytest.mark.parametrize("n_explained", [0, 1])
def test_a_look_names_it_only_where_the_feed_explains_little_everywhere(
    folder: Path, monkeypatch: pytest.MonkeyPatch, n_explained: int
) -> None:
    """As the beginning of a sweep has it: levels move at all microphones alike, and the feed explains what is heard."""

    def found(recording, _, positions):
        little = [Finding(LITTLE_LEVEL, "warning", "", recording.capture, p) for p in positions[n_explained:]]
        other = Finding(ANOTHER_TAKE, "error", "", recording.capture)
        return SimpleNamespace(positions=tuple(positions)), [*little, other], ()

    monkeypatch.setattr(inspection, "cross_spectra_of", found)
    takes = [f.capture for f in inspect_captures(load_recorded(folder)).findings if f.finding == ANOTHER_TAKE]
    assert takes == ([] if n_explained else list(_OUTPUTS))
