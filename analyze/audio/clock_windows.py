"""Cross-spectra of two recordings in short windows: what moves when their clocks part.

A window holds `conj(X) Y` with both magnitudes flattened: `exp(-j 2 pi f tau)` for a foreign track that is later by tau
than the line along which it is read, times whatever phase the room adds, which stays the same from window to window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyze.audio.clock_search import BAND_HZ, smoothed
from analyze.audio.clock_source import Resampled

#: Lines over which magnitudes are flattened.
_LINES_FLATTENED = 5
#: Share of half the sample rate up to which lines are used.
_USED_SHARE = 0.9
#: A track sounds within this of its loudest window, -40 dB for the base, -60 dB for a microphone in a noisy hall.
_BASE_SOUNDING, _FOREIGN_SOUNDING = 1e-2, 1e-3
#: Under -90 dB of full scale nothing sounds.
_SILENT = 3e-5


@dataclass(frozen=True)
class Windows:
    """Windows of one length.

    middle_s (window,) : base time of their middles
    frequency_hz (line,)
    cross (window, pair, line) : flattened `conj(X) Y`, 0 where the pair does not sound
    sounds (window, pair) : whether both tracks of the pair sound
    """

    middle_s: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    cross: NDArray[np.complex64]
    sounds: NDArray[np.bool_]

    @property
    def is_sounding(self) -> NDArray[np.bool_]:
        """(window,) whether any pair sounds."""
        return np.asarray(self.sounds.any(axis=1))

    @property
    def length(self) -> int:
        """Samples of a window."""
        return 2 * (len(self.frequency_hz) - 1)

    def later(self, shift_s: NDArray[np.float64]) -> NDArray[np.complex64]:
        """`cross` with window k read `shift_s[k]` later: what was late by that much is in time."""
        turn = np.exp(2j * np.pi * shift_s[:, np.newaxis] * self.frequency_hz).astype(np.complex64)
        return np.asarray(self.cross * turn[:, np.newaxis, :])

    def part(self, chosen: slice | NDArray[np.bool_]) -> Windows:
        """Some of the windows."""
        return replace(self, middle_s=self.middle_s[chosen], cross=self.cross[chosen], sounds=self.sounds[chosen])

    def only(self, pairs: Sequence[int]) -> Windows:
        """Some of the pairs."""
        return replace(self, cross=self.cross[:, list(pairs)], sounds=self.sounds[:, list(pairs)])


def windows_at(
    base: Resampled,
    foreign: Resampled,
    columns: Sequence[tuple[int, int]],
    starts: Sequence[int],
    length: int,
    later: int = 0,
) -> Windows:
    """Windows of an even `length` from the frames `starts` on, in the order given.

    Parameters
    ----------
    columns : the pairs, as places on the track axes of the two
    later : frames by which the foreign one is read later
    """
    frequency_hz = np.arange(length // 2 + 1) * base.rate_hz / length
    used = (frequency_hz >= BAND_HZ[0]) & (frequency_hz <= _USED_SHARE * base.rate_hz / 2.0)
    taper = np.hanning(length + 1)[:-1].astype(np.float32)
    cross = np.zeros((len(starts), len(columns), len(frequency_hz)), dtype=np.complex64)
    base_level, foreign_level = np.zeros((len(starts), len(base.tracks))), np.zeros((len(starts), len(foreign.tracks)))
    for k, start in enumerate(starts):
        x, base_level[k] = _spectra(base.read(start, length), taper)
        y, foreign_level[k] = _spectra(foreign.read(start + later, length), taper)
        for p, (i, j) in enumerate(columns):
            cross[k, p] = np.conj(x[i]) * y[j] * used
    base_sounds = base_level > np.maximum(_BASE_SOUNDING * base_level.max(axis=0), _SILENT)
    foreign_sounds = foreign_level > np.maximum(_FOREIGN_SOUNDING * foreign_level.max(axis=0), _SILENT)
    sounds = np.stack([base_sounds[:, i] & foreign_sounds[:, j] for i, j in columns], axis=1)
    cross *= sounds[:, :, np.newaxis]
    middle_s = (np.asarray(starts) + length / 2.0) / base.rate_hz
    return Windows(middle_s, frequency_hz, cross, sounds)


def energy_of(spectra: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Squared magnitude, without the root that `abs` takes on the way."""
    return np.asarray(spectra.real**2 + spectra.imag**2)


def _spectra(
    samples: NDArray[np.float32], taper: NDArray[np.float32]
) -> tuple[NDArray[np.complex64], NDArray[np.float64]]:
    """Flattened spectra (track, line) of one window (frame, track), and the level of every track."""
    from scipy import fft

    spectra = fft.rfft(samples.T * taper, axis=-1)
    power = np.maximum(smoothed(energy_of(spectra), _LINES_FLATTENED), 0.0)  # a running sum may end below 0
    level = np.sqrt(np.mean(samples.astype(np.float64) ** 2, axis=0))
    return np.asarray(spectra / np.sqrt(power + 1e-20), dtype=np.complex64), level
