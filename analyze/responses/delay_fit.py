"""The delay and sign that fit a cross-spectrum best: a global search over delays of both signs.

Conventions: `common` is a weighted cross-spectrum per line, (line,), lines `line_hz`; a partner that is later by tau
has the phase `-2 pi f tau`. The likeness at tau is `sum Re(common exp(j 2 pi f tau))`, negative for a turned sign.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from analyze.responses.transfer import rotation
from analyze.spectra.cross_spectra import FRAME_S, line_hz

#: Largest delay that is looked for, s, and the steps of the search: coarse by a transform, then fine.
LARGEST_DELAY_S, _N_TRANSFORM = 0.1, 8192
_FINE_S = np.linspace(-1.0, 1.0, 41) * FRAME_S / _N_TRANSFORM


@dataclass(frozen=True)
class DelayFit:
    """delay_s : of the largest likeness of either sign; likeness : there, with its sign.

    runner_up : largest magnitude of the likeness elsewhere, beyond `apart_s` from the best or of the other sign
    """

    delay_s: float
    likeness: float
    runner_up: float


def fit_delay(common: NDArray[np.complex128], apart_s: float = 0.002) -> DelayFit:
    """The delay whose likeness is furthest from 0."""
    from scipy import fft

    lines = np.zeros(_N_TRANSFORM // 2 + 1, dtype=np.complex128)
    lines[: len(common)] = common
    lines[0] *= 2.0  # a transform counts every other line twice
    delay_s = np.asarray(fft.fftfreq(_N_TRANSFORM)) * FRAME_S
    coarse = np.where(np.abs(delay_s) <= LARGEST_DELAY_S, 0.5 * _N_TRANSFORM * fft.irfft(lines), 0.0)
    best = int(np.argmax(np.abs(coarse)))
    is_other = (np.abs(delay_s - delay_s[best]) > apart_s) | (coarse * coarse[best] < 0.0)
    runner_up = float(np.abs(coarse[is_other]).max(initial=0.0))
    turned = common * rotation(line_hz(len(common)), 1.0, -1000.0 * delay_s[best])
    likeness = (_fine_turns(len(common)) @ turned).real
    k = int(np.clip(np.argmax(np.abs(likeness)), 1, len(likeness) - 2))
    before, here, after = likeness[k - 1 : k + 2]
    bend = 2.0 * here - before - after  # the top of the parabola through three points
    offset = 0.5 * (after - before) / bend if bend != 0.0 else 0.0
    between_s = float(np.clip(offset, -1.0, 1.0)) * (_FINE_S[1] - _FINE_S[0])
    return DelayFit(float(delay_s[best] + _FINE_S[k] + between_s), float(here), runner_up)


@cache
def _fine_turns(n_lines: int) -> NDArray[np.complex128]:
    """Turns (delay, line) by the delays of the fine search."""
    return np.asarray(np.exp(2j * np.pi * _FINE_S[:, None] * line_hz(n_lines)))
