"""Cross-spectral matrices of one capture: what the streaming pass leaves of hours of audio.

Conventions: `Gxy = sum over frames of conj(X) Y`, so that `Gxy / Gxx` is the response from feed to microphone and a
later microphone has the phase `-2 pi f tau` (Bendat & Piersol, Random Data, ch. 5; the convention of
`scipy.signal.csd(x, y)`). Every microphone is read `shift_s` later than the feed, so phases are relative to that shift.

The frequency axis is the same for every sample rate: lines 1/1.4 s apart up to 1 kHz, above that the mean over
1/48 octave, up to 20 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Frame length; a whole number of samples at every usual rate, and lines 0.71 Hz apart.
FRAME_S = 1.4
#: Frames start a quarter of a frame apart.
OVERLAP_HOPS = 4
#: Share of Hann frames at 75 % overlap that count as independent (Welch 1967; `checks.md` E1 by simulation).
EFFECTIVE_SHARE = 0.52
#: Groups of successive frames kept apart, so that every later figure has a spread.
MAX_GROUPS = 8
#: Full resolution up to here, 1/48 octave above.
FULL_RESOLUTION_HZ = 1000.0
HIGHEST_HZ = 20000.0
_POINTS_PER_OCTAVE = 48


@dataclass(frozen=True)
class FrequencyAxis:
    """Points of the frequency axis and the FFT lines that each one averages.

    frequency_hz : (frequency,) centre of the lines averaged
    first_line, n_lines : (frequency,) lines `first_line .. first_line + n_lines - 1` of a frame's FFT
    """

    frequency_hz: NDArray[np.float64]
    first_line: NDArray[np.int64]
    n_lines: NDArray[np.int64]

    def reduce(self, lines: NDArray[np.generic]) -> NDArray[np.generic]:
        """Mean over the lines of each point; the last axis is lines, and becomes frequency.

        Points above the highest line come out as NaN.
        """
        n_given = lines.shape[-1]
        inside = self.first_line + self.n_lines <= n_given
        stop = int((self.first_line + self.n_lines)[inside][-1])
        sums = np.add.reduceat(lines[..., :stop], self.first_line[inside], axis=-1)
        out = np.full((*lines.shape[:-1], len(self.frequency_hz)), np.nan, dtype=lines.dtype)
        out[..., inside] = sums / self.n_lines[inside]
        return out


def frequency_axis() -> FrequencyAxis:
    """The one frequency axis of the program (line 0 is left out)."""
    n_full = round(FULL_RESOLUTION_HZ * FRAME_S)
    n_octaves = np.log2(HIGHEST_HZ / FULL_RESOLUTION_HZ)
    steps = np.arange(round(n_octaves * _POINTS_PER_OCTAVE) + 1) / _POINTS_PER_OCTAVE
    edges = np.unique(np.round((n_full + 1) * 2.0**steps).astype(np.int64))
    first = np.concatenate([np.arange(1, n_full + 1), edges[:-1]])
    n_lines = np.diff(np.append(first, edges[-1]))
    centre_hz = (first + (n_lines - 1) / 2.0) / FRAME_S
    return FrequencyAxis(centre_hz, first, n_lines)


@dataclass(frozen=True)
class CrossSpectra:
    """Sums over frames of one capture, group by group; axes group, feed, position, frequency.

    capture : name of the capture
    feeds, positions : labels of the feed and position axes
    axis : the frequency axis
    shift_s : (feed, position) how much later than the feed each microphone was read
    n_frames : (group,) frames summed
    gxx : (group, feed, frequency) real; gyy : (group, position, frequency) real
    gxy : (group, feed, position, frequency) complex, phases relative to `shift_s`
    line_gxx, line_gxy : (feed, line), (feed, position, line): sums over all frames at full resolution
    sample_rate_hz : of the recording
    """

    capture: str
    feeds: tuple[str, ...]
    positions: tuple[str, ...]
    axis: FrequencyAxis
    shift_s: NDArray[np.float64]
    n_frames: NDArray[np.int64]
    gxx: NDArray[np.float64]
    gyy: NDArray[np.float64]
    gxy: NDArray[np.complex128]
    line_gxx: NDArray[np.float64]
    line_gxy: NDArray[np.complex128]
    sample_rate_hz: float

    def __post_init__(self) -> None:
        """Check that the shapes agree and close the arrays."""
        n_group, n_feed, n_position = len(self.n_frames), len(self.feeds), len(self.positions)
        n_frequency = len(self.axis.frequency_hz)
        expected = {
            "shift_s": (n_feed, n_position),
            "gxx": (n_group, n_feed, n_frequency),
            "gyy": (n_group, n_position, n_frequency),
            "gxy": (n_group, n_feed, n_position, n_frequency),
        }
        for name, shape in expected.items():
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, expected {shape}")
            getattr(self, name).flags.writeable = False

    @property
    def n_effective(self) -> float:
        """Effective number of averages over all groups."""
        return EFFECTIVE_SHARE * float(self.n_frames.sum())
