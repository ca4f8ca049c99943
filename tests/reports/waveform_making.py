"""Made-up waveforms of every track that a sound check names."""

from __future__ import annotations

import numpy as np

from analyze.audio.waveform import Waveform
from analyze.description import SoundCheck

N_COLUMNS, COLUMN_S = 300, 0.1


def waveforms_of(check: SoundCheck) -> tuple[Waveform, ...]:
    """Bursts of noise; of every second microphone a second is left out."""
    rng = np.random.default_rng(2)
    out = []
    for capture in check.captures:
        for kind, tracks in (("feed", capture.feeds), ("mic", capture.mics), ("input", capture.inputs)):
            for k, name in enumerate(tracks):
                low, high = np.sort(rng.standard_normal((2, N_COLUMNS)) * 0.1, axis=0).astype(np.float32)
                left_out = ((2.0, 3.0),) if kind == "mic" and k % 2 else ()
                out.append(Waveform(capture.name, kind, name, 0.0, COLUMN_S, low, high, left_out))
    return tuple(out)
