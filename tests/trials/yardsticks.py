"""Simple methods beside which the program is measured: leave as is, two correlations, impulse-response peak.

The latter read sign and time of one track against another off one maximum: of their correlation; of their correlation
with the magnitude of every line made alike, the phase transform (Knapp & Carter 1976, IEEE ASSP-24(4)); or of the
impulse response that dividing the one's spectrum by the other's gives. Subs and outfills are lined up with the
reference by the mean over the seats, fills and towers where asked; the sign is the seats' majority.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.situations.takes import Take, own_file
from tests.trials.cases import Case
from tests.trials.efficiency import Settings
from tests.trials.truth import present
from tests.trials.venues import RATE_HZ

METHODS = ("leave as is", "plain correlation", "phase-transform correlation", "impulse-response peak")
LEAVE, CORRELATION, PHASE, PEAK = METHODS
#: Latest arrival looked for on a common clock, s; on a clock of its own it may be anywhere.
_LATEST_S = 1.0
#: What a spectrum is divided by is no less than this share of its mean energy.
_REGULARISED = 1e-3
#: Lines of a smaller share of the largest have no phase.
_NO_PHASE = 1e-9


@dataclass(frozen=True)
class Reading:
    """What a method reads: time_s and sign (output, position), as captured; NaN where an output was not played."""

    time_s: NDArray[np.float64]
    sign: NDArray[np.float64]

    def polarity(self, case: Case, i: int) -> float:
        """The wiring of an output by majority of the seats, its setting taken out."""
        votes = np.nansum(self.sign[i, case.audience])
        return case.outputs[i].sign * (1.0 if votes >= 0 else -1.0)

    def settings(self, case: Case) -> Settings:
        """What it would have typed in."""
        now, seats = present(case), case.audience
        wired = [self.polarity(case, i) for i in range(len(case.outputs))]
        for group in case.groups[1:]:
            first = case.outputs[group[0]]
            places = [case.position(first.align_at)] if first.align_at else seats
            if first.kind == "monitor":
                continue
            later = np.nanmean(self.time_s[0, places] - self.time_s[group[0], places]) + first.later_ms / 1000.0
            later = max(0.0, first.delay_s + float(np.nan_to_num(later))) - first.delay_s
            sign = wired[0] * case.outputs[0].sign * wired[group[0]] * first.sign
            now = now.changed(group, sign, later)
        return now


def readings(case: Case, folder: Path) -> dict[str, Reading]:
    """What correlation and impulse-response peak read off the recordings in a folder."""
    shape = (len(case.outputs), len(case.positions))
    out = {m: Reading(np.full(shape, np.nan), np.full(shape, np.nan)) for m in METHODS[1:]}
    for number, take in _first_takes(case):
        _read(case, folder, number, take, out)
    return out


def _first_takes(case: Case) -> Iterator[tuple[int, Take]]:
    """The takes, each with those feeds only that no take before it had; those of fewer outputs first."""
    done: set[str] = set()
    for number, take in sorted(enumerate(case.captures, 1), key=lambda t: len(t[1].feeds)):
        new = {name: feed for name, feed in take.feeds.items() if name not in done and name not in take.turned}
        done |= set(new)
        if new:
            yield number, Take(take.name, new, own_clock=take.own_clock)


def _read(case: Case, folder: Path, number: int, take: Take, out: dict[str, Reading]) -> None:
    """Fill in times and signs of one take."""
    import soundfile
    from scipy.fft import next_fast_len, rfft

    tracks, _ = soundfile.read(folder / f"take_{number}.wav", dtype="float32", always_2d=True)
    n_feeds = tracks.shape[1] - len(case.positions)
    microphones = list(tracks[:, n_feeds:].T)
    for name in take.own_clock:
        microphones[case.position(name)] = soundfile.read(folder / own_file(number, name), dtype="float32")[0]
    n = next_fast_len(len(tracks) + max(len(m) for m in microphones), real=True)
    heard = [rfft(m, n) for m in microphones]
    for name, feed in take.feeds.items():
        sent = rfft(feed.astype(np.float32), n)
        for p, spectrum in enumerate(heard):
            is_own = case.positions[p].name in take.own_clock
            for method, lags in lags_of(sent, spectrum, n).items():
                time_s, sign = top_of(
                    lags, RATE_HZ, (-n / 2 / RATE_HZ, n / 2 / RATE_HZ) if is_own else (0.0, _LATEST_S)
                )
                out[method].time_s[case.output(name), p], out[method].sign[case.output(name), p] = time_s, sign


def lags_of(sent: NDArray[np.complex64], heard: NDArray[np.complex64], n: int) -> dict[str, NDArray[np.float32]]:
    """What each method takes the maximum of, (lag,) as the transform of length n has it, later first, then earlier."""
    from scipy.fft import irfft

    energy, cross = np.abs(sent) ** 2, np.conj(sent) * heard
    flattened = cross / (np.abs(cross) + _NO_PHASE * np.abs(cross).max())
    divided = cross / (energy + _REGULARISED * energy.mean())
    return {CORRELATION: irfft(cross, n), PHASE: irfft(flattened, n), PEAK: irfft(divided, n)}


def top_of(lags: NDArray[np.float32], rate_hz: float, range_s: tuple[float, float]) -> tuple[float, float]:
    """Time in s and sign of the largest magnitude between two times, the latter left out."""
    first, stop = (round(t * rate_hz) for t in range_s)
    inside = lags[np.arange(first, stop)]
    top = int(np.abs(inside).argmax())
    return (first + top) / rate_hz, float(np.sign(inside[top]))
