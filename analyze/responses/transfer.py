"""Responses from feed to microphone with coherence and error: what the recordings say about each output.

Conventions: `H = Y / X`; a delay tau > 0 is later, phase `-2 pi f tau`; a sign is a polarity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Responses:
    """Responses of several outputs at several positions; axes group, output, position, frequency.

    capture : name of the capture, empty where several were merged
    outputs, positions : labels of the output and position axes
    frequency_hz : (frequency,); n_lines : (frequency,) FFT lines each point averages
    h : (output, position, frequency) complex, NaN where nothing was measured
    variance : (output, position, frequency) variance of h, `E|dh|^2`
    coherence : (output, position, frequency) 0..1
    averages : (output, position) effective averages, NaN where nothing was measured
    groups : (group, output, position, frequency) h of each group of frames alone
    """

    capture: str
    outputs: tuple[str, ...]
    positions: tuple[str, ...]
    frequency_hz: NDArray[np.float64]
    n_lines: NDArray[np.int64]
    h: NDArray[np.complex128]
    variance: NDArray[np.float64]
    coherence: NDArray[np.float64]
    averages: NDArray[np.float64]
    groups: NDArray[np.complex128]

    def __post_init__(self) -> None:
        """Check that the shapes agree and close the arrays."""
        shape = (len(self.outputs), len(self.positions), len(self.frequency_hz))
        for name in ("h", "variance", "coherence"):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, expected {shape}")
        if self.groups.shape[1:] != shape:
            raise ValueError(f"groups has shape {self.groups.shape}, expected (group, *{shape})")
        for name in ("h", "variance", "coherence", "averages", "groups"):
            getattr(self, name).flags.writeable = False

    def has(self, output: str, position: str) -> bool:
        """Whether this output was measured at this position."""
        if output not in self.outputs or position not in self.positions:
            return False
        row = self.h[self.outputs.index(output), self.positions.index(position)]
        return bool(np.isfinite(row.real).any())


@dataclass(frozen=True)
class ImpulseResponse:
    """One output at one position at present settings; time zero is the feed.

    samples : (frame,) float32, full scale out per full scale in
    """

    output: str
    position: str
    sample_rate_hz: int
    samples: NDArray[np.float32]
