"""The stretch that coarse delays are found in: from the first sound on, however long the wait for it."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from analyze.spectra.capture import _first_sound
from analyze.spectra.coarse_delay import LOOK_S

RATE_HZ = 50
#: -80 dB of full scale is silence; hiss of -66 dB is not; -6 dB is sound.
SILENCE, HISS, SOUND = 1e-5, 5e-4, 0.5


def take(*parts: tuple[float, float]) -> SimpleNamespace:
    """A recording of a feed and a microphone, parts of (seconds, level); every sample of the feed is its own."""
    level = np.concatenate([np.full(round(seconds * RATE_HZ), level) for seconds, level in parts])
    feed = level * (1.0 + 0.01 * np.random.default_rng(3).standard_normal(len(level)))
    tracks = np.stack([feed, np.arange(len(feed))], axis=1).astype(np.float32)

    def blocks(n: int) -> Iterator[tuple[int, NDArray[np.float32]]]:
        return ((at, tracks[at : at + n]) for at in range(0, len(tracks), n))

    return SimpleNamespace(
        sample_rate_hz=RATE_HZ,
        labels=("feed", "mic"),
        n_frames=len(tracks),
        blocks=blocks,
        read=lambda start, n: tracks[start : start + n],
        tracks=tracks.T,
    )


@pytest.mark.parametrize(
    ("parts", "from_s", "to_s"),
    [
        ([(100.0, SOUND)], 0.0, LOOK_S),
        ([(7.0, SILENCE), (100.0, SOUND)], 7.0, 7.0 + LOOK_S),
        ([(7.0, SILENCE), (4.3, SOUND)], 7.0, 11.3),
        ([(4.3, SOUND)], 0.0, 4.3),
        ([(12.0, HISS), (100.0, SOUND)], 12.0, 12.0 + LOOK_S),
        ([(71.0, HISS), (100.0, SOUND)], 71.0, 71.0 + LOOK_S),
        ([(71.0, HISS), (9.5, SOUND)], 71.0, 80.5),
        ([(71.0, HISS)], 71.0 - (LOOK_S - 1), 71.0),
        ([(100.0, SILENCE)], 0.0, 1.0),
    ],
)
def test_the_look_begins_with_the_sound(parts: list[tuple[float, float]], from_s: float, to_s: float) -> None:
    recording = take(*parts)
    look = _first_sound(recording, 1)
    assert np.array_equal(look, recording.tracks[:, round(from_s * RATE_HZ) : round(to_s * RATE_HZ)])
