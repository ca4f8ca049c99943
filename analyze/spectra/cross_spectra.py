"""Cross-spectral matrices of one capture: what the streaming pass leaves of hours of audio.

Conventions: `Gxy = sum over frames of conj(X) Y`, so that `Gxy / Gxx` is the response from feed to microphone and a
later microphone has the phase `-2 pi f tau` (Bendat & Piersol, Random Data, ch. 5; the convention of
`scipy.signal.csd(x, y)`). For every microphone each feed is read by its own `shift_s` earlier than the microphone, so
that whatever several feeds sound in one frame lies in step; phases are relative to that shift.

Lines are 1/1.4 s apart at every sample rate. The sums over all frames hold every line up to 20 kHz; those over each
group of frames, from which later figures get their spread, hold the lines up to `LOW_HZ`, where settings are decided.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Frame length: a whole number of samples at every usual rate; lines lie 0.71 Hz apart.
FRAME_S = 1.4
#: Frames start a quarter of a frame apart; in long recordings, half a frame.
OVERLAP_HOPS, LONG_OVERLAP_HOPS = 4, 2
#: Share of Hann frames, so many hops long, that count as independent averages (Welch 1967, IEEE AU-15).
EFFECTIVE_SHARE = {OVERLAP_HOPS: 0.52, LONG_OVERLAP_HOPS: 18.0 / 19.0}
#: Groups of successive frames kept apart at the most.
MAX_GROUPS = 8
#: Highest line of the groups, and of all: nothing is decided by what lies beyond.
LOW_HZ, HIGHEST_HZ = 400.0, 20000.0


def line_hz(n_lines: int) -> NDArray[np.float64]:
    """Frequencies of the first `n_lines` lines, (line,), from 0 up."""
    return np.arange(n_lines) / FRAME_S


def n_lines(length: int) -> int:
    """Lines kept of frames of so many samples, from 0 up."""
    return min(length // 2, round(HIGHEST_HZ * FRAME_S)) + 1


@dataclass(frozen=True)
class CrossSpectra:
    """Sums over the frames of one capture; axes feed, position, line, and group for the low lines.

    capture : name of the capture
    feeds, positions : labels of the feed and position axes
    sample_rate_hz : of the recording
    shift_s : (feed, position) how much earlier than the microphone each feed was read for it
    n_frames : (group, position) frames summed
    hops : (group,) hops per frame
    gxx : (position, feed, feed, line) complex, `conj(X of the first) X of the second`, as read for that position
    gyy : (position, line) real
    gxy : (feed, position, line) complex, phases relative to `shift_s`
    low_gxx, low_gxy : (group, position, feed, feed, line), (group, feed, position, line), lines up to `LOW_HZ`
    n_planned : frames that fit into the capture, whether they counted or not; groups are equal parts of them
    """

    capture: str
    feeds: tuple[str, ...]
    positions: tuple[str, ...]
    sample_rate_hz: float
    shift_s: NDArray[np.float64]
    n_frames: NDArray[np.int64]
    hops: NDArray[np.int64]
    gxx: NDArray[np.complex128]
    gyy: NDArray[np.float64]
    gxy: NDArray[np.complex128]
    low_gxx: NDArray[np.complex128]
    low_gxy: NDArray[np.complex128]
    n_planned: int

    def __post_init__(self) -> None:
        """Check that the shapes agree and close the arrays."""
        n_feed, n_position, n_group = len(self.feeds), len(self.positions), len(self.n_frames)
        n_line, n_low = self.gxx.shape[-1], self.low_gxx.shape[-1]
        expected = {
            "shift_s": (n_feed, n_position),
            "n_frames": (n_group, n_position),
            "hops": (n_group,),
            "gxx": (n_position, n_feed, n_feed, n_line),
            "gyy": (n_position, n_line),
            "gxy": (n_feed, n_position, n_line),
            "low_gxx": (n_group, n_position, n_feed, n_feed, n_low),
            "low_gxy": (n_group, n_feed, n_position, n_low),
        }
        for name, shape in expected.items():
            array = getattr(self, name)
            if array.shape != shape:
                raise ValueError(f"{name} has shape {array.shape}, expected {shape}")
            array.flags.writeable = False

    @property
    def n_effective(self) -> NDArray[np.float64]:
        """Effective number of averages over all groups, (position,)."""
        return np.asarray(self.n_effective_of_groups.sum(axis=0))

    @property
    def n_effective_of_groups(self) -> NDArray[np.float64]:
        """Effective number of averages, (group, position)."""
        shares = np.array([EFFECTIVE_SHARE[int(hops)] for hops in self.hops])
        return np.asarray(shares[:, None] * self.n_frames, dtype=np.float64)
